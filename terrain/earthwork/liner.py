"""How much sheet it takes to line a hollow: its area with every riser, and the trade's rule."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.ndimage import binary_dilation

from terrain.arrays import BoolArray, FloatArray
from terrain.kernels import kernel
from terrain.surface import Lattice, Surface

_CELL = 0.06  # m
_MOST_CELLS = 60_000
_PARTS = 4  # along each side of a cell that is cut
_BEND = 1.2  # a cell is cut where the slope beside it differs by more
_LEAST_M = 1e-6
_STEP = 0.01  # m between places asked along a wall
_ASIDE = 0.002  # m: how far to either side of it
_JUMP = 0.01  # m: a lower step is a slope
_UPRIGHT = 0.7  # of what is seen across the line; less is a steep slope


@dataclass(frozen=True)
class Hollow:
    """What a sheet lies on: the soil inside its outline, the water's edge around it.

    Attributes
    ----------
    soil
        Surface under the sheet, asked inside the outline only.
    outline
        Along the water's edge, local m.
    edge
        Level of that edge, asked outside the outline only: the sheet lies flat there.
    """

    soil: Surface
    outline: shapely.Polygon
    edge: Surface

    def sheet(self, xy: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Heights of the sheet at places of shape (n, 2), m, and which are inside; shape (n,)."""
        shapely.prepare(self.outline)
        inside: BoolArray = shapely.contains_xy(self.outline, xy[:, 0], xy[:, 1])
        z = np.empty(len(xy))
        z[inside] = self.soil.elevation(xy[inside])
        z[~inside] = self.edge.elevation(xy[~inside])
        return z, inside


@dataclass(frozen=True)
class Rectangle:
    """A sheet to buy in one piece, m."""

    length: float
    width: float

    @property
    def area(self) -> float:
        """Length times width, m²."""
        return self.length * self.width


def rule_of_thumb(outline: shapely.Polygon, depth: float, overlap: float) -> Rectangle:
    """The trade's rule: length and width, each plus twice the depth plus an overlap on both sides.

    Common practice. Length and width are those of the smallest rectangle around the outline.
    """
    length, width = box_sides(outline)
    more = 2 * depth + 2 * overlap
    return Rectangle(length + more, width + more)


def box_sides(outline: shapely.Polygon) -> tuple[float, float]:
    """Length and width of the smallest rectangle around an outline, turned as it may be, m."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(outline))
    first, second = np.hypot(*np.diff(corners[:3], axis=0).T)
    return float(max(first, second)), float(min(first, second))


def allowance_area(outline: shapely.Polygon, width: float) -> float:
    """Area of the strip beyond the edge, islands and the rounding of corners included, m²."""
    if width < _LEAST_M:
        return 0.0
    return float(outline.buffer(width, quad_segs=32).area - outline.area)


def draped_area(hollow: Hollow, walls: Sequence[shapely.LineString] = ()) -> float:
    """Area of a sheet laid over a hollow as far as its outline, risers and walls included, m².

    The outline's plan area, plus what every cell is larger than its plan, plus each wall's height
    times its length. Cells are 60 mm (larger where the outline's box is over 200 m²), cut in 16
    where the slope changes much. One that is steep here and flat there counts as a mixture of the
    slopes around it. A raster cannot see a wall that runs askew (it makes a staircase of it), so
    walls are asked for on both sides, every 10 mm along; parts of cells that a wall runs through
    take the slope of those beside them.

    Parameters
    ----------
    walls
        Lines along which the sheet may jump; where it does not, they add nothing.
    """
    xmin, ymin, xmax, ymax = hollow.outline.bounds
    cell = max(_CELL, float(np.sqrt((xmax - xmin) * (ymax - ymin) / _MOST_CELLS)))
    coarse = Lattice.covering((xmin - cell, ymin - cell, xmax + cell, ymax + cell), cell=cell)
    fine = Lattice(
        coarse.x0, coarse.y0, cell / _PARTS, *(_PARTS * (n - 1) + 1 for n in (coarse.nx, coarse.ny))
    )
    height, walled = _walls(hollow, walls, fine)
    heights, within = hollow.sheet(coarse.nodes)
    z, touched = heights.reshape(coarse.shape), _touched(within.reshape(coarse.shape))
    rough = _bends(z, touched, cell) | (_by_cell(walled) > 0)
    area = float(_excess(z, touched & ~rough, np.zeros_like(rough), cell).sum())
    z, inside, parts = _cut(hollow, coarse, z, rough, fine)
    excess = _excess(z, parts & _touched(inside), walled, fine.cell)
    area += _with_walled(excess, parts, walled)
    return float(hollow.outline.area) + area + height


def _touched(inside: BoolArray) -> BoolArray:
    """Cells with at least a corner inside; shape (ny, nx) → (ny - 1, nx - 1)."""
    touched: BoolArray = inside[:-1, :-1] | inside[:-1, 1:] | inside[1:, :-1] | inside[1:, 1:]
    return touched


def _cut(
    hollow: Hollow, coarse: Lattice, z: FloatArray, rough: BoolArray, fine: Lattice
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Heights at the nodes of parts, which are inside, and which parts are of a rough cell.

    Nodes away from rough cells are interpolated and not said to be inside.
    """
    parts = np.kron(rough, np.ones((_PARTS, _PARTS), dtype=np.bool_))
    asked = np.zeros(fine.shape, dtype=np.bool_)
    asked[:-1, :-1] = parts
    asked = binary_dilation(asked, np.ones((5, 5), dtype=np.bool_))
    rows = np.linspace(0, coarse.ny - 1, fine.ny)
    low = np.minimum(rows.astype(np.int64), coarse.ny - 2)
    share = (rows - low)[:, None]
    columns = np.linspace(0, coarse.nx - 1, fine.nx)
    left = np.minimum(columns.astype(np.int64), coarse.nx - 2)
    part = columns - left
    wide = (1 - part) * z[:, left] + part * z[:, left + 1]
    heights = (1 - share) * wide[low] + share * wide[low + 1]
    row, column = np.nonzero(asked)
    inside = np.zeros(fine.shape, dtype=np.bool_)
    heights[asked], inside[asked] = hollow.sheet(np.column_stack([fine.x[column], fine.y[row]]))
    return heights, inside, parts


def _with_walled(excess: FloatArray, parts: BoolArray, walled: BoolArray) -> float:
    """Sum of the parts' excess, m²; those on a wall take the mean of the others in their cell."""
    free, whole = _by_cell(parts & ~walled), _by_cell(parts)
    return float((_by_cell(excess) * whole / np.maximum(free, 1)).sum())


def _by_cell(parts: FloatArray | BoolArray) -> FloatArray:
    """Sum over the parts of each cell."""
    ny, nx = (count // _PARTS for count in parts.shape)
    summed: FloatArray = parts.reshape(ny, _PARTS, nx, _PARTS).sum(axis=(1, 3), dtype=np.float64)
    return summed


def _walls(
    hollow: Hollow, walls: Sequence[shapely.LineString], fine: Lattice
) -> tuple[float, BoolArray]:
    """Area of the walls, m², and the parts that they run through or touch."""
    middle, left, length = _along(walls)
    near, far = (
        np.abs(hollow.sheet(middle + reach * left)[0] - hollow.sheet(middle - reach * left)[0])
        for reach in (1.0, 2.0)
    )
    jump = 2 * near - far  # what a slope beside the wall adds is gone
    upright = (jump > _JUMP) & (jump > _UPRIGHT * near)
    middle, left, length = middle[upright], left[upright], length[upright]
    ahead = np.column_stack([left[:, 1], -left[:, 0]]) / _ASIDE * length[:, None]
    walled = np.zeros((fine.ny - 1, fine.nx - 1), dtype=np.bool_)
    for shift, side in itertools.product((-0.4, -0.2, 0.0, 0.2, 0.4), (-1, 0, 1)):
        place = middle + shift * ahead + side * left
        column = np.floor((place[:, 0] - fine.x0) / fine.cell).astype(np.int64)
        row = np.floor((place[:, 1] - fine.y0) / fine.cell).astype(np.int64)
        walled[row, column] = True
    return float((jump[upright] * length).sum()), walled


def _along(walls: Sequence[shapely.LineString]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middles of short pieces of the lines, the offsets to their left, and their lengths."""
    middles, asides, lengths = [np.empty((0, 2))], [np.empty((0, 2))], [np.empty(0)]
    for wall in walls:
        count = max(1, round(wall.length / _STEP))
        step = wall.length / count
        stations = (np.arange(count) + 0.5) * step
        behind, middle, ahead = (
            shapely.get_coordinates(shapely.line_interpolate_point(wall, stations + shift))
            for shift in (-step / 4, 0.0, step / 4)
        )
        direction = ahead - behind
        direction /= np.maximum(np.hypot(*direction.T), 1e-12)[:, None]
        middles.append(middle)
        asides.append(_ASIDE * np.column_stack([-direction[:, 1], direction[:, 0]]))
        lengths.append(np.full(count, step))
    return np.concatenate(middles), np.concatenate(asides), np.concatenate(lengths)


@kernel
def mixed_length(rise: float, low: float, high: float, step: float) -> float:
    """Length over a step of a line whose slope there may be a mixture of two others.

    `low` and `high` are the rises over equal steps beside it, 0 where those fall. Exact where
    a plane meets a plane; a rise beyond both is a wall in the step; one below both is a mixture of
    `low` and level.
    """
    if rise > high:
        steep: float = np.hypot(step, high) + (rise - high)
        return steep
    if rise < low:
        low, high = 0.0, low
    share = (rise - low) / (high - low) if high > low else 0.0
    mixed: float = (1 - share) * np.hypot(step, low) + share * np.hypot(step, high)
    return mixed


@kernel
def _slope(z: FloatArray, j: int, i: int, cell: float) -> float:
    """Of the mean plane of a cell, rise over run."""
    sw, se, nw, ne = z[j, i], z[j, i + 1], z[j + 1, i], z[j + 1, i + 1]
    steep: float = np.hypot(se + ne - sw - nw, nw + ne - sw - se) / (2 * cell)
    return steep


@kernel
def _bends(z: FloatArray, touched: BoolArray, cell: float) -> BoolArray:
    """Touched cells beside which the slope differs by more than `_BEND`."""
    ny, nx = touched.shape
    rough = np.zeros((ny, nx), dtype=np.bool_)
    most = _BEND * cell
    for j in range(1, ny - 1):
        for i in range(1, nx - 1):
            if not touched[j, i]:
                continue
            east = z[j, i + 1] - z[j, i]
            north = z[j + 1, i] - z[j, i]
            for v in range(j - 1, j + 2):
                for u in range(i - 1, i + 2):
                    bend = max(
                        abs(z[v, u + 1] - z[v, u] - east),
                        abs(z[v + 1, u + 1] - z[v + 1, u] - east),
                        abs(z[v + 1, u] - z[v, u] - north),
                        abs(z[v + 1, u + 1] - z[v, u + 1] - north),
                    )
                    if bend > most:
                        rough[j, i] = True
    return rough


@kernel
def _excess(z: FloatArray, wanted: BoolArray, walled: BoolArray, cell: float) -> FloatArray:
    """How much larger the wanted cells are than their plan, m²; 0 where a wall runs through."""
    ny, nx = wanted.shape
    excess = np.zeros((ny, nx))
    for j in range(1, ny - 1):
        for i in range(1, nx - 1):
            if not wanted[j, i] or walled[j, i]:
                continue
            low, high = np.inf, 0.0
            for v in range(j - 1, j + 2):
                for u in range(i - 1, i + 2):
                    if (v != j or u != i) and not walled[v, u]:
                        beside = _slope(z, v, u, cell)
                        low, high = min(low, beside), max(high, beside)
            slope = _slope(z, j, i, cell)
            if low > high:  # walls all around
                low, high = slope, slope
            mixed = mixed_length(slope, low, high, 1.0)
            excess[j, i] = (mixed - 1.0) * cell * cell
    return excess
