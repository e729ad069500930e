"""How far the dig is at the date of each survey made while digging, and what the trucks say of it.

What a survey does not reach stands as the surveys before it left it; what none reached is not said
to be dug.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import shapely
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.design import Composition, Element, Plan, compose_at
from terrain.design.survey_tables import SurveyTable
from terrain.earthwork.quadrature import quadrature, steep_cells
from terrain.earthwork.soil import compacted_to_bank
from terrain.earthwork.uncertainty import dug_of
from terrain.errors import Place, PlanError
from terrain.haul.as_dug import AsDug, Dig, came_back, hold_against, latest_levels
from terrain.haul.balance import Balance
from terrain.haul.loads import Truck, load_volume
from terrain.haul.loads_sent import Amount, Sent, loads_foretold, swell_shown
from terrain.measured import Measured
from terrain.surface import Lattice, Surface
from terrain.surface.doubt import Doubt
from terrain.surface.volume_doubt import volume_doubts

TOO_DEEP, OUTSIDE, TOO_HIGH = "too deep", "dug outside the plan", "still to dig"


@dataclass(frozen=True)
class Digsite:
    """What progress is measured on.

    Attributes
    ----------
    plan, elements
        Of the site.
    composition
        The surfaces at the nodes of a lattice.
    asked, xy, weight
        The surfaces at the places of a quadrature, the places, shape (n, 2), local m, and their
        plan areas, shape (n,), m².
    existing, doubt
        The existing ground, and how sure it is.
    balance
        What leaves, as planned.
    measured
        The ground and the doubt of a survey.
    """

    plan: Plan
    elements: tuple[Element, ...]
    composition: Composition
    existing: Surface
    doubt: Doubt
    balance: Balance
    measured: Callable[[SurveyTable], tuple[Measured, Doubt]]


@dataclass(frozen=True)
class Figures:
    """How far an element is, or the whole site: m³ in place, m², m.

    Attributes
    ----------
    name
        Of the element; "all" for the site.
    planned_m3, dug_m3, left_m3
        What is to be dug, what of it is dug, and the rest.
    dug_pm_m3, left_pm_m3, too_deep_pm_m3
        ± (95 %).
    reached_share
        Of the area to dig, what any survey so far reached.
    too_deep_m2, too_deep_m3, too_deep_m
        Dug under the dig by more than the tolerance: area, what is to be put back, the most.
    too_high_m2, too_high_m3, too_high_m
        Reached, and not yet down: area, what is left there, the most.
    came_back_m3
        What lies in the dig again after it was dug.
    fill_planned_m3, fill_placed_m3
        What is to be raised above the ground, and what of it is, compacted.
    """

    name: str
    planned_m3: float
    dug_m3: float
    dug_pm_m3: float
    left_m3: float
    left_pm_m3: float
    reached_share: float
    too_deep_m2: float
    too_deep_m3: float
    too_deep_pm_m3: float
    too_deep_m: float
    too_high_m2: float
    too_high_m3: float
    too_high_m: float
    came_back_m3: float
    fill_planned_m3: float
    fill_placed_m3: float


@dataclass(frozen=True)
class Patch:
    """A place to look at: its outline and middle in local m, and what lies over or under it.

    Attributes
    ----------
    kind
        `TOO_DEEP`, `OUTSIDE` or `TOO_HIGH`.
    element
        Its name; None outside the plan.
    region, middle
        In local coordinates.
    area_m2, most_m, volume_m3
        In plan; the greatest height or depth; what is to be put back or dug.
    """

    kind: str
    element: str | None
    region: shapely.Polygon | shapely.MultiPolygon
    middle: tuple[float, float]
    area_m2: float
    most_m: float
    volume_m3: float


@dataclass(frozen=True)
class Trucked:
    """Loads sent against loads foretold.

    Attributes
    ----------
    sent
        What left and what lies loose on the site.
    hauled_bank_m3
        What came out of the ground less what was placed.
    foretold
        Loads that it should have given, at the swell of the plan.
    planned
        Loads of the whole job.
    swell_planned
        Low, likely and high of the plan, by how much is dug of each soil.
    swell
        What the loads show; None where they cannot.
    by_weight
        Trucks are full by weight before they are full: loads say nothing of the swell.
    """

    sent: Sent
    hauled_bank_m3: float
    foretold: Amount
    planned: int
    swell_planned: tuple[float, float, float]
    swell: Amount | None
    by_weight: bool


@dataclass(frozen=True)
class DayProgress:
    """How far the dig was on one day.

    Attributes
    ----------
    day
        The date.
    surveys
        Those of that day.
    covers_share
        Of the area to dig, what these reach.
    whole, elements
        The figures of the site, and of each element that is dug or raised.
    taken_m3
        What came out of the ground, within the plan or not, in place.
    outside_m2, outside_m3, outside_m
        Dug where nothing is to be dug: area, volume, the most.
    patches
        Places to look at, the largest volume of each kind first.
    trucked
        None where no loads are told.
    at_cells
        Heights in the middles of the cells of the site's lattice.
    """

    day: date
    surveys: tuple[SurveyTable, ...]
    covers_share: float
    whole: Figures
    elements: tuple[Figures, ...]
    taken_m3: float
    outside_m2: float
    outside_m3: float
    outside_m: float
    patches: tuple[Patch, ...]
    trucked: Trucked | None
    at_cells: AsDug


@dataclass(frozen=True)
class Pace:
    """How fast the dig went between two days, and the calendar days left at that pace."""

    since: date
    m3_a_day: float
    days_left: float


@dataclass(frozen=True)
class Progress:
    """The days of a dig.

    Attributes
    ----------
    planned_m3
        The whole dig, in place.
    tolerance_m
        How far off the dig counts as down.
    days
        In order of dates.
    paces
        Since the first survey and since the last but one; none where the dates do not tell.
    lattice, cells
        Middles of the cells of the site's lattice, and the dig there; no weight off the survey.
    """

    planned_m3: float
    tolerance_m: float
    days: tuple[DayProgress, ...]
    paces: tuple[Pace, ...]
    lattice: Lattice
    cells: Dig


def measure_progress(
    on: Digsite, *, tolerance_m: float | None = None, loads: int | None = None
) -> Progress:
    """Hold every survey made while digging against the dig.

    Parameters
    ----------
    tolerance_m
        How truly is dug, instead of the plan's.
    loads
        Trucks that left up to the last survey, instead of the plan's.

    Raises
    ------
    PlanError
        No survey has a date, or nothing is to be dug.
    """
    tolerance = on.plan.checks.dug_within if tolerance_m is None else tolerance_m
    tables = sorted(
        (table for table in on.plan.survey if table.as_dug is not None),
        key=lambda table: table.as_dug or date.min,
    )
    if not tables:
        raise PlanError(
            "no survey was made while digging",
            place=Place(key="survey"),
            expected="a survey with its day, as_dug = 2026-05-04, in the plan",
            mend="add it to the plan, or name its file with --as-dug FILE --date 2026-05-04",
        )
    if not (on.composition.owner >= 0).any():
        raise PlanError("nothing of this plan is dug", expected="an element that is dug")
    told = _Surveyed(on, tables, tolerance)
    dig = told.dig
    of_day = {table.as_dug: row for row, table in enumerate(tables)}
    days = []
    for day, last in of_day.items():
        assert day is not None
        sent = _sent_until(on, day)
        if loads is not None and last == len(tables) - 1:
            sent = Sent(loads, on.balance.load_m3, 0.0 if sent is None else sent.on_site_m3)
        days.append(told.day(day, last, sent))
    planned = float((dig.planned * dig.weight).sum())
    return Progress(planned, tolerance, tuple(days), _paces(days), told.lattice, told.cells)


def _places(on: Digsite, surveyed: Sequence[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Where all surfaces are asked, shape (n, 2), and the areas, (n,).

    Finer along steep faces and where a survey ends.
    """
    at, lattice = on.composition, on.composition.lattice
    as_dug = [z.reshape(lattice.shape) for z in surveyed]
    refined = steep_cells((at.existing, at.dig, at.subgrade, *as_dug), lattice.cell)
    for z in as_dug:
        known = np.isfinite(z).astype(np.int8)
        corners = known[1:, 1:] + known[1:, :-1] + known[:-1, 1:] + known[:-1, :-1]
        refined |= (corners > 0) & (corners < 4)
    chosen = quadrature(lattice, np.isfinite(at.existing), refined)
    return np.concatenate([lattice.nodes[chosen.nodes], chosen.xy]), chosen.weight


def _dig_at(on: Digsite, xy: FloatArray, weight: FloatArray) -> Dig:
    at = compose_at(xy, on.elements, on.existing)
    return Dig(
        at.existing, at.dig, at.subgrade, at.dig_owner, at.fill_owner, weight, len(on.elements)
    )


def _known(dig: Dig) -> Dig:
    """The same with places off the survey at no weight, neither dug nor raised."""
    known = np.isfinite(dig.existing)
    nobody = np.full(len(known), -1, dtype=np.int32)
    return Dig(
        np.where(known, dig.existing, 0.0),
        np.where(known, dig.dig, 0.0),
        np.where(known, dig.subgrade, 0.0),
        np.where(known, dig.dig_owner, nobody),
        np.where(known, dig.fill_owner, nobody),
        np.where(known, dig.weight, 0.0),
        dig.elements,
    )


def _middles(lattice: Lattice) -> Lattice:
    """The middles of a lattice's cells: no outline at round coordinates passes through one."""
    half = lattice.cell / 2
    return Lattice(
        lattice.x0 + half,
        lattice.y0 + half,
        lattice.cell,
        max(lattice.nx - 1, 2),
        max(lattice.ny - 1, 2),
    )


class _Surveyed:
    """The surveys of a dig asked at the places of a quadrature and at the middles of cells."""

    def __init__(self, on: Digsite, tables: Sequence[SurveyTable], tolerance_m: float) -> None:
        self.on, self.tables, self.tolerance_m = on, tables, tolerance_m
        grounds = [on.measured(table) for table in tables]
        self.doubts = [doubt for _, doubt in grounds]
        surfaces = [ground.surface for ground, _ in grounds]
        self.lattice = _middles(on.composition.lattice)
        middles, cell_m2 = self.lattice.nodes, self.lattice.cell**2
        self.cells = _known(_dig_at(on, middles, np.full(len(middles), cell_m2)))
        self.at_cells = [
            np.where(self.cells.weight > 0, each.elevation(middles), np.nan) for each in surfaces
        ]
        nodes = on.composition.lattice.nodes
        self.xy, weight = _places(on, [each.elevation(nodes) for each in surfaces])
        self.dig = _dig_at(on, self.xy, weight)
        self.at_places = [each.elevation(self.xy) for each in surfaces]
        self.levels, self.cell_levels = latest_levels(self.at_places), latest_levels(self.at_cells)

    def day(self, day: date, last: int, sent: Sent | None) -> DayProgress:
        """How far the dig is after the survey `last`."""
        on, dig = self.on, self.dig
        level = self.levels[last]
        held = self._held(dig, level, self.xy, _ruling(self.at_places[: last + 1]))
        ruling = _ruling(self.at_cells[: last + 1])
        at_cells = self._held(self.cells, self.cell_levels[last], self.lattice.nodes, ruling)
        back = came_back(self.levels[: last + 1], dig, tolerance_m=self.tolerance_m)
        pms = self._plus_minus(at_cells, ruling)
        whole, elements = _figures(on, dig, held, back, pms)
        of_day = [row for row, table in enumerate(self.tables) if table.as_dug == day]
        covers = np.any([np.isfinite(self.at_places[row]) for row in of_day], axis=0)
        to_dig = np.where(dig.planned > 0, dig.weight, 0.0)
        taken = float((held.taken * dig.weight).sum())
        return DayProgress(
            day=day,
            surveys=tuple(self.tables[row] for row in of_day),
            covers_share=float(to_dig[covers].sum() / to_dig.sum()),
            whole=whole,
            elements=elements,
            taken_m3=taken,
            outside_m2=float(dig.weight[held.outside > 0].sum()),
            outside_m3=float((held.outside * dig.weight).sum()),
            outside_m=float(held.outside.max(initial=0.0)),
            patches=tuple(self._patches(held, at_cells)),
            trucked=None if sent is None else _trucked(on, dig, held, sent, taken, whole.dug_pm_m3),
            at_cells=at_cells,
        )

    def _held(self, dig: Dig, level: FloatArray, xy: FloatArray, ruling: Int32Array) -> AsDug:
        """Beside the dig, where nobody dug to a level, both surveys must be sure of a hole."""
        least = np.full(len(level), self.tolerance_m)
        beside = (dig.planned == 0) & (dig.raised == 0) & (dig.existing - level > self.tolerance_m)
        for row, doubt in enumerate(self.doubts):
            rows = np.flatnonzero(beside & (ruling == row))
            if rows.size:
                pm = np.hypot(self.on.doubt.pm(xy[rows]), doubt.pm(xy[rows]))
                least[rows] = np.maximum(self.tolerance_m, np.nan_to_num(pm))
        return hold_against(dig, level, tolerance_m=self.tolerance_m, outside_m=least)

    def _plus_minus(self, held: AsDug, ruling: Int32Array) -> dict[str, FloatArray]:
        """± (95 %) of what is dug, left and too deep: of each element, then of all, (e + 1,) m³.

        What is dug hangs on both surveys, what is left and reached or too deep on that of the dig
        alone, what is left and not reached on that of the existing ground.
        """
        mine = {row: ruling == row for row in range(len(self.doubts))}
        dug = held.reached & (np.abs(held.dug) > 0)
        high, deep = held.too_high > 0, held.too_deep > 0
        unseen = ~held.reached & (self.cells.planned > 0)
        existing = -1
        parts = {
            "dug": [(existing, dug), *((row, dug & at) for row, at in mine.items())],
            "left": [(existing, unseen), *((row, high & at) for row, at in mine.items())],
            "too deep": [(row, deep & at) for row, at in mine.items()],
        }
        return {
            what: np.sqrt(sum(self._squares(row, where) for row, where in each))
            for what, each in parts.items()
        }

    def _squares(self, row: int, where: BoolArray) -> FloatArray:
        """Squared ± of a survey's volume over places, of each element and of all, (e + 1,) m⁶."""
        on = self.on
        squares = np.zeros(len(on.elements) + 1)
        regions = {}
        for element in np.unique(self.cells.dig_owner[where]).tolist():
            mine = np.where(where & (self.cells.dig_owner == element), 1.0, 0.0)
            dug = dug_of(mine.reshape(self.lattice.shape), self.lattice)
            if element >= 0 and dug is not None and dug.region.area > 0:
                regions[str(element)] = dug.region
        if not regions:
            return squares
        known = volume_doubts(on.doubt if row < 0 else self.doubts[row], regions)
        for name, each in known.each.items():
            squares[int(name)] = each.pm_m3**2
        squares[-1] = known.together.pm_m3**2
        return squares

    def _patches(self, held: AsDug, at_cells: AsDug) -> Iterator[Patch]:
        """Connected places of each kind and element, the largest volume first.

        Found by cells, measured at the places of the quadrature. What is narrower than two cells
        is counted, but not told one by one.
        """
        on, dig, lattice = self.on, self.dig, self.lattice
        corner, last = np.array([lattice.x0, lattice.y0]), np.array([lattice.nx, lattice.ny]) - 1
        at = np.rint((self.xy - corner) / lattice.cell).astype(np.int64)
        column, row = np.clip(at, 0, last).T
        for kind in (TOO_DEEP, OUTSIDE, TOO_HIGH):
            rough, heights = _of_kind(kind, at_cells), _of_kind(kind, held)
            found = []
            for owner in np.unique(self.cells.dig_owner[rough > 0]).tolist():
                mine = ((rough > 0) & (self.cells.dig_owner == owner)).reshape(lattice.shape)
                name = None if kind == OUTSIDE else on.elements[owner].name
                broad = ndimage.binary_opening(mine, structure=np.ones((2, 2), dtype=np.bool_))
                labels, count = ndimage.label(broad, structure=np.ones((3, 3)))
                near = np.where(labels > 0, labels, ndimage.maximum_filter(labels, size=3))
                here = np.where((heights > 0) & (dig.dig_owner == owner), near[row, column], 0)
                for label in range(1, count + 1):
                    region = dug_of((labels == label).astype(np.float64), lattice)
                    size = np.where(here == label, dig.weight * heights, 0.0)
                    if region is not None and size.any():
                        found.append(_patch(kind, name, region.region, self.xy, size, dig.weight))
            yield from sorted(found, key=lambda patch: -patch.volume_m3)


def _patch(
    kind: str,
    element: str | None,
    region: shapely.Polygon | shapely.MultiPolygon,
    xy: FloatArray,
    size: FloatArray,
    weight: FloatArray,
) -> Patch:
    """Measure a patch by the volume at each place, shape (n,), m³."""
    inside = size > 0
    east, north = (xy[inside].T @ size[inside] / size.sum()).tolist()
    return Patch(
        kind=kind,
        element=element,
        region=region,
        middle=(east, north),
        area_m2=float(weight[inside].sum()),
        most_m=float((size[inside] / weight[inside]).max()),
        volume_m3=float(size.sum()),
    )


def _ruling(surveyed: Sequence[FloatArray]) -> Int32Array:
    """The last survey that reaches each place, −1 for none, shape (n,)."""
    rows = np.full(surveyed[0].shape, -1, dtype=np.int32)
    for row, each in enumerate(surveyed):
        rows[np.isfinite(each)] = row
    return rows


def _figures(
    on: Digsite, dig: Dig, held: AsDug, back: FloatArray, pms: Mapping[str, FloatArray]
) -> tuple[Figures, tuple[Figures, ...]]:
    """Of the site, and of each element that is dug or raised."""
    to_dig = dig.planned > 0
    sums = {
        "planned_m3": dig.by_digger(dig.planned),
        "dug_m3": dig.by_digger(held.dug),
        "left_m3": dig.by_digger(held.left),
        "too_deep_m2": dig.by_digger((held.too_deep > 0).astype(np.float64)),
        "too_deep_m3": dig.by_digger(held.too_deep),
        "too_high_m2": dig.by_digger((held.too_high > 0).astype(np.float64)),
        "too_high_m3": dig.by_digger(held.too_high),
        "came_back_m3": dig.by_digger(back),
        "fill_planned_m3": dig.by_filler(dig.raised),
        "fill_placed_m3": dig.by_filler(held.placed),
    }
    area = dig.by_digger(to_dig.astype(np.float64))
    reached = dig.by_digger((to_dig & held.reached).astype(np.float64))

    def figures(name: str, row: int | None, mine: BoolArray) -> Figures:
        pick = slice(None) if row is None else slice(row, row + 1)
        pm = {what: float(each[-1 if row is None else row]) for what, each in pms.items()}
        return Figures(
            name=name,
            dug_pm_m3=pm["dug"],
            left_pm_m3=pm["left"],
            too_deep_pm_m3=pm["too deep"],
            reached_share=float(reached[pick].sum() / max(area[pick].sum(), 1e-300)),
            too_deep_m=float(held.too_deep[mine].max(initial=0.0)),
            too_high_m=float(held.too_high[mine].max(initial=0.0)),
            **{key: float(each[pick].sum()) for key, each in sums.items()},
        )

    elements = tuple(
        figures(element.name, row, dig.dig_owner == row)
        for row, element in enumerate(on.elements)
        if sums["planned_m3"][row] > 0 or sums["fill_planned_m3"][row] > 0
    )
    return figures("all", None, np.ones(len(to_dig), dtype=np.bool_)), elements


def _of_kind(kind: str, held: AsDug) -> FloatArray:
    """Heights of a kind of patch, shape (n,), m."""
    if kind == TOO_DEEP:
        return held.too_deep
    if kind == OUTSIDE:
        return held.outside
    return np.where(~held.reached | (held.too_high > 0), held.left, 0.0)


def _sent_until(on: Digsite, day: date) -> Sent | None:
    """What the plan says left up to a day; None where it says nothing."""
    told = [table for table in on.plan.loads_sent if table.date <= day]
    if not told:
        return None
    lying = max(told, key=lambda table: table.date).on_site or 0.0
    return Sent(sum(table.count for table in told), on.balance.load_m3, lying)


def _trucked(
    on: Digsite, dig: Dig, held: AsDug, sent: Sent, taken_m3: float, pm_m3: float
) -> Trucked:
    plan, truck = on.plan, Truck(on.plan.truck.body, on.plan.truck.payload)
    weight = np.array([each.excavation_bank_m3 for each in on.balance.soils])
    weight = weight / weight.sum() if weight.sum() > 0 else np.eye(len(weight))[0]
    low, likely, high = (weight @ np.array([soil.swell for soil in plan.soil])).tolist()
    density = float(weight @ [soil.bank_density for soil in plan.soil])
    load = [load_volume(truck, density / (1 + swell)) for swell in (likely, low, high)]
    hauled = taken_m3 - _placed_bank(on, dig.by_filler(held.placed))
    full = Sent(sent.loads, load[0], sent.on_site_m3)
    by_weight = load[0] < truck.volume_m3
    return Trucked(
        sent=full,
        hauled_bank_m3=hauled,
        foretold=loads_foretold(hauled, (low, likely, high), Amount(*load), sent.on_site_m3),
        planned=on.balance.loads,
        swell_planned=(low, likely, high),
        swell=None if by_weight else swell_shown(full, hauled, pm_m3),
        by_weight=by_weight,
    )


def _placed_bank(on: Digsite, placed: FloatArray) -> float:
    """What the fill placed so far took in place, m³, at its likely shrink."""
    soils = {each.soil.name: each.soil for each in on.balance.soils}
    first = on.plan.soil[0].name
    return sum(
        compacted_to_bank(volume, soils[table.fill_soil or table.soil or first])
        for table, volume in zip(on.plan.element, placed.tolist(), strict=True)
    )


def _paces(days: Sequence[DayProgress]) -> tuple[Pace, ...]:
    """Since the first day and since the last but one, where something was dug since."""
    last = days[-1]
    starts = dict.fromkeys(row for row in (0, len(days) - 2) if 0 <= row < len(days) - 1)
    paces = []
    for start in starts:
        dug = last.whole.dug_m3 - days[start].whole.dug_m3
        spent = (last.day - days[start].day).days
        if dug > max(last.whole.dug_pm_m3, 0.0) and spent > 0 and math.isfinite(dug):
            rate = dug / spent
            paces.append(Pace(days[start].day, rate, max(last.whole.left_m3, 0.0) / rate))
    return tuple(paces)
