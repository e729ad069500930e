"""The prism method: triangles split exactly on the line where cut turns to fill."""

import shapely

from terrain.arrays import FloatArray
from terrain.earthwork.cutfill import CutFill
from terrain.earthwork.grid import cell_shares
from terrain.kernels import kernel
from terrain.surface import Lattice, Surface


def prism_volume(
    before: Surface, after: Surface, lattice: Lattice, *, region: shapely.Polygon | None = None
) -> CutFill:
    """Cut and fill over four triangles a cell, each split where the difference is zero.

    The cell's middle is asked as well as its corners, so the four triangles follow the surfaces
    more closely than one four-corner prism. Cells on the region's edge count by their share.
    The bound is twice the sum over cells of the difference to two triangles a cell: for a curved
    surface the difference is itself the error.
    """
    rise = after.elevation(lattice.nodes) - before.elevation(lattice.nodes)
    middles = Lattice(
        lattice.x0 + lattice.cell / 2,
        lattice.y0 + lattice.cell / 2,
        lattice.cell,
        lattice.nx - 1,
        lattice.ny - 1,
    )
    at_middles = after.elevation(middles.nodes) - before.elevation(middles.nodes)
    share = cell_shares(lattice, region)
    cut, fill, cut_bound, fill_bound = _prisms(
        rise.reshape(lattice.shape), at_middles.reshape(middles.shape), share
    )
    area = lattice.cell**2
    return CutFill(cut * area, fill * area, 2 * max(cut_bound, fill_bound) * area)


@kernel
def _above(a: float, b: float, c: float) -> float:
    """Volume above zero of a unit-area triangular prism with corner heights a, b, c."""
    a, b, c = max(a, b, c), a + b + c - max(a, b, c) - min(a, b, c), min(a, b, c)
    if c >= 0:
        return (a + b + c) / 3
    if a <= 0:
        return 0.0
    if b <= 0:
        return a * a * a / ((a - b) * (a - c)) / 3
    return (a + b + c) / 3 - c * c * c / ((a - c) * (b - c)) / 3


@kernel
def _prisms(
    rise: FloatArray, middle: FloatArray, share: FloatArray
) -> tuple[float, float, float, float]:
    cut, fill, cut_bound, fill_bound = 0.0, 0.0, 0.0, 0.0
    for j in range(share.shape[0]):
        for i in range(share.shape[1]):
            s = share[j, i]
            sw, se, nw, ne = rise[j, i], rise[j, i + 1], rise[j + 1, i], rise[j + 1, i + 1]
            m = middle[j, i]
            total = sw + se + nw + ne + m
            if s == 0 or not -1e300 < total < 1e300:
                continue
            cut4, fill4 = 0.0, 0.0
            for a, b in ((sw, se), (se, ne), (ne, nw), (nw, sw)):
                fill4 += _above(a, b, m) / 4
                cut4 += _above(-a, -b, -m) / 4
            fill2 = (_above(sw, se, ne) + _above(sw, ne, nw)) / 2
            cut2 = (_above(-sw, -se, -ne) + _above(-sw, -ne, -nw)) / 2
            cut += s * cut4
            fill += s * fill4
            cut_bound += s * abs(cut4 - cut2)
            fill_bound += s * abs(fill4 - fill2)
    return cut, fill, cut_bound, fill_bound
