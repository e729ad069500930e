"""Where a shape's dig breaks: walls it may have, and lines along which its slope changes."""

from dataclasses import dataclass
from typing import assert_never

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray
from terrain.design.edges import Edge, read_edge
from terrain.design.paths import Reach
from terrain.design.pegs import along_line
from terrain.design.shapes import Corridor, Element, Excavation, Heap, Pad, Run, Shape, Vault

_MOST_CORNERS = 16  # a profile with more is a curve that has no breaks
_SAGITTA_M = 1e-4  # between a circle and the ring that stands for it
_SAME_M = 0.005
_CLOSE_M = 0.25  # level changes nearer to each other, or to the edge, are pegged as one
_PIECE_M = 0.1
_QUARTER = 64  # pieces of a quarter circle around an inner corner


@dataclass(frozen=True)
class Breaks:
    """Lines in plan, local m.

    Attributes
    ----------
    walls
        The surface may jump across them.
    folds
        Its slope may change along them.
    """

    walls: tuple[shapely.LineString, ...]
    folds: tuple[shapely.LineString, ...]


def breaks_of(element: Element) -> Breaks:
    """Collect what an element's dig may break along, though another element may hide it."""
    walls: list[shapely.Geometry] = []
    folds: list[shapely.Geometry] = []
    for shape in element.shapes:
        _collect(shape, walls, folds)
    return Breaks(_lines(walls), _lines(folds))


def area_of(edge: Edge) -> shapely.Polygon | shapely.MultiPolygon:
    """What an edge encloses; a circle to a tenth of a millimetre."""
    straight = shapely.linestrings(edge.pieces[edge.radius == 0].reshape(-1, 2, 2))
    area = shapely.build_area(shapely.union_all(straight)) if len(straight) else shapely.Polygon()
    for row in np.flatnonzero(edge.radius):
        radius = float(edge.radius[row])
        quarter = max(16, int(np.ceil(np.pi / 4 / np.sqrt(2 * _SAGITTA_M / radius))))
        area = area.union(shapely.Point(edge.pieces[row, :2]).buffer(radius, quad_segs=quarter))
    return area


def level_lines(element: Element) -> tuple[shapely.LineString, ...]:
    """Lines along which the dig changes level inside its edge: shelves, feet of risers."""
    found: list[shapely.Geometry] = []
    for shape in _hollows(element):
        for step in _steps(shape):
            for line in _lines([step.line]):
                corners = shapely.get_coordinates(shapely.segmentize(line, _PIECE_M))
                start, end = corners[:-1], corners[1:]
                sound = _decides(shape, step, (start + end) / 2)
                found += list(shapely.linestrings(np.stack([start[sound], end[sound]], axis=1)))
    return _lines([shapely.union_all(found)]) if found else ()


def level_changes(element: Element, every: float) -> FloatArray:
    """Places along the level lines of an element; of two close together the inner; (n, 2), m."""
    found = [np.empty((0, 2))]
    for shape in _hollows(element):
        steps = _steps(shape)
        for row, step in enumerate(steps):
            inner = [s.distance for s in steps[row + 1 :] if s.bank == step.bank]
            gap = inner[0] - step.distance if inner else np.inf
            if min(step.distance, gap) < _CLOSE_M:
                continue
            for line in _lines([step.line]):
                places = along_line(line, every)
                found.append(places[_decides(shape, step, places)])
    return np.concatenate(found)


def _hollows(element: Element) -> list[Excavation]:
    return [shape for shape in element.shapes if isinstance(shape, Excavation)]


def centre_line(element: Element) -> shapely.LineString | None:
    """The path that an element is built along, or None."""
    for shape in element.shapes:
        if isinstance(shape, Corridor | Run):
            return shape.reach.line
    return None


def _collect(shape: Shape, walls: list[shapely.Geometry], folds: list[shapely.Geometry]) -> None:
    if isinstance(shape, Excavation):
        area = area_of(shape.grown_edge)
        walls.append(area.boundary)
        for step in _steps(shape):
            (walls if step.most > step.least else folds).append(step.line)
        if shape.trough is not None:
            bed = shapely.LineString(shape.trough.path).buffer(shape.trough.width / 2, _QUARTER)
            walls.append(bed.intersection(area_of(shape.edge)).boundary)
    elif isinstance(shape, Corridor):
        walls += [shape.reach.outline(shape.side).boundary, *_seams(shape.reach, shape.side)]
        foot = float(shape.reach.start[:, 2].mean()) * shape.side_batter
        if foot > 0:
            folds.append(shape.reach.outline(shape.side - foot).boundary)
    elif isinstance(shape, Run):
        walls += [shape.reach.outline().boundary, *_seams(shape.reach, 0.0)]
    elif isinstance(shape, Vault):
        walls.append(area_of(shape.outer_edge).boundary)
    elif isinstance(shape, Pad):
        walls.append(area_of(shape.edge).boundary)
    elif not isinstance(shape, Heap):
        assert_never(shape)


@dataclass(frozen=True)
class _Step:
    """A line at one distance from a bank, and the depths that the bank has there, m."""

    bank: int
    distance: float
    line: shapely.Geometry
    least: float
    most: float


def _steps(shape: Excavation) -> list[_Step]:
    """Lines at the distances from each bank where its profile has a corner."""
    edge = shape.grown_edge
    area = area_of(edge)
    found = []
    for bank, profile in enumerate(shape.profiles):
        if len(profile.distance) > _MOST_CORNERS or not (edge.bank == bank).any():
            continue
        shore = _shore(edge, bank)
        for distance in np.unique(profile.distance[profile.distance > 0]):
            here = profile.depth[profile.distance == distance]
            line = shore.buffer(distance, quad_segs=_QUARTER).boundary.intersection(area)
            if not line.is_empty:
                found.append(
                    _Step(bank, float(distance), line, float(here.min()), float(here.max()))
                )
    return found


def _decides(shape: Excavation, step: _Step, places: FloatArray) -> BoolArray:
    """Where along a step's line its own bank decides the depth, shape (n,)."""
    depth = read_edge(places, shape.grown_edge, shape.profiles).depth
    decides: BoolArray = (depth > step.least - _SAME_M) & (depth < step.most + _SAME_M)
    return decides


def _shore(edge: Edge, bank: int) -> shapely.Geometry:
    rows = np.flatnonzero(edge.bank == bank)
    if edge.radius[rows].any():
        return area_of(edge).boundary
    return shapely.union_all(shapely.linestrings(edge.pieces[rows].reshape(-1, 2, 2)))


def _seams(reach: Reach, side: float) -> list[shapely.LineString]:
    """Lines across a path at its corners, where the level of one piece gives way to the next's."""
    seams = []
    for before, after, width in zip(
        reach.pieces[:-1], reach.pieces[1:], reach.end[:-1, 1], strict=True
    ):
        across = _unit(before) - _unit(after)  # into the bend
        if np.hypot(*across) < 1e-6:
            across = np.array([-_unit(before)[1], _unit(before)[0]])
        far = (2 * (width + side) + 1.0) * across / np.hypot(*across)
        seams.append(shapely.LineString([after[:2] - far, after[:2] + far]))
    return seams


def _unit(piece: FloatArray) -> FloatArray:
    along = piece[2:] - piece[:2]
    unit: FloatArray = along / np.hypot(*along)
    return unit


def _lines(shapes: list[shapely.Geometry]) -> tuple[shapely.LineString, ...]:
    """Every line among the parts of some geometries, those of one place joined."""
    found: list[shapely.LineString] = []
    for shape in shapes:
        parts = shapely.get_parts(shapely.get_parts(shape))
        lines = [part for part in parts if part.geom_type in ("LineString", "LinearRing")]
        merged = shapely.line_merge(shapely.multilinestrings(lines)) if lines else None
        if merged is not None:
            found += [line for line in shapely.get_parts(merged) if line.length > 0]
    return tuple(found)
