"""One thing to build, ready to be asked how deep it is at any place."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import assert_never

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.edges import Edge, Stretch, circular_edge, cut_into_banks, grow
from terrain.design.outlines import outline_polygon
from terrain.design.profiles import Profile, Step, bowl_profile, polyline_profile, stepped_profile
from terrain.design.tables import (
    BasinElement,
    FilterPitElement,
    LiftTable,
    MoundElement,
    OutlineTable,
    Plan,
    PlungePoolElement,
    RimTable,
    RockTable,
    ShelfElement,
    ShelfStep,
)
from terrain.errors import Place, PlanError, TerrainError
from terrain.surface import Surface
from terrain.units import Unit

MOST_DEPTH_M = 30.0  # beyond this a depth is a slip of the pen or of the unit
MOST_OFF_GROUND_M = 20.0  # so is a level this far from the ground

DugElement = BasinElement | ShelfElement | PlungePoolElement | FilterPitElement


@dataclass(frozen=True)
class Trough:
    """A channel along a path in a pit's floor; lengths in m, path shape (k, 2)."""

    path: FloatArray
    width: float
    depth: float


@dataclass(frozen=True)
class Rim:
    """The raised edge: how far above the water, how wide, how steep outside."""

    freeboard: float
    crest: float
    batter: float


@dataclass(frozen=True)
class Excavation:
    """How an element cuts into the ground.

    Attributes
    ----------
    level
        The elevation that depths are measured down from, m.
    edge, grown_edge
        The outline, and the outline grown by the over-dig, cut into banks.
    profiles
        Depth profile of each bank.
    trough
        Dug below the floor, or None.
    cover
        Thickness of the drapes between subgrade and finish, m.
    depth_is_to_soil
        True where the profiles give the soil face (a pit, filled with lifts afterwards), False
        where they give the finish.
    below
        Over-dig under the subgrade, m.
    cut_batter
        Run over rise of the face above the level, where the ground is higher; 0 is a wall.
    rim
        Raised where the ground is lower than level + freeboard, or None.
    lifts
        Level layers, bottom up; empty unless the element is a pit.
    """

    level: float
    edge: Edge
    grown_edge: Edge
    profiles: tuple[Profile, ...]
    trough: Trough | None
    cover: float
    depth_is_to_soil: bool
    below: float
    cut_batter: float
    rim: Rim | None
    lifts: tuple[LiftTable, ...]

    @property
    def floor(self) -> float:
        """Elevation of the deepest bank's floor, without the trough, m."""
        return self.level - max(profile.floor for profile in self.profiles)

    @property
    def lift_tops(self) -> FloatArray:
        """Elevation of the top of each lift, bottom up, m; the floor drape lies under them."""
        bed = self.floor + self.cover
        return bed + np.cumsum([lift.thickness for lift in self.lifts], dtype=np.float64)


@dataclass(frozen=True)
class Heap:
    """Soil placed upward from a toe: up to `height` above the ground, at `batter`."""

    edge: Edge
    height: float
    batter: float


@dataclass(frozen=True)
class Element:
    """One thing to build, in local coordinates.

    Attributes
    ----------
    name, kind
        As in the plan file.
    outline, grown
        As it will look, and as it will be dug.
    excavation, heap
        What it does to the ground: exactly one of them is given.
    water_level_m
        Elevation of the water that stands in it, or None.
    rock
        Groups of rocks seated along the edge.
    soil
        Name of its soil, or None for the site's first.
    edge_allowance_m
        Liner beyond the water's edge, m; None where there is no liner.
    """

    name: str
    kind: str
    outline: shapely.Polygon
    grown: shapely.Polygon | shapely.MultiPolygon
    excavation: Excavation | None
    heap: Heap | None
    water_level_m: float | None
    rock: tuple[RockTable, ...]
    soil: str | None
    edge_allowance_m: float | None


def build_elements(
    plan: Plan,
    *,
    existing: Surface,
    strings: Mapping[str, FloatArray],
    folder: Path,
    unit: Unit,
    origin: FloatArray,
) -> tuple[Element, ...]:
    """Resolve outlines, levels and profiles of every element of a plan.

    Parameters
    ----------
    existing
        The ground, in local coordinates; every grown outline must lie on it.
    strings
        Outlines shot in the survey, by code, local m.
    folder, unit, origin
        Of the plan file; see `outline_polygon`.

    Raises
    ------
    PlanError
        Naming the element and what is wrong with it.
    """
    elements = []
    for table in plan.element:
        key = f'element "{table.name}"'
        outline = outline_polygon(
            table.outline, key=key, strings=strings, folder=folder, unit=unit, origin=origin
        )
        try:
            _check_cell(plan.site.cell, outline, unit)
            if isinstance(table, MoundElement):
                element = _mound(table, outline, existing, unit, origin)
            else:
                element = _dug(table, outline, plan, existing, origin, unit)
        except TerrainError as error:
            inside = f"{key}, {error.place.key}" if error.place.key else key
            raise PlanError(
                error.found, place=Place(key=inside), expected=error.expected, mend=error.mend
            ) from None
        elements.append(element)
    return tuple(elements)


def _check_cell(cell: float, outline: shapely.Polygon, unit: Unit) -> None:
    width = 2 * shapely.maximum_inscribed_circle(outline, tolerance=0.01 * cell).length
    if cell > width / 2:
        raise PlanError(
            f"the outline is {unit.length(width)} wide, a cell of the computing grid "
            f"{unit.length(cell)}",
            place=Place(key="outline"),
            expected="an outline at least two cells wide",
            mend="take a smaller cell in [site], or check the outline's size and unit",
        )


def _check_on_survey(
    outline: shapely.Polygon | shapely.MultiPolygon, existing: Surface, unit: Unit
) -> None:
    outside = outline.difference(existing.footprint)
    if outside.area <= 1e-6 * outline.area:
        return
    corners = shapely.points(shapely.get_coordinates(outside))
    far = float(shapely.distance(corners, existing.footprint).max())
    xmin, ymin, xmax, ymax = existing.footprint.bounds
    raise PlanError(
        f"{unit.area_text(outside.area, 2)} of it lie outside the survey, "
        f"by up to {unit.length(max(far, 0.01 * unit.metres))} (over-dig included)",
        place=Place(key="outline"),
        expected=f"an outline and its over-dig inside the surveyed ground, which is "
        f"{unit.length(xmax - xmin, 1)} by {unit.length(ymax - ymin, 1)}",
        mend="survey farther out, move the outline, or check its unit and that easting comes first",
    )


def _check_depth(depth: float, what: str, key: str, unit: Unit) -> None:
    if depth > MOST_DEPTH_M:
        raise PlanError(
            f"{unit.length(depth)} {what}",
            place=Place(key=key),
            expected=f"at most {unit.length(MOST_DEPTH_M, 1)}",
            mend=f"check the number and its unit; a bare number is in {unit.plural}",
        )


def _check_level(
    level: float, key: str, outline: shapely.Polygon, existing: Surface, unit: Unit
) -> None:
    ground = _ground_inside(outline, existing)
    low, high = float(ground.min()), float(ground.max())
    away = max(level - high, low - level)
    if away > MOST_OFF_GROUND_M:
        raise PlanError(
            f"the level {unit.length(level)} is {unit.length(away, 1)} "
            f"{'above' if level > high else 'below'} the ground inside the outline, "
            f"which lies from {unit.length(low)} to {unit.length(high)}",
            place=Place(key=key),
            expected=f"a level within {unit.length(MOST_OFF_GROUND_M, 1)} of the ground",
            mend=f"check the level and its unit; a bare number is in {unit.plural}",
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


def _profiles(table: DugElement, outline: shapely.Polygon, unit: Unit) -> list[Profile]:
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


def _reference_level(
    table: DugElement, plan: Plan, outline: shapely.Polygon, existing: Surface
) -> float:
    if table.water is not None:
        return plan.water[table.water]
    if table.level is not None:
        return table.level
    ground = _ground_inside(outline, existing)
    return float(ground.mean() if table.below_ground == "mean" else ground.min())


def _ground_inside(outline: shapely.Polygon, existing: Surface) -> FloatArray:
    """Heights of the ground at a lattice of places inside an outline that lies on the survey."""
    xmin, ymin, xmax, ymax = outline.bounds
    x, y = np.meshgrid(np.linspace(xmin, xmax, 101), np.linspace(ymin, ymax, 101))
    places = np.column_stack([x.ravel(), y.ravel()])
    inside = places[shapely.contains_xy(outline, places[:, 0], places[:, 1])]
    middle = shapely.get_coordinates(outline.representative_point())
    ground = existing.elevation(np.concatenate([inside, middle]))
    known: FloatArray = ground[np.isfinite(ground)]
    return known


def _dug(
    table: DugElement,
    outline: shapely.Polygon,
    plan: Plan,
    existing: Surface,
    origin: FloatArray,
    unit: Unit,
) -> Element:
    banks = table.banks if isinstance(table, BasinElement) else ()
    (ox, oy) = origin
    stretches = [
        Stretch((b.start[0] - ox, b.start[1] - oy), (b.end[0] - ox, b.end[1] - oy)) for b in banks
    ]
    edge = _edge(table.outline, outline, stretches, origin)
    over_dig = table.over_dig or plan.over_dig
    grown, grown_edge = grow(outline, edge, over_dig.side)
    _check_on_survey(grown, existing, unit)
    trough: Trough | None = None
    lifts: tuple[LiftTable, ...] = ()
    if isinstance(table, FilterPitElement):
        lifts = table.lifts
        if table.trough is not None:
            path = np.array(table.trough.path) - origin
            trough = Trough(path, table.trough.width, table.trough.depth)
            _check_trough(trough, outline, unit)
    rim = None
    if table.water is not None or table.rim is not None:
        shape = table.rim or RimTable()
        rim = Rim(table.freeboard, shape.crest, shape.batter)
    level = _reference_level(table, plan, outline, existing)
    key = "level" if table.water is None else f'water "{table.water}"'
    _check_level(level, key, outline, existing, unit)
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
        rim=rim,
        lifts=lifts,
    )
    cover = 0.0 if excavation.depth_is_to_soil else excavation.cover
    dug = level - excavation.floor + cover + over_dig.below + (trough.depth if trough else 0.0)
    _check_depth(dug, "deep to the dig", "floor" if table.type == "basin" else "depth", unit)
    if lifts and excavation.lift_tops[-1] > level + 1e-9:
        raise PlanError(
            f"the lifts reach {unit.length(excavation.lift_tops[-1] - level)} above the level that "
            "the pit's depth is measured from",
            place=Place(key="lifts"),
            expected="thicknesses (with the layers) that add up to the depth or less",
            mend="make the pit deeper or a lift thinner",
        )
    return Element(
        name=table.name,
        kind=table.type,
        outline=outline,
        grown=grown,
        excavation=excavation,
        heap=None,
        water_level_m=level if table.water is not None else None,
        rock=table.rock,
        soil=table.soil,
        edge_allowance_m=table.edge_allowance if table.liner else None,
    )


def _edge(
    table: OutlineTable, outline: shapely.Polygon, stretches: Sequence[Stretch], origin: FloatArray
) -> Edge:
    if table.circle is not None and not stretches:
        return circular_edge(np.array(table.circle.centre) - origin, table.circle.radius)
    return cut_into_banks(outline, stretches)


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


def _mound(
    table: MoundElement,
    outline: shapely.Polygon,
    existing: Surface,
    unit: Unit,
    origin: FloatArray,
) -> Element:
    _check_on_survey(outline, existing, unit)
    _check_depth(table.height, "high", "height", unit)
    return Element(
        name=table.name,
        kind=table.type,
        outline=outline,
        grown=outline,
        excavation=None,
        heap=Heap(_edge(table.outline, outline, [], origin), table.height, table.batter),
        water_level_m=None,
        rock=table.rock,
        soil=table.soil,
        edge_allowance_m=None,
    )
