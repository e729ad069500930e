"""The grid method: four-corner prisms on a square lattice."""

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.earthwork.cutfill import CutFill
from terrain.kernels import kernel
from terrain.surface import Lattice, Surface


def corner_weighted_volume(heights: FloatArray, cell_area: float) -> float:
    """Borrow-pit rule, `(a / 4)(Σh₁ + 2 Σh₂ + 3 Σh₃ + 4 Σh₄)`, m³.

    Each height counts once for every cell that it is a corner of; cells with an unknown (NaN)
    corner are no part of the pit. (Unit-area method of surveying texts.)

    Parameters
    ----------
    heights
        Cut or fill at the corners, shape (ny, nx), m.
    cell_area
        m².
    """
    known = np.isfinite(heights)
    whole = known[1:, 1:] & known[1:, :-1] & known[:-1, 1:] & known[:-1, :-1]
    times = np.zeros(heights.shape, dtype=np.int64)
    for rows in (slice(None, -1), slice(1, None)):
        for columns in (slice(None, -1), slice(1, None)):
            times[rows, columns] += whole
    return float(np.sum(np.where(times > 0, heights * times, 0.0)) * cell_area / 4)


def grid_volume(
    before: Surface,
    after: Surface,
    lattice: Lattice,
    *,
    region: shapely.Polygon | shapely.MultiPolygon | None = None,
) -> CutFill:
    """Cut and fill by four-corner prisms over every cell whose corners both surfaces know.

    A cell with both cut and fill is split by the zero line's share,
    `cut = (a / 4) (Σ cut)² / (Σ cut + Σ fill)` and likewise for fill (common practice). Cells on
    the region's edge count by the share that lies inside. The error falls as the cell squared
    where the surfaces are smooth. The bound adds up how much each block of 2 × 2 cells differs
    from one cell of twice the size, without letting the blocks cancel.
    """
    rise = (after.elevation(lattice.nodes) - before.elevation(lattice.nodes)).reshape(lattice.shape)
    share = cell_shares(lattice, region)
    cut, fill = _four_corner(rise)
    coarse_cut, coarse_fill = _four_corner(np.ascontiguousarray(rise[::2, ::2]))
    area = lattice.cell**2
    bounds = (_blocks_differ(cut, coarse_cut, share), _blocks_differ(fill, coarse_fill, share))
    return CutFill(
        float(np.sum(share * cut)) * area, float(np.sum(share * fill)) * area, max(bounds) * area
    )


def _blocks_differ(fine: FloatArray, coarse: FloatArray, share: FloatArray) -> float:
    """Sum of |2 × 2 cells − their one coarse cell|; a block cut off by the border counts whole."""
    ny, nx = 2 * coarse.shape[0], 2 * coarse.shape[1]
    blocks = fine[:ny, :nx].reshape(ny // 2, 2, nx // 2, 2).sum(axis=(1, 3))
    inside = share[:ny, :nx].reshape(ny // 2, 2, nx // 2, 2).mean(axis=(1, 3))
    cut_off = (share * fine)[ny:].sum() + (share * fine)[:ny, nx:].sum()
    return float(np.sum(inside * np.abs(blocks - 4 * coarse)) + cut_off)


def cell_shares(
    lattice: Lattice, region: shapely.Polygon | shapely.MultiPolygon | None
) -> FloatArray:
    """Share of each cell inside `region` (all of it for None), shape (ny − 1, nx − 1), exact."""
    share = np.zeros((lattice.ny - 1, lattice.nx - 1))
    if region is None:
        return share + 1.0
    around = np.array([-1, 1])
    xmin, ymin, xmax, ymax = region.bounds
    west, east = np.clip(np.searchsorted(lattice.x, [xmin, xmax]) + around, 0, lattice.nx)
    south, north = np.clip(np.searchsorted(lattice.y, [ymin, ymax]) + around, 0, lattice.ny)
    x, y = lattice.x[west:east], lattice.y[south:north]
    if len(x) < 2 or len(y) < 2:
        return share
    boxes = shapely.box(x[None, :-1], y[:-1, None], x[None, 1:], y[1:, None])
    shapely.prepare(region)
    part = shapely.contains_properly(region, boxes).astype(np.float64)
    border = (part == 0) & shapely.intersects(region, boxes)
    part[border] = shapely.area(shapely.intersection(region, boxes[border])) / lattice.cell**2
    share[south : south + len(y) - 1, west : west + len(x) - 1] = part
    return share


@kernel
def _four_corner(rise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean cut and mean fill of each cell, 0 where a corner is unknown, m."""
    cut = np.zeros((rise.shape[0] - 1, rise.shape[1] - 1))
    fill = np.zeros_like(cut)
    for j in range(cut.shape[0]):
        for i in range(cut.shape[1]):
            up, down = 0.0, 0.0
            for z in (rise[j, i], rise[j, i + 1], rise[j + 1, i], rise[j + 1, i + 1]):
                if z > 0:
                    up += z
                elif z <= 0:
                    down -= z
                else:
                    up = np.nan
            if up + down > 0:
                fill[j, i] = up * up / (up + down) / 4
                cut[j, i] = down * down / (up + down) / 4
    return cut, fill
