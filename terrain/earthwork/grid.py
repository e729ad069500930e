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
    before: Surface, after: Surface, lattice: Lattice, *, region: shapely.Polygon | None = None
) -> CutFill:
    """Cut and fill by four-corner prisms over every cell whose corners both surfaces know.

    A cell with both cut and fill is split by the zero line's share,
    `cut = (a / 4) (Σ cut)² / (Σ cut + Σ fill)` and likewise for fill (common practice). Cells on
    the region's edge count by the share that lies inside. The error falls as the cell squared
    where the surfaces are smooth; the bound is the difference to the same lattice with every
    second node (Richardson: a third of it is the expected error).
    """
    rise = (after.elevation(lattice.nodes) - before.elevation(lattice.nodes)).reshape(lattice.shape)
    cut, fill = _sum_cells(rise, lattice, region)
    coarse = Lattice(
        lattice.x0, lattice.y0, 2 * lattice.cell, (lattice.nx + 1) // 2, (lattice.ny + 1) // 2
    )
    if min(coarse.shape) < 2:
        return CutFill(cut, fill, max(cut, fill))
    even = lattice.nx % 2 == 1 and lattice.ny % 2 == 1
    fine_cut, fine_fill = cut, fill
    if not even:  # compare on the cells that both lattices have
        ny, nx = 2 * coarse.ny - 1, 2 * coarse.nx - 1
        part = Lattice(lattice.x0, lattice.y0, lattice.cell, nx, ny)
        fine_cut, fine_fill = _sum_cells(rise[:ny, :nx], part, region)
    coarse_cut, coarse_fill = _sum_cells(rise[::2, ::2], coarse, region)
    bound = max(abs(fine_cut - coarse_cut), abs(fine_fill - coarse_fill))
    return CutFill(cut, fill, bound)


def _sum_cells(
    rise: FloatArray, lattice: Lattice, region: shapely.Polygon | None
) -> tuple[float, float]:
    share = np.ones((lattice.ny - 1, lattice.nx - 1))
    if region is not None:
        share = cell_shares(lattice, region)
    cut, fill = _four_corner(np.ascontiguousarray(rise), share)
    return cut * lattice.cell**2, fill * lattice.cell**2


def cell_shares(lattice: Lattice, region: shapely.Polygon) -> FloatArray:
    """Share of each cell inside `region`, shape (ny − 1, nx − 1), exact."""
    x, y = lattice.x, lattice.y
    boxes = shapely.box(x[None, :-1], y[:-1, None], x[None, 1:], y[1:, None])
    shapely.prepare(region)
    share: FloatArray = shapely.contains_properly(region, boxes).astype(np.float64)
    border = (share == 0) & shapely.intersects(region, boxes)
    share[border] = shapely.area(shapely.intersection(region, boxes[border])) / lattice.cell**2
    return share


@kernel
def _four_corner(rise: FloatArray, share: FloatArray) -> tuple[float, float]:
    cut, fill = 0.0, 0.0
    for j in range(share.shape[0]):
        for i in range(share.shape[1]):
            up, down = 0.0, 0.0
            for z in (rise[j, i], rise[j, i + 1], rise[j + 1, i], rise[j + 1, i + 1]):
                if z > 0:
                    up += z
                elif z <= 0:
                    down -= z
                else:
                    up = np.nan
            if up + down > 0:
                fill += share[j, i] * up * up / (up + down) / 4
                cut += share[j, i] * down * down / (up + down) / 4
    return cut, fill
