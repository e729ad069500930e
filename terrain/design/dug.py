"""Basins, shelves, plunge pools and filter pits: hollows inside an outline."""

from collections.abc import Sequence
from typing import assert_never

import numpy as np
import shapely

from terrain.design.edges import Edge, Stretch, circular_edge, cut_into_banks, grow
from terrain.design.limits import check_depth, check_level, check_on_survey, ground_inside
from terrain.design.profiles import Profile, Step, bowl_profile, polyline_profile, stepped_profile
from terrain.design.setting import Setting
from terrain.design.shapes import Element, Excavation, Outline, Rim, Sloped, Trough
from terrain.design.tables import (
    BasinElement,
    FilterPitElement,
    LiftTable,
    OutlineTable,
    PlungePoolElement,
    RimTable,
    ShelfElement,
    ShelfStep,
    SlopeTable,
    VaultElement,
)
from terrain.errors import Place, PlanError
from terrain.units import Unit

HollowTable = BasinElement | ShelfElement | PlungePoolElement | FilterPitElement


def hollow(table: HollowTable, outline: shapely.Polygon, setting: Setting) -> Element:
    """Resolve a hollow's edge, level, profiles and over-dig."""
    unit, existing = setting.unit, setting.existing
    banks = table.banks if isinstance(table, BasinElement) else ()
    stretches = [Stretch(setting.local(bank.start), setting.local(bank.end)) for bank in banks]
    edge = edge_of(table.outline, outline, stretches, setting)
    over_dig = table.over_dig or setting.plan.over_dig
    sides = [over_dig.side] + [
        over_dig.side if bank.over_dig is None else bank.over_dig for bank in banks
    ]
    grown, grown_edge = grow(outline, edge, sides)
    check_on_survey(grown, existing, unit)
    trough: Trough | None = None
    lifts: tuple[LiftTable, ...] = ()
    if isinstance(table, FilterPitElement):
        lifts = table.lifts
        if table.trough is not None:
            path = np.array(table.trough.path) - setting.origin
            trough = Trough(path, table.trough.width, table.trough.depth)
            _check_trough(trough, outline, unit)
    level = reference_level(table, outline, setting)
    if isinstance(table, FilterPitElement) and table.spill is not None:
        _check_spill(level, table.spill, setting)
    slope = None
    if isinstance(table, ShelfElement) and table.slope is not None:
        slope = _slope(table.slope, table.depth, setting)
    excavation = Excavation(
        level=level,
        edge=edge,
        grown_edge=grown_edge,
        profiles=tuple(_profiles(table, outline, unit)),
        trough=trough,
        cover=sum(layer.thickness for layer in table.layers),
        depth_is_to_soil=isinstance(table, FilterPitElement),
        below=over_dig.below,
        cut_batter=table.cut_batter,
        rim=rim_of(table.rim, table.freeboard, holds_water=table.water is not None),
        lifts=lifts,
        below_surface=table.below_ground == "pointwise",
        slope=slope,
    )
    _check_depths(table, excavation, unit)
    return Element(
        name=table.name,
        kind=table.type,
        outline=outline,
        grown=grown,
        shapes=(excavation,),
        water_level_m=level if table.water is not None else None,
        rock=table.rock,
        soil=table.soil,
        edge_allowance_m=table.edge_allowance if table.liner else None,
        edge=edge,
    )


def rim_of(table: RimTable | None, freeboard: float, *, holds_water: bool) -> Rim | None:
    """The rim of an element: everything that holds water has one."""
    if table is None and not holds_water:
        return None
    shape = table or RimTable()
    return Rim(freeboard, shape.crest, shape.batter)


def reference_level(table: HollowTable | VaultElement, outline: Outline, setting: Setting) -> float:
    """The elevation that depths are measured from; of the ground itself its mean, m."""
    if table.water is not None:
        level, key = setting.plan.water[table.water], f'water "{table.water}"'
    elif table.level is not None:
        level, key = table.level, "level"
    else:
        ground = ground_inside(outline, setting.existing)
        return float(ground.min() if table.below_ground == "lowest" else ground.mean())
    check_level(level, key, outline, setting.existing, setting.unit)
    return level


def _check_spill(level: float, name: str, setting: Setting) -> None:
    lower = setting.plan.water[name]
    if lower > level:
        raise PlanError(
            f"the pit at {setting.unit.length(level)} runs over to {name!r} at "
            f"{setting.unit.length(lower)}, which is higher",
            place=Place(key="spill"),
            expected="a level that is not above the pit's own",
            mend="exchange the levels, or leave spill out",
        )


def _slope(table: SlopeTable, depth: float, setting: Setting) -> Sloped:
    """How much deeper than `depth` the shelf is, as a plane."""
    start, end = np.array(setting.local(table.start)), np.array(setting.local(table.end))
    along = end - start
    if not along.any():
        raise PlanError(
            "the slope begins where it ends",
            place=Place(key="slope"),
            expected="`from` and `to` at two places",
        )
    change = table.depth - depth
    east, north = change * along / (along @ along)
    level = -(east * start[0] + north * start[1])
    return Sloped(level, east, north, min(change, 0.0), max(change, 0.0))


def _check_depths(table: HollowTable, excavation: Excavation, unit: Unit) -> None:
    cover = 0.0 if excavation.depth_is_to_soil else excavation.cover
    trough = excavation.trough.depth if excavation.trough else 0.0
    dug = excavation.level - excavation.floor + cover + excavation.below + trough
    check_depth(dug, "deep to the dig", "floor" if table.type == "basin" else "depth", unit)
    if excavation.lifts and excavation.lift_tops[-1] > excavation.level + 1e-9:
        over = excavation.lift_tops[-1] - excavation.level
        raise PlanError(
            f"the lifts reach {unit.length(over)} above the level that "
            "the pit's depth is measured from",
            place=Place(key="lifts"),
            expected="thicknesses (with the layers) that add up to the depth or less",
            mend="make the pit deeper or a lift thinner",
        )


def edge_of(
    table: OutlineTable, outline: shapely.Polygon, stretches: Sequence[Stretch], setting: Setting
) -> Edge:
    """The edge of an outline; a plain circle is kept as one."""
    if table.circle is not None and not stretches and not outline.interiors:
        return circular_edge(np.array(table.circle.centre) - setting.origin, table.circle.radius)
    return cut_into_banks(outline, stretches, unit=setting.unit)


def _check_trough(trough: Trough, outline: shapely.Polygon, unit: Unit) -> None:
    strip = shapely.LineString(trough.path).buffer(trough.width / 2, cap_style="flat")
    over = strip.difference(outline)
    if over.area > 1e-6 * strip.area:
        raise PlanError(
            f"{unit.area_text(over.area, 2)} of the trough lie outside the pit",
            place=Place(key="trough"),
            expected="a path at least half the trough's width inside the outline",
            mend="move the path's ends inward, or check that easting comes first",
        )


def _steps(shelves: Sequence[ShelfStep]) -> list[Step]:
    return [Step(shelf.depth, shelf.width, shelf.riser) for shelf in shelves]


def _basin_profiles(table: BasinElement, unit: Unit) -> list[Profile]:
    """Bank 0 as the element says; a bank of its own is one plain face unless it lists shelves."""
    plain = [_basin_profile(table.profile, table.shelves, table.floor, table.batter, unit)]
    for bank in table.banks:
        floor = table.floor if bank.floor is None else bank.floor
        batter = table.batter if bank.batter is None else bank.batter
        plain.append(_basin_profile(bank.profile, bank.shelves, floor, batter, unit))
    return plain


def _basin_profile(
    corners: tuple[tuple[float, float], ...] | None,
    shelves: tuple[ShelfStep, ...],
    floor: float | None,
    batter: float,
    unit: Unit,
) -> Profile:
    if corners is not None:
        return polyline_profile(corners, unit=unit)
    if floor is None:
        raise PlanError(
            "the basin has no floor",
            expected="floor = <depth>, or profile = [[distance, depth], …]",
        )
    return stepped_profile(_steps(shelves), floor, batter, unit=unit)


def _profiles(table: HollowTable, outline: shapely.Polygon, unit: Unit) -> list[Profile]:
    if isinstance(table, BasinElement):
        return _basin_profiles(table, unit)
    if isinstance(table, ShelfElement):
        return [stepped_profile([], table.depth, table.riser)]
    if isinstance(table, PlungePoolElement):
        if table.shape == "bowl":
            inradius = shapely.maximum_inscribed_circle(outline, tolerance=1e-4).length
            return [bowl_profile(table.depth, inradius)]
        steps = _steps(table.shelves) if table.shape == "stepped" else []
        return [stepped_profile(steps, table.depth, table.batter, unit=unit)]
    if isinstance(table, FilterPitElement):
        return [stepped_profile([], table.depth, table.batter)]
    assert_never(table)
