"""What one element alone wants at a set of places, before it meets the others."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import BoolArray, FloatArray
from terrain.design.edges import distance_to_path, read_edge
from terrain.design.elements import Element, Excavation, Heap
from terrain.design.profiles import Profile

_UP = Profile(np.zeros(1), np.zeros(1))


@dataclass(frozen=True)
class Stamp:
    """One element's own surfaces at n places, each shape (n,), m.

    Attributes
    ----------
    inside
        Within the finished outline of something dug.
    soil, bed, finish
        Inside: soil face, top of the drapes, what is seen. Outside: the face that rises from the
        edge, +inf where nothing is cut.
    dig
        What the bucket leaves, +inf where nothing is cut.
    crest
        Up to where soil is placed (rim, mound), −inf where none is.
    water
        Level of the water it holds, NaN where none stands.
    """

    inside: BoolArray
    soil: FloatArray
    bed: FloatArray
    finish: FloatArray
    dig: FloatArray
    crest: FloatArray
    water: FloatArray


def stamp(element: Element, xy: FloatArray, ground: FloatArray) -> Stamp:
    """The element's own surfaces at `xy`, shape (n, 2), over ground heights, shape (n,)."""
    if element.excavation is not None:
        return _excavation_stamp(element, element.excavation, xy)
    assert element.heap is not None
    return _heap_stamp(element.heap, xy, ground)


def reach(element: Element, lowest: float, highest: float) -> float:
    """How far beyond its edge an element can change ground between two heights, m."""
    excavation = element.excavation
    if excavation is None:
        return 0.0
    above = max(highest - excavation.level, 0.0) * excavation.cut_batter
    rim = excavation.rim
    if rim is None:
        return above
    below = max(excavation.level + rim.freeboard - lowest, 0.0) * rim.batter
    return max(above, rim.freeboard * excavation.cut_batter + rim.crest + below)


def bounds(element: Element) -> tuple[float, float, float, float]:
    """`(xmin, ymin, xmax, ymax)` of the grown edge, m."""
    if element.excavation is not None:
        return element.excavation.grown_edge.bounds
    assert element.heap is not None
    return element.heap.edge.bounds


def _rise(distance: FloatArray, batter: float) -> FloatArray:
    """Height gained over a distance at a batter; a wall gains any height at once."""
    if batter > 0:
        return distance / batter
    return np.where(distance > 0, np.inf, 0.0)


def _excavation_stamp(element: Element, excavation: Excavation, xy: FloatArray) -> Stamp:
    level = excavation.level
    seen = read_edge(xy, excavation.edge, excavation.profiles)
    dug = seen
    if excavation.grown_edge is not excavation.edge:
        dug = read_edge(xy, excavation.grown_edge, excavation.profiles)
    trough = _trough_depth(xy, seen.inside, excavation)
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
    water = np.full(len(xy), np.nan)
    if element.water_level_m is not None:
        water[seen.inside & (finish < element.water_level_m)] = element.water_level_m
    crest = np.full(len(xy), -np.inf)
    if excavation.rim is not None:
        outside = ~seen.inside
        crest[outside] = np.minimum(_rim_height(seen.distance, excavation), above)[outside]
    # a grown outline may cut a sharp corner short: the dig is never above the soil face
    return Stamp(seen.inside, soil, bed, finish, np.minimum(dig, soil), crest, water)


def _trough_depth(xy: FloatArray, inside: BoolArray, excavation: Excavation) -> FloatArray:
    trough = excavation.trough
    depth = np.zeros(len(xy))
    if trough is not None:
        rows = np.flatnonzero(inside)
        rows = rows[distance_to_path(xy[rows], trough.path) <= trough.width / 2]
        depth[rows] = trough.depth
    return depth


def _rim_height(distance: FloatArray, excavation: Excavation) -> FloatArray:
    """The rim's surface at a distance outward from the water's edge."""
    rim = excavation.rim
    assert rim is not None
    top = excavation.level + rim.freeboard
    shoulder = rim.freeboard * excavation.cut_batter + rim.crest
    inner = excavation.level + _rise(distance, excavation.cut_batter)
    outer = np.where(distance > shoulder, top - _rise(distance - shoulder, rim.batter), top)
    return np.minimum(inner, outer)


def _heap_stamp(heap: Heap, xy: FloatArray, ground: FloatArray) -> Stamp:
    from_toe = read_edge(xy, heap.edge, [_UP])
    rise = np.minimum(heap.height, _rise(from_toe.distance, heap.batter))
    crest = np.where(from_toe.inside, ground + rise, -np.inf)
    nowhere = np.full(len(xy), np.inf)
    none = np.zeros(len(xy), dtype=np.bool_)
    return Stamp(none, nowhere, nowhere, nowhere, nowhere, crest, np.full(len(xy), np.nan))
