"""What one element alone wants at a set of places, before it meets the others."""

from dataclasses import dataclass
from typing import assert_never

import numpy as np

from terrain.arrays import BoolArray, FloatArray
from terrain.design.edges import distance_to_path, read_edge
from terrain.design.paths import read_reach
from terrain.design.profiles import Profile
from terrain.design.shapes import (
    Corridor,
    Element,
    Excavation,
    Heap,
    Pad,
    Rim,
    Run,
    Shape,
    Vault,
)

_FLAT = (Profile(np.zeros(1), np.zeros(1)),)


@dataclass(frozen=True)
class Stamp:
    """One shape's own surfaces at n places, each shape (n,), m.

    Attributes
    ----------
    inside
        Within the finished outline of something dug.
    soil, bed, stone, finish
        Inside: soil face, top of the drapes, top of the lifts, what is seen. Outside: the face
        that rises from the edge, +inf where nothing is cut. Outside, the finish only ever lowers
        what was seen there: a trench (+inf) is closed again.
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
    stone: FloatArray
    finish: FloatArray
    dig: FloatArray
    crest: FloatArray
    water: FloatArray


def stamps(element: Element, xy: FloatArray, ground: FloatArray) -> list[Stamp]:
    """The element's own surfaces at `xy`, shape (n, 2), over ground heights, shape (n,)."""
    return [_stamp(shape, element.water_level_m, xy, ground) for shape in element.shapes]


def _stamp(shape: Shape, water: float | None, xy: FloatArray, ground: FloatArray) -> Stamp:
    if isinstance(shape, Excavation):
        return _excavation(shape, water, xy, ground)
    if isinstance(shape, Corridor):
        return _corridor(shape, xy)
    if isinstance(shape, Vault):
        return _vault(shape, water, xy, ground)
    if isinstance(shape, Run):
        return _run(shape, xy, ground)
    if isinstance(shape, Pad):
        return _pad(shape, xy)
    if isinstance(shape, Heap):
        return _heap(shape, xy, ground)
    assert_never(shape)


def reach(element: Element, lowest: float, highest: float) -> float:
    """How far beyond its grown outline an element can change ground between two heights, m."""
    return max((_reach(shape, lowest, highest) for shape in element.shapes), default=0.0)


def _reach(shape: Shape, lowest: float, highest: float) -> float:
    if isinstance(shape, Excavation):
        if shape.below_surface:
            return 0.0
        return _cut_and_rim(shape.level, shape.level, shape.cut_batter, shape.rim, lowest, highest)
    if isinstance(shape, Corridor):
        levels = np.concatenate([shape.reach.start[:, 0], shape.reach.end[:, 0]])
        low, high = float(levels.min()), float(levels.max())
        return _cut_and_rim(low, high, shape.cut_batter, shape.rim, lowest, highest)
    if isinstance(shape, Vault):
        if shape.below_surface:
            return 0.0
        return _cut_and_rim(shape.level, shape.level, shape.cut_batter, None, lowest, highest)
    if isinstance(shape, Pad):
        corners = shape.plane.at(shape.edge.pieces.reshape(-1, 2))
        slant = 1 + np.hypot(shape.plane.east, shape.plane.north) * 4
        cut = max(highest - float(corners.min()), 0.0) * shape.cut_batter
        fill = max(float(corners.max()) - lowest, 0.0) * shape.fill_batter
        return float(max(cut, fill) * slant)
    return 0.0


def _cut_and_rim(
    low: float, high: float, cut_batter: float, rim: Rim | None, lowest: float, highest: float
) -> float:
    above = max(highest - low, 0.0) * cut_batter
    if rim is None:
        return above
    below = max(high + rim.freeboard - lowest, 0.0) * rim.batter
    return max(above, rim.freeboard * cut_batter + rim.crest + below)


def _rise(distance: FloatArray, batter: float) -> FloatArray:
    """Height gained over a distance at a batter; a wall gains any height at once."""
    if batter > 0:
        return distance / batter
    return np.where(distance > 0, np.inf, 0.0)


def _nowhere(count: int) -> FloatArray:
    return np.full(count, np.inf)


def _excavation(
    shape: Excavation, water_level: float | None, xy: FloatArray, ground: FloatArray
) -> Stamp:
    level: FloatArray | float = ground if shape.below_surface else shape.level
    seen = read_edge(xy, shape.edge, shape.profiles)
    dug = seen
    if shape.grown_edge is not shape.edge:
        dug = read_edge(xy, shape.grown_edge, shape.profiles)
    deeper = _trough_depth(xy, seen.inside, shape)
    if shape.slope is not None:
        deeper += np.maximum(shape.slope.at(xy), -seen.depth)
    under_face = 0.0 if shape.depth_is_to_soil else shape.cover
    above = level + _rise(seen.distance, shape.cut_batter)
    soil = np.where(seen.inside, level - seen.depth - deeper - under_face, above)
    bed = np.where(seen.inside, soil + shape.cover, above)
    finish = bed
    if shape.lifts:
        fill = shape.lift_tops[-1] - shape.level
        finish = np.where(seen.inside, np.maximum(bed, level + fill), above)
    dig = np.where(
        dug.inside,
        level - dug.depth - deeper - under_face - shape.below,
        level + _rise(dug.distance, shape.cut_batter),
    )
    water = np.full(len(xy), np.nan)
    if water_level is not None:
        water[seen.inside & (finish < water_level)] = water_level
    crest = np.full(len(xy), -np.inf)
    if shape.rim is not None:
        outside = ~seen.inside
        rim = _rim_height(seen.distance, level, shape.cut_batter, shape.rim)
        crest[outside] = np.minimum(rim, above)[outside]
    # a grown outline may cut a sharp corner short: the dig is never above the soil face
    return Stamp(seen.inside, soil, bed, finish, finish, np.minimum(dig, soil), crest, water)


def _trough_depth(xy: FloatArray, inside: BoolArray, shape: Excavation) -> FloatArray:
    trough = shape.trough
    depth = np.zeros(len(xy))
    if trough is not None:
        rows = np.flatnonzero(inside)
        rows = rows[distance_to_path(xy[rows], trough.path) <= trough.width / 2]
        depth[rows] = trough.depth
    return depth


def _rim_height(
    distance: FloatArray, level: FloatArray | float, cut_batter: float, rim: Rim
) -> FloatArray:
    """The rim's surface at a distance outward from the water's edge."""
    top = level + rim.freeboard
    shoulder = rim.freeboard * cut_batter + rim.crest
    inner = level + _rise(distance, cut_batter)
    outer = np.where(distance > shoulder, top - _rise(distance - shoulder, rim.batter), top)
    return np.minimum(inner, outer)


def _corridor(shape: Corridor, xy: FloatArray) -> Stamp:
    beside = read_reach(xy, shape.reach)
    inside = beside.inset > 0
    out = np.maximum(-beside.inset, 0.0)
    above = beside.level + _rise(out, shape.cut_batter)
    depth = np.minimum(beside.depth, _rise(np.maximum(beside.inset, 0.0), shape.side_batter))
    finish = np.where(inside, beside.level - depth, above)
    soil = np.where(inside, finish - shape.cover, above)
    dug_inset = np.where(beside.past, beside.inset, beside.inset + shape.side)
    dug_depth = np.minimum(beside.depth, _rise(np.maximum(dug_inset, 0.0), shape.side_batter))
    dig = np.where(
        dug_inset > 0,
        beside.level - dug_depth - shape.cover - shape.below,
        beside.level + _rise(np.maximum(-dug_inset, 0.0), shape.cut_batter),
    )
    crest = np.full(len(xy), -np.inf)
    if shape.rim is not None:
        rim = _rim_height(out, beside.level, shape.cut_batter, shape.rim)
        crest = np.where(inside, -np.inf, np.minimum(rim, above))
    water = np.where(inside & (finish < beside.level), beside.level, np.nan)
    return Stamp(inside, soil, finish, finish, finish, np.minimum(dig, soil), crest, water)


def _vault(shape: Vault, water_level: float | None, xy: FloatArray, ground: FloatArray) -> Stamp:
    top: FloatArray | float = ground if shape.below_surface else shape.level
    box = read_edge(xy, shape.edge, _FLAT)
    outer = read_edge(xy, shape.outer_edge, _FLAT)
    above = top + _rise(outer.distance, shape.cut_batter)
    soil = np.where(outer.inside, top - shape.depth - shape.base, above)
    bed = np.where(outer.inside, soil + shape.base, above)
    finish = np.where(outer.inside & ~box.inside, top, bed)
    water = np.full(len(xy), np.nan)
    if water_level is not None:
        water[box.inside] = water_level
    crest = np.full(len(xy), -np.inf)
    return Stamp(box.inside, soil, bed, finish, finish, soil, crest, water)


def _run(shape: Run, xy: FloatArray, ground: FloatArray) -> Stamp:
    beside = read_reach(xy, shape.reach)
    inside = beside.inset > 0
    invert = ground - beside.level if shape.below_surface else beside.level
    nowhere = _nowhere(len(xy))
    soil = np.where(inside, invert - shape.bedding, nowhere)
    bed = np.where(inside, np.minimum(invert, ground), nowhere)
    stone = np.where(inside, np.minimum(invert + shape.surround, ground), nowhere)
    never = np.zeros(len(xy), dtype=np.bool_)
    return Stamp(never, soil, bed, stone, nowhere, soil, -nowhere, np.full(len(xy), np.nan))


def _pad(shape: Pad, xy: FloatArray) -> Stamp:
    seen = read_edge(xy, shape.edge, _FLAT)
    plane = shape.plane.at(xy)
    above = plane + _rise(seen.distance, shape.cut_batter)
    soil = np.where(seen.inside, plane - shape.cover, above)
    finish = np.where(seen.inside, plane, above)
    below = plane - _rise(seen.distance, shape.fill_batter)
    crest = np.where(seen.inside, -np.inf, below)
    return Stamp(seen.inside, soil, finish, finish, finish, soil, crest, np.full(len(xy), np.nan))


def _heap(heap: Heap, xy: FloatArray, ground: FloatArray) -> Stamp:
    from_toe = read_edge(xy, heap.edge, _FLAT)
    rise = np.minimum(heap.height, _rise(from_toe.distance, heap.batter))
    crest = np.where(from_toe.inside, ground + rise, -np.inf)
    nowhere = _nowhere(len(xy))
    none = np.zeros(len(xy), dtype=np.bool_)
    return Stamp(none, nowhere, nowhere, nowhere, nowhere, nowhere, crest, np.full(len(xy), np.nan))
