"""What is left over of a dig laid into the heaps of its plan, clear of what is dug and kept out."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray
from terrain.design import Composition, Element, Plan
from terrain.design.heap_tables import LEAST_SETBACK_M
from terrain.design.tables import HeapElement
from terrain.errors import Place, PlanError
from terrain.haul.spoil_heap import NOTHING, Heap, Region, lay_heap
from terrain.surface import Lattice, Surface
from terrain.units import Unit

DUG_M = 0.005  # a shallower scrape has no edge
NOT_BUILT = {"heap", "keep_out"}
RAISED = {"mound", "pad"}
ROUND = 32  # segments of a quarter circle round a corner
SLIVER_M = 0.05  # a strip of room that is narrower is none


@dataclass(frozen=True)
class HeapGround:
    """What heaps are laid on.

    Attributes
    ----------
    plan
        Its elements' tables, in the order of `elements`.
    elements
        As built, local m.
    existing
        The ground.
    composition
        What is dug and raised.
    origin
        True coordinates less local ones, shape (2,), m.
    """

    plan: Plan
    elements: tuple[Element, ...]
    existing: Surface
    composition: Composition
    unit: Unit
    origin: FloatArray

    @property
    def places(self) -> tuple[tuple[Element, HeapElement], ...]:
        """The plan's heaps, in file order."""
        return tuple(
            (element, table)
            for element, table in zip(self.elements, self.plan.element, strict=True)
            if isinstance(table, HeapElement)
        )


@dataclass(frozen=True)
class Offered:
    """Loose soil to be laid, m³; what is kept apart shares no heap where it has one of its own."""

    soil: str
    loose_m3: float
    kept_apart: bool = False


@dataclass(frozen=True)
class LaidHeap:
    """A heap of the plan.

    Attributes
    ----------
    name
        The element's.
    zone
        Its outline, local m.
    room
        What of it is clear.
    soils
        Loose volume laid, by soil, m³.
    heap
        As laid.
    """

    name: str
    zone: shapely.Polygon
    room: Region
    soils: Mapping[str, float]
    heap: Heap


@dataclass(frozen=True)
class Heaps:
    """All heaps of a site, in file order, and what no heap holds, by soil, loose m³."""

    heaps: tuple[LaidHeap, ...] = ()
    left_over: Mapping[str, float] = field(default_factory=dict)

    @property
    def laid_m3(self) -> float:
        """Loose volume in the heaps."""
        return sum(each.heap.volume_loose_m3 for each in self.heaps)

    @property
    def left_over_m3(self) -> float:
        """Loose volume that no heap holds."""
        return sum(self.left_over.values())


def lay_heaps(on: HeapGround, offered: Sequence[Offered]) -> Heaps:
    """Lay loose soil into the plan's heaps.

    Heaps that name a soil are laid first, then the others, each in file order; the latter take
    what is left of every soil, but for one kept apart that has a heap of its own.

    Raises
    ------
    PlanError
        A crest lies where its heap may not.
    """
    left = {each.soil: each.loose_m3 for each in offered if each.loose_m3 > 0}
    of_its_own = {table.soil for _, table in on.places}
    apart = {each.soil for each in offered if each.kept_apart} & of_its_own
    laid: dict[str, LaidHeap] = {}
    for element, table in sorted(on.places, key=lambda place: place[1].soil is None):
        takes = [
            soil
            for soil in left
            if soil == table.soil or (table.soil is None and soil not in apart)
        ]
        wanted = sum(left[soil] for soil in takes)
        room = clear_room(on, element, table, [each.heap.toe for each in laid.values()])
        heap = _heap(on, table, room, wanted)
        share = heap.volume_loose_m3 / wanted if wanted else 0.0
        soils = {soil: share * left[soil] for soil in takes if left[soil] and share}
        for soil in takes:
            left[soil] = 0.0 if heap.fits else left[soil] * (1 - share)
        laid[element.name] = LaidHeap(element.name, element.outline, room, soils, heap)
    return Heaps(
        tuple(laid[element.name] for element, _ in on.places),
        {soil: volume for soil, volume in left.items() if volume > 0},
    )


def heap_room(on: HeapGround) -> dict[str, float]:
    """The most that each heap of the plan can hold, loose m³, all of them filled in file order."""
    most: dict[str, float] = {}
    toes: list[Region] = []
    for element, table in on.places:
        heap = _heap(on, table, clear_room(on, element, table, toes), math.inf)
        most[element.name] = heap.volume_loose_m3
        toes.append(heap.toe)
    return most


def _heap(on: HeapGround, table: HeapElement, room: Region, volume: float) -> Heap:
    crest = None
    if table.crest is not None:
        corners = np.array(table.crest) - on.origin
        crest = shapely.Point(corners[0]) if len(corners) == 1 else shapely.LineString(corners)
        if not room.is_empty and not room.intersects(crest):
            east, north = np.array(table.crest[0]) / on.unit.metres
            raise PlanError(
                f"the crest at E {east:.1f}, N {north:.1f} lies where no soil may be heaped",
                place=Place(key=f'element "{table.name}", crest'),
                expected="a crest inside the outline, clear of the dig, of what is built and of "
                "every keep-out",
                mend="move it, or leave it out",
            )
    return lay_heap(
        on.existing,
        room,
        volume,
        batter=table.batter,
        shape=table.shape,
        highest_m=math.inf if table.highest is None else table.highest,
        crest=crest,
    )


def clear_room(
    on: HeapGround, element: Element, table: HeapElement, heaped: Sequence[Region] = ()
) -> Region:
    """The part of a heap's outline where soil may lie.

    Outside every keep-out, everything that is built or raised and the heaps already laid, and
    `setback` away from the edge of each dig, or as far as that is deep. A dig found on the
    computing grid counts up to the next node: the room is up to a cell smaller, never larger.
    """
    closed = [zone.outline for zone in on.elements if zone.kind == "keep_out"]
    closed += [built.grown for built in on.elements if built.kind not in NOT_BUILT]
    at = on.composition
    closed.append(_around(at.subgrade - at.existing > DUG_M, at.lattice))
    depth = np.nan_to_num(at.existing - at.dig)
    for row, built in enumerate(on.elements):
        mine = (depth > DUG_M) & (at.owner == row)
        if not mine.any():
            continue
        edge = _around(mine, at.lattice)
        if built.kind not in RAISED:
            edge = edge.union(built.grown)
        deep = max(float(depth[mine].max()), LEAST_SETBACK_M)
        away = deep if table.setback == "depth" else table.setback
        around = away / math.cos(math.pi / 4 / ROUND)  # its chords lie no nearer
        closed.append(shapely.buffer(edge, around, quad_segs=ROUND))
    left = element.outline.difference(shapely.union_all([*closed, *heaped]))
    wide = left.buffer(-SLIVER_M / 2).buffer(SLIVER_M / 2).intersection(left)
    parts = [part for part in shapely.get_parts(wide) if part.geom_type == "Polygon"]
    return shapely.union_all(parts) if parts else NOTHING


def _around(where: BoolArray, lattice: Lattice) -> Region:
    """The nodes that are so, each with all that is nearer than a cell to it."""
    edge = np.diff(np.pad(where, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, first = np.nonzero(edge == 1)
    last = np.nonzero(edge == -1)[1] - 1
    cell = lattice.cell
    south, west, east = lattice.y[row] - cell, lattice.x[first] - cell, lattice.x[last] + cell
    found: Region = shapely.union_all(shapely.box(west, south, east, south + 2 * cell))
    return found
