"""The prism method between any two surfaces: cells split until what is left to gain is small."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import shapely

from terrain.arrays import FloatArray, IntArray
from terrain.earthwork.cutfill import CutFill
from terrain.earthwork.grid import cell_shares
from terrain.earthwork.triangles import above_zero
from terrain.kernels import kernel
from terrain.surface import Lattice, Surface

MOST_PLACES = 12_000_000  # asked of each surface before the bound is given as it is
SETTLED_SHARE = 0.25  # of what the bound leaves, given to the cells that gain least
BOUND_SCALE = 2.0  # the gain of a split over what the next ones can add, with room to spare

_Region: TypeAlias = shapely.Polygon | shapely.MultiPolygon | None
# where a cell is asked, in its sides: corners and middle; then what its four parts have besides
_FIRST = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0.5, 0.5]])
_BESIDES = np.array(
    [[0.5, 0], [1, 0.5], [0.5, 1], [0, 0.5], [0.25, 0.25], [0.75, 0.25], [0.75, 0.75], [0.25, 0.75]]
)
# which of these thirteen are the corners and the middle of each part
_OF_PART = np.array([[0, 5, 4, 8, 9], [5, 1, 6, 4, 10], [4, 6, 2, 7, 11], [8, 4, 7, 3, 12]])
_SOUTH_WEST = np.array([[0, 0], [0.5, 0], [0.5, 0.5], [0, 0.5]])


@dataclass(frozen=True)
class _Cells:
    """Squares by their south-west corner (n, 2) and side, and the difference at five places.

    `share` is the part of each that is counted, (n,); `difference` is (n, 5): corners, middle.
    """

    corner: FloatArray
    side: float
    share: FloatArray
    difference: FloatArray


def refined_volume(
    before: Surface,
    after: Surface,
    lattice: Lattice,
    *,
    tolerance_m3: float,
    region: _Region = None,
) -> CutFill:
    """Cut and fill by triangular prisms over cells that are split until the bound is small.

    Every cell is four triangles about its middle, each split on the line where cut turns to fill.
    A cell is compared with its four parts, by volume and place by place (a wall may hide between
    the places that happen to agree); those that gain most are split further, until twice the sum
    of all gains, none cancelling, is under the tolerance. Places that either surface does not know
    count nothing; a cell that is known in part is split like any other.

    Parameters
    ----------
    before, after
        Cut is where `after` is below `before`.
    lattice
        The cells to begin with: nothing smaller than one of them may be lost between its corners.
    tolerance_m3
        The bound to reach, m³. `bound_m3` of the answer says what was reached.
    region
        Count only inside this; everywhere by default.
    """
    cells = _first_cells(before, after, lattice, region)
    total, settled, places = np.zeros(2), 0.0, 2 * len(lattice.nodes)
    while len(cells.corner):
        besides = _difference(before, after, cells.corner, cells.side * _BESIDES)
        places += besides.size
        parts = _parts(cells, np.column_stack([cells.difference, besides]), region)
        whole = _prisms(cells.difference, cells.share) * cells.side**2
        fine = (
            (_prisms(parts.difference, parts.share) * parts.side**2).reshape(-1, 4, 2).sum(axis=1)
        )
        unseen = _unseen(cells.difference, besides) * cells.share * cells.side**2
        gain = np.maximum(np.abs(fine - whole).max(axis=1), unseen)
        split = _worth_splitting(gain, tolerance_m3 / BOUND_SCALE - settled)
        if places + 4 * len(_BESIDES) * len(split) > MOST_PLACES:
            split = split[:0]
        stays = np.ones(len(gain), dtype=np.bool_)
        stays[split] = False
        total += fine[stays].sum(axis=0)
        settled += float(gain[stays].sum())
        rows = (4 * split[:, None] + np.arange(4)).ravel()
        cells = _Cells(parts.corner[rows], parts.side, parts.share[rows], parts.difference[rows])
    return CutFill(float(total[0]), float(total[1]), BOUND_SCALE * settled)


def _worth_splitting(gain: FloatArray, left: float) -> IntArray:
    """Rows to split: none if all gains together are `left` or less, else all but small ones."""
    if gain.sum() <= left:
        return np.empty(0, dtype=np.int64)
    order = np.argsort(gain)
    return order[np.searchsorted(np.cumsum(gain[order]), SETTLED_SHARE * max(left, 0.0)) :]


def _difference(
    before: Surface, after: Surface, corner: FloatArray, offsets: FloatArray
) -> FloatArray:
    """`after` less `before` at offsets (k, 2) from corners (n, 2), shape (n, k), m."""
    xy = (corner[:, None, :] + offsets[None, :, :]).reshape(-1, 2)
    rise = after.elevation(xy) - before.elevation(xy)
    return rise.reshape(len(corner), len(offsets))


def _first_cells(before: Surface, after: Surface, lattice: Lattice, region: _Region) -> _Cells:
    x, y = np.meshgrid(lattice.x[:-1], lattice.y[:-1])
    corner = np.column_stack([x.ravel(), y.ravel()])
    share = cell_shares(lattice, region).ravel()
    corner, share = corner[share > 0], share[share > 0]
    difference = _difference(before, after, corner, lattice.cell * _FIRST)
    return _Cells(corner, lattice.cell, share, difference)


def _parts(cells: _Cells, difference: FloatArray, region: _Region) -> _Cells:
    """Four parts of each cell, one after the other; `difference` is (n, 13)."""
    side = cells.side / 2
    corner = (cells.corner[:, None, :] + cells.side * _SOUTH_WEST).reshape(-1, 2)
    share = np.repeat(cells.share, 4)
    cut = np.flatnonzero(share < 1)
    if region is not None and len(cut):
        x, y = corner[cut].T
        boxes = shapely.box(x, y, x + side, y + side)
        share[cut] = shapely.area(shapely.intersection(region, boxes)) / side**2
    return _Cells(corner, side, share, difference[:, _OF_PART].reshape(-1, 5))


@kernel
def _unseen(first: FloatArray, besides: FloatArray) -> FloatArray:
    """What a cell's height may still hide, (n, 5), (n, 8) → (n,), m.

    Half of how far the added places lie from the four triangles, in the mean: a quarter of a step
    across the cell, and the parts put the step right within an eighth of the cell. Where only some
    places are known, the mean height of those.
    """
    out = np.zeros(len(first))
    for c in range(len(first)):
        d = first[c]
        unknown, known, total = 0, 0, 0.0
        for value in d:
            unknown += np.isnan(value)
        for value in besides[c]:
            unknown += np.isnan(value)
        if unknown == 0:
            for k in range(4):
                a, b = d[k], d[(k + 1) % 4]
                total += abs(besides[c, k] - (a + b) / 2)
                total += abs(besides[c, 4 + k] - (a + d[4]) / 2)
            out[c] = total / 16
        elif unknown < 13:
            for value in d:
                if not np.isnan(value):
                    total, known = total + abs(value), known + 1
            for value in besides[c]:
                if not np.isnan(value):
                    total, known = total + abs(value), known + 1
            out[c] = total / known
    return out


@kernel
def _prisms(difference: FloatArray, share: FloatArray) -> FloatArray:
    """Mean cut and fill over each cell, counted in part, (n, 5) → (n, 2), m."""
    out = np.zeros((share.size, 2))
    for c in range(share.size):
        m = difference[c, 4]
        for k in range(4):
            a, b = difference[c, k], difference[c, (k + 1) % 4]
            if not np.isnan(a + b + m):
                out[c, 0] += share[c] * above_zero(-a, -b, -m) / 4
                out[c, 1] += share[c] * above_zero(a, b, m) / 4
    return out
