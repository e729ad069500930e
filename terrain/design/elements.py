"""From the tables of a plan to elements: outlines, levels and profiles resolved on the ground."""

import shapely

from terrain.design.along import fall, stream, trench
from terrain.design.dug import hollow
from terrain.design.limits import check_cell, check_on_survey
from terrain.design.outlines import outline_polygon
from terrain.design.raised import mound, pad
from terrain.design.setting import Setting
from terrain.design.shapes import Element
from terrain.design.tables import (
    BasinElement,
    ElementTable,
    FallElement,
    HeapElement,
    KeepOutElement,
    MoundElement,
    OutlineTable,
    PadElement,
    StreamElement,
    TrenchElement,
    VaultElement,
)
from terrain.design.vaults import vault
from terrain.errors import Place, PlanError, TerrainError

__all__ = ["Element", "build_elements"]


def build_elements(setting: Setting) -> tuple[Element, ...]:
    """Resolve every element of a plan.

    Raises
    ------
    PlanError
        Naming the element and what is wrong with it.
    """
    elements: list[Element] = []
    pools: dict[str, shapely.Geometry] = {}
    for table in setting.plan.element:
        key = f'element "{table.name}"'
        try:
            element = _build(table, key, setting, pools)
        except TerrainError as error:
            at = error.place.key or ""
            inside = at if at.startswith(key) else ", ".join(filter(None, (key, at)))
            place = Place(error.place.file, error.place.line, inside)
            raise PlanError(
                error.found, place=place, expected=error.expected, mend=error.mend
            ) from None
        elements.append(element)
        water = getattr(table, "water", None)
        if water is not None:
            pools[water] = shapely.union(pools.get(water, shapely.Polygon()), element.outline)
    return tuple(elements)


def _build(
    table: ElementTable, key: str, setting: Setting, pools: dict[str, shapely.Geometry]
) -> Element:
    if isinstance(table, StreamElement):
        return stream(table, setting)
    if isinstance(table, TrenchElement):
        return trench(table, setting)
    if isinstance(table, FallElement):
        return fall(table, setting, pools)
    if isinstance(table, MoundElement) and table.outline is None:
        return mound(table, None, setting)
    assert table.outline is not None
    outline = _outline(table.outline, key, setting)
    if isinstance(table, BasinElement):
        for island in table.islands:
            outline = _without(outline, _outline(island, key, setting), key)
    check_cell(setting.plan.site.cell, outline, setting.unit)
    if isinstance(table, MoundElement):
        return mound(table, outline, setting)
    if isinstance(table, PadElement):
        return pad(table, outline, setting)
    if isinstance(table, VaultElement):
        return vault(table, outline, setting)
    if isinstance(table, HeapElement | KeepOutElement):
        return _zone(table, outline, setting)
    return hollow(table, outline, setting)


def _outline(table: OutlineTable, key: str, setting: Setting) -> shapely.Polygon:
    return outline_polygon(
        table,
        key=key,
        strings=setting.strings,
        folder=setting.folder,
        unit=setting.unit,
        origin=setting.origin,
    )


def _without(outline: shapely.Polygon, island: shapely.Polygon, key: str) -> shapely.Polygon:
    if not outline.contains_properly(island):
        raise PlanError(
            "an island is not inside the outline",
            place=Place(key=f"{key}, islands"),
            expected="islands wholly inside, none touching the edge or another island",
        )
    left: shapely.Polygon = outline.difference(island)
    return left


def _zone(
    table: HeapElement | KeepOutElement, outline: shapely.Polygon, setting: Setting
) -> Element:
    check_on_survey(outline, setting.existing, setting.unit)
    return Element(
        name=table.name,
        kind=table.type,
        outline=outline,
        grown=outline,
        shapes=(),
        water_level_m=None,
        rock=(),
        soil=table.soil,
        edge_allowance_m=None,
        edge=None,
    )
