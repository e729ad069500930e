"""How much sheet it takes to line a hollow."""

import itertools
from collections.abc import Sequence

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.kernels import kernel
from terrain.surface import Lattice, Surface

_CELL = 0.02  # m
_STEP = 0.01  # m between places asked along a wall
_ASIDE = 0.002  # m: how far to either side of it
_JUMP = 0.01  # m: a lower step is a slope


def draped_area(
    surface: Surface,
    outline: shapely.Polygon,
    level: float,
    walls: Sequence[shapely.LineString] = (),
) -> float:
    """Area of `surface` inside `outline`, walls included, m².

    The outline's plan area, plus what every small triangle (20 mm; coarser for an outline of more
    than 400 m²) is larger than its plan, plus each wall's height times its length. A raster
    cannot see a wall that runs askew (it makes a staircase of it), so walls are asked for on both
    sides, every 10 mm along; cells that a wall runs through take the slope beside it.

    Parameters
    ----------
    surface
        Asked inside the outline only.
    outline
        Where the sheet lies; outside it the sheet is flat at `level` (m).
    walls
        Lines along which the surface may jump; where it does not, they add nothing.
    """
    xmin, ymin, xmax, ymax = outline.bounds
    cell = max(_CELL, float(np.sqrt((xmax - xmin) * (ymax - ymin) / 1e6)))
    lattice = Lattice.covering((xmin - cell, ymin - cell, xmax + cell, ymax + cell), cell=cell)
    shapely.prepare(outline)
    z = _sheet(surface, outline, level, lattice.nodes).reshape(lattice.shape)
    excess = _cell_excess(z, cell)
    middle, left = _along(walls)
    beside = [_sheet(surface, outline, level, middle + side * left) for side in (1, -1)]
    jump = np.abs(beside[0] - beside[1])
    upright = jump > _JUMP
    middle, left = middle[upright], left[upright]
    share = np.zeros(len(middle))
    for side, near in zip((1, -1), beside, strict=True):
        out = 1 + cell / 2 / _ASIDE
        far = _sheet(surface, outline, level, middle + side * out * left)
        share += 0.5 * (np.hypot(1.0, (far - near[upright]) / (cell / 2)) - 1.0)
    _put_beside_walls(excess, middle, left, share, lattice)
    return float(outline.area) + float(excess.sum()) + float(jump[upright].sum()) * _STEP


def _put_beside_walls(
    excess: FloatArray, middle: FloatArray, left: FloatArray, share: FloatArray, lattice: Lattice
) -> None:
    """Give every cell that a wall runs through, or touches, the slope beside the wall."""
    total, count = np.zeros(excess.shape), np.zeros(excess.shape)
    ahead = np.column_stack([left[:, 1], -left[:, 0]]) / _ASIDE * _STEP
    for shift, side in itertools.product((-0.4, -0.2, 0.0, 0.2, 0.4), (-1, 0, 1)):
        place = middle + shift * ahead + side * left
        column = np.floor((place[:, 0] - lattice.x0) / lattice.cell).astype(np.int64)
        row = np.floor((place[:, 1] - lattice.y0) / lattice.cell).astype(np.int64)
        on = (column >= 0) & (column < lattice.nx - 1) & (row >= 0) & (row < lattice.ny - 1)
        np.add.at(total, (row[on], column[on]), share[on])
        np.add.at(count, (row[on], column[on]), 1.0)
    walled = count > 0
    excess[walled] = total[walled] / count[walled] * lattice.cell**2


def _along(walls: Sequence[shapely.LineString]) -> tuple[FloatArray, FloatArray]:
    """Middles of short pieces of the lines, and the offsets to their left; shape (n, 2) each."""
    middles, asides = [np.empty((0, 2))], [np.empty((0, 2))]
    for wall in walls:
        stations = (np.arange(round(wall.length / _STEP)) + 0.5) * _STEP
        behind, middle, ahead = (
            shapely.get_coordinates(shapely.line_interpolate_point(wall, stations + shift))
            for shift in (-_STEP / 4, 0.0, _STEP / 4)
        )
        direction = ahead - behind
        direction /= np.maximum(np.hypot(*direction.T), 1e-12)[:, None]
        middles.append(middle)
        asides.append(_ASIDE * np.column_stack([-direction[:, 1], direction[:, 0]]))
    return np.concatenate(middles), np.concatenate(asides)


def _sheet(surface: Surface, outline: shapely.Polygon, level: float, xy: FloatArray) -> FloatArray:
    inside = shapely.contains_xy(outline, xy[:, 0], xy[:, 1])
    z = np.full(len(xy), level)
    z[inside] = surface.elevation(xy[inside])
    return z


@kernel
def _triangle_excess(a: float, b: float, cell: float) -> float:
    """How much a right triangle with rises a, b over its legs exceeds its plan area."""
    slanted: float = np.sqrt(cell * cell + a * a + b * b)
    return 0.5 * cell * (slanted - cell)


@kernel
def _cell_excess(z: FloatArray, cell: float) -> FloatArray:
    excess = np.empty((z.shape[0] - 1, z.shape[1] - 1))
    for j in range(excess.shape[0]):
        for i in range(excess.shape[1]):
            sw, se, nw, ne = z[j, i], z[j, i + 1], z[j + 1, i], z[j + 1, i + 1]
            excess[j, i] = _triangle_excess(se - sw, ne - se, cell) + _triangle_excess(
                ne - nw, nw - sw, cell
            )
    return excess
