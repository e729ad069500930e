"""Whether the faces of a site stand: found, held against rules, and analysed for slips."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design import Composition, Element, Plan, StoneGroup
from terrain.design.soil_tables import SoilTable
from terrain.earthwork.strata import Top, lay_strata
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
    worst_wedge,
)
from terrain.stability.faces import Face, find_faces, profile_of
from terrain.stability.ranges import FactorRange, SoilRange, factor_range
from terrain.stability.rule_sets import RuleSet, rule_set
from terrain.stability.verdicts import Breach, Near, breaches, governing_class
from terrain.surface import Surface

GRAVITY = 9.80665
MOST_FACES = 60  # analysed for slips, the worst first
_STEEP_DEG = 60.0  # from which a plane through the toe is tried too
_STRIP_M = 0.25  # of a heap, as a load
_BESIDE_M = 0.75  # from the section, within which a rock loads it
_CHANCE = 0.05  # of a factor under 1 that is borne
_OPEN = "open dig"
_SHALLOW, _OVERALL = 0.1, 0.35  # of the height: steps of the finish are faced with stone
_SLICES = 30  # as in the search
_STRUCTURES = ("vault",)  # whose finished sides are no soil


@dataclass(frozen=True)
class LyingHeap:
    """A heap: its name, its thickness at places (m), its toe, and its density (kg/m³)."""

    name: str
    thickness: Callable[[FloatArray], FloatArray]
    toe: shapely.Geometry
    density: float


@dataclass(frozen=True)
class SlopeGround:
    """What slopes are measured on.

    Attributes
    ----------
    plan, folder
        The plan, and where it lies.
    elements
        As built, local m.
    existing, dig, finish
        Surfaces.
    composition
        The same at nodes.
    heaps, stone_groups
        What loads the ground.
    tops
        Tops of the strata below the first.
    origin
        True coordinates less local ones, shape (2,), m.
    """

    plan: Plan
    folder: Path
    elements: tuple[Element, ...]
    existing: Surface
    dig: Surface
    finish: Surface
    composition: Composition
    heaps: tuple[LyingHeap, ...]
    stone_groups: tuple[StoneGroup, ...]
    tops: tuple[Top, ...]
    origin: FloatArray


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
    wedge
        Factor of the worst plane through the toe of a steep face; infinite where none was tried.
    """

    name: str
    section: SlopeSection
    factors: FactorRange
    methods: dict[str, float]
    wedge: float

    @property
    def factor(self) -> float:
        """The likely factor: of the worst circle, or of the worst plane if that is less."""
        return min(self.factors.likely.factor, self.wedge)

    @property
    def method(self) -> str:
        """By which of the two."""
        return "plane wedge" if self.wedge < self.factors.likely.factor else "Bishop"

    @property
    def passed(self) -> bool:
        """The likely factor reaches the target, and a factor under 1 is improbable."""
        return (
            self.factor >= self.factors.target and self.factors.chance_below_one <= _CHANCE
        )


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

    @property
    def temporary(self) -> bool:
        """It is there only while the dig is open."""
        return self.name.startswith("D")

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
        Of the bank, where it is not a wall.
    factor_low, factor, factor_high
        `tan δ / tan β` over the range of the friction on the liner.
    """

    element: str
    face: str
    slope_deg: float
    factor_low: float
    factor: float
    factor_high: float


@dataclass(frozen=True)
class Slopes:
    """All faces of a site, the worst first, by the rules that the plan names."""

    rules: RuleSet
    faces: tuple[SlopeFace, ...]
    veneers: tuple[Veneer, ...]
    target: float
    untested: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Every face stands and keeps the rules, and no layer slides."""
        return all(face.passed for face in self.faces) and all(
            veneer.factor >= 1.0 for veneer in self.veneers
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
        on.plan.slopes.target_temporary,
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
    owner = at.owner if letter == "D" else at.finish_owner
    boxes = [letter == "F" and element.kind in _STRUCTURES for element in on.elements]
    boxed = np.isin(owner, np.flatnonzero(boxes))
    faces = find_faces(
        surface.elevation, np.where(boxed, 0.0, change), owner, at.lattice, raised=raised
    )
    return [
        _face(on, rules, f"{letter}{number}", surface, face, analysed=number <= MOST_FACES)
        for number, face in enumerate(faces, start=1)
    ]


def _face(
    on: SlopeGround, rules: RuleSet, name: str, surface: Surface, face: Face, *, analysed: bool
) -> SlopeFace:
    element = _element(on, face)
    table = None if element is None else on.plan.element[on.elements.index(element)]
    place, inward = face.edge[face.worst], face.inward[face.worst]
    profile = _profile(surface, face, place, inward)
    soils = [] if table is None or table.soil is None else [_soil(on.plan, table.soil)]
    xy = place + profile[:, :1] * inward
    tops = np.empty((0, len(profile)))
    if not soils:
        soils, tops = _strata(on, xy, profile[:, 1], face.height)
    classes = [soil.strength.soil_class for soil in soils]
    heaps = _near_heaps(on, face)
    temporary = name.startswith("D")
    machine = on.plan.slopes.machine
    near = [*heaps, *([Near("the machine", machine.away)] if temporary and machine else [])]
    cases: tuple[SlipCase, ...] = ()
    if analysed and face.height >= on.plan.slopes.lowest:
        cases = tuple(_cases(on, face, profile, xy, soils, tops, temporary=temporary))
    governing = governing_class(rules, classes)
    return SlopeFace(
        name,
        "" if element is None else element.name,
        face,
        tuple(soil.name for soil in soils),
        governing,
        _above(on, face, near),
        _below(on, xy[int(np.argmin(profile[:, 1]))]),
        breaches(face, rules, governing, above=near) if temporary else (),
        cases,
        profile,
    )


def _element(on: SlopeGround, face: Face) -> Element | None:
    if face.row >= 0:
        return on.elements[face.row]
    point = shapely.Point(face.edge[face.worst] + 0.3 * face.inward[face.worst])
    shaped = [e for e in on.elements if e.shapes and e.outline.distance(point) < 1.5]
    return min(shaped, key=lambda e: e.outline.distance(point), default=None)


def _profile(surface: Surface, face: Face, place: FloatArray, inward: FloatArray) -> FloatArray:
    """The worst profile with room for slips behind the crest and before the toe."""
    height, run = face.height, float(face.run_m[face.worst])
    outside, inside = max(3 * height, 3.0), run + max(2 * height, 2.0)
    line = profile_of(
        surface.elevation, place, inward, back_m=outside, ahead_m=inside
    )
    far = line[:, 0] > run
    z = line[:, 1] if face.raised else -line[:, 1]
    beyond = far & (z < np.maximum.accumulate(np.where(line[:, 0] >= 0, z, -np.inf)) - 0.3)
    kept = line[: int(np.argmax(beyond))] if beyond.any() else line
    return _sparse(kept)


def _sparse(line: FloatArray) -> FloatArray:
    """The line without places that it runs straight through, within a millimetre."""
    simple = shapely.simplify(shapely.LineString(line), 1e-3)
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
    table = on.plan.slopes
    along, ground = profile[:, 0], profile[:, 1]
    loads = _loads(on, profile, xy, face, temporary=temporary)
    water = _ground_water(on, along, xy, ground)

    def section(pond: float | None, wet: FloatArray | None) -> SlopeSection:
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
        yield _case(_OPEN, section(None, water), soils, face, on, table.target_temporary)
        return
    pond = _pond(on, xy, ground)
    yield _case("as built", section(pond, water), soils, face, on, table.target_permanent)
    if pond is not None and table.leaking:
        level = np.minimum(np.maximum(pond, -np.inf if water is None else water[:, 1]), ground)
        full = section(pond, np.column_stack([along, level]))
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
    wedge = float("inf")
    if face.angle_deg > _STEEP_DEG:
        weakest = min(
            section.soils, key=lambda s: s.cohesion_pa + s.moist_n_m3 * face.height * s.tan_friction
        )
        wedge = worst_wedge(
            face.height, np.radians(min(face.angle_deg, 89.9)), weakest, seismic=table.seismic
        ).factor
    return SlipCase(name, section, factors, methods, wedge)


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
    column = np.round((xy[:, 0] - at.lattice.x0) / at.lattice.cell).astype(np.int64)
    row = np.round((xy[:, 1] - at.lattice.y0) / at.lattice.cell).astype(np.int64)
    inside = (row >= 0) & (row < at.lattice.ny) & (column >= 0) & (column < at.lattice.nx)
    level = np.full(len(xy), np.nan)
    level[inside] = at.water[row[inside], column[inside]]
    lowest = int(np.argmin(ground))
    near = level[max(lowest - 2, 0) : lowest + 3]
    known = near[np.isfinite(near)]
    if not known.size or known.max() <= ground.min() + 0.05:
        return None
    return float(known.max())


def _loads(
    on: SlopeGround, profile: FloatArray, xy: FloatArray, face: Face, *, temporary: bool
) -> list[tuple[float, float, float]]:
    """Strips along the profile: heaps, rocks, and the machine beside an open dig."""
    place, inward = xy[0] - profile[0, 0] * face.inward[face.worst], face.inward[face.worst]
    along = np.arange(profile[0, 0], profile[-1, 0], _STRIP_M)
    middle = place + (along + 0.5 * _STRIP_M)[:, None] * inward
    loads = [
        (float(s), float(s + _STRIP_M), float(thick * heap.density * GRAVITY))
        for heap in on.heaps
        for s, thick in zip(along, heap.thickness(middle), strict=True)
        if thick > 0.01
    ]
    machine = on.plan.slopes.machine
    if temporary:
        if machine is not None:
            loads.append((-machine.away - machine.width, -machine.away, machine.pressure))
        return loads
    across = np.array([-inward[1], inward[0]])
    for group in on.stone_groups:
        away = group.centres[:, :2] - place
        s, beside = away @ inward, np.abs(away @ across)
        long, wide = float(group.form.axes[0]), float(group.form.axes[1])
        pressure = group.form.mass_kg * GRAVITY / (long * wide)
        inside = (beside < 0.5 * wide + _BESIDE_M) & (s > profile[0, 0]) & (s < profile[-1, 0])
        loads += [(float(x - 0.5 * long), float(x + 0.5 * long), pressure) for x in s[inside]]
    return loads


def _near_heaps(on: SlopeGround, face: Face) -> list[Near]:
    edge = shapely.LineString(face.edge) if len(face.edge) > 1 else shapely.Point(face.edge[0])
    reach = max(3 * face.height, 3.0)
    away = [(heap.name, float(edge.distance(heap.toe))) for heap in on.heaps if heap.toe.area > 0]
    return [Near(name, distance) for name, distance in away if distance < reach]


def _above(on: SlopeGround, face: Face, near: Sequence[Near]) -> tuple[str, ...]:
    place = shapely.Point(face.edge[face.worst])
    behind = place.buffer(max(2 * face.height, 1.5))
    said = [f"{one.name}, {one.away_m:.1f} m from the edge" for one in near]
    count = sum(
        int(shapely.intersects_xy(behind, *group.centres[:, :2].T).sum())
        for group in on.stone_groups
    )
    if count:
        said.append(f"{count} rocks")
    return tuple(said)


def _below(on: SlopeGround, xy: FloatArray) -> tuple[str, ...]:
    point = shapely.Point(xy)
    return tuple(
        element.name for element in on.elements if element.shapes and element.outline.covers(point)
    )


def _veneers(on: SlopeGround, faces: Sequence[SlopeFace]) -> Iterable[Veneer]:
    """Gravel over the liner of each bank that is no wall."""
    friction = on.plan.slopes.interface_friction
    for face in faces:
        element = next((e for e in on.elements if e.name == face.element), None)
        dug = None if element is None else element.excavation
        if face.temporary or dug is None or dug.cover <= 0 or face.face.angle_deg > _STEEP_DEG:
            continue
        table = on.plan.element[on.elements.index(element)] if element else None
        soil = _slope_soil(_soil(on.plan, (table and table.soil) or on.plan.soil[0].name))
        low, likely, high = (
            infinite_slope(
                1.0 / face.face.slope,
                dug.cover,
                soil,
                interface=SlopeSoil("liner", 0.0, angle, soil.moist_n_m3, soil.saturated_n_m3),
            )
            for angle in friction
        )
        yield Veneer(face.element, face.name, face.face.angle_deg, low, likely, high)
