"""Where an element's soil face may be upright: its edge, steep risers, a trough, a fall."""

import math
from typing import assert_never

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.paths import Reach
from terrain.design.shapes import Corridor, Excavation, Heap, Pad, Run, Shape, Vault

_SAG_M = 0.0002  # a circle is drawn with chords no farther from it


def wall_lines(shape: Shape) -> list[shapely.LineString]:
    """Lines along which a shape's soil face may jump.

    The edge itself is always among them: a wall may stand there because of the layers alone.
    """
    match shape:
        case Excavation():
            return _excavation_lines(shape)
        case Corridor():
            return [*_parts(shape.reach.outline().boundary), *_falls(shape.reach)]
        case Run():
            return _parts(shape.reach.outline().boundary)
        case Vault():
            return shape.edge.lines + shape.outer_edge.lines
        case Pad() | Heap():
            return shape.edge.lines
        case _:
            assert_never(shape)


def _excavation_lines(excavation: Excavation) -> list[shapely.LineString]:
    edge = excavation.edge
    if edge.radius.any():
        centre, radius = edge.pieces[0, :2], float(edge.radius[0])
        lines = [_ring(centre, radius)]
        lines += [_ring(centre, radius - inward) for inward in _jumps(excavation, 0)]
    else:
        pieces = np.array(edge.lines)
        lines = _parts(shapely.line_merge(shapely.union_all(pieces)))
        for bank in range(len(excavation.profiles)):
            shore = shapely.union_all(pieces[edge.bank == bank])
            for inward in _jumps(excavation, bank):
                lines += _parts(shore.buffer(inward, quad_segs=_quarter(inward)).boundary)
    if excavation.trough is not None:
        path, half = shapely.LineString(excavation.trough.path), excavation.trough.width / 2
        lines += _parts(path.buffer(half, quad_segs=_quarter(half)).boundary)
    return lines


def _jumps(excavation: Excavation, bank: int) -> FloatArray:
    """Distances inward from a bank at which its profile goes straight down."""
    profile = excavation.profiles[bank]
    upright = (np.diff(profile.distance) == 0) & (np.diff(profile.depth) > 0)
    distance: FloatArray = np.unique(profile.distance[1:][upright])
    return distance[distance > 0]


def _falls(reach: Reach) -> list[shapely.LineString]:
    """Across the path where its level drops at a corner, between the places of either piece."""
    lines = []
    for m in np.flatnonzero(np.abs(reach.end[:-1, 0] - reach.start[1:, 0]) > 0):
        corner = reach.pieces[m, 2:]
        before, after = (piece[2:] - piece[:2] for piece in (reach.pieces[m], reach.pieces[m + 1]))
        before, after = before / np.hypot(*before), after / np.hypot(*after)
        turn = before[0] * after[1] - before[1] * after[0]
        middle = before + after
        middle /= max(float(np.hypot(*middle)), 1e-9)
        far = 2 * max(reach.end[m, 1], reach.start[m + 1, 1])
        inner = np.sign(turn) or 1.0
        bisector = inner * np.array([-middle[1], middle[0]])
        # outside of the bend the corner itself is the nearest place of both pieces
        normal = -inner * np.array([-after[1], after[0]])
        lines.append(shapely.LineString([corner + far * bisector, corner, corner + far * normal]))
    return lines


def _ring(centre: FloatArray, radius: float) -> shapely.LineString:
    return shapely.Point(centre).buffer(radius, quad_segs=_quarter(radius)).exterior


def _quarter(radius: float) -> int:
    """Chords in a quarter of a circle so that each lies within the sag allowed."""
    return max(16, math.ceil(math.pi / 4 * math.sqrt(radius / (2 * _SAG_M))))


def _parts(lines: shapely.Geometry) -> list[shapely.LineString]:
    return [part for part in shapely.get_parts(lines) if part.geom_type == "LineString"]
