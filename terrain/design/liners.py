"""Which elements share one sheet of liner, and where each sheet's edge lies."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.paths import Reach, read_reach
from terrain.design.shapes import Corridor, Element, Excavation
from terrain.design.walls import wall_lines
from terrain.surface import Plane, Surface

_TOUCH_M = 0.02  # outlines shot twice along a shared edge still meet
_SLIVER_M = 0.05  # what is left of a stream beside a pool is no sheet if it is narrower
_SIDE_M = 0.002
_SNAP_M = 0.001
_BEYOND_M = 100.0


@dataclass(frozen=True)
class LinerSheet:
    """One piece of liner.

    Attributes
    ----------
    elements
        Names of those that it lines.
    outline
        Along the water's edge, local m.
    edge
        Level of the water's edge around it.
    allowance_m
        Liner beyond the edge.
    walls
        Lines along which the soil face may jump.
    """

    elements: tuple[str, ...]
    outline: shapely.Polygon
    edge: Surface
    allowance_m: float
    walls: tuple[shapely.LineString, ...]


@dataclass(frozen=True)
class StreamEdge:
    """The water's edge along a stream falls with its path."""

    reach: Reach
    footprint: shapely.Polygon

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Level of the nearest place on the path, shape (n, 2) → (n,), m."""
        return read_reach(xy, self.reach).level


@dataclass(frozen=True)
class FallEdge:
    """The edge of a fall: that of whichever of its parts is nearer."""

    parts: tuple[shapely.Polygon, ...]
    levels: FloatArray
    footprint: shapely.Polygon

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Level of the nearest part, shape (n, 2) → (n,), m."""
        away = np.stack([shapely.distance(shapely.points(xy), part) for part in self.parts])
        level: FloatArray = self.levels[away.argmin(axis=0)]
        return level


@dataclass(frozen=True)
class GroundEdge:
    """The edge of a hollow whose depths count from the ground itself."""

    ground: Surface
    level: float
    footprint: shapely.Polygon

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Of the ground, or its mean level off the survey, shape (n, 2) → (n,), m."""
        z = self.ground.elevation(xy)
        return np.where(np.isfinite(z), z, self.level)


def liner_sheets(elements: Sequence[Element], existing: Surface) -> tuple[LinerSheet, ...]:
    """Group what is lined into sheets.

    Hollows that touch and hold one level share a sheet. A stream, a fall, and a hollow dug from
    the ground as it runs have their own, as far as no sheet of those lies there already; where
    two sheets meet each has its own edge, and the allowance of one laps the other.
    """
    lined = [element for element in elements if element.edge_allowance_m is not None]
    walls = _walls(elements)
    level_ones = [element for element in lined if _level(element) is not None]
    sheets = []
    for level in sorted({_level(element) or 0.0 for element in level_ones}):
        same = [element for element in level_ones if _level(element) == level]
        union = shapely.union_all([e.outline.buffer(_TOUCH_M, join_style="mitre") for e in same])
        for part in shapely.get_parts(union.buffer(-_TOUCH_M, join_style="mitre")):
            members = [e for e in same if e.outline.intersection(part).area > 0.5 * e.outline.area]
            edge = Plane(level, part.envelope.buffer(_BEYOND_M, join_style="mitre"))
            sheets.append(_sheet(members, part, edge, walls))
    taken = shapely.union_all([sheet.outline for sheet in sheets])
    for element in lined:
        own_edge = _own_edge(element, existing)
        if own_edge is None:
            continue
        for part in shapely.get_parts(element.outline.difference(taken)):
            if not part.buffer(-_SLIVER_M / 2).is_empty:
                sheets.append(_sheet([element], part, own_edge, walls))  # noqa: PERF401
    return tuple(sheets)


def _sheet(
    members: Sequence[Element],
    outline: shapely.Polygon,
    edge: Surface,
    walls: Sequence[shapely.LineString],
) -> LinerSheet:
    # the sheet's own edge is a wall once, and so is a line that two elements share
    within = outline.buffer(-max(_SIDE_M, 1e-4 * math.sqrt(outline.area)))
    inside = [line.intersection(within) for line in walls if line.intersects(within)]
    lines = shapely.union_all([outline.boundary, *inside], grid_size=_SNAP_M)
    merged = shapely.line_merge(shapely.multilinestrings(_lines(lines)))
    return LinerSheet(
        elements=tuple(element.name for element in members),
        outline=outline,
        edge=edge,
        allowance_m=max(element.edge_allowance_m or 0.0 for element in members),
        walls=tuple(_lines(merged)),
    )


def _lines(geometry: shapely.Geometry) -> list[shapely.LineString]:
    parts = shapely.get_parts(shapely.get_parts(geometry))
    return [part for part in parts if part.geom_type == "LineString"]


def _walls(elements: Sequence[Element]) -> list[shapely.LineString]:
    """Of every element: one without a liner may cut through the soil under another's."""
    return [line for element in elements for shape in element.shapes for line in wall_lines(shape)]


def _level(element: Element) -> float | None:
    """The level all around a hollow, or None where it changes."""
    if len(element.shapes) != 1 or not isinstance(element.shapes[0], Excavation):
        return None
    hollow = element.shapes[0]
    return None if hollow.below_surface else hollow.level


def _own_edge(element: Element, existing: Surface) -> Surface | None:
    """The water's edge of what does not lie at one level; None of the others."""
    if _level(element) is not None or not element.shapes:
        return None
    first = element.shapes[0]
    if isinstance(first, Corridor):
        return StreamEdge(first.reach, element.outline)
    hollows = [shape for shape in element.shapes if isinstance(shape, Excavation)]
    if len(hollows) > 1:
        parts = tuple(shapely.Polygon(hollow.edge.pieces[:, :2]) for hollow in hollows)
        return FallEdge(parts, np.array([hollow.level for hollow in hollows]), element.outline)
    if hollows:
        return GroundEdge(existing, hollows[0].level, element.outline)
    return None
