"""Take away what only bridges ground that nobody measured: by border edge or by empty circle."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.errors import SurfaceError
from terrain.kernels import kernel
from terrain.surface.adjacency import NONE, neighbours_of
from terrain.surface.tin import Tin

NO_EDGES: IntArray = np.empty((0, 2), dtype=np.int64)
_LEFT, _RIGHT = 2, 0  # the edge after a corner's triangle, counter-clockwise or clockwise
_FAR = 6.0  # times the spacing: an edge this long bridges ground that nobody measured


def trim_by_length(
    tin: Tin, *, longest_border_m: float | None = None, keep: IntArray = NO_EDGES
) -> Tin:
    """Trim triangles from the border inward while their outer edge is too long.

    Holes inside stay bridged.

    Parameters
    ----------
    longest_border_m
        Longest edge that may be a border, m; by default 6 times the spacing around it (the median
        edge at its ends, the larger of the two).
    keep
        Edges (rows of `tin.points`, shape (e, 2)) through which nothing is trimmed.

    Raises
    ------
    SurfaceError
        No triangle is left.
    """
    across = neighbours_of(tin.triangles, len(tin.points))
    stays = np.ones(len(tin.triangles), dtype=np.bool_)
    peel_long(tin, across, stays, longest_border_m=longest_border_m, keep=keep)
    return replace(tin, triangles=tin.triangles[stays])


def trim_by_alpha(tin: Tin, radius_m: float, *, keep: IntArray = NO_EDGES) -> Tin:
    """Trim triangles from the border inward while the circle through their corners is too wide.

    On a Delaunay triangulation what stays is the alpha shape of the points (H. Edelsbrunner, D. G.
    Kirkpatrick and R. Seidel, "On the shape of a set of points in the plane", IEEE Transactions on
    Information Theory 29(4), 551–559, 1983), with the holes inside it bridged.

    Parameters
    ----------
    radius_m
        Radius of the widest circle that stays, m.
    keep
        Edges (rows of `tin.points`, shape (e, 2)) through which nothing is trimmed.

    Raises
    ------
    SurfaceError
        No triangle is left.
    """
    across = neighbours_of(tin.triangles, len(tin.points))
    stays = np.ones(len(tin.triangles), dtype=np.bool_)
    wide = circumradii(tin.points[:, :2], tin.triangles) > radius_m
    kept = edge_keys(keep)

    def goes(t: IntArray, k: IntArray) -> BoolArray:
        edges = _edges(tin.triangles, t, k)
        return wide[t] & ~_among(edges, kept)

    _peel(across, stays, goes)
    if not stays.any():
        raise SurfaceError(
            f"no triangle at the border fits in a circle of {radius_m:g} m radius",
            expected="a radius greater than the distance between the points",
            mend="raise the radius",
        )
    return replace(tin, triangles=tin.triangles[stays])


def peel_long(
    tin: Tin,
    across: Int32Array,
    stays: BoolArray,
    *,
    longest_border_m: float | None,
    keep: IntArray,
) -> None:
    """Clear `stays` of triangles whose outer edge is too long, shape (m,); see `trim_by_length`.

    `across` holds the neighbours over each edge. Triangles that do not stay from the start are
    outside.
    """
    plan, triangles, kept = tin.points[:, :2], tin.triangles, edge_keys(keep)

    def goes(t: IntArray, k: IntArray) -> BoolArray:
        edges = _edges(triangles, t, k)
        step = plan[edges[:, 1]] - plan[edges[:, 0]]
        length = np.hypot(step[:, 0], step[:, 1])
        if longest_border_m is not None:
            return (length > longest_border_m) & ~_among(edges, kept)
        limit = np.maximum(
            _spacing_at(plan, triangles, across, t, edges[:, 0]),
            _spacing_at(plan, triangles, across, t, edges[:, 1]),
        )
        return (length > _FAR * limit) & ~_among(edges, kept)

    _peel(across, stays, goes)
    if not stays.any():
        raise SurfaceError(
            f"no triangle has a border of {longest_border_m or 0.0:.2f} m or less",
            expected="a longest border greater than the distance between the points",
            mend="raise longest_border of this survey, or leave it out",
        )


def _peel(
    across: Int32Array, stays: BoolArray, goes: Callable[[IntArray, IntArray], BoolArray]
) -> None:
    """Clear triangles that `goes` at their border, layer by layer until none does.

    `goes` is asked about triangles and which of their edges (corner k to k + 1) lies open.
    """
    t, k = np.nonzero(stays[:, None] & ((across == NONE) | ~stays[across]))
    while len(t):
        gone = np.unique(t[goes(t, k)])
        stays[gone] = False
        beside = np.unique(across[gone])
        beside = beside[beside != NONE]
        beside = beside[stays[beside]]
        row, k = np.nonzero(np.isin(across[beside], gone))
        t = beside[row].astype(np.int64)


def _edges(triangles: Int32Array, t: IntArray, k: IntArray) -> IntArray:
    edges: IntArray = np.stack([triangles[t, k], triangles[t, (k + 1) % 3]], axis=-1)
    return edges


def _among(edges: IntArray, keys: IntArray) -> BoolArray:
    among: BoolArray = np.isin(_keys(edges), keys)
    return among


def _keys(edges: IntArray) -> IntArray:
    low, high = edges.min(axis=-1), edges.max(axis=-1)
    keys: IntArray = low.astype(np.int64) << 32 | high.astype(np.int64)
    return keys


def edge_keys(edges: IntArray) -> IntArray:
    """One sorted number for each edge whichever way it runs, shape (e, 2) → (distinct e,)."""
    return np.unique(_keys(edges))


@kernel
def circumradii(plan: FloatArray, triangles: Int32Array) -> FloatArray:
    """Radius of the circle through the corners of each triangle, product of sides over 4 areas."""
    radii = np.empty(triangles.shape[0])
    for t in range(triangles.shape[0]):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        ux, uy = plan[b, 0] - plan[a, 0], plan[b, 1] - plan[a, 1]
        vx, vy = plan[c, 0] - plan[a, 0], plan[c, 1] - plan[a, 1]
        doubled = abs(ux * vy - uy * vx)
        sides = np.hypot(ux, uy) * np.hypot(vx, vy) * np.hypot(vx - ux, vy - uy)
        radii[t] = sides / (2 * doubled) if doubled > 0 else np.inf
    return radii


def _spacing_at(
    plan: FloatArray, triangles: Int32Array, across: Int32Array, first: IntArray, vertex: IntArray
) -> FloatArray:
    """Median length of the edges at a corner of each triangle; edges inside count twice."""
    counts = np.zeros(first.size, dtype=np.int64)
    _look_around(triangles, across, first, vertex, counts, np.empty(0, dtype=np.int64))
    starts = np.cumsum(counts) - counts
    ends = np.empty(counts.sum(), dtype=np.int64)
    _look_around(triangles, across, first, vertex, starts.copy(), ends)
    which = np.repeat(np.arange(first.size), counts)
    length = np.hypot(*(plan[ends] - plan[vertex[which]]).T)
    length = length[np.lexsort((length, which))]
    spacing: FloatArray = (length[starts + (counts - 1) // 2] + length[starts + counts // 2]) / 2
    return spacing


@kernel
def _look_around(
    triangles: Int32Array,
    across: Int32Array,
    first: IntArray,
    vertex: IntArray,
    cursor: IntArray,
    ends: IntArray,
) -> None:
    """Write the other ends of the edges at each corner, two a triangle, or only count them."""
    for i in range(first.size):
        v = vertex[i]
        for way in (_LEFT, _RIGHT):  # to the right only what the left does not come round to
            t = first[i]
            begun = way == _LEFT
            while t != NONE:
                k = 0 if triangles[t, 0] == v else 1 if triangles[t, 1] == v else 2
                if begun:
                    if ends.size > 0:
                        ends[cursor[i]] = triangles[t, (k + 1) % 3]
                        ends[cursor[i] + 1] = triangles[t, (k + 2) % 3]
                    cursor[i] += 2
                begun = True
                t = np.int64(across[t, (k + way) % 3])
                if t == first[i]:
                    break
            if t != NONE:
                break
