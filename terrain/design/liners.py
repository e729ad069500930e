"""Which elements share one sheet of liner."""

from collections.abc import Sequence
from dataclasses import dataclass

import shapely

from terrain.design.elements import Element
from terrain.design.walls import wall_lines

_TOUCH_M = 0.02  # outlines shot twice along a shared edge still meet


@dataclass(frozen=True)
class LinerSheet:
    """Outlines that touch and hold the same level, lined as one.

    Attributes
    ----------
    elements
        Their names.
    outline
        Their union, local m.
    level
        Elevation of the water's edge, m.
    allowance_m
        Liner beyond the edge.
    walls
        Lines along which the soil face may jump.
    """

    elements: tuple[str, ...]
    outline: shapely.Polygon
    level: float
    allowance_m: float
    walls: tuple[shapely.LineString, ...]


def liner_sheets(elements: Sequence[Element]) -> tuple[LinerSheet, ...]:
    """Group the lined elements into sheets."""
    lined = [e for e in elements if e.edge_allowance_m is not None and e.excavation is not None]
    sheets = []
    for level in sorted({e.excavation.level for e in lined if e.excavation is not None}):
        same = [e for e in lined if e.excavation is not None and e.excavation.level == level]
        union = shapely.union_all([e.outline.buffer(_TOUCH_M, join_style="mitre") for e in same])
        for part in shapely.get_parts(union.buffer(-_TOUCH_M, join_style="mitre")):
            members = [e for e in same if e.outline.intersection(part).area > 0.5 * e.outline.area]
            allowance = max(e.edge_allowance_m or 0.0 for e in members)
            lines = [
                line
                for e in members
                if e.excavation is not None
                for line in wall_lines(e.excavation, part)
            ]
            # a line that two elements share is one wall
            walls = tuple(
                shapely.get_parts(shapely.line_merge(shapely.union_all(lines, grid_size=1e-4)))
            )
            names = tuple(e.name for e in members)
            sheets.append(LinerSheet(names, part, level, allowance, walls))
    return tuple(sheets)
