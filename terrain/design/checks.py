"""Whether the elements of a plan agree with one another: what is wrong, where, how to mend it.

Every check returns one `Finding` for each element that it concerns, passed or not.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.bodies import LEVEL_M, TOUCH_M
from terrain.design.edges import Edge, read_edge
from terrain.design.paths import read_reach
from terrain.design.shapes import Corridor, Element, Excavation
from terrain.units import Unit

Place = tuple[float, float]
LEAST_OVERLAP_M2 = 1e-3
RUN_IN_M = 0.02  # water that runs into a pool may stand this much above or below it
PLACES_ACROSS = 60  # a hollow is looked at on a raster of this many places across


@dataclass(frozen=True)
class Finding:
    """What one check found at one element.

    Attributes
    ----------
    check
        Its name.
    element
        Name of the element.
    place
        Easting and northing, local m; None where the whole element is meant.
    found, expected, mend
        Sentences in the site's unit; `mend` is empty where it passed.
    passed
        Whether all is well.
    """

    check: str
    element: str
    place: Place | None
    found: str
    expected: str
    mend: str
    passed: bool


def good(check: str, element: Element, found: str, expected: str) -> Finding:
    """A finding that passed."""
    return Finding(check, element.name, None, found, expected, "", passed=True)


def middle(shape: shapely.Geometry) -> Place:
    """A place in the middle of a shape, local m."""
    point = shapely.point_on_surface(shape)
    return float(point.x), float(point.y)


def streams_fall(elements: Sequence[Element], *, unit: Unit) -> list[Finding]:
    """Whether the levels along every stream go down, between its corners and at each of them."""
    check, expected = "stream falls", "levels that go down, or stay, from corner to corner"
    findings = []
    for element in elements:
        for shape in element.shapes:
            if not isinstance(shape, Corridor):
                continue
            reach = shape.reach
            levels = np.column_stack([reach.start[:, 0], reach.end[:, 0]]).ravel()
            wrong = np.flatnonzero(np.diff(levels) > LEVEL_M)
            for k in wrong:
                at_corner = bool(k % 2)
                corner = int(k) // 2 + 1
                x, y = reach.pieces[corner - 1, 2:]
                found = f"the water rises by {unit.length(float(levels[k + 1] - levels[k]))} "
                found += f"{'at' if at_corner else 'on the way to'} corner {corner + 1} of the path"
                mend = "lower that level, raise the one before, or turn the path round"
                place = (float(x), float(y))
                findings.append(
                    Finding(check, element.name, place, found, expected, mend, passed=False)
                )
            if not wrong.size:
                fall = float(levels[0] - levels[-1])
                findings.append(good(check, element, f"falls {unit.length(fall)}", expected))
    return findings


@dataclass(frozen=True)
class Drop:
    """Water that falls: where, how far, and how deep the water is that it falls into, m."""

    element: Element
    place: Place
    upper: float
    lower: float
    pool: str
    pool_depth: float


def drops(elements: Sequence[Element]) -> list[Drop]:
    """Every fall, and every corner of a stream with two levels.

    The pool of a fall is the deepest element with its lower level, or stream, that touches it; an
    empty name and a depth of 0 where there is none.
    """
    found = []
    for element in elements:
        for shape in element.shapes:
            if isinstance(shape, Corridor):
                ends, begins = shape.reach.end[:-1], shape.reach.start[1:]
                for k in np.flatnonzero(np.abs(ends[:, 0] - begins[:, 0]) > LEVEL_M):
                    x, y = shape.reach.pieces[k, 2:]
                    upper, lower = float(ends[k, 0]), float(begins[k, 0])
                    depth = float(begins[k, 2])
                    found.append(
                        Drop(element, (float(x), float(y)), upper, lower, element.name, depth)
                    )
        if element.lip is not None:
            sill, landing = (s for s in element.shapes[:2] if isinstance(s, Excavation))
            x, y = element.lip.mean(axis=0)
            pools = [
                (depth, other.name)
                for other in elements
                if other is not element
                and other.outline.dwithin(element.outline, TOUCH_M)
                and (depth := _depth_at_level(other, landing.level, (x, y))) > 0
            ]
            depth, pool = max(pools, default=(0.0, ""))
            found.append(
                Drop(element, (float(x), float(y)), sill.level, landing.level, pool, depth)
            )
    return found


def _depth_at_level(element: Element, level: float, near: Place) -> float:
    """Depth of an element's water if it stands at `level`, else 0, m."""
    excavation = element.excavation
    if excavation is not None and element.lip is None:
        same = element.water_level_m is not None and abs(element.water_level_m - level) < LEVEL_M
        top = excavation.lift_tops[-1] if excavation.lifts else excavation.floor
        return float(level - top) if same else 0.0
    for shape in element.shapes:
        if isinstance(shape, Corridor):
            line = shapely.shortest_line(element.outline, shapely.Point(near))
            nearest = shapely.get_coordinates(line)[:1]
            beside = read_reach(nearest, shape.reach)
            return float(beside.depth[0]) if abs(beside.level[0] - level) < RUN_IN_M else 0.0
    return 0.0


def falls_drop(elements: Sequence[Element], *, unit: Unit) -> list[Finding]:
    """Whether the pool of every fall is lower than its lip, and there is one."""
    check, expected = "fall drops", "a lip above the water that it falls into"
    findings = []
    for drop in drops(elements):
        if drop.element.lip is None and drop.lower > drop.upper:
            continue  # told by `streams_fall`
        if drop.lower >= drop.upper - LEVEL_M:
            found = f"its pool stands {unit.length(drop.lower - drop.upper)} above its lip"
            mend = "raise the lip's level, or lower the pool's"
        elif not drop.pool:
            found = f"it lands in no water at {unit.length(drop.lower)}"
            mend = "lay its landing in an element with that water, or mend the levels in [water]"
        else:
            found = f"drops {unit.length(drop.upper - drop.lower)} into {drop.pool}"
            findings.append(good(check, drop.element, found, expected))
            continue
        name = drop.element.name
        findings.append(Finding(check, name, drop.place, found, expected, mend, passed=False))
    return findings


def pools_deep(elements: Sequence[Element], *, share: float, unit: Unit) -> list[Finding]:
    """Whether water under every fall is deep enough: at least a share of the drop.

    A rule of thumb. Half the drop keeps the floor's gravel in place in garden pools (common
    practice); where fish are to leap a fall, guidance asks for the whole drop and more.
    """
    check = "plunge pool is deep enough"
    findings = []
    for drop in drops(elements):
        height = drop.upper - drop.lower
        if height <= LEVEL_M or not drop.pool:
            continue
        least = share * height
        found = f"{unit.length(drop.pool_depth)} of water under a fall of {unit.length(height)}"
        expected = f"at least {unit.length(least)} ({share:g} of the drop)"
        if drop.pool_depth >= least - LEVEL_M:
            findings.append(good(check, drop.element, found, expected))
            continue
        findings.append(
            Finding(
                check,
                drop.element.name,
                drop.place,
                found,
                expected,
                f"deepen {drop.pool} by {unit.length(least - drop.pool_depth)}, break the fall in "
                "two, or set plunge_depth in [checks]",
                passed=False,
            )
        )
    return findings


def levels_agree(elements: Sequence[Element], *, unit: Unit) -> list[Finding]:
    """Whether elements that overlap hold their water at one level, and streams meet pools."""
    check, expected = "water levels agree", "one level where elements overlap"
    standing = [e for e in elements if e.water_level_m is not None and e.lip is None]
    findings = []
    for k, element in enumerate(standing):
        wrong = []
        for other in standing[:k]:
            apart = float(element.water_level_m or 0.0) - float(other.water_level_m or 0.0)
            if abs(apart) < LEVEL_M:
                continue
            shared = element.outline.intersection(other.outline)
            if shared.area > LEAST_OVERLAP_M2:
                wrong.append(
                    Finding(
                        check,
                        element.name,
                        middle(shared),
                        f"overlaps {other.name} by {unit.area_text(shared.area, 2)}, its water "
                        f"{unit.length(abs(apart))} {'above' if apart > 0 else 'below'}",
                        expected,
                        "give both the same level of [water], or move them apart and let a fall "
                        "join them",
                        passed=False,
                    )
                )
        findings += wrong or [
            good(check, element, "every element it overlaps has its level", expected)
        ]
    for element in elements:
        for shape in element.shapes:
            if isinstance(shape, Corridor):
                findings += _stream_meets(element, shape, standing, unit)
    return findings


def _stream_meets(
    element: Element, shape: Corridor, standing: Sequence[Element], unit: Unit
) -> list[Finding]:
    check, expected = "water levels agree", "water that runs out of one element and into the next"
    reach, wrong = shape.reach, []
    ends = (
        (reach.pieces[0, :2], float(reach.start[0, 0]), 1.0, "begins", "above", "leaves"),
        (reach.pieces[-1, 2:], float(reach.end[-1, 0]), -1.0, "ends", "below", "enters"),
    )
    for place, level, sign, does, side, verb in ends:
        for pool in standing:
            if not pool.outline.dwithin(shapely.Point(place), TOUCH_M):
                continue
            off = sign * (level - float(pool.water_level_m or 0.0))
            if off > RUN_IN_M:
                wrong.append(
                    Finding(
                        check,
                        element.name,
                        (float(place[0]), float(place[1])),
                        f"{does} {unit.length(off)} {side} the water of {pool.name} that it {verb}",
                        expected,
                        f"set that level to {unit.length(float(pool.water_level_m or 0.0))}",
                        passed=False,
                    )
                )
    return wrong or [good(check, element, "its ends meet the water they touch", expected)]


def shelves_fit(elements: Sequence[Element], *, unit: Unit) -> list[Finding]:
    """Whether the banks leave room for every shelf: its riser's run, and its width.

    A shelf of its own outline must be wider than its riser runs; a shelf of a bank must end
    before the banks meet.
    """
    check, expected = "shelf is wide enough", "an outline that leaves each shelf its width"
    findings = []
    for element in elements:
        excavation = element.excavation
        if excavation is None or element.lip is not None:
            continue
        ledges = _ledges(excavation, own=element.kind == "shelf")
        if not ledges:
            continue
        room, step = _room(element, excavation)
        squeezed = [
            (end - room[bank], room[bank] + step < start, depth)
            for bank, start, end, depth in ledges
            if room[bank] + step < end
        ]
        if not squeezed:
            findings.append(good(check, element, f"{len(ledges)} fit", expected))
            continue
        short, never, depth = max(squeezed)
        found = (
            f"the shelf {unit.length(depth)} deep is never reached: its riser needs "
            f"{unit.length(short)} more"
            if never
            else f"the shelf {unit.length(depth)} deep is {unit.length(short)} too narrow: "
            "the banks meet on it"
        )
        findings.append(
            Finding(
                check,
                element.name,
                middle(element.outline),
                found,
                expected,
                "make the outline wider, the risers steeper, or the shelf narrower",
                passed=False,
            )
        )
    return findings


def _ledges(excavation: Excavation, *, own: bool) -> list[tuple[int, float, float, float]]:
    """Bank, start, end and depth of the level parts of each profile; its floor only if `own`."""
    found = []
    for bank, profile in enumerate(excavation.profiles):
        distance, depth = profile.distance, profile.depth
        if own:
            found.append((bank, float(distance[-1]), float(distance[-1]), float(depth[-1])))
        level = (np.diff(depth) == 0) & (np.diff(distance) > 0) & (depth[:-1] > 0)
        level &= depth[:-1] < depth[-1]
        found += [
            (bank, float(distance[k]), float(distance[k + 1]), float(depth[k]))
            for k in np.flatnonzero(level)
        ]
    return found


def _room(element: Element, excavation: Excavation) -> tuple[FloatArray, float]:
    """How far from each bank its profile still decides the depth, and the raster's step, m."""
    xmin, ymin, xmax, ymax = element.outline.bounds
    step = max(xmax - xmin, ymax - ymin) / PLACES_ACROSS
    xy = places_inside(element.outline, step)
    edge, distances, depths = excavation.edge, [], []
    for bank, profile in enumerate(excavation.profiles):
        mine = edge.bank == bank
        if not mine.any():
            distances.append(np.full(len(xy), np.inf))
            depths.append(np.full(len(xy), np.inf))
            continue
        part = Edge(edge.pieces[mine], np.zeros(mine.sum(), dtype=np.int64), edge.radius[mine])
        distance = np.abs(read_edge(xy, part, [profile]).distance)
        distances.append(distance)
        depths.append(np.interp(distance, profile.distance, profile.depth))
    decides = np.array(depths) <= np.min(depths, axis=0) + 1e-9
    room: FloatArray = np.max(np.where(decides, distances, 0.0), axis=1)
    return room, step


def places_inside(outline: shapely.Geometry, step: float) -> FloatArray:
    """Places inside an outline on a raster, shape (n, 2), m; at least one."""
    xmin, ymin, xmax, ymax = outline.bounds
    x, y = np.meshgrid(
        np.arange(xmin + step / 2, xmax, step), np.arange(ymin + step / 2, ymax, step)
    )
    xy = np.column_stack([x.ravel(), y.ravel()])
    inside: FloatArray = xy[shapely.contains_xy(outline, xy[:, 0], xy[:, 1])]
    if not len(inside):
        inside = np.array([middle(outline)])
    return inside


def rock_fits(element: str, *, too_much_m3: float, unit: Unit) -> Finding:
    """Whether the over-dug room holds the rock embedded in it."""
    check, expected = "rock fits", "over-dug room for the embedded part of every rock"
    if too_much_m3 <= 0:
        return Finding(check, element, None, "its rock fits", expected, "", passed=True)
    found = f"its rock needs {unit.volume_text(too_much_m3)} more room than the over-dig leaves"
    return Finding(
        check, element, None, found, expected, "dig wider or deeper, or embed less", passed=False
    )


def drawdown_taken(element: Element, *, transit_m3: float, room_m3: float, unit: Unit) -> Finding:
    """Whether the element that the pump draws from takes what comes back when it stops."""
    check = "drawdown is taken"
    found = f"{_water(transit_m3, unit)} come back when the pump stops"
    expected = f"no more than the {_water(room_m3, unit)} it takes before it runs over"
    if transit_m3 <= room_m3:
        return good(check, element, found, expected)
    return Finding(
        check,
        element.name,
        middle(element.outline),
        found,
        expected,
        "draw from a larger vault or basin, run it at a lower running_level, raise its rim, or "
        "make the streams shallower",
        passed=False,
    )


def _water(cubic_metres: float, unit: Unit) -> str:
    return f"{cubic_metres / unit.water_m3:,.{2 if unit.water_m3 > 0.1 else 0}f} {unit.water}"
