"""Which triangle lies across each edge of a mesh."""

import numpy as np

from terrain.arrays import Int32Array
from terrain.kernels import kernel

NONE = -1


@kernel
def neighbours_of(triangles: Int32Array, count: int) -> Int32Array:
    """Across the edge from corner k to corner k + 1: the neighbour or NONE, shape (m, 3).

    `count` is the number of vertices. Edges are matched with their opposite, so all triangles must
    turn the same way; where more than two share an edge, the last ones found are matched.
    """
    across = np.full(triangles.shape, NONE, dtype=np.int32)
    newest = np.full(count, NONE, dtype=np.int64)  # half-edge 3 t + k that starts at each vertex
    older = np.full(triangles.size, NONE, dtype=np.int64)
    for t in range(triangles.shape[0]):
        for k in range(3):
            start, end = triangles[t, k], triangles[t, (k + 1) % 3]
            older[3 * t + k] = newest[start]
            newest[start] = 3 * t + k
            half = newest[end]
            while half != NONE and triangles[half // 3, (half % 3 + 1) % 3] != start:
                half = older[half]
            if half != NONE:
                across[t, k] = half // 3
                across[half // 3, half % 3] = t
    return across


@kernel
def border_of(triangles: Int32Array, across: Int32Array) -> Int32Array:
    """Edges without a neighbour, surface on their left, shape (e, 2)."""
    border = np.empty((triangles.size, 2), dtype=np.int32)
    count = 0
    for t in range(triangles.shape[0]):
        for k in range(3):
            if across[t, k] == NONE:
                border[count, 0] = triangles[t, k]
                border[count, 1] = triangles[t, (k + 1) % 3]
                count += 1
    return border[:count].copy()
