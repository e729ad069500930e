"""Whether the faces of a site stand: found, held against rules, and analysed for slips."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design import Element, Plan
from terrain.design.soil_tables import SoilTable
from terrain.earthwork.strata import lay_strata
from terrain.errors import Place, StabilityError
from terrain.slope_loads import (
    GRAVITY,
    SlopeGround,
    heap_loads,
    machine_load,
    origin_of,
    rock_loads,
)
from terrain.stability import (
    SlopeSection,
    SlopeSoil,
    bishop,
    drawn_down,
    infinite_slope,
    janbu,
    ordinary,
    slices_of_circle,
    slope_section,
    spencer,
)
from terrain.stability.faces import LEAST_M, STEP_M, Face, find_faces, profile_of, whole_rise
from terrain.stability.planar import PlaneSlip, worst_plane
from terrain.stability.ranges import FactorRange, SoilRange, factor_range
from terrain.stability.rule_sets import RuleSet, rule_set
from terrain.stability.verdicts import Breach, Near, breaches, governing_class
from terrain.surface import Surface

MOST_FACES = 60  # analysed for slips, the worst first
_BANK_M, _WALL_DEG = 0.25, 60.0  # shorter or steeper pieces are faced with stone
_STEEP_DEG = 60.0  # from which a plane through the toe is tried too
_CHANCE = 0.05  # of a factor under 1 that is borne
_OPEN = "open dig"
_SHALLOW, _OVERALL = 0.1, 0.35  # of the height: how deep a slip is at least
_SLICES = 30  # as in the search
_STRAIGHT_M = 0.005
_AWAY_M = 0.3  # ground that falls behind a crest, or rises before a toe, by more
_STRUCTURES = ("vault",)  # whose finished sides are no soil


@dataclass(frozen=True)
class SlipCase:
    """One state of a slope and how it stands in it.

    Attributes
    ----------
    name
        "open dig", "as built" or "emptied at once".
    section
        At likely strengths.
    factors
        Over the range of the strengths.
    methods
        Factor of the likely worst circle by each method; NaN where a method has none.
    plane
        The worst plane out of a steep face; None where none was tried.
    samples
        Factor of each sample, of its worst circle or of its plane if that is less, shape (n,).
    """

    name: str
    section: SlopeSection
    factors: FactorRange
    methods: dict[str, float]
    plane: PlaneSlip | None
    samples: FloatArray

    @property
    def by_plane(self) -> bool:
        """The worst plane stands worse than the worst circle."""
        return self.plane is not None and self.plane.factor < self.factors.likely.factor

    @property
    def factor(self) -> float:
        """The likely factor: of the worst circle, or of the worst plane if that is less."""
        circle = self.factors.likely.factor
        return circle if self.plane is None else min(circle, self.plane.factor)

    @property
    def method(self) -> str:
        """By which of the two."""
        return "plane wedge" if self.by_plane else "Bishop"

    @property
    def low(self) -> float:
        """Factor that 95 % of the samples exceed, no more than the likely one."""
        return min(_quantile(self.samples, 0.05), self.factor)

    @property
    def high(self) -> float:
        """Factor that 5 % of the samples exceed, no less than the likely one."""
        return max(_quantile(self.samples, 0.95), self.factor)

    @property
    def chance_below_one(self) -> float:
        """Share of the samples that do not stand."""
        return float((self.samples < 1.0).mean())

    @property
    def passed(self) -> bool:
        """The likely factor reaches the target, and a factor under 1 is improbable."""
        return self.factor >= self.factors.target and self.chance_below_one <= _CHANCE


@dataclass(frozen=True)
class SlopeFace:
    """A face and what was found of it.

    Attributes
    ----------
    name
        Such as "D3": dig, "F1": finish, "R2": raised.
    element
        Whose it is; empty if nobody's.
    face
        Its shape.
    soils, soil_class
        What it stands in, from above, and the class that governs.
    above, below
        What stands above and lies below, in plain words.
    breaches
        Rules that it does not keep; of the dig alone.
    cases
        Slips; none for low faces.
    profile
        Distance along the worst profile and elevation, shape (n, 2).
    temporary
        It is there only while the dig is open.
    """

    name: str
    element: str
    face: Face
    soils: tuple[str, ...]
    soil_class: str
    above: tuple[str, ...]
    below: tuple[str, ...]
    breaches: tuple[Breach, ...]
    cases: tuple[SlipCase, ...]
    profile: FloatArray
    temporary: bool

    @property
    def verdict(self) -> str:
        """One word for a table: "fails", "doubtful", "stands" or "low"; the last is untried.

        What breaks a rule or is likely to slip fails; what is likely to stand, but by less than
        is wanted, is doubtful.
        """
        if self.breaches or any(case.factor < 1.0 for case in self.cases):
            return "fails"
        if not self.passed:
            return "doubtful"
        return "stands" if self.cases else "low"

    @property
    def passed(self) -> bool:
        """It keeps the rules and stands in every case."""
        return not self.breaches and all(case.passed for case in self.cases)

    @property
    def worst_case(self) -> SlipCase | None:
        """The case that is nearest to its target, or farthest below."""
        return min(self.cases, key=lambda case: case.factor / case.factors.target, default=None)


@dataclass(frozen=True)
class Veneer:
    """A layer on the liner of a bank: will it slide?

    Attributes
    ----------
    element, face
        Where.
    slope_deg
        Of its steepest piece that is no wall.
    factor_low, factor, factor_high
        `tan δ / tan β` over the range of the friction on the liner.
    """

    element: str
    face: str
    slope_deg: float
    factor_low: float
    factor: float
    factor_high: float

    @property
    def stays(self) -> bool:
        """The friction on the liner alone is likely to hold it."""
        return self.factor >= 1.0


@dataclass(frozen=True)
class Slopes:
    """All faces of a site, the worst first, by the rules that the plan names."""

    rules: RuleSet
    faces: tuple[SlopeFace, ...]
    veneers: tuple[Veneer, ...]
    untested: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Every face stands and keeps the rules, and no layer slides."""
        return all(face.passed for face in self.faces) and all(
            veneer.stays for veneer in self.veneers
        )


def measure_slopes(on: SlopeGround) -> Slopes:
    """Find the faces of the dig and of the finish, and say how each stands.

    Raises
    ------
    PlanError
        There are no such rules.
    StabilityError
        A slope cannot be analysed as the plan describes it.
    """
    rules = rule_set(on.plan.slopes.rules, on.folder)
    found = [
        *_faces(on, rules, "D", on.dig, _depth(on.composition.existing, on.composition.dig)),
        *_faces(on, rules, "F", on.finish, _depth(on.composition.existing, on.composition.finish)),
        *_faces(on, rules, "R", on.finish, _depth(on.composition.finish, on.composition.existing)),
        *_asked(on, rules),
    ]
    untested = {
        soil.name
        for soil in on.plan.soil
        if not soil.strength.is_tested and any(soil.name in face.soils for face in found)
    }
    ordered = tuple(sorted(found, key=_rank))
    return Slopes(
        rules,
        ordered,
        tuple(_veneers(on, ordered)),
        tuple(sorted(untested)),
    )


def _depth(upper: FloatArray, lower: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(np.nan_to_num(upper - lower), 0.0), dtype=np.float64)


def _rank(face: SlopeFace) -> tuple[bool, float, float]:
    case = face.worst_case
    share = np.inf if case is None else case.factor / case.factors.target
    return face.passed, share, -face.face.height


def _faces(
    on: SlopeGround, rules: RuleSet, letter: str, surface: Surface, change: FloatArray
) -> list[SlopeFace]:
    at, raised = on.composition, letter == "R"
    owner = (at.owner if letter == "D" else at.finish_owner).astype(np.int64)
    boxes = [letter == "F" and element.kind in _STRUCTURES for element in on.elements]
    boxed = np.isin(owner, np.flatnonzero(boxes))
    faces = find_faces(
        surface.elevation, np.where(boxed, 0.0, change), owner, at.lattice, raised=raised
    )
    return [
        _face(
            on,
            rules,
            f"{letter}{number}",
            face,
            _profile(surface, face),
            temporary=letter == "D",
            analysed=number <= MOST_FACES,
        )
        for number, face in enumerate(faces, start=1)
    ]


def _asked(on: SlopeGround, rules: RuleSet) -> Iterable[SlopeFace]:
    """The sections that the plan asks for, through the dig and through the finish."""
    for asked in on.plan.slopes.section:
        start, end = (np.asarray(place) - on.origin for place in (asked.start, asked.end))
        for name, surface in (("dig", on.dig), ("finish", on.finish)):
            face, profile = _rise(surface, start, end, f'slopes.section "{asked.name}"')
            if face.height >= LEAST_M:
                yield _face(
                    on,
                    rules,
                    f"{asked.name}, {name}",
                    face,
                    profile,
                    temporary=name == "dig",
                    analysed=True,
                )


def _rise(
    surface: Surface, start: FloatArray, end: FloatArray, key: str
) -> tuple[Face, FloatArray]:
    """The slope from the lowest to the highest place of a line, as a face of one profile."""
    length = float(np.hypot(*(end - start)))
    if length < 1.0:
        raise StabilityError(
            f"it is {length:.2f} m long",
            place=Place(key=key),
            expected="a line across a slope",
            mend="set its ends farther apart, the one above and the other below the slope",
        )
    inward = (end - start) / length
    along = np.linspace(0.0, length, max(round(length / STEP_M), 20) + 1)
    z = surface.elevation(start + along[:, None] * inward)
    off = ~np.isfinite(z)
    if off.any():
        raise StabilityError(
            f"it leaves the survey {along[np.argmax(off)]:.1f} m from its start",
            place=Place(key=key),
            expected="a line that stays on the survey",
            mend="shorten it so that both ends lie inside the survey",
        )
    if np.argmin(z) < np.argmax(z):
        inward, z, start = -inward, z[::-1], end
    face, crest, first, last = whole_rise(along, z, start, inward)
    line = np.column_stack([along - along[crest], z])
    return face, _sparse(line[first : last + 1])


def _face(
    on: SlopeGround,
    rules: RuleSet,
    name: str,
    face: Face,
    profile: FloatArray,
    *,
    temporary: bool,
    analysed: bool,
) -> SlopeFace:
    element = _element(on, face)
    table = None if element is None else on.plan.element[on.elements.index(element)]
    xy = origin_of(face) + profile[:, :1] * face.inward[face.worst]
    soils = [] if table is None or table.soil is None else [_soil(on.plan, table.soil)]
    tops = np.empty((0, len(profile)))
    if not soils:
        soils, tops = _strata(on, xy, profile[:, 1], face.height)
    machine = on.plan.slopes.machine
    near = _near_heaps(on, face)
    if temporary and machine is not None:
        near = [*near, Near("the machine", machine.away)]
    cases: tuple[SlipCase, ...] = ()
    if analysed and face.height >= on.plan.slopes.lowest:
        cases = tuple(_cases(on, face, profile, xy, soils, tops, temporary=temporary))
    governing = governing_class(rules, [soil.strength.soil_class for soil in soils])
    return SlopeFace(
        name,
        "" if element is None else element.name,
        face,
        tuple(soil.name for soil in soils),
        governing,
        _above(on, face, near, element, temporary=temporary),
        _below(on, xy[int(np.argmin(profile[:, 1]))]),
        breaches(face, rules, governing, above=near, unit=on.unit) if temporary else (),
        cases,
        profile,
        temporary,
    )


def _element(on: SlopeGround, face: Face) -> Element | None:
    if face.row >= 0:
        return on.elements[face.row]
    point = shapely.Point(face.edge[face.worst] + 0.3 * face.inward[face.worst])
    shaped = [e for e in on.elements if e.shapes and e.outline.distance(point) < 1.5]
    return min(shaped, key=lambda e: e.outline.distance(point), default=None)


def _profile(surface: Surface, face: Face) -> FloatArray:
    """The worst profile with room for slips behind the crest and before the toe."""
    place, inward = origin_of(face), face.inward[face.worst]
    height, run = face.height, float(face.run_m[face.worst])
    outside, inside = max(3 * height, 3.0), run + max(2 * height, 2.0)
    line = profile_of(surface.elevation, place, inward, back_m=outside, ahead_m=inside)
    line = line[_before_falling(line, face) :]
    far = line[:, 0] > run
    z = line[:, 1] if face.raised else -line[:, 1]
    beyond = far & (z < np.maximum.accumulate(np.where(line[:, 0] >= 0, z, -np.inf)) - _AWAY_M)
    kept = line[: int(np.argmax(beyond))] if beyond.any() else line
    return _sparse(kept)


def _before_falling(line: FloatArray, face: Face) -> int:
    """First place of a profile behind whose crest the ground has not fallen away yet.

    What lies beyond, such as another pit, is a face of its own.
    """
    behind = line[line[:, 0] < 0, 1][::-1]
    if face.raised or not len(behind):
        return 0
    fallen = behind < np.maximum.accumulate(behind) - _AWAY_M
    return len(behind) - int(np.argmax(fallen)) if fallen.any() else 0


def _sparse(line: FloatArray) -> FloatArray:
    """The line without places that it runs straight through, within 5 mm."""
    simple = shapely.simplify(shapely.LineString(line), _STRAIGHT_M)
    return np.asarray(shapely.get_coordinates(simple), dtype=np.float64)


def _soil(plan: Plan, name: str) -> SoilTable:
    return next(soil for soil in plan.soil if soil.name == name)


def _strata(
    on: SlopeGround, xy: FloatArray, surface: FloatArray, height: float
) -> tuple[list[SoilTable], FloatArray]:
    """Soils under a profile from above, and the tops of all but the first, shape (k − 1, n)."""
    names = [stratum.soil_name for stratum in on.plan.stratum] or [on.plan.soil[0].name]
    tops = lay_strata(xy, on.existing.elevation(xy), on.tops).tops
    lowest = float(surface.min()) - height
    tops = np.maximum(np.minimum(tops, surface), lowest - 10.0)
    reached = [k for k in range(len(names)) if k == 0 or (tops[k] > lowest).any()]
    return [_soil(on.plan, names[k]) for k in reached], tops[reached[1:]]


def _cases(
    on: SlopeGround,
    face: Face,
    profile: FloatArray,
    xy: FloatArray,
    soils: list[SoilTable],
    tops: FloatArray,
    *,
    temporary: bool,
) -> Iterable[SlipCase]:
    """States of a slope: the open dig; or what is built, and what is built emptied at once.

    The finish is faced with stone where it is steep, and what would slip within one riser of its
    shelves is held by that facing; a slip of what is built is therefore at least 0.35 of the
    height deep, so that the slope as a whole is judged. Of the open dig, which nothing faces, it
    is 0.1 deep: less than that is crumbs off the face.
    """
    table = on.plan.slopes
    along, ground = profile[:, 0], profile[:, 1]
    water = _ground_water(on, along, xy, ground)

    def section(pond: float | None, wet: FloatArray | None, afloat: float | None) -> SlopeSection:
        loads = heap_loads(on, profile, face)
        if temporary:
            loads += machine_load(on)
        else:
            loads += rock_loads(on, profile, xy, face, afloat, soils[0].bank_density)
        return slope_section(
            profile,
            [_slope_soil(soil) for soil in soils],
            tops=[np.column_stack([along, top]) for top in tops],
            water=wet,
            pond_m=pond,
            loads=loads,
            seismic=table.seismic,
            crack_m=table.crack,
            crack_water_m=table.crack_water,
        )

    if temporary:
        yield _case(_OPEN, section(None, water, None), soils, face, on, table.target_temporary)
        return
    pond = _pond(on, xy, ground)
    built = section(pond, water, pond)
    yield _case("as built", built, soils, face, on, table.target_permanent)
    if pond is not None and table.leaking:
        level = np.minimum(np.maximum(pond, -np.inf if water is None else water[:, 1]), ground)
        full = section(pond, np.column_stack([along, level]), None)
        yield _case("emptied at once", drawn_down(full), soils, face, on, table.target_drawdown)


def _case(
    name: str,
    section: SlopeSection,
    soils: list[SoilTable],
    face: Face,
    on: SlopeGround,
    target: float,
) -> SlipCase:
    table = on.plan.slopes
    ranges = [_range(soil, own) for soil, own in zip(soils, section.soils, strict=True)]
    factors = factor_range(
        section,
        ranges,
        target=target,
        least_depth_m=(_SHALLOW if name == _OPEN else _OVERALL) * face.height,
        samples=table.samples,
        seed=table.seed,
    )
    methods: dict[str, float] = {}
    circle = factors.likely.circle
    slices = None if circle is None else slices_of_circle(section, circle, _SLICES)
    if circle is not None and slices is not None:
        solved = spencer(slices, near=factors.likely.factor)
        methods = {
            "ordinary": ordinary(slices, circle),
            "Bishop": bishop(slices, circle),
            "Janbu": janbu(slices),
            "Spencer": float("nan") if solved is None else solved.factor,
        }
    plane = worst_plane(section, face.height) if face.angle_deg > _STEEP_DEG else None
    samples = factors.factors
    if plane is not None:
        samples = np.minimum(samples, plane.factors(factors.strengths))
    return SlipCase(name, section, factors, methods, plane, samples)


def _quantile(factors: FloatArray, share: float) -> float:
    """A quantile of factors that may be infinite."""
    return float(np.sort(factors)[round(share * (len(factors) - 1))])


def _slope_soil(soil: SoilTable) -> SlopeSoil:
    cohesion, friction = soil.strength.ranges
    moist = soil.bank_density * GRAVITY
    wet = soil.strength.saturated_density
    return SlopeSoil(
        soil.name,
        cohesion[1],
        friction[1],
        moist,
        max(moist, 1.05 * moist if wet is None else wet * GRAVITY),
    )


def _range(soil: SoilTable, likely: SlopeSoil) -> SoilRange:
    cohesion, friction = soil.strength.ranges
    return SoilRange(
        likely,
        (cohesion[0], cohesion[1], cohesion[2]),
        (friction[0], friction[1], friction[2]),
    )


def _ground_water(
    on: SlopeGround, along: FloatArray, xy: FloatArray, ground: FloatArray
) -> FloatArray | None:
    table = on.plan.slopes
    if table.water_depth is not None:
        level = on.existing.elevation(xy) - table.water_depth
    elif table.water_level is not None:
        level = np.full(len(xy), table.water_level)
    else:
        return None
    return np.column_stack([along, np.minimum(np.nan_to_num(level, nan=-1e6), ground)])


def _pond(on: SlopeGround, xy: FloatArray, ground: FloatArray) -> float | None:
    """Level of the water that stands against a profile; None if it is dry."""
    at = on.composition
    row, column = at.lattice.nearest(xy)
    inside = (row >= 0) & (row < at.lattice.ny) & (column >= 0) & (column < at.lattice.nx)
    level = np.full(len(xy), np.nan)
    level[inside] = at.water[row[inside], column[inside]]
    lowest = int(np.argmin(ground))
    near = level[max(lowest - 2, 0) : lowest + 3]
    known = near[np.isfinite(near)]
    if not known.size or known.max() <= ground.min() + 0.05:
        return None
    return float(known.max())


def _near_heaps(on: SlopeGround, face: Face) -> list[Near]:
    edge = shapely.LineString(face.edge) if len(face.edge) > 1 else shapely.Point(face.edge[0])
    reach = max(3 * face.height, 3.0)
    away = [(heap.name, float(edge.distance(heap.toe))) for heap in on.heaps if heap.toe.area > 0]
    return [Near(name, distance) for name, distance in away if distance < reach]


def _above(
    on: SlopeGround, face: Face, near: Sequence[Near], own: Element | None, *, temporary: bool
) -> tuple[str, ...]:
    """Heaps and the machine, other elements behind the crest and, once built, rocks."""
    place, inward = origin_of(face), face.inward[face.worst]
    reach = max(2 * face.height, 1.5)
    said = [f"{one.name}, {on.unit.length(one.away_m, 1)} from the edge" for one in near]
    if not face.raised:
        behind = shapely.LineString([place - 0.3 * inward, place - reach * inward])
        said += [
            element.name
            for element in on.elements
            if element is not own and element.shapes and element.outline.intersects(behind)
        ]
    if not temporary:
        around = shapely.Point(place).buffer(reach)
        count = sum(
            int(shapely.intersects_xy(around, *group.centres[:, :2].T).sum())
            for group in on.stone_groups
        )
        said += [f"{count} rocks"] if count > 1 else ["1 rock"] if count else []
    return tuple(said)


def _below(on: SlopeGround, xy: FloatArray) -> tuple[str, ...]:
    point = shapely.Point(xy)
    return tuple(
        element.name for element in on.elements if element.shapes and element.outline.covers(point)
    )


def _veneers(on: SlopeGround, faces: Sequence[SlopeFace]) -> Iterable[Veneer]:
    """Gravel over the liner of each bank, on the steepest long piece that is no wall."""
    friction = on.plan.slopes.interface_friction
    for face in faces:
        element = next((e for e in on.elements if e.name == face.element), None)
        dug = None if element is None else element.excavation
        slope = _bank(face)
        if face.temporary or element is None or dug is None or dug.cover <= 0 or slope <= 0:
            continue
        soil = _slope_soil(_soil(on.plan, face.soils[0]))
        low, likely, high = (
            infinite_slope(
                slope,
                dug.cover,
                soil,
                interface=SlopeSoil("liner", 0.0, angle, soil.moist_n_m3, soil.saturated_n_m3),
            )
            for angle in friction
        )
        angle = float(np.degrees(np.arctan(slope)))
        yield Veneer(face.element, face.name, angle, low, likely, high)


def _bank(face: SlopeFace) -> float:
    """Rise over run of the steepest long piece inside the edge that is no wall; 0 if none is."""
    run, rise = np.diff(face.profile, axis=0).T
    slope = np.abs(rise) / run
    bank = (run >= _BANK_M) & (face.profile[:-1, 0] >= 0) & (slope < np.tan(np.radians(_WALL_DEG)))
    return float(np.max(slope, where=bank, initial=0.0))
