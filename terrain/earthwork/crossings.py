"""Where section lines cross the edges of triangles and the borders of regions."""

from typing import TypeAlias

import numpy as np
import shapely

from terrain.arrays import FloatArray, Int32Array, IntArray
from terrain.kernels import kernel
from terrain.surface import Tin

Crossings: TypeAlias = tuple[IntArray, FloatArray]  # which line, (m,), and how far along it, (m,)


def edge_crossings(tin: Tin, places: FloatArray, across: FloatArray) -> Crossings:
    """Where lines cross the edges of a triangulated surface, exact to rounding.

    Parameters
    ----------
    places
        One on each line, shape (k, 2), m.
    across
        Unit vectors along the lines, shape (k, 2).
    """
    ahead = np.column_stack([across[:, 1], -across[:, 0]])
    along = np.einsum("ij,ij->i", places, ahead)
    order = np.argsort(along)
    parallel = bool((np.abs(across - across[:1]) < 1e-12).all())
    row, offset = _triangle_crossings(
        tin.points, tin.triangles, places[order], across[order], along[order], parallel
    )
    return order[row], offset


def border_crossings(
    region: shapely.Polygon | shapely.MultiPolygon, places: FloatArray, across: FloatArray
) -> Crossings:
    """Where lines cross a region's border: pairs of coming in and going out, line by line.

    A vertex on a line counts with one of its sides, so that the pairs never go wrong.
    """
    starts, ends = [], []
    for ring in shapely.get_rings(shapely.get_parts(region)):
        xy = shapely.get_coordinates(ring)
        starts.append(xy[:-1])
        ends.append(xy[1:])
    row, offset = _segment_crossings(np.concatenate(starts), np.concatenate(ends), places, across)
    order = np.lexsort((offset, row))
    return row[order], offset[order]


@kernel
def _segment_crossings(
    starts: FloatArray, ends: FloatArray, places: FloatArray, across: FloatArray
) -> tuple[IntArray, FloatArray]:
    rows, offsets = [np.int64(0) for _ in range(0)], [0.0 for _ in range(0)]
    for k in range(len(places)):
        x, y, ux, uy = places[k, 0], places[k, 1], across[k, 0], across[k, 1]
        for e in range(len(starts)):
            px, py = starts[e, 0] - x, starts[e, 1] - y
            qx, qy = ends[e, 0] - x, ends[e, 1] - y
            p, q = px * uy - py * ux, qx * uy - qy * ux
            if (p >= 0) != (q >= 0):
                share = p / (p - q)
                rows.append(np.int64(k))
                offsets.append((px + share * (qx - px)) * ux + (py + share * (qy - py)) * uy)
    return np.array(rows), np.array(offsets)


@kernel
def _triangle_crossings(
    points: FloatArray,
    triangles: Int32Array,
    places: FloatArray,
    across: FloatArray,
    along: FloatArray,
    parallel: bool,
) -> tuple[IntArray, FloatArray]:
    """The same for triangles; parallel lines come ordered by how far `along` they lie."""
    rows, offsets = [np.int64(0) for _ in range(0)], [0.0 for _ in range(0)]
    ax, ay = across[0, 1], -across[0, 0]
    for t in range(len(triangles)):
        first, last = 0, len(places)
        if parallel:
            sides = [
                points[triangles[t, i], 0] * ax + points[triangles[t, i], 1] * ay for i in range(3)
            ]
            slack = 1e-9 * (1.0 + abs(sides[0]))
            first = np.searchsorted(along, min(sides) - slack)
            last = np.searchsorted(along, max(sides) + slack)
        for k in range(first, last):
            x, y, ux, uy = places[k, 0], places[k, 1], across[k, 0], across[k, 1]
            for i in range(3):
                a, b = triangles[t, i], triangles[t, (i + 1) % 3]
                px, py = points[a, 0] - x, points[a, 1] - y
                qx, qy = points[b, 0] - x, points[b, 1] - y
                p, q = px * uy - py * ux, qx * uy - qy * ux
                if (p >= 0) != (q >= 0):
                    share = p / (p - q)
                    rows.append(np.int64(k))
                    offsets.append((px + share * (qx - px)) * ux + (py + share * (qy - py)) * uy)
    return np.array(rows), np.array(offsets)
