"""Setting out: the points that are pegged, what is dug at each, and how each is found on site."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray
from terrain.design import Element, Plan
from terrain.design.breaks import breaks_of, centre_line, level_changes
from terrain.design.compose import compose_at
from terrain.design.pegs import along_line, along_rings, on_grid, spaced, thinned
from terrain.design.shapes import Corridor, Heap
from terrain.design.stamps import reach
from terrain.errors import Place, PlanError, nearest
from terrain.measured import SpotSurvey
from terrain.surface import Surface
from terrain.surface.following import Followed, follow
from terrain.survey.bearings import along_and_across, bearings
from terrain.units import Unit

EVERY = {"m": 1.5, "ft": 5 * 0.3048, "us-ft": 5 * 1200 / 3937}
"""Usual distance of points, m, by the site's unit: 1.5 m, or 5 ft."""
BEYOND = {"m": 1.0, "ft": 3 * 0.3048, "us-ft": 3 * 1200 / 3937}
"""Usual distance of offset stakes from the edge of the dig, m, by the site's unit."""
KINDS = {
    "edge": "edge of dig",
    "offset": "offset stake",
    "water": "edge of water",
    "break": "level change",
    "centre": "centre line",
    "grid": "grid",
    "toe": "toe of fill",
    "zone": "outline",
}
"""What each kind of point is called, in the order in which they are listed."""

_MOST = 20_000
FARTHEST_M = 50.0  # stakes farther apart set nothing out
_DUG_M = 1e-4
_STEP_M = 0.05
_BESIDE_M = 0.001  # how far a point that lies on a wall is moved
_WALL_M = 0.005
_LEAST_BASE_M = 1.0
_MOST_SIGHTS = 10.0  # of the base: beyond, the doubt of the marks grows tenfold at the stake
_FAR_SIGHTS = 3.0


@dataclass(frozen=True)
class Pegging:
    """How a site is set out.

    Attributes
    ----------
    every_m
        Distance of points on grids and along lines.
    beyond_m
        Distance of offset stakes from the edge of the dig.
    first, second
        Names of the control points to set out from; the plan's first two if None.
    """

    every_m: float
    beyond_m: float
    first: str | None = None
    second: str | None = None


@dataclass(frozen=True)
class Mark:
    """A control point; true easting and northing, elevation, m."""

    name: str
    at: tuple[float, float, float]


@dataclass(frozen=True)
class Stake:
    """One point to set out. True coordinates, elevations and lengths in m.

    Attributes
    ----------
    kind
        One of `KINDS`.
    existing_m
        Ground at the point.
    dig_m
        What is dug to at the point, or filled up to; of an offset stake, what is dug to at the
        foot of the face that it stands behind.
    cut_m
        From the ground at the point down to it; negative where it is filled.
    offset_m, foot_m
        Of an offset stake: distance back to the edge of the dig, and to the foot of the face.
    bearing_deg, distance_m, second_bearing_deg, second_distance_m
        From the first and the second control point; None without them.
    along_m, across_m
        From the first control point towards the second, and to the right of that line.
    """

    name: str
    element: str
    kind: str
    east_m: float
    north_m: float
    existing_m: float
    dig_m: float
    cut_m: float
    offset_m: float | None = None
    foot_m: float | None = None
    bearing_deg: float | None = None
    distance_m: float | None = None
    second_bearing_deg: float | None = None
    second_distance_m: float | None = None
    along_m: float | None = None
    across_m: float | None = None


@dataclass(frozen=True)
class Stakes:
    """The points of a site.

    Attributes
    ----------
    points
        Element by element in file order, kind by kind.
    marks
        The two control points, or none.
    notes
        What whoever sets out should know.
    """

    points: tuple[Stake, ...]
    marks: tuple[Mark, ...]
    pegging: Pegging
    notes: tuple[str, ...]

    def of(self, element: str) -> tuple[Stake, ...]:
        """The points of one element."""
        return tuple(point for point in self.points if point.element == element)


@dataclass(frozen=True)
class StakeGround:
    """What is set out: plan, elements and ground in local coordinates."""

    plan: Plan
    elements: tuple[Element, ...]
    existing: Surface
    spot_surveys: Mapping[str, SpotSurvey]
    unit: Unit
    origin: FloatArray


def set_out(site: StakeGround, pegging: Pegging) -> Stakes:
    """Choose the points of every element and measure them.

    Raises
    ------
    PlanError
        A distance is not positive, there are too many points, or the control points are not known,
        coincide, or are too close to each other.
    """
    _check(pegging, site)
    marks = _marks(site, pegging)
    notes: list[str] = []
    if pegging.first is None and len(site.plan.control_point) == 1:
        notes.append(
            "the plan has one control point: bearings and offsets need a second to sight on"
        )
    prefixes = _prefixes([element.name for element in site.elements])
    points: list[Stake] = []
    left_out = 0
    for row, element in enumerate(site.elements):
        own, lost = _of_element(site, row, element, prefixes[row], pegging)
        points += own
        left_out += lost
    if left_out:
        stand = "stake stands" if left_out == 1 else "stakes stand"
        notes.append(
            f"{left_out} offset {stand} in another dig or off the survey and "
            f"{'is' if left_out == 1 else 'are'} left out"
        )
    if marks and points:
        points, far = _sighted(points, marks, site.unit)
        notes += far
    return Stakes(tuple(points), marks, pegging, tuple(notes))


def dig_tin(
    site: StakeGround, region: shapely.Polygon, probes: FloatArray, *, tolerance_m: float
) -> Followed:
    """Triangulate the dig over a part of the site, local m, within a vertical tolerance."""
    dug = [breaks_of(element) for element in site.elements]
    surface = _Dig(site.elements, site.existing)
    return follow(
        surface,
        region,
        walls=[wall for each in dug for wall in each.walls],
        folds=[fold for each in dug for fold in each.folds],
        probes=probes,
        tolerance_m=tolerance_m,
    )


@dataclass(frozen=True)
class _Dig:
    elements: tuple[Element, ...]
    existing: Surface

    def elevation(self, xy: FloatArray) -> FloatArray:
        return compose_at(xy, self.elements, self.existing).dig

    @property
    def footprint(self) -> shapely.Polygon | shapely.MultiPolygon:
        return self.existing.footprint


def _check(pegging: Pegging, site: StakeGround) -> None:
    for words, value in (("points", pegging.every_m), ("offset stakes", pegging.beyond_m)):
        if not 0 < value <= FARTHEST_M:
            most = site.unit.length(FARTHEST_M, 0)
            raise PlanError(
                f"{words} at {site.unit.length(value)}",
                expected=f"a distance greater than nothing and of {most} at most",
                mend=f"give a distance such as {site.unit.length(EVERY[site.unit.key])}",
            )
    count = sum(
        element.grown.area / pegging.every_m**2 + 4 * element.grown.length / pegging.every_m
        for element in site.elements
    )
    if count > _MOST:
        raise PlanError(
            f"points every {site.unit.length(pegging.every_m, 3)} are about {count:,.0f}",
            expected=f"at most {_MOST:,} points",
            mend="set them farther apart",
        )


def _prefixes(names: Sequence[str]) -> list[str]:
    """Short words, one an element: initials, with more letters of the last word where needed."""
    taken: list[str] = []
    for number, name in enumerate(names, start=1):
        words = ["".join(c for c in word if c.isalpha()) for word in name.upper().split()]
        words = [word for word in words if word] or ["E"]
        head, last = "".join(word[0] for word in words[:-1]), words[-1]
        tries = [head + last[:k] for k in range(1, len(last) + 1)]
        taken.append(next((t for t in tries if t not in taken), f"{head}{last}{number}-"))
    return taken


@dataclass(frozen=True)
class _Edge:
    """Where the dig of an element ends: places, the way out, the foot of the face; (n, 2) each."""

    xy: FloatArray
    outward: FloatArray
    foot: FloatArray


def _of_element(
    site: StakeGround, row: int, element: Element, prefix: str, pegging: Pegging
) -> tuple[list[Stake], int]:
    every = pegging.every_m
    if not element.shapes:
        rings, _ = along_rings(element.outline, every)
        return _stakes(site, row, [("zone", rings)], prefix), 0
    if all(isinstance(shape, Heap) for shape in element.shapes):
        toe, _ = along_rings(element.outline, every)
        grid = _raised_grid(site, row, element, every, toe)
        return _stakes(site, row, [("toe", toe), ("grid", grid)], prefix), 0
    edge = _edge_of_dig(site, row, element, every)
    lists: list[tuple[str, FloatArray]] = [("edge", edge.xy)]
    if element.water_level_m is not None or any(isinstance(s, Corridor) for s in element.shapes):
        rings, _ = along_rings(element.outline, every)
        lists.append(("water", _owned(site, row, rings)))
    breaks = _owned(site, row, level_changes(element, every))
    breaks = breaks[spaced(breaks, every / 4)]
    if len(breaks):
        lists.append(("break", breaks))
    line = centre_line(element)
    if line is not None:
        lists.append(("centre", _owned(site, row, along_line(line, every))))
    others = np.concatenate([places for _, places in lists])
    grid = on_grid(_bounds(site, element), every, site.origin)
    grid = _owned(site, row, grid)
    lists.append(("grid", grid[thinned(grid, every / 4, beside=others)]))
    lists = [(kind, _off_walls(site, places)) for kind, places in lists]
    points = _stakes(site, row, lists, prefix)
    offsets, lost = _offsets(site, row, edge, points[: len(edge.xy)], pegging.beyond_m)
    return [*points[: len(edge.xy)], *offsets, *points[len(edge.xy) :]], lost


def _bounds(site: StakeGround, element: Element) -> tuple[float, float, float, float]:
    far = _reach(site, element)
    xmin, ymin, xmax, ymax = element.grown.bounds
    return xmin - far, ymin - far, xmax + far, ymax + far


def _reach(site: StakeGround, element: Element) -> float:
    """How far beyond its over-dig an element may dig, m, by the ground about it."""
    near = element.grown
    far = 0.0
    for _ in range(3):
        around = near.buffer(far + 1.0).segmentize(0.5)
        ground = site.existing.elevation(shapely.get_coordinates(around))
        known = ground[np.isfinite(ground)]
        if not known.size:
            return far
        far = max(far, reach(element, float(known.min()), float(known.max())))
    return far + 0.5


def _dug(site: StakeGround, row: int, xy: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Whether places are dug by the element, and by another."""
    at = compose_at(xy, site.elements, site.existing)
    cut = at.existing - at.dig > _DUG_M
    return cut & (at.dig_owner == row), cut & (at.dig_owner != row)


def _owned(site: StakeGround, row: int, xy: FloatArray) -> FloatArray:
    return xy[_dug(site, row, xy)[0]] if len(xy) else xy


def _off_walls(site: StakeGround, xy: FloatArray) -> FloatArray:
    """The places, those on a wall moved to its foot, so that rounding cannot lift them."""
    ring = _BESIDE_M * np.array(
        [[0, 0], [1, 0], [0, 1], [-1, 0], [0, -1], [1, 1], [-1, -1], [1, -1], [-1, 1]]
    )
    around = xy[:, None] + ring
    dig = compose_at(around.reshape(-1, 2), site.elements, site.existing).dig
    dig = np.where(np.isfinite(dig), dig, np.inf).reshape(around.shape[:2])
    wall = np.ptp(dig, axis=1) > _WALL_M
    lowest = around[np.arange(len(xy)), dig.argmin(axis=1)]
    moved: FloatArray = np.where(wall[:, None], lowest, xy)
    return moved


def _raised_grid(
    site: StakeGround, row: int, element: Element, every: float, toe: FloatArray
) -> FloatArray:
    grid = on_grid(element.grown.bounds, every, site.origin)
    at = compose_at(grid, site.elements, site.existing)
    grid = grid[(at.fill_owner == row) & (at.subgrade > at.existing)]
    apart: FloatArray = grid[thinned(grid, every / 4, beside=toe)]
    return apart


def _edge_of_dig(site: StakeGround, row: int, element: Element, every: float) -> _Edge:
    """Walk out (or in, where the ground is low) from the over-dig's outline to where the cut ends.

    Where another element's dig goes on there is no edge.
    """
    start, outward = along_rings(element.grown, every)
    inside = start - 0.002 * outward
    is_dug, by_other = _dug(site, row, inside)
    far_out = _reach(site, element)
    far_in = math.sqrt(element.grown.area)
    edges, ways, feet, orders = [], [], [], []
    for going, far, chosen in ((1.0, far_out, is_dug), (-1.0, far_in, ~is_dug & ~by_other)):
        rows = np.flatnonzero(chosen)
        if not rows.size:
            continue
        steps = np.append(0.004, np.arange(_STEP_M, far + _STEP_M, _STEP_M))
        walk = inside[rows, None] + going * steps[None, :, None] * outward[rows, None]
        own, other = (each.reshape(len(rows), -1) for each in _dug(site, row, walk.reshape(-1, 2)))
        ends = ~own if going > 0 else own
        met = other.argmax(axis=1) < ends.argmax(axis=1)
        met &= other.any(axis=1)
        first = ends.argmax(axis=1)
        there = np.arange(len(rows))
        sound = ends.any(axis=1) & ~(other[there, first]) & ~met
        rows, first = rows[sound], first[sound]
        high = steps[first]
        low = np.where(first > 0, steps[np.maximum(first - 1, 0)], 0.0)
        way = going * outward[rows]
        for _ in range(30):
            middle = (low + high) / 2
            own, _ = _dug(site, row, inside[rows] + middle[:, None] * way)
            beyond = ~own if going > 0 else own
            low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
        dug_end = low if going > 0 else high
        edge = inside[rows] + dug_end[:, None] * way
        edges.append(edge)
        ways.append(outward[rows])
        feet.append(inside[rows] if going > 0 else edge)
        orders.append(rows)
    if not edges:
        return _Edge(*(np.empty((0, 2)) for _ in range(3)))
    walked = np.argsort(np.concatenate(orders))
    return _Edge(*(np.concatenate(each)[walked] for each in (edges, ways, feet)))


def _stakes(
    site: StakeGround, row: int, lists: Sequence[tuple[str, FloatArray]], prefix: str
) -> list[Stake]:
    xy = np.concatenate([places for _, places in lists])
    kinds = [kind for kind, places in lists for _ in places]
    at = compose_at(xy, site.elements, site.existing)
    level = np.where(at.dig < at.existing, at.dig, at.existing)
    raised = (at.fill_owner == row) & (at.subgrade > at.existing) & (at.dig >= at.existing)
    level = np.where(raised, at.subgrade, level)
    true = xy + site.origin
    return [
        Stake(
            name=f"{prefix}{number}",
            element=site.elements[row].name,
            kind=kind,
            east_m=float(true[k, 0]),
            north_m=float(true[k, 1]),
            existing_m=float(at.existing[k]),
            dig_m=float(level[k]),
            cut_m=float(at.existing[k] - level[k]),
        )
        for number, (k, kind) in enumerate(enumerate(kinds), start=1)
    ]


def _offsets(
    site: StakeGround, row: int, edge: _Edge, pegs: Sequence[Stake], beyond: float
) -> tuple[list[Stake], int]:
    """Stakes behind the edge, each named for the point of the edge that it keeps."""
    if not len(edge.xy):
        return [], 0
    xy = edge.xy + beyond * edge.outward
    own, other = _dug(site, row, xy)
    ground = site.existing.elevation(xy)
    foot = compose_at(edge.foot, site.elements, site.existing).dig
    to_foot = np.hypot(*(xy - edge.foot).T)
    stands = np.isfinite(ground) & ~own & ~other
    true = xy + site.origin
    stakes = [
        replace(
            peg,
            name=f"{peg.name}-off",
            kind="offset",
            east_m=float(true[k, 0]),
            north_m=float(true[k, 1]),
            existing_m=float(ground[k]),
            dig_m=float(foot[k]),
            cut_m=float(ground[k] - foot[k]),
            offset_m=beyond,
            foot_m=float(to_foot[k]),
        )
        for k, peg in enumerate(pegs)
        if stands[k]
    ]
    return stakes, int((~stands).sum())


def _marks(site: StakeGround, pegging: Pegging) -> tuple[Mark, ...]:
    named = [pegging.first, pegging.second]
    if named == [None, None]:
        chosen = [Mark(table.name, table.at) for table in site.plan.control_point[:2]]
        if len(chosen) < 2:
            return ()
    else:
        if None in named or pegging.first == pegging.second:
            said = [name for name in named if name is not None]
            raise PlanError(
                f"{said[0]!r} is the one control point" if said else "no control point is named",
                expected="two different control points, one to stand on and one to sight on",
                mend="name them with --from and --to",
            )
        chosen = [_mark(site, str(name)) for name in named]
    _check_base(chosen, site.unit)
    return tuple(chosen)


def _mark(site: StakeGround, name: str) -> Mark:
    for table in site.plan.control_point:
        if table.name == name:
            return Mark(name, table.at)
    known = [table.name for table in site.plan.control_point]
    for key, survey in site.spot_surveys.items():
        names = np.asarray(survey.spots.name).astype(str)
        rows = np.flatnonzero(names == name)
        known += names.tolist()
        if not rows.size:
            continue
        xyz = survey.spots.xyz[rows] + np.append(site.origin, 0.0)
        if np.hypot(*(xyz[:, :2] - xyz[0, :2]).T).max() > 0.05:
            raise PlanError(
                f"{len(rows)} points of the survey {key!r} are called {name!r}",
                place=Place(survey.spots.source),
                expected="a point with a name of its own",
                mend="give the place of the mark in a [[control_point]] of the plan",
            )
        return Mark(name, (float(xyz[0, 0]), float(xyz[0, 1]), float(xyz[0, 2])))
    raise PlanError(
        f"no control point and no point of a survey is called {name!r}",
        place=Place(key="control_point"),
        expected="a [[control_point]] of the plan, or the name of a point in a survey",
        mend=nearest(name, known[:2000]) if len(known) < 12 else nearest_of_many(name, known),
    )


def nearest_of_many(name: str, known: Sequence[str]) -> str:
    """A mend that names the word most like it, without listing hundreds of points."""
    said = nearest(name, [word for word in known if word])
    return said if said.startswith("did you mean") else "write the name as the survey file has it"


def _check_base(marks: Sequence[Mark], unit: Unit) -> None:
    base = math.dist(marks[0].at[:2], marks[1].at[:2])
    if base < _LEAST_BASE_M:
        raise PlanError(
            f"the control points {marks[0].name!r} and {marks[1].name!r} are "
            f"{unit.length(base, 3)} apart",
            place=Place(key="control_point"),
            expected=f"two marks at least {unit.length(_LEAST_BASE_M)} apart, better as far as the "
            "farthest stake",
            mend="correct their coordinates, or choose marks at two ends of the site",
        )


def _sighted(
    points: Sequence[Stake], marks: Sequence[Mark], unit: Unit
) -> tuple[list[Stake], list[str]]:
    first, second = (np.array(mark.at[:2]) for mark in marks)
    places = np.array([[point.east_m, point.north_m] for point in points])
    bearing, distance = bearings(first, places)
    second_bearing, second_distance = bearings(second, places)
    along, across = along_and_across(first, second, places)
    base, farthest = float(np.hypot(*(second - first))), float(distance.max())
    if farthest > _MOST_SIGHTS * base:
        raise PlanError(
            f"{marks[1].name!r} is {unit.length(base)} from {marks[0].name!r}, the farthest stake "
            f"{unit.length(farthest)}",
            place=Place(key="control_point"),
            expected=f"a sight back of at least a {_MOST_SIGHTS:.0f}th of the farthest sight ahead",
            mend="choose two marks that are farther apart",
        )
    notes = []
    if farthest > _FAR_SIGHTS * base:
        notes.append(
            f"the sight back to {marks[1].name!r} is {unit.length(base)}, the farthest stake "
            f"{unit.length(farthest)}: choose marks farther apart, or check a stake with a tape"
        )
    return [
        replace(
            point,
            bearing_deg=float(bearing[k]),
            distance_m=float(distance[k]),
            second_bearing_deg=float(second_bearing[k]),
            second_distance_m=float(second_distance[k]),
            along_m=float(along[k]),
            across_m=float(across[k]),
        )
        for k, point in enumerate(points)
    ], notes
