"""Constrained Delaunay triangulation in the plane: places in, triangles and neighbours out."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pythoncdt

from terrain.arrays import FloatArray, Int32Array, IntArray
from terrain.kernels import kernel
from terrain.surface.adjacency import NONE

_SUPER = 3  # vertices of the triangle around everything, which come first while it is there


@dataclass(frozen=True)
class Mesh:
    """A plane triangulation.

    Attributes
    ----------
    corners
        Places, shape (n, 2), m: those given, then those where fixed edges cross.
    triangles
        Rows of `corners`, counter-clockwise, shape (m, 3).
    across
        Neighbour over the edge from each corner to the next, NONE at the border, shape (m, 3).
    """

    corners: FloatArray
    triangles: Int32Array
    across: Int32Array


def triangulate(plan: FloatArray, fixed: IntArray) -> Mesh:
    """Constrained Delaunay triangulation of the convex hull of distinct places.

    Parameters
    ----------
    plan
        Distinct places, shape (n, 2), m.
    fixed
        Rows of `plan` joined by an edge whatever lies near, shape (e, 2).
    """
    order = along_a_curve(plan)
    mesh: Any = pythoncdt.Triangulation(
        pythoncdt.VertexInsertionOrder.AUTO, pythoncdt.IntersectingConstraintEdges.TRY_RESOLVE, 0.0
    )
    mesh.insert_vertices(plan[order])
    if len(fixed):
        rank = np.empty(len(plan), dtype=np.uint32)
        rank[order] = np.arange(len(plan), dtype=np.uint32)
        mesh.insert_edges(rank[fixed])
    vertices, triangles = mesh.vertices_array(), mesh.triangles_array()
    added = np.column_stack([vertices["x"], vertices["y"]])[_SUPER + len(plan) :]
    row_of = np.concatenate([order, np.arange(len(plan), len(plan) + len(added))])
    corners = np.concatenate([plan, added])
    return Mesh(corners, *_without_super(triangles["vertices"], triangles["neighbors"], row_of))


@kernel
def _without_super(
    triangles: IntArray, neighbours: IntArray, row_of: IntArray
) -> tuple[Int32Array, Int32Array]:
    """Leave out what touches the triangle around everything; number vertices as they came."""
    count = triangles.shape[0]
    number = np.full(count, NONE, dtype=np.int32)
    kept = 0
    for t in range(count):
        if min(triangles[t, 0], triangles[t, 1], triangles[t, 2]) >= _SUPER:
            number[t] = kept
            kept += 1
    inner = np.empty((kept, 3), dtype=np.int32)
    across = np.empty((kept, 3), dtype=np.int32)
    for t in range(count):
        if number[t] != NONE:
            for k in range(3):
                inner[number[t], k] = row_of[triangles[t, k] - _SUPER]
                n = neighbours[t, k]
                across[number[t], k] = number[n] if n < count else NONE
    return inner, across


@kernel
def _spread(x: int) -> int:
    """The bits of a number below 1024, each followed by a zero."""
    x = (x | (x << 8)) & 0x00FF00FF
    x = (x | (x << 4)) & 0x0F0F0F0F
    x = (x | (x << 2)) & 0x33333333
    return (x | (x << 1)) & 0x55555555


def along_a_curve(plan: FloatArray) -> IntArray:
    """Rows in the order of a Z-shaped curve: neighbours in the plane are near in memory."""
    low, high = plan.min(axis=0), plan.max(axis=0)
    return _along_a_curve(plan, float(low[0]), float(low[1]), float((high - low).max()))


@kernel
def _along_a_curve(plan: FloatArray, low_x: float, low_y: float, size: float) -> IntArray:
    count = plan.shape[0]
    bits = 1
    while bits < 10 and 4**bits < count:
        bits += 1
    scale = (2**bits - 1) / size if size > 0 else 0.0
    bucket = np.empty(count, dtype=np.int32)
    starts = np.zeros(4**bits + 1, dtype=np.int64)
    for k in range(count):
        column, row = int((plan[k, 0] - low_x) * scale), int((plan[k, 1] - low_y) * scale)
        bucket[k] = _spread(column) | (_spread(row) << 1)
        starts[bucket[k] + 1] += 1
    for b in range(1, starts.size):
        starts[b] += starts[b - 1]
    order = np.empty(count, dtype=np.int64)
    for k in range(count):
        order[starts[bucket[k]]] = k
        starts[bucket[k]] += 1
    return order
