"""Mounds and pads: what is raised, or made level."""

import numpy as np
import shapely

from terrain.design.dug import edge_of
from terrain.design.edges import cut_into_banks
from terrain.design.limits import check_depth, check_level, check_on_survey
from terrain.design.setting import Setting
from terrain.design.shapes import Element, Heap, Pad, Sloped
from terrain.design.tables import MoundElement, PadElement
from terrain.errors import Place, PlanError


def mound(table: MoundElement, outline: shapely.Polygon | None, setting: Setting) -> Element:
    """Resolve a mound from its toe, or from the path of its crest."""
    if table.path is not None:
        line = shapely.LineString(np.array(table.path) - setting.origin)
        toe = line.buffer(table.crest / 2 + table.height * table.batter, quad_segs=16)
        edge = cut_into_banks(toe, [])
    else:
        assert outline is not None
        assert table.outline is not None
        toe, edge = outline, edge_of(table.outline, outline, [], setting)
    check_on_survey(toe, setting.existing, setting.unit)
    check_depth(table.height, "high", "height", setting.unit)
    return Element(
        name=table.name,
        kind=table.type,
        outline=toe,
        grown=toe,
        shapes=(Heap(edge, table.height, table.batter),),
        water_level_m=None,
        rock=(),
        soil=table.soil,
        edge_allowance_m=None,
        edge=edge,
    )


def pad(table: PadElement, outline: shapely.Polygon, setting: Setting) -> Element:
    """Resolve a pad's plane."""
    edge = edge_of(table.outline, outline, [], setting)
    check_on_survey(outline, setting.existing, setting.unit)
    check_level(table.level, "level", outline, setting.existing, setting.unit)
    plane = Sloped(table.level)
    if table.slope is not None:
        start, end = (np.array(setting.local(p)) for p in (table.slope.start, table.slope.end))
        along = end - start
        if not along.any():
            raise PlanError(
                "the slope begins where it ends",
                place=Place(key="slope"),
                expected="`from` and `to` at two places",
            )
        east, north = (table.slope.level - table.level) * along / (along @ along)
        low, high = sorted((table.level, table.slope.level))
        level = table.level - east * start[0] - north * start[1]
        plane = Sloped(level, east, north, low, high)
    cover = sum(layer.thickness for layer in table.layers)
    return Element(
        name=table.name,
        kind=table.type,
        outline=outline,
        grown=outline,
        shapes=(Pad(edge, plane, cover, table.cut_batter, table.fill_batter),),
        water_level_m=None,
        rock=(),
        soil=table.soil,
        edge_allowance_m=None,
        edge=edge,
    )
