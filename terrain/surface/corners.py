"""Which corners of a triangulation decide the height of a place, and by how much."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray, Int32Array, IntArray
from terrain.kernels import kernel
from terrain.surface.tin import Tin

_SLACK = 1e-9
_MOST_NEIGHBOURS = 16


@dataclass(frozen=True)
class Corners:
    """The corners that a linear interpolation takes its heights from.

    Attributes
    ----------
    rows
        Rows of the points, shape (n, 3); -1 where there is no triangle.
    weights
        Their shares, shape (n, 3), summing to 1; NaN where there is no triangle.
    reach_m
        How far they are: `√Σ wᵢ |xᵢ − x|²`, shape (n,), m. Inside a triangle that is the root of
        the power of its circumscribed circle, on which the sharp bound of linear interpolation
        rests: `|error| ≤ ½ · largest curvature · reach²` (Waldron 1998, SIAM J. Numer. Anal. 35).
    """

    rows: IntArray
    weights: FloatArray
    reach_m: FloatArray

    @property
    def noise_shares(self) -> FloatArray:
        """`Σ wᵢ²`, shape (n,): the variance of equal independent errors in the height."""
        shares: FloatArray = (self.weights**2).sum(axis=1)
        return shares


def corners_at(tin: Tin, xy: FloatArray) -> Corners:
    """The triangle of each place and its barycentric weights, shape (n, 2)."""
    x0, y0, cell, starts, members = tin._buckets
    return Corners(*_find_corners(tin.points, tin.triangles, x0, y0, cell, starts, members, xy))


def corners_without(tin: Tin) -> Corners:
    """What each point would be interpolated from if it were not there, one row a point.

    Of the triangles between a point's neighbours that hold it, the Delaunay one is the one with
    the least reach: the lower hull of the lifted points.
    """
    starts, around = _neighbours(len(tin.points), tin.triangles)
    return Corners(*_find_without(tin.points, starts, around))


@kernel
def _find_corners(
    points: FloatArray,
    triangles: Int32Array,
    x0: float,
    y0: float,
    cell: float,
    starts: IntArray,
    members: Int32Array,
    xy: FloatArray,
) -> tuple[IntArray, FloatArray, FloatArray]:
    ny, nx = starts.shape[0], starts.shape[1] - 1
    count = xy.shape[0]
    rows = np.full((count, 3), -1, dtype=np.int64)
    weights, reach = np.full((count, 3), np.nan), np.full(count, np.nan)
    for k in range(count):
        x, y = xy[k, 0], xy[k, 1]
        if not (x0 - cell <= x <= x0 + (nx + 1) * cell and y0 - cell <= y <= y0 + (ny + 1) * cell):
            continue
        i = min(max(int((x - x0) / cell), 0), nx - 1)
        j = min(max(int((y - y0) / cell), 0), ny - 1)
        for m in range(starts[j, i], starts[j, i + 1]):
            t = triangles[members[m]]
            if _weigh(points, t[0], t[1], t[2], x, y, weights[k]):
                rows[k, 0], rows[k, 1], rows[k, 2] = t[0], t[1], t[2]
                reach[k] = np.sqrt(_squared_reach(points, rows[k], weights[k], x, y))
                break
            weights[k] = np.nan
    return rows, weights, reach


@kernel
def _weigh(
    points: FloatArray, a: int, b: int, c: int, x: float, y: float, weights: FloatArray
) -> bool:
    """Write the barycentric weights; say whether the triangle holds the place."""
    ux, uy = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1]
    vx, vy = points[c, 0] - points[a, 0], points[c, 1] - points[a, 1]
    det = ux * vy - uy * vx
    if abs(det) <= _SLACK * (ux * ux + uy * uy + vx * vx + vy * vy):
        return False
    px, py = x - points[a, 0], y - points[a, 1]
    weights[1] = (px * vy - py * vx) / det
    weights[2] = (ux * py - uy * px) / det
    weights[0] = 1.0 - weights[1] - weights[2]
    return bool(weights.min() >= -_SLACK)


@kernel
def _squared_reach(
    points: FloatArray, rows: IntArray, weights: FloatArray, x: float, y: float
) -> float:
    total = 0.0
    for k in range(3):
        dx, dy = points[rows[k], 0] - x, points[rows[k], 1] - y
        total += max(weights[k], 0.0) * (dx * dx + dy * dy)
    return total


@kernel
def _neighbours(count: int, triangles: Int32Array) -> tuple[IntArray, IntArray]:
    """Points that share an edge with each point, those inside twice."""
    starts = np.zeros(count + 1, dtype=np.int64)
    for t in range(triangles.shape[0]):
        for k in range(3):
            starts[triangles[t, k] + 1] += 2
    starts = np.cumsum(starts)
    around, cursor = np.empty(starts[-1], dtype=np.int64), starts[:-1].copy()
    for t in range(triangles.shape[0]):
        for k in range(3):
            v = triangles[t, k]
            around[cursor[v]] = triangles[t, (k + 1) % 3]
            around[cursor[v] + 1] = triangles[t, (k + 2) % 3]
            cursor[v] += 2
    return starts, around


@kernel
def _find_without(
    points: FloatArray, starts: IntArray, around: IntArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    count = points.shape[0]
    rows = np.full((count, 3), -1, dtype=np.int64)
    weights, reach = np.full((count, 3), np.nan), np.full(count, np.nan)
    trial, three = np.empty(3), np.empty(3, dtype=np.int64)
    for v in range(count):
        x, y = points[v, 0], points[v, 1]
        near = np.unique(around[starts[v] : starts[v + 1]])
        if near.size > _MOST_NEIGHBOURS:
            squared = (points[near, 0] - x) ** 2 + (points[near, 1] - y) ** 2
            near = near[np.argsort(squared)[:_MOST_NEIGHBOURS]]
        best = np.inf
        for i in range(near.size):
            for j in range(i):
                for k in range(j):
                    if not _weigh(points, near[i], near[j], near[k], x, y, trial):
                        continue
                    three[0], three[1], three[2] = near[i], near[j], near[k]
                    squared_reach = _squared_reach(points, three, trial, x, y)
                    if squared_reach < best:
                        best = squared_reach
                        rows[v], weights[v] = three, trial
        if best < np.inf:
            reach[v] = np.sqrt(best)
    return rows, weights, reach
