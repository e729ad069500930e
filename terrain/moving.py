"""Where each part of a site's spoil goes, and in which order the elements are dug for it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design import Element, Plan
from terrain.design.soil_tables import GoodFor, SoilTable
from terrain.design.tables import ElementTable, HeapElement
from terrain.earthwork.account import ElementAccount
from terrain.earthwork.breakdown import Axis
from terrain.earthwork.soil import Soil
from terrain.errors import Place, PlanError
from terrain.haul.balance import SoilWork
from terrain.haul.draws import Draw
from terrain.haul.order import WorkOrder, closes_circle, work_order
from terrain.haul.transport import (
    OUTSIDE,
    Flow,
    Job,
    Source,
    Store,
    Transport,
    Use,
    Varied,
    straight_ways,
    transport,
    vary,
)
from terrain.spoil import Spoil

UNWELCOME = 2.0  # of the longest way on the site: a soil that suits less is carried no further
OUT_AND_IN = 10.0  # the same: soil does not leave only to come in again
TIE_M = 1e-3  # decides between soils that suit alike and lie equally far
OVERLAP_M2 = 0.01
LEAST_M3 = 1e-9  # less is a rounding
FILL: Mapping[str, GoodFor] = {"mound": "mound", "pad": "pad", "trench": "trench"}
UNDER_LINER = "under the liner"


@dataclass(frozen=True)
class Movable:
    """What the moves of a site are worked out from.

    Attributes
    ----------
    elements, accounts
        In the order of the plan's elements.
    heap_room
        Loose volume that each heap of the plan can hold, by name, m³.
    """

    plan: Plan
    elements: tuple[Element, ...]
    accounts: tuple[ElementAccount, ...]
    spoil: Spoil
    heap_room: Mapping[str, float]


@dataclass(frozen=True)
class Step:
    """One part of the work: an element is dug, and what is placed in it follows.

    Attributes
    ----------
    element
        Its name.
    day
        Day that the plan names for it, or None.
    """

    element: str
    day: int | None


@dataclass(frozen=True)
class Moves:
    """Where the spoil goes, and when.

    Attributes
    ----------
    transport
        The cheapest flows; its sources are the parts of the steps by soil.
    steps
        What `order` orders.
    order
        The order of work with the temporary heap through it.
    room_m3
        Loose volume that heaps which do not stay can hold; None where the plan shows none.
    dug_m3
        Of each soil, in place, shape (soils,): what grows with the dig, without what is stripped.
    """

    transport: Transport
    steps: tuple[Step, ...]
    order: WorkOrder
    room_m3: float | None
    dug_m3: FloatArray

    @property
    def too_much_m3(self) -> float:
        """Loose volume of the temporary heap, at its peak, for which there is no room."""
        return 0.0 if self.room_m3 is None else max(self.order.peak_m3 - self.room_m3, 0.0)

    @property
    def works(self) -> list[SoilWork]:
        """What becomes of each soil."""
        held = np.zeros(len(self.dug_m3))
        for source in self.transport.job.sources:
            held[source.soil] += source.bank_m3
        parts = zip(
            self.transport.job.soils,
            held.tolist(),
            self.transport.placed().tolist(),
            self.transport.kept().tolist(),
            strict=True,
        )
        return [SoilWork(*part) for part in parts]

    def varied(self, drawn: Sequence[Draw]) -> list[list[SoilWork]]:
        """The same for every draw."""
        job = self.transport.job
        held = np.zeros(len(self.dug_m3))
        for source in job.sources:
            held[source.soil] += source.bank_m3
        scale = np.array([[each.scale] for each in drawn])
        bank = held + (scale - 1) * self.dug_m3
        swell = np.array([[soil.swell for soil in each.soils] for each in drawn])
        shrink = np.array([[soil.shrink for soil in each.soils] for each in drawn])
        placed, kept = vary(job, Varied(bank, swell, shrink))
        return [
            [
                SoilWork(soil, *volumes)
                for soil, *volumes in zip(
                    each.soils, dug.tolist(), filled.tolist(), stays.tolist(), strict=True
                )
            ]
            for each, dug, filled, stays in zip(drawn, bank, placed, kept, strict=True)
        ]

    def is_placed(self, flow: Flow) -> bool:
        """Whether a flow ends in a use."""
        return 0 <= flow.target < len(self.transport.job.uses)

    def ends(self, flow: Flow) -> tuple[str, str]:
        """Where a flow begins and where it ends, in words."""
        job = self.transport.job
        start = "brought in" if flow.source == OUTSIDE else job.sources[flow.source].name
        if flow.target == OUTSIDE:
            return start, "taken away"
        if flow.target >= len(job.uses):
            return start, job.stores[flow.target - len(job.uses)].name
        use = job.uses[flow.target]
        return start, f"{use.name}: {use.kind}"


def plan_moves(on: Movable, soils: Sequence[Soil]) -> Moves:
    """Find the cheapest flows of a site's spoil, then the order of work that suits them.

    Raises
    ------
    PlanError
        No soil of the plan may be placed where one is needed.
    """
    steps, sources, step_of_source = _sources(on)
    uses, step_of_use = _uses(on, steps)
    stores = _stores(on)
    ways = straight_ways(sources, uses, stores)
    reach = max(float(ways.max(initial=0.0)), 1.0)
    off_site = max(on.plan.tip.distance, OUT_AND_IN * reach)
    found = transport(
        Job(
            soils=tuple(soils),
            sources=tuple(sources),
            uses=tuple(_weighed(use, UNWELCOME * reach) for use in uses),
            away_m=off_site,
            bring_m=off_site,
            stores=tuple(stores),
            ways=ways,
        )
    )
    between = np.zeros((len(steps), len(steps)))
    for flow in found.flows:
        if flow.source != OUTSIDE and 0 <= flow.target < len(uses):
            between[step_of_source[flow.source], step_of_use[flow.target]] += flow.loose_m3
    dug = np.array([on.spoil.dug_in(soil.name) for soil in soils])
    return Moves(
        transport=found,
        steps=tuple(steps),
        order=work_order(between, before=_before(on, steps), seed=on.plan.work.seed),
        room_m3=_room(on),
        dug_m3=dug,
    )


def _weighed(use: Use, unwelcome_m: float) -> Use:
    """The same use with the soils' ranks turned into metres."""
    suits = {soil: unwelcome_m * int(rank) + rank % 1 for soil, rank in use.suits.items()}
    return Use(use.name, use.kind, use.compacted_m3, suits, use.place)


def _middle(element: Element) -> tuple[float, float]:
    centre = element.outline.centroid
    return centre.x, centre.y


def _sources(on: Movable) -> tuple[list[Step], list[Source], list[int]]:
    """Steps of the work, what is dug in each by soil, and the step of each source."""
    rows = {soil.name: row for row, soil in enumerate(on.plan.soil)}
    volumes: dict[tuple[str, int | None], dict[str, float]] = {}
    for cell in on.spoil.cells:
        dug = volumes.setdefault((cell.element, cell.day), {})
        dug[cell.soil] = dug.get(cell.soil, 0.0) + cell.bank_m3 + cell.under_fill_m3
    for table, account in zip(on.plan.element, on.accounts, strict=True):
        placed = account.backfill_compacted_m3 + account.quantities.fill_compacted_m3
        if placed > LEAST_M3 and not any(name == table.name for name, _ in volumes):
            volumes[table.name, table.day] = {}
    place = {element.name: _middle(element) for element in on.elements}
    steps: list[Step] = []
    sources: list[Source] = []
    of: list[int] = []
    at = {element.name: row for row, element in enumerate(on.elements)}
    for (name, day), dug in sorted(volumes.items(), key=lambda each: at[each[0][0]]):
        for soil, volume in dug.items():
            sources.append(Source(name, rows[soil], volume, place[name]))
            of.append(len(steps))
        steps.append(Step(name, day))
    return steps, sources, of


def _uses(on: Movable, steps: Sequence[Step]) -> tuple[list[Use], list[int]]:
    """What is placed, and the step that each use belongs to: the last of its element."""
    uses: list[Use] = []
    of: list[int] = []
    bared = on.spoil.stripped.by(Axis.ELEMENT)
    for row, (table, account) in enumerate(zip(on.plan.element, on.accounts, strict=True)):
        element = on.elements[row]
        returned = account.quantities.returned_compacted_m3
        fill = FILL.get(element.kind, "rim")
        wanted: dict[GoodFor, float] = {
            "backfill": account.backfill_compacted_m3 - returned,
            "trench": returned,
        }
        wanted[fill] = (
            wanted.get(fill, 0.0) + account.quantities.fill_compacted_m3 + float(bared[row])
        )
        lined = _under_liner(on, row)
        for kind, volume in wanted.items():
            if volume > LEAST_M3:
                suits = _suits(on.plan, table, kind, lined)
                uses.append(Use(table.name, kind, volume, suits, _middle(element)))
                mine = [k for k, step in enumerate(steps) if step.element == table.name]
                of.append(max(mine, key=lambda k: steps[k].day or 0))
    return uses, of


def _under_liner(on: Movable, row: int) -> bool:
    """Whether liner lies on what is placed in an element."""
    mine = on.elements[row]
    if mine.edge_allowance_m is not None:
        return True
    return any(
        other.edge_allowance_m is not None
        and mine.grown.intersection(other.grown).area > OVERLAP_M2
        for other in on.elements
    )


def is_organic(plan: Plan, soil: SoilTable) -> bool:
    """Whether a soil holds roots and humus; a stripped stratum's does unless the plan denies it."""
    if soil.organic is not None:
        return soil.organic
    return any(stratum.strip and stratum.soil_name == soil.name for stratum in plan.stratum)


def suited(plan: Plan, soil: SoilTable) -> tuple[GoodFor, ...]:
    """What a soil may be placed as."""
    if soil.good_for is not None:
        return soil.good_for
    if is_organic(plan, soil):
        return ("stockpile",)
    return ("rim", "backfill", "mound", "pad", "trench", "stockpile")


def _suits(plan: Plan, table: ElementTable, kind: GoodFor, lined: bool) -> dict[int, float]:
    """Rows of the soils that may be placed, with their rank; a part of 1 only breaks ties.

    Soils that name the use, or that the element names, come before the others.
    """
    barred = [row for row, soil in enumerate(plan.soil) if lined and is_organic(plan, soil)]
    only = table.fill_soil
    rim = getattr(table, "rim", None)
    if kind == "rim" and rim is not None and rim.soil is not None:
        only = rim.soil
    names = [soil.name for soil in plan.soil]
    if only is not None:
        if names.index(only) in barred:
            raise PlanError(
                f"organic soil {only!r} as {kind} {UNDER_LINER}",
                place=Place(key=f'element "{table.name}"'),
                expected="a soil without roots and humus: it settles and rots",
            )
        return {names.index(only): 0.0}
    may = [
        row
        for row, soil in enumerate(plan.soil)
        if row not in barred and (kind in suited(plan, soil) or soil.name == table.soil)
    ]
    if not may:
        raise PlanError(
            f"no soil of the plan may be placed as {kind}" + (f" {UNDER_LINER}" if lined else ""),
            place=Place(key=f'element "{table.name}"'),
            expected=f'a [[soil]] that is good_for "{kind}"',
            mend="name the soil that is brought in for it as a [[soil]]",
        )
    asked = [row for row in may if names[row] == table.soil]
    asked = asked or [row for row in may if kind in (plan.soil[row].good_for or ())] or may
    return {row: (0.0 if row in asked else 1.0) + (TIE_M if row else 0.0) for row in may}


def _stores(on: Movable) -> list[Store]:
    """The heaps that stay."""
    stores = []
    for element, table in zip(on.elements, on.plan.element, strict=True):
        if isinstance(table, HeapElement) and table.stays:
            suits = {
                row: 0.0
                for row, soil in enumerate(on.plan.soil)
                if soil.name == table.soil
                or (table.soil is None and "stockpile" in suited(on.plan, soil))
            }
            room = on.heap_room[table.name]
            stores.append(Store(table.name, room, suits, _middle(element)))
    return stores


def _room(on: Movable) -> float | None:
    """What heaps that do not stay can hold."""
    rooms = [
        on.heap_room[table.name]
        for table in on.plan.element
        if isinstance(table, HeapElement) and not table.stays
    ]
    return sum(rooms) if rooms else None


def _before(on: Movable, steps: Sequence[Step]) -> list[tuple[int, int]]:
    """Which step must come before which.

    The plan's days first. Where those leave it open: a trench is closed before what is dug across
    it is lined, and what is raised over a dig waits until that is dug.
    """
    pairs = [
        (one, other)
        for one, first in enumerate(steps)
        for other, second in enumerate(steps)
        if first.day is not None and second.day is not None and first.day < second.day
    ]
    rank = {"trench": 0, "mound": 2, "pad": 2}
    of = {element.name: element for element in on.elements}
    for one, first in enumerate(steps):
        for other, second in enumerate(steps):
            a, b = of[first.element], of[second.element]
            later = rank.get(a.kind, 1) < rank.get(b.kind, 1)
            if later and _overlap(a.grown, b.grown) and not closes_circle(pairs, (one, other)):
                pairs.append((one, other))
    return pairs


def _overlap(one: shapely.Geometry, other: shapely.Geometry) -> bool:
    return bool(one.intersection(other).area > OVERLAP_M2)
