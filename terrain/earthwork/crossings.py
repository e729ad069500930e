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
    first, last = _reached(tin, places, across[order], along[order])
    row, offset = _triangle_crossings(
        tin.points, tin.triangles, places[order], across[order], first, last
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


def _segment_crossings(
    starts: FloatArray, ends: FloatArray, places: FloatArray, across: FloatArray
) -> tuple[IntArray, FloatArray]:
    rows, offsets = [np.empty(0, dtype=np.int64)], [np.empty(0)]
    for k, (place, (ux, uy)) in enumerate(zip(places, across, strict=True)):
        (px, py), (qx, qy) = (starts - place).T, (ends - place).T
        p, q = px * uy - py * ux, qx * uy - qy * ux
        met = np.flatnonzero((p >= 0) != (q >= 0))
        px, py, qx, qy, p, q = (each[met] for each in (px, py, qx, qy, p, q))
        share = p / (p - q)
        rows.append(np.full(met.size, k))
        offsets.append((px + share * (qx - px)) * ux + (py + share * (qy - py)) * uy)
    return np.concatenate(rows), np.concatenate(offsets)


def _reached(
    tin: Tin, places: FloatArray, across: FloatArray, along: FloatArray
) -> tuple[IntArray, IntArray]:
    """First and last of the lines that may cross each triangle.

    All of them, unless the lines are parallel; those come ordered by how far `along` they lie.
    """
    first, last = np.zeros((2, len(tin.triangles)), dtype=np.int64)
    last[:] = len(places)
    if (np.abs(across - across[:1]) < 1e-12).all():
        sides = (tin.points[:, :2] @ [across[0, 1], -across[0, 0]])[tin.triangles]
        slack = 1e-9 * (1.0 + np.abs(sides[:, 0]))
        first = np.searchsorted(along, sides.min(axis=1) - slack)
        last = np.searchsorted(along, sides.max(axis=1) + slack)
    return first, last


@kernel
def _triangle_crossings(
    points: FloatArray,
    triangles: Int32Array,
    places: FloatArray,
    across: FloatArray,
    first: IntArray,
    last: IntArray,
) -> tuple[IntArray, FloatArray]:
    """The same for triangles, each crossed by some lines from its first to its last."""
    rows, offsets, count = np.empty(64, dtype=np.int64), np.empty(64), 0
    for t in range(len(triangles)):
        for k in range(first[t], last[t]):
            x, y, ux, uy = places[k, 0], places[k, 1], across[k, 0], across[k, 1]
            for i in range(3):
                a, b = triangles[t, i], triangles[t, (i + 1) % 3]
                px, py = points[a, 0] - x, points[a, 1] - y
                qx, qy = points[b, 0] - x, points[b, 1] - y
                p, q = px * uy - py * ux, qx * uy - qy * ux
                if (p >= 0) == (q >= 0):
                    continue
                if count == rows.size:
                    more_rows, more_offsets = (
                        np.empty(2 * count, dtype=np.int64),
                        np.empty(2 * count),
                    )
                    for m in range(count):
                        more_rows[m], more_offsets[m] = rows[m], offsets[m]
                    rows, offsets = more_rows, more_offsets
                share = p / (p - q)
                rows[count] = k
                offsets[count] = (px + share * (qx - px)) * ux + (py + share * (qy - py)) * uy
                count += 1
    return rows[:count], offsets[:count]
