"""The water of a site: what stands by its level, where it runs out, what a pump sets moving."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray
from terrain.design import Composed, Composition, Element, Plan, StoneGroup
from terrain.design.bodies import LEVEL_M, TOUCH_M, Body, bodies
from terrain.design.checks import RUN_IN_M
from terrain.design.tables import FallElement, PumpTable
from terrain.design.weir import spill_depth
from terrain.earthwork.displacement import Seated, displaced_pores, ellipsoid_share
from terrain.earthwork.quadrature import Quadrature
from terrain.earthwork.storage import StageStorage, stage_storage
from terrain.earthwork.water import (
    Drawdown,
    Filling,
    depth_levels,
    held_above,
    net_storage,
    rock_under,
)
from terrain.errors import Place, PlanError
from terrain.surface import Grid
from terrain.surface.hollows import Flooded, Low, flood, lows
from terrain.units import Unit

STEP = {"m": 0.1, "ft": 0.25, "us-ft": 0.25}  # of depth, in the unit


@dataclass(frozen=True)
class BodyWater:
    """Water at one level in elements that touch.

    Attributes
    ----------
    name
        Of the element, or of the level that several share.
    elements
        Their names.
    level_m
        Of the water.
    spill_level_m, spill_place
        At which it runs out over the finish, and where (local m; None where it does not stand).
    curve
        Area and net volume by level.
    """

    name: str
    elements: tuple[str, ...]
    level_m: float
    spill_level_m: float
    spill_place: tuple[float, float] | None
    curve: StageStorage


@dataclass(frozen=True)
class Water:
    """Bodies of water, every closed low of the finish, and what the pump keeps in transit."""

    bodies: tuple[BodyWater, ...]
    lows: tuple[Low, ...]
    drawdown: Drawdown | None


@dataclass(frozen=True)
class Wetted:
    """What the water of a site is measured on.

    Attributes
    ----------
    composition, flooded
        Surfaces at the nodes of the lattice, and the finish flooded.
    asked, quadrature
        Surfaces at the places of a quadrature.
    """

    plan: Plan
    unit: Unit
    elements: tuple[Element, ...]
    stone_groups: tuple[StoneGroup, ...]
    composition: Composition
    flooded: Flooded
    asked: Composed
    quadrature: Quadrature


def measure_water(site: Wetted) -> Water:
    """Measure every body of water, every low, and the pump's drawdown.

    Raises
    ------
    PlanError
        The pump draws from an element without water.
    """
    found = bodies(site.elements)
    names = _names(site, found)
    each = tuple(_measure(site, body, name) for body, name in zip(found, names, strict=True))
    hollows = lows(site.composition.grid("finish"), site.flooded)
    drawdown = None
    if site.plan.pump is not None:
        drawdown = _drawdown(site, site.plan.pump, found, each, hollows)
    return Water(each, hollows, drawdown)


def _names(site: Wetted, found: Sequence[Body]) -> list[str]:
    """The element's name, or the level's; the elements' together where that is taken."""
    names: list[str] = []
    for body in found:
        members = [site.elements[row].name for row in body.rows]
        level = getattr(site.plan.element[body.rows[0]], "water", None)
        name = members[0] if len(members) == 1 or level is None else level
        others = {e.name for e in site.elements} - set(members)
        names.append(" + ".join(members) if name in names or name in others else name)
    return names


def _measure(site: Wetted, body: Body, name: str) -> BodyWater:
    at, weight = site.asked, site.quadrature.weight
    own = np.isin(at.finish_owner, body.rows) & (at.bed < body.level)
    # over a trench that passes under it the water is its own, but what lies on the soil is not
    mine = own | (np.isin(at.water_owner, body.rows) & (at.finish < body.level))
    fillings = [
        filling
        for row in body.rows
        for filling in _fillings(site.elements[row], at, weight, own & (at.finish_owner == row))
    ]
    lowest = float(np.min(at.bed[own], initial=body.level))
    levels = depth_levels(lowest, body.level, STEP[site.unit.key] * site.unit.metres)
    curve = net_storage(
        at.finish[mine], weight[mine], levels, fillings=fillings, rock=_rock(site, body, levels)
    )
    spill, place = _spill(site, body)
    members = tuple(site.elements[row].name for row in body.rows)
    return BodyWater(name, members, body.level, spill, place, curve)


def _fillings(element: Element, at: Composed, weight: FloatArray, mine: BoolArray) -> list[Filling]:
    excavation = element.excavation
    if excavation is None or not excavation.lifts:
        return []
    bed, finish = at.bed[mine], at.finish[mine]
    found, bottom = [], bed
    for lift, top_level in zip(excavation.lifts, excavation.lift_tops, strict=True):
        top = np.clip(top_level, bed, np.maximum(finish, bed))
        found.append(Filling(bottom, top, weight[mine], lift.voids))
        bottom = top
    return found


def _rock(site: Wetted, body: Body, levels: FloatArray) -> FloatArray:
    """Rock that keeps water out of a body under each level, open or in voids, m³."""
    members = {site.elements[row].name: site.elements[row] for row in body.rows}
    kept_out = np.zeros(len(levels))
    for group in site.stone_groups:
        if group.element not in members:
            continue
        scan = group.form.scan
        share = ellipsoid_share if scan is None else scan.share_below
        rocks = Seated(group.underside, group.form.axes[2], group.form.volume_m3, share)
        kept_out += rock_under(rocks, group.around, levels)
        excavation = members[group.element].excavation
        if excavation is not None and excavation.lifts:
            tops, voids = excavation.lift_tops, np.array([lift.voids for lift in excavation.lifts])
            kept_out += [
                displaced_pores(rocks, group.around, tops, voids, float(level)).sum()
                for level in levels
            ]
    return kept_out


def _deepest(site: Wetted, body: Body) -> int:
    finish = site.composition.finish
    mine = np.isin(site.composition.finish_owner, body.rows)
    return int(np.argmin(np.where(mine, finish, np.inf)))


def _spill(site: Wetted, body: Body) -> tuple[float, tuple[float, float] | None]:
    node = _deepest(site, body)
    lattice, over = site.composition.lattice, int(site.flooded.outlet.flat[node])
    level = float(site.flooded.level.flat[node])
    if over < 0:
        return level, None
    row, column = divmod(over, lattice.nx)
    return level, (float(lattice.x[column]), float(lattice.y[row]))


def _drawdown(
    site: Wetted,
    pump: PumpTable,
    found: Sequence[Body],
    each: Sequence[BodyWater],
    hollows: Sequence[Low],
) -> Drawdown:
    holders = [k for k, body in enumerate(each) if pump.source in body.elements]
    if not holders:
        raise PlanError(
            f"the pump draws from {pump.source!r}, which holds no standing water",
            place=Place(key="pump.from"),
            expected="an element with a level of [water]",
            mend='give it water = "<a level of [water]>", or name another element',
        )
    reservoir, body = each[holders[0]], found[holders[0]]
    running = reservoir.level_m if pump.running_level is None else pump.running_level
    levels, volumes = _room(site, body, reservoir, running, hollows)
    streams = _streams(site, found, body)
    heads = _heads(site, pump.flow, found, each)
    transit = sum(streams.values()) + sum(heads.values())
    return Drawdown(
        reservoir=pump.source,
        running=streams,
        heads=heads,
        running_level_m=running,
        spill_level_m=reservoir.spill_level_m,
        rest_level_m=float(np.interp(transit, volumes, levels)),
        room_m3=float(volumes[-1]),
    )


def _room(
    site: Wetted, body: Body, reservoir: BodyWater, running: float, hollows: Sequence[Low]
) -> tuple[FloatArray, FloatArray]:
    """Volume that the reservoir takes from its running level up to its spill level, by level."""
    curve = reservoir.curve
    top = min(reservoir.level_m, reservoir.spill_level_m)
    between = curve.level_m[(curve.level_m > running) & (curve.level_m < top)]
    under = np.concatenate([[running], between, [max(top, running)]])
    volume = np.interp(under, curve.level_m, curve.volume_m3)
    volume -= volume[0]
    node = _deepest(site, body)
    low = [low for low in hollows if node in low.nodes]
    if not low or low[0].level <= max(running, reservoir.level_m):
        return under, volume
    start = max(running, reservoir.level_m)
    over = np.linspace(start, low[0].level, 33)
    bottom = np.maximum(site.composition.finish.flat[low[0].nodes], start)
    cells = np.full(len(bottom), site.composition.lattice.cell**2)
    more = stage_storage(bottom, cells, over).volume_m3
    rock = _rock(site, body, over)
    more = np.maximum(more - (rock - rock[0]), 0.0)
    return np.append(under, over[1:]), np.append(volume, volume[-1] + more[1:])


def _streams(site: Wetted, found: Sequence[Body], reservoir: Body) -> dict[str, float]:
    """Water of each element above what stays in it, m³; streams always, others if any."""
    at, weight = site.asked, site.quadrature.weight
    stays = _rest_levels(site, _drained(site, found))
    running = {}
    for row, element in enumerate(site.elements):
        if row in reservoir.rows:
            continue
        mine = at.finish_owner == row
        if element.kind == "stream":
            backed = _level_below(site, element, at.water[mine], found)
            rest = np.maximum(stays[mine], backed)
        else:
            body = next((body for body in found if row in body.rows), None)
            if body is None or not _touches_stream(site, body):
                continue
            others = [other for other in found if other is not body]
            spill = float(_drained(site, others).level.flat[_deepest(site, body)])
            rest = np.full(int(mine.sum()), min(body.level, spill))
        held = held_above(at.water[mine], at.finish[mine], rest, weight[mine])
        if element.kind == "stream" or held > 1e-6:
            running[element.name] = held
    return running


def _drained(site: Wetted, found: Sequence[Body]) -> Flooded:
    """The finish flooded while bodies of water take all that runs into them."""
    rows = [row for body in found for row in body.rows]
    grid = site.composition.grid("finish")
    taken = np.isin(site.composition.finish_owner, rows)
    return flood(Grid(grid.lattice, np.where(taken, np.nan, grid.z)))


def _touches_stream(site: Wetted, body: Body) -> bool:
    return any(
        site.elements[row].outline.dwithin(stream.outline, TOUCH_M)
        for row in body.rows
        for stream in site.elements
        if stream.kind == "stream"
    )


def _level_below(site: Wetted, stream: Element, water: FloatArray, found: Sequence[Body]) -> float:
    """Level of the highest water that a stream's end runs into, −inf where it touches none, m."""
    end = float(np.nanmin(water)) if np.isfinite(water).any() else -np.inf
    levels = [
        body.level
        for body in found
        if body.level <= end + RUN_IN_M
        and any(site.elements[row].outline.dwithin(stream.outline, TOUCH_M) for row in body.rows)
    ]
    return max(levels, default=-np.inf)


def _rest_levels(site: Wetted, flooded: Flooded) -> FloatArray:
    """Level of the pool that stays at each place of the quadrature, −inf where none does, m."""
    lattice, places = site.composition.lattice, site.quadrature
    stays = np.where(flooded.outlet >= 0, flooded.level, -np.inf)
    column = np.clip(((places.xy[:, 0] - lattice.x0) / lattice.cell).astype(int), 0, lattice.nx - 2)
    row = np.clip(((places.xy[:, 1] - lattice.y0) / lattice.cell).astype(int), 0, lattice.ny - 2)
    corners = [stays[row + j, column + i] for j in (0, 1) for i in (0, 1)]
    return np.concatenate([stays.flat[places.nodes], np.max(corners, axis=0)])


def _heads(
    site: Wetted, flow: float, found: Sequence[Body], each: Sequence[BodyWater]
) -> dict[str, float]:
    """Water that the flow heaps up above the lip of each fall, over the water behind it, m³."""
    heads: dict[str, float] = {}
    for element, table in zip(site.elements, site.plan.element, strict=True):
        if element.lip is None or not isinstance(table, FallElement):
            continue
        upper = site.plan.water[table.upper]
        behind = [
            water
            for body, water in zip(found, each, strict=True)
            if abs(body.level - upper) < LEVEL_M
            and any(
                site.elements[row].outline.dwithin(element.outline, TOUCH_M) for row in body.rows
            )
        ]
        depth = spill_depth(
            flow if table.flow is None else table.flow, shapely.LineString(element.lip).length
        )
        heads[element.name] = depth * sum(_open_area(water) for water in behind)
    return heads


def _open_area(water: BodyWater) -> float:
    """Area that water fills at the top of the curve, voids by their share, m²."""
    level, volume = water.curve.level_m, water.curve.volume_m3
    return float((volume[-1] - volume[-2]) / (level[-1] - level[-2])) if len(level) > 1 else 0.0
