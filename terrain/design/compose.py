"""All elements on one ground: the surfaces that are dug, lined and seen.

Elements compose in file order, cuts by minimum and fills by maximum, and every place remembers
which element decided it: where its soil face is the lowest, what lies on that face is its own
too. Where the ground inside an outline is lower than the element's bed, the
bed is laid on fill, unless an earlier element is dug there.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.design.edges import distance_to_path, read_edge
from terrain.design.elements import Element, Excavation, Heap
from terrain.design.profiles import Profile
from terrain.surface import Grid, Lattice, Surface


@dataclass(frozen=True)
class Composed:
    """Surfaces of a plan at n places; NaN off the survey.

    Attributes
    ----------
    existing, dig, subgrade, bed, finish
        Elevations, shape (n,), m. `bed` is the top of the drapes; above it lie a pit's lifts.
    water
        Level of the water that stands there, NaN where none does, shape (n,), m.
    dig_owner, fill_owner, finish_owner
        Row of the element that decided the dig, raised the ground, decided the finish; −1 where
        none did. Shape (n,).
    """

    existing: FloatArray
    dig: FloatArray
    subgrade: FloatArray
    bed: FloatArray
    finish: FloatArray
    water: FloatArray
    dig_owner: Int32Array
    fill_owner: Int32Array
    finish_owner: Int32Array


@dataclass(frozen=True)
class Composition:
    """The same surfaces at the nodes of a lattice, each shape (ny, nx)."""

    lattice: Lattice
    existing: FloatArray
    dig: FloatArray
    subgrade: FloatArray
    bed: FloatArray
    finish: FloatArray
    water: FloatArray
    owner: Int32Array
    fill_owner: Int32Array
    finish_owner: Int32Array

    def grid(self, name: str) -> Grid:
        """One of the surfaces by name, as a `Grid`."""
        return Grid(self.lattice, getattr(self, name))


@dataclass(frozen=True)
class DesignSurface:
    """One of the composed surfaces, asked anywhere: it is computed, not interpolated."""

    name: str
    elements: tuple[Element, ...]
    existing: Surface

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m; NaN off the survey."""
        z: FloatArray = getattr(compose_at(xy, self.elements, self.existing), self.name)
        return z

    @property
    def footprint(self) -> shapely.Polygon | shapely.MultiPolygon:
        """That of the survey."""
        return self.existing.footprint


def compose_at(xy: FloatArray, elements: Sequence[Element], existing: Surface) -> Composed:
    """Compose the elements at places `xy`, shape (n, 2)."""
    return compose_over(xy, existing.elevation(xy), elements)


def compose_over(xy: FloatArray, ground: FloatArray, elements: Sequence[Element]) -> Composed:
    """Compose the elements at places `xy` where the ground's heights are known already."""
    unowned = np.full(len(xy), -1, dtype=np.int32)
    result = Composed(
        existing=ground,
        dig=ground.copy(),
        subgrade=ground.copy(),
        bed=ground.copy(),
        finish=ground.copy(),
        water=np.full(len(xy), np.nan),
        dig_owner=unowned,
        fill_owner=unowned.copy(),
        finish_owner=unowned.copy(),
    )
    for row, element in enumerate(elements):
        if element.excavation is not None:
            _cut(result, xy, row, element, element.excavation, elements)
        if element.heap is not None:
            _heap(result, xy, row, element.heap)
    return result


def compose(lattice: Lattice, elements: Sequence[Element], ground: Grid) -> Composition:
    """Compose the elements at every node of a lattice; `ground` has that lattice."""
    at = compose_over(lattice.nodes, ground.z.ravel(), elements)
    shape = lattice.shape
    return Composition(
        lattice=lattice,
        existing=at.existing.reshape(shape),
        dig=at.dig.reshape(shape),
        subgrade=at.subgrade.reshape(shape),
        bed=at.bed.reshape(shape),
        finish=at.finish.reshape(shape),
        water=at.water.reshape(shape),
        owner=at.dig_owner.reshape(shape),
        fill_owner=at.fill_owner.reshape(shape),
        finish_owner=at.finish_owner.reshape(shape),
    )


def _near(xy: FloatArray, bounds: tuple[float, float, float, float], reach: float) -> BoolArray:
    xmin, ymin, xmax, ymax = bounds
    near: BoolArray = (
        (xy[:, 0] >= xmin - reach)
        & (xy[:, 0] <= xmax + reach)
        & (xy[:, 1] >= ymin - reach)
        & (xy[:, 1] <= ymax + reach)
    )
    return near


def _rise(distance: FloatArray, batter: float) -> FloatArray:
    """Height gained over a distance at a batter; a wall gains any height at once."""
    if batter > 0:
        return distance / batter
    return np.where(distance > 0, np.inf, 0.0)


def _reach(excavation: Excavation, ground: FloatArray) -> float:
    """How far from its outline an element can change the ground, m."""
    above = max(float(np.nanmax(ground)) - excavation.level, 0.0) * excavation.cut_batter
    rim = excavation.rim
    if rim is None:
        return above
    below = max(excavation.level + rim.freeboard - float(np.nanmin(ground)), 0.0) * rim.batter
    return max(above, rim.freeboard * excavation.cut_batter + rim.crest + below)


def _cut(
    result: Composed,
    xy: FloatArray,
    row: int,
    element: Element,
    excavation: Excavation,
    elements: Sequence[Element],
) -> None:
    known = np.isfinite(result.existing)
    if not known.any():
        return
    level = excavation.level
    reach = _reach(excavation, result.existing[known])
    rows = np.flatnonzero(known & _near(xy, excavation.grown_edge.bounds, reach))
    here = xy[rows]
    seen = read_edge(here, excavation.edge, excavation.profiles)
    dug = read_edge(here, excavation.grown_edge, excavation.profiles)
    trough = _trough_depth(here, excavation)

    trough = np.where(seen.inside, trough, 0.0)
    under_face = 0.0 if excavation.depth_is_to_soil else excavation.cover
    above = level + _rise(seen.distance, excavation.cut_batter)
    soil = np.where(seen.inside, level - seen.depth - trough - under_face, above)
    bed = np.where(seen.inside, soil + excavation.cover, above)
    finish = bed
    if excavation.lifts:
        finish = np.where(seen.inside, np.maximum(bed, excavation.lift_tops[-1]), above)
    dig = np.where(
        dug.inside,
        level - dug.depth - trough - under_face - excavation.below,
        level + _rise(dug.distance, excavation.cut_batter),
    )
    # a grown outline may cut a sharp corner short: the dig is never above the soil face
    dig = np.minimum(dig, soil)

    deeper = dig < result.dig[rows]
    result.dig[rows[deeper]] = dig[deeper]
    result.dig_owner[rows[deeper]] = row
    laid = seen.inside & (result.finish_owner[rows] < 0) & (soil > result.existing[rows])
    result.fill_owner[rows[laid]] = row
    lower = laid | (soil < result.subgrade[rows])
    for surface, own in ((result.subgrade, soil), (result.bed, bed), (result.finish, finish)):
        surface[rows[lower]] = own[lower]
    result.finish_owner[rows[lower]] = row

    wet = lower & seen.inside
    result.water[rows[wet]] = np.nan
    if element.water_level_m is not None:
        wet &= finish < element.water_level_m
        result.water[rows[wet]] = element.water_level_m
    if excavation.rim is not None:
        own = ~seen.inside & ~_inside_others(here, element, elements)
        crest = _rim_height(seen.distance, excavation)
        _raise(result, rows[own], np.minimum(crest, above)[own], row)


def _trough_depth(xy: FloatArray, excavation: Excavation) -> FloatArray:
    trough = excavation.trough
    if trough is None:
        return np.zeros(len(xy))
    in_trough = distance_to_path(xy, trough.path) <= trough.width / 2
    return np.where(in_trough, trough.depth, 0.0)


def _rim_height(distance: FloatArray, excavation: Excavation) -> FloatArray:
    """The rim's surface at a distance outward from the water's edge."""
    rim = excavation.rim
    assert rim is not None
    top = excavation.level + rim.freeboard
    shoulder = rim.freeboard * excavation.cut_batter + rim.crest
    inner = excavation.level + _rise(distance, excavation.cut_batter)
    outer = np.where(distance > shoulder, top - _rise(distance - shoulder, rim.batter), top)
    return np.minimum(inner, outer)


def _inside_others(xy: FloatArray, element: Element, elements: Sequence[Element]) -> BoolArray:
    """Where another element is dug: a rim does not fill it."""
    inside = np.zeros(len(xy), dtype=np.bool_)
    for other in elements:
        if other is not element and other.excavation is not None:
            rows = np.flatnonzero(_near(xy, other.outline.bounds, 0.0))
            inside[rows] |= shapely.contains_xy(other.outline, xy[rows, 0], xy[rows, 1])
    return inside


def _heap(result: Composed, xy: FloatArray, row: int, heap: Heap) -> None:
    known = np.isfinite(result.existing)
    rows = np.flatnonzero(known & _near(xy, heap.edge.bounds, 0.0))
    from_toe = read_edge(xy[rows], heap.edge, [_UP])
    rise = np.where(
        from_toe.inside, np.minimum(heap.height, _rise(from_toe.distance, heap.batter)), -np.inf
    )
    _raise(result, rows, result.existing[rows] + rise, row)


_UP = Profile(np.zeros(1), np.zeros(1))


def _raise(result: Composed, rows: IntArray, height: FloatArray, row: int) -> None:
    """Place soil up to `height` where the ground is lower; water gives way."""
    higher = height > result.subgrade[rows]
    rows, height = rows[higher], height[higher]
    result.fill_owner[rows] = row
    result.subgrade[rows] = height
    for surface in (result.bed, result.finish):
        surface[rows] = np.maximum(surface[rows], height)
    result.water[rows[result.finish[rows] >= result.water[rows]]] = np.nan
