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
    Stone,
    build_elements,
    check_daylight,
    compose,
    compose_at,
    liner_sheets,
    read_plan,
    seat_stones,
)
from terrain.design.tables import SoilTable, SurveyTable
from terrain.earthwork import (
    CutFill,
    LiftPlan,
    Part,
    Soil,
    Uncertainty,
    displacement,
    draped_area,
    grid_volume,
    measure_elements,
    prism_volume,
    trapezoid_volume,
)
from terrain.earthwork.account import ElementAccount, RockVolumes, settle
from terrain.earthwork.methods import Methods, agreed
from terrain.earthwork.quadrature import Quadrature, quadrature, steep_cells
from terrain.earthwork.uncertainty import combine, survey_part
from terrain.errors import Place, PlanError, SurveyError, TerrainError
from terrain.haul import Haulage, SoilWork, Truck, balance, haulage
from terrain.surface import Difference, Grid, Lattice, Surface, Tin, build_tin, difference
from terrain.surface.ground import CloudGround, ground_from_cloud
from terrain.survey import Linework, OddHeight, Role, Spots, odd_heights, read_spots, sort_codes
from terrain.units import UNITS, Unit

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
    liner_m2
        Sheets of liner in 3D with their edge allowance.
    """

    accounts: tuple[ElementAccount, ...]
    methods: Methods
    excavation_pm: Uncertainty
    liner_m2: float

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
    def elements(self) -> tuple[Element, ...]:
        """What is to be built, in file order."""
        try:
            elements = build_elements(
                self.plan,
                existing=self.existing,
                strings=self.outline_strings,
                folder=self.folder,
                unit=self.unit,
                origin=self.origin,
            )
            check_daylight(elements, self.existing, unit=self.unit, origin=self.origin)
        except PlanError as error:
            if error.place.file is not None:
                raise
            raise PlanError(
                error.found,
                place=Place(self.path, key=error.place.key),
                expected=error.expected,
                mend=error.mend,
            ) from None
        return elements

    @cached_property
    def lattice(self) -> Lattice:
        """The computing grid over the whole survey, no finer than a million nodes."""
        bounds = self.existing.footprint.bounds
        area = (bounds[2] - bounds[0]) * (bounds[3] - bounds[1])
        return Lattice.covering(bounds, cell=max(self.plan.site.cell, math.sqrt(area / MOST_NODES)))

    @cached_property
    def composition(self) -> Composition:
        """The surfaces at the nodes of the lattice."""
        return compose(self.lattice, self.elements, self.existing.on_lattice(self.lattice))

    @cached_property
    def stones(self) -> tuple[Stone, ...]:
        """Every rock where it sits."""
        return seat_stones(self.elements, self.existing)

    @cached_property
    def sheets(self) -> tuple[LinerSheet, ...]:
        """Pieces of liner."""
        return liner_sheets(self.elements)

    def surface(self, name: str) -> Surface:
        """The existing ground, or a composed surface (`dig`, `subgrade`, `finish`) by name."""
        if name == "existing":
            return self.existing
        return DesignSurface(name, self.elements, self.existing)

    @cached_property
    def _quadrature(self) -> Quadrature:
        at = self.composition
        surfaces = (at.existing, at.dig, at.subgrade, at.bed, at.finish)
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
            settle(quantities, self._rock(element))
            for quantities, element in zip(measured, self.elements, strict=True)
        )
        methods = agreed(self._methods(accounts))
        dug_area = sum(quantities.dig_area_m2 for quantities in measured)
        parts = [
            survey_part(self.ground_points, float(self.existing.footprint.area), dug_area),
            Part("spread of the three methods", methods.cut_spread_m3),
        ]
        liner = sum(
            draped_area(self.surface("subgrade"), sheet.outline, sheet.level, sheet.walls)
            + sheet.allowance_m * sheet.outline.exterior.length
            for sheet in self.sheets
        )
        return Volumes(accounts, methods, combine(parts), liner)

    def _rock(self, element: Element) -> RockVolumes:
        stones = [stone for stone in self.stones if stone.element == element.name]
        if not stones:
            return RockVolumes(0.0, 0.0, 0.0, 0.0)
        level = math.nan if element.water_level_m is None else element.water_level_m
        moved = displacement(
            np.array([stone.centre[2] for stone in stones]),
            np.array([stone.axes for stone in stones]),
            np.array([stone.embedded for stone in stones]),
            np.full(len(stones), level),
        )
        density = np.array([stone.density for stone in stones])
        return RockVolumes(
            float(moved.whole.sum()),
            float(moved.soil.sum()),
            float(moved.water.sum()),
            float((moved.whole * density).sum()),
        )

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
        doubt = self.volumes.excavation_pm.pm_m3 / max(self.volumes.excavation_bank_m3, 1e-9)
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
