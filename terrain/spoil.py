"""What is dug out of a site, told apart by element, soil stratum, depth, zone and day."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.design import Composed, Plan
from terrain.design.soil_tables import SoilTable, StratumTable
from terrain.design.zones import Zone
from terrain.earthwork.breakdown import Axis, Breakdown, Columns, break_down
from terrain.earthwork.strata import AtDepth, AtLevel, AtSurvey, Top, lay_strata
from terrain.earthwork.zoning import share_out
from terrain.surface import Surface

BAND_M = {"m": 0.5, "ft": 0.6096, "us-ft": 2 * 1200 / 3937}  # 0.5 m or 2 ft, by the site's unit


@dataclass(frozen=True)
class Diggings:
    """What spoil is measured on.

    Attributes
    ----------
    plan
        Its strata, soils and days.
    zones
        Its zones.
    asked
        Surfaces at the places of a quadrature.
    xy, weight
        The places (local m), shape (n, 2), and their plan areas, shape (n,), m².
    surface_of
        The surface of a survey by its name.
    """

    plan: Plan
    zones: tuple[Zone, ...]
    asked: Composed
    xy: FloatArray
    weight: FloatArray
    surface_of: Callable[[str], Surface]


@dataclass(frozen=True)
class SoilPart:
    """What is dug in one stratum, or outside the strata in one soil, m³ in place.

    Attributes
    ----------
    stratum
        Its name; None where an element names its soil itself, or the plan has no strata.
    soil
        What it is made of.
    bank_m3
        Dug between the existing ground and the dig.
    under_fill_m3
        Stripped from under what is raised, besides.
    unsurveyed_m3
        Dug where the survey of the stratum's top does not reach; counted for the strata above it.
    """

    stratum: str | None
    soil: SoilTable
    bank_m3: float
    under_fill_m3: float
    unsurveyed_m3: float

    @property
    def loose_m3(self) -> float:
        """All of it in the bucket, at its likely swell."""
        return (self.bank_m3 + self.under_fill_m3) * (1 + self.soil.swell[1])

    @property
    def compacted_m3(self) -> float:
        """All of it, if it were placed, at its likely shrink."""
        return (self.bank_m3 + self.under_fill_m3) * (1 - self.soil.shrink[1])

    @property
    def mass_kg(self) -> float:
        """All of it."""
        return (self.bank_m3 + self.under_fill_m3) * self.soil.bank_density


@dataclass(frozen=True)
class Cell:
    """The smallest part: what one element digs in one soil, depth band and zone, m³ in place."""

    element: str
    stratum: str | None
    soil: str
    band: int
    zone: str | None
    day: int | None
    bank_m3: float
    under_fill_m3: float


@dataclass(frozen=True)
class Spoil:
    """The spoil of a site in parts.

    Attributes
    ----------
    dug
        Existing down to dig, by element, stratum, band and zone.
    stripped
        Under what is raised: the rest of the stripped stratum, between its bottom and the dig.
    stripped_m2
        Plan area over which it is stripped, dug or raised; 0 where no stratum is.
    under_fill_m2
        The part of that where something is raised.
    unsurveyed_m3
        By stratum, dug where the survey of its top does not reach, shape (s,), m³.
    """

    plan: Plan
    zones: tuple[Zone, ...]
    dug: Breakdown
    stripped: Breakdown
    stripped_m2: float
    under_fill_m2: float
    unsurveyed_m3: FloatArray

    @property
    def strip(self) -> StratumTable | None:
        """The stratum that is stripped."""
        return _stripped(self.plan)

    @property
    def stripped_m3(self) -> float:
        """What is taken of the stripped stratum, in the dig and under what is raised, m³."""
        if self.strip is None:
            return 0.0
        return float(self.dug.by(Axis.STRATUM)[0]) + self.stripped.whole_m3

    def bands(self) -> tuple[tuple[float, float, float], ...]:
        """Each depth band: from, to (m below the existing ground), and what is dug in it, m³."""
        step = self.dug.band_m
        return tuple(
            (row * step, (row + 1) * step, float(volume))
            for row, volume in enumerate(self.dug.by(Axis.BAND))
        )

    @cached_property
    def parts(self) -> tuple[SoilPart, ...]:
        """The spoil by stratum from above, then by soil what belongs to no stratum."""
        names: dict[tuple[str | None, str], float] = {
            (stratum.name, stratum.soil_name): float(missing)
            for stratum, missing in zip(self.plan.stratum, self.unsurveyed_m3, strict=True)
        }
        names |= {(cell.stratum, cell.soil): 0.0 for cell in self.cells if cell.stratum is None}
        soils = {soil.name: soil for soil in self.plan.soil}
        return tuple(
            SoilPart(
                stratum,
                soils[soil],
                sum(c.bank_m3 for c in self.cells if (c.stratum, c.soil) == (stratum, soil)),
                sum(c.under_fill_m3 for c in self.cells if (c.stratum, c.soil) == (stratum, soil)),
                missing,
            )
            for (stratum, soil), missing in names.items()
        )

    @cached_property
    def cells(self) -> tuple[Cell, ...]:
        """The parts that hold anything; they sum to the whole."""
        dug, stripped = self.dug.bank_m3, self.stripped.bank_m3
        bands = max(dug.shape[2], stripped.shape[2])
        both = np.zeros((2, *dug.shape[:2], bands, dug.shape[3]))
        both[0, :, :, : dug.shape[2]] = dug
        both[1, :, :, : stripped.shape[2]] = stripped
        zones = [*self.zones, None]
        return tuple(
            self._cell(element, stratum, band, zones[zone], both[:, element, stratum, band, zone])
            for element, stratum, band, zone in np.argwhere(both.any(axis=0)).tolist()
        )

    def _cell(
        self, element: int, stratum: int, band: int, zone: Zone | None, volumes: FloatArray
    ) -> Cell:
        table, strata = self.plan.element[element], self.plan.stratum
        of_stratum = strata[stratum] if stratum < len(strata) else None
        day = table.day if zone is None or zone.day is None else zone.day
        return Cell(
            element=table.name,
            stratum=None if of_stratum is None else of_stratum.name,
            soil=soil_of(self.plan, element) if of_stratum is None else of_stratum.soil_name,
            band=band,
            zone=None if zone is None else zone.name,
            day=day,
            bank_m3=float(volumes[0]),
            under_fill_m3=float(volumes[1]),
        )

    @property
    def by_zone(self) -> dict[str | None, float]:
        """What is dug in each zone, m³; None is the rest of the site."""
        names = [*(zone.name for zone in self.zones), None]
        return dict(zip(names, self.dug.by(Axis.ZONE).tolist(), strict=True))

    @property
    def by_day(self) -> dict[int | None, float]:
        """What is dug on each day that the plan names, m³; None where it names none."""
        days = sorted({cell.day for cell in self.cells if cell.day is not None})
        return {
            day: sum(cell.bank_m3 for cell in self.cells if cell.day == day)
            for day in (*days, None)
        }

    def dug_in(self, soil: str) -> float:
        """What is dug in a soil, m³ in place."""
        return sum(part.bank_m3 for part in self.parts if part.soil.name == soil)


def soil_of(plan: Plan, element: int) -> str:
    """The soil that an element is made of."""
    return plan.element[element].soil or plan.soil[0].name


def measure_spoil(on: Diggings, band_m: float) -> Spoil:
    """Break down what is dug.

    An element that names its soil is dug in that soil, whatever the strata. The first stratum, if
    it is to be stripped, is taken away to its whole depth wherever the ground is raised, except
    under an element made of the same soil; the fill grows by as much.

    Parameters
    ----------
    band_m
        Height of a depth band.
    """
    at, plan, strip = on.asked, on.plan, _stripped(on.plan)
    rows = np.flatnonzero((at.dig < at.existing) | (at.subgrade > at.existing))
    xy, ground, dig = on.xy[rows], at.existing[rows], at.dig[rows]
    tops = [stratum_top(stratum, on.surface_of) for stratum in plan.stratum[1:]]
    strata = lay_strata(xy, ground, tops)
    stratified = np.full(len(rows), bool(plan.stratum))
    named = [table.soil is not None for table in plan.element]
    stratified &= ~_said(at.dig_owner[rows], named)
    bared = np.zeros(len(rows), dtype=np.bool_)
    below = dig
    if strip is not None:
        other = [table.soil != strip.soil_name for table in plan.element]
        bared = _said(at.fill_owner[rows], other) & (at.subgrade[rows] > ground)
        bared &= ~strata.unsurveyed[1]
        below = np.where(bared, strata.tops[1], dig)
    shares = share_out(xy, on.weight[rows], [zone.outline for zone in on.zones])
    place = shares.place

    def parts(
        top: FloatArray, bottom: FloatArray, owner: Int32Array, inside: BoolArray
    ) -> Breakdown:
        columns = Columns(
            ground=ground[place],
            top=top[place],
            bottom=bottom[place],
            weight=shares.weight,
            element=owner[rows][place],
            zone=shares.region,
            tops=strata.tops[:, place],
            stratified=inside[place],
        )
        return break_down(
            columns, elements=len(plan.element), zones=len(on.zones) + 1, band_m=band_m
        )

    weight = on.weight[rows]
    taken = (dig < ground) & stratified | bared
    return Spoil(
        plan=plan,
        zones=on.zones,
        dug=parts(ground, dig, at.dig_owner, stratified),
        stripped=parts(dig, below, at.fill_owner, np.ones_like(bared)),
        stripped_m2=0.0 if strip is None else float(weight[taken].sum()),
        under_fill_m2=float(weight[bared].sum()),
        unsurveyed_m3=(strata.unsurveyed @ ((ground - dig) * weight * stratified))[
            : len(plan.stratum)
        ],
    )


def _stripped(plan: Plan) -> StratumTable | None:
    return next((stratum for stratum in plan.stratum if stratum.strip), None)


def _said(owner: Int32Array, said: list[bool]) -> BoolArray:
    """What is said of the element that owns each place; False where none does."""
    return np.array([*said, False], dtype=np.bool_)[owner]


def stratum_top(stratum: StratumTable, surface_of: Callable[[str], Surface]) -> Top:
    """The top of a stratum as the plan gives it; `surface_of` gives a survey's by its name."""
    if stratum.survey is not None:
        return AtSurvey(surface_of(stratum.survey))
    if stratum.level is not None:
        return AtLevel(stratum.level)
    assert stratum.depth is not None
    return AtDepth(stratum.depth)
