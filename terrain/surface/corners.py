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
    places = np.ascontiguousarray(xy)
    return Corners(*_find_corners(tin.points, tin.triangles, x0, y0, cell, starts, members, places))


def corners_without(tin: Tin) -> Corners:
    """What each point would be interpolated from if it were not there, one row a point.

    Of the triangles between a point's neighbours that hold it, the Delaunay one is the one with
    the least reach: the lower hull of the lifted points.
    """
    starts, around = _neighbours(tin.points, tin.triangles)
    return Corners(*_find_without(tin.points, starts, around))


def _neighbours(points: FloatArray, triangles: Int32Array) -> tuple[IntArray, IntArray]:
    """Points that share an edge with each point; of many, the nearest."""
    count = len(points)
    a, b = triangles.astype(np.int64), np.roll(triangles, -1, axis=1).astype(np.int64)
    pairs = np.unique(np.concatenate([(a * count + b).ravel(), (b * count + a).ravel()]))
    centre, around = np.divmod(pairs, max(count, 1))
    many = np.bincount(centre, minlength=count) > _MOST_NEIGHBOURS
    squared = ((points[around, :2] - points[centre, :2]) ** 2).sum(axis=1)
    order = np.lexsort((around, np.where(many[centre], squared, 0.0), centre))
    starts = np.searchsorted(centre, np.arange(count + 1))
    within = np.arange(len(centre)) - starts[centre] < _MOST_NEIGHBOURS
    around, centre = around[order][within], centre[within]
    return np.searchsorted(centre, np.arange(count + 1)), around


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
            weights[k, 0] = weights[k, 1] = weights[k, 2] = np.nan
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
    return bool(weights[0] >= -_SLACK and weights[1] >= -_SLACK and weights[2] >= -_SLACK)


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
def _find_without(
    points: FloatArray, starts: IntArray, around: IntArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    count = points.shape[0]
    rows = np.full((count, 3), -1, dtype=np.int64)
    weights, reach = np.full((count, 3), np.nan), np.full(count, np.nan)
    trial, three = np.empty(3), np.empty(3, dtype=np.int64)
    for v in range(count):
        x, y = points[v, 0], points[v, 1]
        near = around[starts[v] : starts[v + 1]]
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
                        for c in range(3):
                            rows[v, c], weights[v, c] = three[c], trial[c]
        if best < np.inf:
            reach[v] = np.sqrt(best)
    return rows, weights, reach
