"""A site folder, opened once: each surface and result is made when it is first asked for."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.booking import (
    Booking,
    book,
    likely_soils,
    outfit_of,
    soil_ranges,
    truck_of,
)
from terrain.design import (
    Composed,
    Composition,
    DesignSurface,
    Element,
    LinerSheet,
    Plan,
    Setting,
    Stone,
    StoneGroup,
    build_elements,
    check_daylight,
    compose_at,
    liner_sheets,
    read_plan,
    seat_groups,
    single_stones,
)
from terrain.design.baseline import baseline_corners
from terrain.design.checks import Finding
from terrain.design.compose import Laid, lay, relay
from terrain.design.survey_tables import SurveyTable
from terrain.design.zones import build_zones
from terrain.earthwork import (
    CutFill,
    LiftPlan,
    TrapezoidVolume,
    Uncertainty,
    grid_volume,
    measure_elements,
    prism_volume,
    trapezoid_volume,
)
from terrain.earthwork.account import ElementAccount, RockVolumes, settle
from terrain.earthwork.baselines import Arc, arc_through
from terrain.earthwork.displacement import (
    Seated,
    displaced_pores,
    displacement,
    ellipsoid_share,
)
from terrain.earthwork.liner import Hollow
from terrain.earthwork.lining import Lining, Roll, line_hollow
from terrain.earthwork.methods import Methods, agreed
from terrain.earthwork.quadrature import Quadrature, quadrature, steep_cells
from terrain.earthwork.rolls import rolls_needed
from terrain.earthwork.stationing import Station, list_stations
from terrain.errors import Place, PlanError
from terrain.haul import Balance, Haulage, balance, haulage
from terrain.haul.carrying import Carry
from terrain.haul.draws import Draw, draw
from terrain.heaping import HeapGround, Heaps, Offered, heap_room, lay_heaps
from terrain.measured import (
    CheckSurvey,
    Frame,
    Ground,
    Measured,
    Reading,
    SpotSurvey,
    doubt_of,
    doubt_of_all,
    ground_of_all,
    held_against,
    make_ground,
    may_hold_shots,
    points_of_all,
    read_survey,
    sort_shots,
    suspicions,
)
from terrain.moving import Movable, Moves, plan_moves
from terrain.plus_minus import (
    backfill_uncertainty,
    dug_by_element,
    excavation_uncertainty,
    fill_uncertainty,
)
from terrain.progress import Digsite, Progress, measure_progress
from terrain.slope_loads import LyingHeap, SlopeGround
from terrain.slopes import Slopes, measure_slopes
from terrain.spoil import BAND_M, Diggings, Spoil, measure_spoil, stratum_top
from terrain.stakes import Pegging, StakeGround, Stakes, dig_tin, set_out
from terrain.standing import Water, Wetted, measure_water
from terrain.surface import Lattice, Surface
from terrain.surface.coverage import RegionCoverage, Suggestion, coverage, more_shots
from terrain.surface.doubt import Doubt, TinDoubt
from terrain.surface.extremes import Higher
from terrain.surface.following import Followed
from terrain.surface.hollows import Flooded, flood
from terrain.survey import Role, Spots
from terrain.survey.suspicion import Suspicion
from terrain.units import UNITS, Unit
from terrain.verdict import check_site

_MEASURED = (
    "origin",
    "_readings",
    "spot_surveys",
    "outline_strings",
    "grounds",
    "existing",
    "ground_points",
    "lattice",
)
_SURFACES = (
    *("elements", "laid", "stone_groups", "sheets", "flooded"),
    *("_quadrature", "_asked", "accounts"),
)
_MACHINES = frozenset(
    {"truck", "excavator", "loader", "dumper", "checks", "pump", "loads_sent", "control_point"}
    | {"slopes", "sections", "dig_accuracy"}
)
_SOILS_AND_WORK = frozenset({"soil", "stratum", "zone", "work", "tip"})
_KEPT_WITHOUT = {
    _SURFACES: _MACHINES | _SOILS_AND_WORK | {"liner"},
    ("linings",): _MACHINES | _SOILS_AND_WORK,
    ("spoil", "heap_room", "moves"): _MACHINES | {"liner"},
}  # what a revision keeps, by the tables of a plan that it does not depend on
MOST_NODES = 1_000_000
METHOD_TOLERANCE, LEAST_TOLERANCE_M3 = 2e-3, 1e-3
MOST_STATIONS = 5_000


@dataclass(frozen=True)
class Volumes:
    """Everything measured between the surfaces of a site.

    Attributes
    ----------
    accounts
        One an element, in file order.
    methods
        Cut (existing to dig) and fill (existing up to subgrade) of the whole site, three ways.
    excavation_pm, backfill_pm, fill_pm
        The ± of the excavation, of the backfill and of the fill.
    linings
        One a sheet of liner.
    """

    accounts: tuple[ElementAccount, ...]
    methods: Methods
    excavation_pm: Uncertainty
    backfill_pm: Uncertainty
    fill_pm: Uncertainty
    linings: tuple[Lining, ...]

    @property
    def liner_m2(self) -> float:
        """Sheets of liner in 3D with their edge allowance."""
        return sum(lining.need_m2 for lining in self.linings)

    @property
    def liner_rolls(self) -> int:
        """Rolls that hold every length of every sheet."""
        lengths = [length for lining in self.linings for length in lining.lengths_m]
        return rolls_needed(lengths, self.linings[0].roll.length) if lengths else 0

    @property
    def excavation_bank_m3(self) -> float:
        """Existing down to dig, m³ in place."""
        return sum(account.quantities.excavation_bank_m3 for account in self.accounts)

    @property
    def backfill_compacted_m3(self) -> float:
        """Soil put back behind rock, m³ placed."""
        return sum(account.backfill_compacted_m3 for account in self.accounts)

    @property
    def fill_compacted_m3(self) -> float:
        """Rims, mounds and beds above the existing ground, m³ placed."""
        return sum(account.quantities.fill_compacted_m3 for account in self.accounts)

    @property
    def water_m3(self) -> float:
        """Water that fills every element, m³."""
        return sum(account.water_m3 for account in self.accounts)


class Site:
    """A site folder: its plan, surveys, surfaces and answers.

    Coordinates are local: true coordinates (m) less `origin`.
    """

    def __init__(self, plan: Plan, path: Path) -> None:
        self.plan = plan
        self.path = path
        self.folder = path.parent
        self.name = plan.site.name
        self.unit: Unit = UNITS[plan.site.unit]
        self._before: Site | None = None

    @classmethod
    def open(cls, path: Path, *, leave_out_odd: bool = False) -> "Site":
        """Open a site folder or its `site.toml`.

        Parameters
        ----------
        path
            The folder or the file.
        leave_out_odd
            Leave out odd heights of every survey, whatever the plan says.

        Raises
        ------
        PlanError
            See `terrain.design.read_plan`.
        """
        file = path / "site.toml" if path.is_dir() else path
        plan = read_plan(file)
        if leave_out_odd:
            tables = tuple(t.model_copy(update={"odd_heights": "leave_out"}) for t in plan.survey)
            plan = plan.model_copy(update={"survey": tables})
        return cls(plan, file)

    def with_surveys(self, more: Sequence[SurveyTable]) -> "Site":
        """The same site, not yet read, with surveys besides those of its plan."""
        names = [table.name for table in (*self.plan.survey, *more)]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise PlanError(
                f"survey name {twice[0]!r} is used twice",
                place=Place(self.path),
                expected="one name for each survey",
                mend="rename the file, or leave out the one that the plan names already",
            )
        plan = self.plan.model_copy(update={"survey": (*self.plan.survey, *more)})
        return Site(plan, self.path)

    def revised(self, plan: Plan) -> "Site":
        """The same site under a changed plan; the ground, and elements that stay, are kept.

        Surveys are read again only if the plan says something else of them. The composition is
        redone only where a changed element reaches.
        """
        site = Site(plan, self.path)
        if (plan.site, plan.survey, plan.codes) == (
            self.plan.site,
            self.plan.survey,
            self.plan.codes,
        ):
            for name in _MEASURED:
                vars(site)[name] = getattr(self, name)
            site._before = self
            for names, beside in _KEPT_WITHOUT.items():
                if _alike_but_for(beside, plan, self.plan):
                    vars(site).update({k: vars(self)[k] for k in names if k in vars(self)})
        return site

    def _in_plan(self, error: PlanError) -> PlanError:
        """The same error with the plan file named, unless another file is at fault."""
        place = Place(error.place.file or self.path, error.place.line, error.place.key)
        return PlanError(error.found, place=place, expected=error.expected, mend=error.mend)

    @cached_property
    def _frame(self) -> Frame:
        roles = {code: Role(role) for code, role in self.plan.codes.items()}
        return Frame(self.folder, self.unit, roles, self.plan.site.crs)

    @cached_property
    def origin(self) -> FloatArray:
        """What local coordinates are counted from, shape (2,), m."""
        if self.plan.site.origin is not None:
            return np.array(self.plan.site.origin)
        first = self.plan.ground_surveys[0]
        return np.asarray(np.floor(self._true(first).south_west), dtype=np.float64)

    def _true(self, table: SurveyTable) -> Reading:
        """What the file of a survey holds, read once."""
        if table.name not in self._readings:
            self._readings[table.name] = read_survey(table, self._frame)
        return self._readings[table.name]

    @cached_property
    def _readings(self) -> dict[str, Reading]:
        return {}

    @property
    def readings(self) -> Mapping[str, Reading]:
        """What the file of every survey holds, in true coordinates on the site, by name."""
        return {table.name: self._true(table) for table in self.plan.survey}

    @cached_property
    def spot_surveys(self) -> Mapping[str, SpotSurvey]:
        """Every survey of spot heights, by name."""
        read = {
            table.name: self._true(table).local(self.origin)
            for table in self.plan.survey
            if may_hold_shots(table) and isinstance(self._true(table).heights, Spots)
        }
        return {
            name: sort_shots(
                reading,
                [other for other in read.values() if other.table.joins == name],
                self._frame.roles,
            )
            for name, reading in read.items()
            if reading.table.joins is None
        }

    @cached_property
    def grounds(self) -> tuple[Measured, ...]:
        """The surveys that make the existing ground, the best first."""
        return tuple(self._measured(table) for table in self.plan.ground_surveys)

    def _measured(self, table: SurveyTable) -> Measured:
        reading = self._true(table).local(self.origin)
        return make_ground(reading, self.spot_surveys.get(table.name))

    @cached_property
    def ground_points(self) -> FloatArray:
        """The heights that carry the existing ground, shape (n, 3), local m."""
        return points_of_all(self.grounds)

    @cached_property
    def existing(self) -> Ground:
        """The ground as surveyed."""
        return ground_of_all(self.grounds, self.plan.site.seam)

    @cached_property
    def doubt(self) -> Doubt:
        """How sure the existing ground is, at any place."""
        doubts = [
            doubt_of(ground, self.spot_surveys.get(ground.reading.table.name))
            for ground in self.grounds
        ]
        return doubt_of_all(self.existing, doubts)

    @cached_property
    def coverage(self) -> tuple[RegionCoverage, ...]:
        """How well the ground is measured under each element that is dug or raised."""
        regions = {element.name: element.outline for element in self.elements if element.shapes}
        limit = self.plan.checks.ground_pm
        return coverage(self.doubt, regions, shots=self.ground_points, limit_m=limit)

    def more_shots(self, element: str) -> Suggestion | None:
        """Where more shots would halve the ± of the ground under an element.

        None where the ground is not one survey of shots.
        """
        if not isinstance(self.doubt, TinDoubt):
            return None
        (outline,) = (each.outline for each in self.elements if each.name == element)
        return more_shots(self.doubt, outline)

    @cached_property
    def suspicions(self) -> Mapping[str, tuple[Suspicion, ...]]:
        """What may be wrong with the place of the surveys that make the ground, by name."""
        readings = [self._true(table) for table in self.plan.ground_surveys]
        return suspicions(readings, self.plan, self.unit)

    @cached_property
    def all_suspicions(self) -> Mapping[str, tuple[Suspicion, ...]]:
        """The same of every survey."""
        others = [table for table in self.plan.survey if table not in self.plan.ground_surveys]
        tables = [*self.plan.ground_surveys, *others]
        return suspicions([self._true(table) for table in tables], self.plan, self.unit)

    @cached_property
    def check_surveys(self) -> tuple[CheckSurvey, ...]:
        """The other surveys against the existing ground, but for those of what lies under it."""
        tops = {stratum.survey for stratum in self.plan.stratum}
        others = [
            table
            for table in self.plan.survey
            if table not in self.plan.ground_surveys
            and table.joins is None
            and table.as_dug is None
            and table.name not in tops
        ]
        return tuple(held_against(self._measured(table), self.existing) for table in others)

    @cached_property
    def outline_strings(self) -> Mapping[str, FloatArray]:
        """Closed outlines shot in any survey, by full code, local m."""
        return {
            line.code: survey.spots.xyz[line.rows]
            for survey in self.spot_surveys.values()
            if survey.table.as_dug is None
            for line in survey.used.outlines
        }

    @cached_property
    def _setting(self) -> Setting:
        return Setting(
            plan=self.plan,
            existing=self.existing,
            strings=self.outline_strings,
            folder=self.folder,
            unit=self.unit,
            origin=self.origin,
        )

    @cached_property
    def elements(self) -> tuple[Element, ...]:
        """What is to be built, in file order."""
        try:
            elements = self._kept(build_elements(self._setting))
            check_daylight(elements, self.existing, unit=self.unit, origin=self.origin)
        except PlanError as error:
            raise self._in_plan(error) from None
        return elements

    @cached_property
    def lattice(self) -> Lattice:
        """The computing grid over the whole survey, no finer than a million nodes."""
        bounds = self.existing.footprint.bounds
        area = (bounds[2] - bounds[0]) * (bounds[3] - bounds[1])
        return Lattice.covering(bounds, cell=max(self.plan.site.cell, math.sqrt(area / MOST_NODES)))

    def _kept(self, elements: tuple[Element, ...]) -> tuple[Element, ...]:
        """Elements as built, or the very objects from before the revision where nothing differs."""
        before = self._before
        if before is None or any(
            getattr(before.plan, key) != getattr(self.plan, key) for key in ("water", "over_dig")
        ):
            return elements
        known = {
            (element.name, table): element
            for element, table in zip(before.elements, before.plan.element, strict=True)
        }
        return tuple(
            known.get((element.name, table), element)
            for element, table in zip(elements, self.plan.element, strict=True)
        )

    @cached_property
    def laid(self) -> Laid:
        """What each element wants on the lattice, and what comes of it."""
        before = self._before
        if before is not None and before.lattice == self.lattice:
            return relay(before.laid, self.elements)
        return lay(self.lattice, self.elements, self.existing.on_lattice(self.lattice))

    @property
    def composition(self) -> Composition:
        """The surfaces at the nodes of the lattice."""
        return self.laid.composition

    @cached_property
    def stones(self) -> tuple[Stone, ...]:
        """Every rock where it sits."""
        return single_stones(self.stone_groups)

    @cached_property
    def stone_groups(self) -> tuple[StoneGroup, ...]:
        """The same rocks, as the plan's groups."""
        elements = self.elements
        try:
            return seat_groups(elements, self._setting)
        except PlanError as error:
            raise self._in_plan(error) from None

    @cached_property
    def sheets(self) -> tuple[LinerSheet, ...]:
        """Pieces of liner."""
        return liner_sheets(self.elements, self.existing)

    @cached_property
    def linings(self) -> tuple[Lining, ...]:
        """Liner and underlay of every sheet, and the strips to cut for it."""
        table = self.plan.liner
        roll = Roll(
            width=table.roll_width,
            length=table.roll_length,
            overlap=table.overlap,
            folds=table.folds,
            underlay_width=table.underlay_roll_width,
            underlay_sides=table.underlay_sides,
        )
        # a trench under a liner is closed before the liner is laid
        open_dug = tuple(element for element in self.elements if element.kind != "trench")
        soil = DesignSurface("subgrade", open_dug, self.existing)
        return tuple(
            line_hollow(
                Hollow(soil, sheet.outline, sheet.edge),
                sheet.walls,
                sheet.allowance_m,
                roll,
                elements=sheet.elements,
            )
            for sheet in self.sheets
        )

    def surface(self, name: str) -> Surface:
        """The existing ground, or a composed surface (`dig`, `subgrade`, `finish`) by name."""
        if name == "existing":
            return self.existing
        return DesignSurface(name, self.elements, self.existing)

    @cached_property
    def flooded(self) -> Flooded:
        """The finish filled with water until it runs over everywhere."""
        return flood(self.composition.grid("finish"))

    @cached_property
    def water(self) -> Water:
        """Bodies of water with their curves, closed lows, and the pump's drawdown."""
        wetted = Wetted(
            plan=self.plan,
            unit=self.unit,
            elements=self.elements,
            stone_groups=self.stone_groups,
            composition=self.composition,
            flooded=self.flooded,
            asked=self._asked,
            quadrature=self._quadrature,
        )
        try:
            return measure_water(wetted)
        except PlanError as error:
            raise self._in_plan(error) from None

    @cached_property
    def checks(self) -> tuple[Finding, ...]:
        """What the plan was checked for, passed or not."""
        return check_site(
            self.elements,
            self.composition,
            self.existing,
            self.plan.checks,
            {
                element.name: account.rock_too_much_m3
                for element, account in zip(self.elements, self.accounts, strict=True)
                if element.rock
            },
            self.water.drawdown,
            unit=self.unit,
        )

    @cached_property
    def _quadrature(self) -> Quadrature:
        at = self.composition
        surfaces = (at.existing, at.dig, at.subgrade, at.bed, at.stone, at.finish)
        refined = steep_cells(surfaces, self.lattice.cell)
        return quadrature(self.lattice, np.isfinite(at.existing), refined)

    @cached_property
    def _asked(self) -> Composed:
        """The surfaces at every place of the quadrature."""
        nodes = self.lattice.nodes[self._quadrature.nodes]
        return compose_at(
            np.concatenate([nodes, self._quadrature.xy]), self.elements, self.existing
        )

    @cached_property
    def volumes(self) -> Volumes:
        """Quantities by element, by three methods, with their ±.

        Raises
        ------
        MethodsDisagree
            Two methods differ by more than their own bounds.
        """
        methods = agreed(self.methods)
        dug = dug_by_element(self.elements, self.composition)
        return Volumes(
            self.accounts,
            methods,
            excavation_uncertainty(self.plan, self.doubt, dug, methods),
            backfill_uncertainty(self.plan, dug, methods),
            fill_uncertainty(self.plan, self.doubt, self.composition, methods),
            self.linings,
        )

    @cached_property
    def accounts(self) -> tuple[ElementAccount, ...]:
        """Quantities by element, in file order, by the refined grid alone."""
        measured = measure_elements(
            self._asked,
            self._quadrature.weight,
            [_lift_plan(element) for element in self.elements],
            [
                math.nan if element.water_level_m is None else element.water_level_m
                for element in self.elements
            ],
        )
        return tuple(
            settle(quantities, self._rock(element), element.pipe_m3)
            for quantities, element in zip(measured, self.elements, strict=True)
        )

    def _rock(self, element: Element) -> RockVolumes:
        lifts = _lift_plan(element)
        level = math.nan if element.water_level_m is None else element.water_level_m
        whole = soil = gravel = water = pores = mass = 0.0
        for group in self.stone_groups:
            if group.element != element.name:
                continue
            scan = group.form.scan
            share = ellipsoid_share if scan is None else scan.share_below
            rocks = Seated(group.underside, group.form.axes[2], group.form.volume_m3, share)
            moved = displacement(rocks, group.around)
            whole += float(moved.whole.sum())
            soil += float(moved.soil.sum())
            gravel += float(moved.gravel.sum())
            water += float(moved.water.sum())
            mass += len(rocks.underside) * group.form.mass_kg
            if lifts is not None:
                kept_out = displaced_pores(rocks, group.around, lifts.tops, lifts.voids, level)
                pores += float(kept_out.sum())
        return RockVolumes(whole, soil, water, mass, gravel, pores)

    @cached_property
    def methods(self) -> Methods:
        """Cut and fill three ways, whether or not they agree."""
        cut, fill = self.sections
        by_grid = self._cut_and_fill(grid_volume)
        by_prism = self._cut_and_fill(partial(prism_volume, tolerance_m3=self.tolerance_m3))
        refined = CutFill(
            sum(account.quantities.excavation_bank_m3 for account in self.accounts),
            sum(account.quantities.fill_compacted_m3 for account in self.accounts),
            by_grid.bound_m3,
        )
        by_sections = CutFill(cut.cut_m3, fill.fill_m3, cut.bound_m3 + fill.bound_m3)
        return Methods(refined, by_sections, by_prism)

    @cached_property
    def tolerance_m3(self) -> float:
        """Bound that a method has to reach: a few thousandths of all that is moved, m³."""
        rough = self._cut_and_fill(grid_volume)
        return max(METHOD_TOLERANCE * (rough.cut_m3 + rough.fill_m3), LEAST_TOLERANCE_M3)

    def _cut_and_fill(self, method: Callable[[Surface, Surface, Lattice], CutFill]) -> CutFill:
        """Existing down to dig and up to subgrade, by one method."""
        cut = method(self.existing, self.surface("dig"), self._work_lattice)
        fill = method(self.existing, self._raised, self._work_lattice)
        return CutFill(cut.cut_m3, fill.fill_m3, cut.bound_m3 + fill.bound_m3)

    @cached_property
    def sections(self) -> tuple[TrapezoidVolume, TrapezoidVolume]:
        """Sections of the dig and of the fill, along one baseline.

        Raises
        ------
        PlanError
            The plan's baseline cannot be found, or its stations are too many.
        """
        region = shapely.box(*self._work_lattice.bounds)
        spacing = self.plan.sections.spacing
        least = region.length / MOST_STATIONS
        if spacing is not None and spacing < least:
            found = PlanError(
                f"stations every {self.unit.length(spacing, 3)}",
                place=Place(key="sections.spacing"),
                expected=f"at least {self.unit.length(least, 3)} on a site of this size",
                mend="leave spacing out: stations are put in until the volume settles",
            )
            raise self._in_plan(found)
        dug = partial(
            trapezoid_volume, region=region, tolerance_m3=self.tolerance_m3, spacing=spacing
        )
        cut = dug(self.existing, self.surface("dig"), baseline=self._baseline)
        return cut, dug(self.existing, self._raised, baseline=cut.baseline)

    @cached_property
    def _baseline(self) -> FloatArray | Arc | None:
        """The plan's own baseline."""
        strings = dict(self.outline_strings)
        for survey in self.spot_surveys.values():
            for line in (*survey.used.breaklines, *survey.used.soft):
                strings[line.code] = survey.spots.xyz[line.rows]
        try:
            corners = baseline_corners(self.plan.sections, strings, self.origin)
        except PlanError as error:
            raise self._in_plan(error) from None
        if corners is None or not self.plan.sections.curved:
            return corners
        return arc_through(corners)

    @property
    def baseline_given(self) -> bool:
        """Whether the plan says along which line sections are taken."""
        return self._baseline is not None

    def stations(self, every_m: float) -> tuple[Station, ...]:
        """Sections of dig and fill at round stations, with the volume up to each."""
        surfaces = (self.existing, self.surface("dig"), self._raised)
        return list_stations(surfaces, self.sections, every_m)

    @property
    def _raised(self) -> Surface:
        """The ground with all that is placed on it."""
        return Higher(self.existing, self.surface("subgrade"))

    @cached_property
    def _work_lattice(self) -> Lattice:
        """The part of the lattice where anything changes, with a cell to spare."""
        at, cell = self.composition, self.lattice.cell
        changed = (at.dig < at.existing) | (at.subgrade != at.existing) & np.isfinite(at.existing)
        if not changed.any():
            return self.lattice
        rows, columns = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
        bounds = (
            self.lattice.x[columns[0]] - 2 * cell,
            self.lattice.y[rows[0]] - 2 * cell,
            self.lattice.x[columns[-1]] + 2 * cell,
            self.lattice.y[rows[-1]] + 2 * cell,
        )
        return Lattice.covering(bounds, cell=cell)

    @cached_property
    def spoil(self) -> Spoil:
        """What is dug, by element, stratum, depth band, zone and day."""
        return self.spoil_in_bands(BAND_M[self.unit.key])

    def spoil_in_bands(self, band_m: float) -> Spoil:
        """The same with depth bands of another height, m."""
        try:
            zones = build_zones(self._setting)
        except PlanError as error:
            raise self._in_plan(error) from None
        nodes = self.lattice.nodes[self._quadrature.nodes]
        diggings = Diggings(
            plan=self.plan,
            zones=zones,
            asked=self._asked,
            xy=np.concatenate([nodes, self._quadrature.xy]),
            weight=self._quadrature.weight,
            surface_of=self._surface_of_survey,
        )
        return measure_spoil(diggings, band_m)

    def _surface_of_survey(self, name: str) -> Surface:
        (table,) = (table for table in self.plan.survey if table.name == name)
        return self._measured(table).surface

    def progress(self, *, tolerance_m: float | None = None, loads: int | None = None) -> Progress:
        """How far the dig is at each survey made while digging; see `measure_progress`."""
        try:
            return measure_progress(self.digsite, tolerance_m=tolerance_m, loads=loads)
        except PlanError as error:
            raise self._in_plan(error) from None

    @property
    def digsite(self) -> Digsite:
        """What progress is measured on."""

        def measured(table: SurveyTable) -> tuple[Measured, Doubt]:
            ground = self._measured(table)
            return ground, doubt_of(ground, self.spot_surveys.get(table.name))

        return Digsite(
            plan=self.plan,
            elements=self.elements,
            composition=self.composition,
            existing=self.existing,
            doubt=self.doubt,
            balance=self.likely_balance,
            measured=measured,
        )

    @cached_property
    def slopes(self) -> Slopes:
        """Faces of the dig and of the finish, and whether they stand."""
        heaped = any(element.kind == "heap" for element in self.elements)
        loose = {soil.name: soil.loose_density for soil in likely_soils(self.plan)}
        heaps = tuple(
            LyingHeap(
                each.name,
                each.heap.surface.thickness,
                each.heap.toe,
                max((loose[soil] for soil in each.soils), default=0.0),
            )
            for each in (self.heaps.heaps if heaped else ())
            if each.heap.volume_loose_m3 > 0
        )
        tops = (stratum_top(one, self._surface_of_survey) for one in self.plan.stratum[1:])
        ground = SlopeGround(
            self.plan,
            self.folder,
            self.elements,
            self.existing,
            self.surface("dig"),
            self.surface("finish"),
            self.composition,
            heaps,
            self.stone_groups,
            tuple(tops),
            self.origin,
            self.unit,
        )
        try:
            return measure_slopes(ground)
        except PlanError as error:
            raise self._in_plan(error) from None

    @cached_property
    def moves(self) -> Moves:
        """Where each part of the spoil goes, and in which order the elements are dug for it."""
        movable = Movable(self.plan, self.elements, self.accounts, self.spoil, self.heap_room)
        try:
            return plan_moves(movable, likely_soils(self.plan))
        except PlanError as error:
            raise self._in_plan(error) from None

    @cached_property
    def likely_balance(self) -> Balance:
        """The soil balance and the loads at the soils' likely factors."""
        return balance(self.moves.works, truck_of(self.plan))

    @cached_property
    def haul(self) -> Haulage:
        """The soil balance and the loads, with the range that the factors' ranges give."""
        return haulage(self.likely_balance, [drawn for _, drawn in self._drawn])

    @cached_property
    def heaps(self) -> Heaps:
        """What is left over of the dig, laid into the plan's heaps."""
        strip = self.spoil.strip
        offered = [
            Offered(
                each.soil.name,
                each.surplus_loose_m3 + each.kept_loose_m3,
                kept_apart=strip is not None and strip.soil_name == each.soil.name,
            )
            for each in self.haul.likely.soils
        ]
        try:
            return lay_heaps(self.heap_ground, offered)
        except PlanError as error:
            raise self._in_plan(error) from None

    @cached_property
    def heap_room(self) -> Mapping[str, float]:
        """The most that each heap of the plan can hold, loose m³."""
        try:
            return heap_room(self.heap_ground)
        except PlanError as error:
            raise self._in_plan(error) from None

    @property
    def heap_ground(self) -> HeapGround:
        """What heaps are laid on."""
        return HeapGround(
            self.plan, self.elements, self.existing, self.composition, self.unit, self.origin
        )

    @cached_property
    def _drawn(self) -> tuple[tuple[Draw, Balance], ...]:
        """Ways that the balance may turn out, by the soils' ranges and the ± of the dig."""
        dug, pm = self.volumes.excavation_bank_m3, self.volumes.excavation_pm.pm_m3
        doubt = pm / dug if dug > 0 and math.isfinite(pm) else 0.0
        truck = truck_of(self.plan)
        drawn = draw(soil_ranges(self.plan), doubt, seed=self.plan.work.seed)
        varied = self.moves.varied(drawn)
        return tuple(
            (each, balance(works, truck)) for each, works in zip(drawn, varied, strict=True)
        )

    @cached_property
    def booking(self) -> Booking:
        """Machines, trucks, days and the tip's fee."""
        return self._booked(self._drawn)

    @cached_property
    def likely_days(self) -> float:
        """Days of work at the soils' likely factors; needs no draws."""
        fills = tuple(each.fill[1] for each in soil_ranges(self.plan))
        sure = Draw(tuple(likely_soils(self.plan)), fills, 1.0)
        return self._booked([(sure, self.likely_balance)]).days.likely

    def _booked(self, drawn: Sequence[tuple[Draw, Balance]]) -> Booking:
        depth = self.composition.existing - self.composition.dig
        dug = depth[depth > 0]
        outfit = outfit_of(self.plan, float(dug.mean()) if dug.size else 0.0)
        carries = [
            Carry(flow.loose_m3, flow.distance_m)
            for flow in self.moves.transport.flows
            if math.isfinite(flow.distance_m)
        ]
        return book(self.plan, outfit, self.likely_balance, drawn, carries)

    def stakes(self, pegging: Pegging) -> Stakes:
        """The points to set out, with what is dug at each."""
        try:
            return set_out(self._stake_ground, pegging)
        except PlanError as error:
            raise self._in_plan(error) from None

    def dig_tin(self, *, tolerance_m: float) -> Followed:
        """The dig and the ground around it as triangles within a vertical tolerance."""
        around = shapely.box(*self._work_lattice.bounds).buffer(1.0, join_style="mitre")
        region = around.intersection(self.existing.footprint.buffer(-0.001))
        probes = self.ground_points[:, :2]
        return dig_tin(self._stake_ground, region, probes, tolerance_m=tolerance_m)

    @property
    def _stake_ground(self) -> StakeGround:
        """What is set out."""
        return StakeGround(
            self.plan, self.elements, self.existing, self.spot_surveys, self.unit, self.origin
        )


def _alike_but_for(tables: frozenset[str], plan: Plan, other: Plan) -> bool:
    """Whether two plans differ in some tables at most."""
    relevant = type(plan).model_fields.keys() - tables
    return all(getattr(plan, key) == getattr(other, key) for key in relevant)


def _lift_plan(element: Element) -> LiftPlan | None:
    excavation = element.excavation
    if excavation is None or not excavation.lifts:
        return None
    return LiftPlan(
        tuple(lift.name for lift in excavation.lifts),
        excavation.lift_tops,
        np.array([lift.voids for lift in excavation.lifts]),
    )
