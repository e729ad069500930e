"""A site folder, opened once: each surface and result is made when it is first asked for."""

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from terrain.arrays import FloatArray, IntArray
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
from terrain.design.checks import Finding
from terrain.design.compose import Laid, lay, relay
from terrain.design.tables import SoilTable, SurveyTable
from terrain.earthwork import (
    CutFill,
    LiftPlan,
    Part,
    Soil,
    Uncertainty,
    grid_volume,
    measure_elements,
    prism_volume,
    trapezoid_volume,
)
from terrain.earthwork.account import ElementAccount, RockVolumes, settle
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
from terrain.earthwork.uncertainty import combine, survey_part
from terrain.errors import Place, PlanError, SurveyError, TerrainError
from terrain.haul import Haulage, SoilWork, Truck, balance, haulage
from terrain.standing import Water, Wetted, measure_water
from terrain.surface import Difference, Grid, Lattice, Surface, Tin, build_tin, difference
from terrain.surface.ground import CloudGround, ground_from_cloud
from terrain.surface.hollows import Flooded, flood
from terrain.survey import Linework, OddHeight, Role, Spots, odd_heights, read_spots, sort_codes
from terrain.units import UNITS, Unit
from terrain.verdict import check_site

_MEASURED = (
    "origin",
    "_cloud_ground",
    "spot_surveys",
    "outline_strings",
    "existing",
    "ground_points",
    "lattice",
)
CLOUD_SUFFIXES = {".las", ".laz"}
MOST_NODES = 1_000_000


@dataclass(frozen=True)
class SpotSurvey:
    """Spot heights in local coordinates, what their codes say, and which heights look odd."""

    table: SurveyTable
    spots: Spots
    linework: Linework
    odd: tuple[OddHeight, ...]
    ground: IntArray


@dataclass(frozen=True)
class CheckSurvey:
    """A survey that does not make the ground, held against the one that does."""

    table: SurveyTable
    places: int
    against_ground: Difference
    cloud: CloudGround | None


@dataclass(frozen=True)
class Volumes:
    """Everything measured between the surfaces of a site.

    Attributes
    ----------
    accounts
        One an element, in file order.
    methods
        Cut (existing to dig) and fill (existing up to subgrade) of the whole site, three ways.
    excavation_pm
        The ± of the excavation.
    linings
        One a sheet of liner.
    """

    accounts: tuple[ElementAccount, ...]
    methods: Methods
    excavation_pm: Uncertainty
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
        return site

    def _in_plan(self, error: PlanError) -> PlanError:
        """The same error with the plan file named, unless another file is at fault."""
        place = Place(error.place.file or self.path, error.place.line, error.place.key)
        return PlanError(error.found, place=place, expected=error.expected, mend=error.mend)

    @cached_property
    def origin(self) -> FloatArray:
        """What local coordinates are counted from, shape (2,), m."""
        if self.plan.site.origin is not None:
            return np.array(self.plan.site.origin)
        table = self.plan.ground_survey
        if _is_cloud(table):
            corner = np.array(self._cloud_ground[0].grid.lattice.bounds[:2])
        else:
            corner = self._true_spots(table).xyz[:, :2].min(axis=0)
        return np.asarray(np.floor(corner), dtype=np.float64)

    def _true_spots(self, table: SurveyTable) -> Spots:
        return read_spots(self.folder / table.file, unit=self.unit, columns=table.columns)

    @cached_property
    def _cloud_ground(self) -> tuple[CloudGround, ...]:
        """Ground of the survey that makes the existing ground, if it is a cloud; true place."""
        table = self.plan.ground_survey
        if not _is_cloud(table):
            return ()
        return (ground_from_cloud(self.folder / table.file, unit=self.unit, cell=table.cell),)

    @cached_property
    def spot_surveys(self) -> Mapping[str, SpotSurvey]:
        """Every survey of spot heights, by name."""
        return {
            table.name: self._spot_survey(table)
            for table in self.plan.survey
            if not _is_cloud(table)
        }

    def _spot_survey(self, table: SurveyTable) -> SpotSurvey:
        spots = self._true_spots(table)
        local = spots.xyz - np.append(self.origin, 0.0)
        spots = Spots(local, spots.name, spots.code, spots.line, spots.source)
        linework = sort_codes(spots, {c: Role(role) for c, role in self.plan.codes.items()})
        odd = odd_heights(spots, linework.ground)
        ground = linework.ground.copy()
        if table.odd_heights == "leave_out":
            ground[[height.row for height in odd]] = False
        return SpotSurvey(table, spots, linework, odd, np.flatnonzero(ground).astype(np.int64))

    @cached_property
    def ground_points(self) -> FloatArray:
        """The shots that carry the existing ground, shape (n, 3), local m."""
        table = self.plan.ground_survey
        if _is_cloud(table):
            lattice, z = self.existing_grid.lattice, self.existing_grid.z.ravel()
            known = np.isfinite(z)
            return np.column_stack([lattice.nodes[known], z[known]])
        survey = self.spot_surveys[table.name]
        points: FloatArray = survey.spots.xyz[survey.ground]
        return points

    @cached_property
    def existing_grid(self) -> Grid:
        """The ground of a cloud at its own cell, local."""
        (ground,) = self._cloud_ground
        lattice = ground.grid.lattice
        x0, y0 = (lattice.x0 - self.origin[0], lattice.y0 - self.origin[1])
        return Grid(Lattice(x0, y0, lattice.cell, lattice.nx, lattice.ny), ground.grid.z)

    @cached_property
    def existing(self) -> Tin | Grid:
        """The ground as surveyed."""
        table = self.plan.ground_survey
        if _is_cloud(table):
            return self.existing_grid
        survey = self.spot_surveys[table.name]
        kept = np.full(len(survey.spots.xyz), -1)
        kept[survey.ground] = np.arange(len(survey.ground))
        lines = [kept[line.rows] for line in survey.linework.breaklines]
        try:
            return build_tin(
                survey.spots.xyz[survey.ground],
                breaklines=[line[line >= 0] for line in lines],
                longest_border_m=table.longest_border,
            )
        except TerrainError as error:
            raise SurveyError(
                error.found,
                place=Place(survey.spots.source),
                expected=error.expected,
                mend=error.mend,
            ) from None

    @cached_property
    def check_surveys(self) -> tuple[CheckSurvey, ...]:
        """The other surveys against the existing ground."""
        checks = []
        for table in self.plan.survey:
            if table is self.plan.ground_survey:
                continue
            if _is_cloud(table):
                cloud = ground_from_cloud(self.folder / table.file, unit=self.unit, cell=table.cell)
                lattice = cloud.grid.lattice
                known = np.isfinite(cloud.grid.z.ravel())
                xy, z = lattice.nodes[known] - self.origin, cloud.grid.z.ravel()[known]
                places = cloud.n_points
            else:
                survey = self.spot_surveys[table.name]
                cloud, xyz = None, survey.spots.xyz[survey.ground]
                xy, z, places = xyz[:, :2], xyz[:, 2], len(xyz)
            against = difference(z, self.existing, xy)
            checks.append(CheckSurvey(table, places, against, cloud))
        return tuple(checks)

    @cached_property
    def outline_strings(self) -> Mapping[str, FloatArray]:
        """Closed outlines shot in any survey, by full code, local m."""
        return {
            line.code: survey.spots.xyz[line.rows]
            for survey in self.spot_surveys.values()
            for line in survey.linework.outlines
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
                for element, account in zip(self.elements, self.volumes.accounts, strict=True)
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
        measured = measure_elements(
            self._asked,
            self._quadrature.weight,
            [_lift_plan(element) for element in self.elements],
            [
                math.nan if element.water_level_m is None else element.water_level_m
                for element in self.elements
            ],
        )
        accounts = tuple(
            settle(quantities, self._rock(element), element.pipe_m3)
            for quantities, element in zip(measured, self.elements, strict=True)
        )
        methods = agreed(self._methods(accounts))
        dug_area = sum(quantities.dig_area_m2 for quantities in measured)
        parts = [
            survey_part(self.ground_points, float(self.existing.footprint.area), dug_area),
            Part("spread of the three methods", methods.cut_spread_m3),
        ]
        return Volumes(accounts, methods, combine(parts), self.linings)

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

    def _methods(self, accounts: tuple[ElementAccount, ...]) -> Methods:
        lattice = self._work_lattice
        existing, dig, subgrade = (self.surface(n) for n in ("existing", "dig", "subgrade"))
        measured = []
        for method in (grid_volume, prism_volume):
            cut, fill = method(existing, dig, lattice), method(existing, subgrade, lattice)
            measured.append(CutFill(cut.cut_m3, fill.fill_m3, cut.bound_m3 + fill.bound_m3))
        by_grid, by_prism = measured
        xmin, ymin, xmax, ymax = lattice.bounds
        middle = (ymin + ymax) / 2
        options = {
            "spacing": max(4 * lattice.cell, (xmax - xmin) / 400),
            "half_width": (ymax - ymin) / 2,
            "offset_step": 2 * lattice.cell,
        }
        baseline = np.array([[xmin, middle], [xmax, middle]])
        cut_sections = trapezoid_volume(existing, dig, baseline, **options)
        fill_sections = trapezoid_volume(existing, subgrade, baseline, **options)
        refined = CutFill(
            sum(account.quantities.excavation_bank_m3 for account in accounts),
            sum(account.quantities.fill_compacted_m3 for account in accounts),
            by_grid.bound_m3,
        )
        by_sections = CutFill(
            cut_sections.cut_m3,
            fill_sections.fill_m3,
            cut_sections.bound_m3 + fill_sections.bound_m3,
        )
        return Methods(refined, by_sections, by_prism)

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
    def haul(self) -> Haulage:
        """The soil balance and the loads, with the range that the factors' ranges give."""
        truck = Truck(self.plan.truck.volume, self.plan.truck.payload)
        dug, pm = self.volumes.excavation_bank_m3, self.volumes.excavation_pm.pm_m3
        doubt = pm / dug if dug > 0 and math.isfinite(pm) else 0.0
        likely = balance(self._soil_works(1, 1, 1.0), truck)
        others = [
            balance(self._soil_works(swell, shrink, scale), truck)
            for swell, shrink, scale in itertools.product((0, 2), (0, 2), (1 - doubt, 1 + doubt))
        ]
        return haulage(likely, others)

    def _soil_works(self, swell: int, shrink: int, scale: float) -> list[SoilWork]:
        """Work by soil, with factors picked from their ranges (0 low, 1 likely, 2 high)."""
        works = []
        for table in self.plan.soil:
            mine = [
                account
                for account, element in zip(self.volumes.accounts, self.elements, strict=True)
                if (element.soil or self.plan.soil[0].name) == table.name
            ]
            works.append(
                SoilWork(
                    _soil(table, swell, shrink),
                    scale * sum(a.quantities.excavation_bank_m3 for a in mine),
                    sum(a.backfill_compacted_m3 + a.quantities.fill_compacted_m3 for a in mine),
                )
            )
        return works


def _soil(table: SoilTable, swell: int, shrink: int) -> Soil:
    return Soil(table.name, table.swell[swell], table.shrink[shrink], table.bank_density)


def _is_cloud(table: SurveyTable) -> bool:
    return Path(table.file).suffix.lower() in CLOUD_SUFFIXES


def _lift_plan(element: Element) -> LiftPlan | None:
    excavation = element.excavation
    if excavation is None or not excavation.lifts:
        return None
    return LiftPlan(
        tuple(lift.name for lift in excavation.lifts),
        excavation.lift_tops,
        np.array([lift.voids for lift in excavation.lifts]),
    )
