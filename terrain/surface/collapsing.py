"""Take vertices back out of a triangulation that fits its points without them.

Greedy insertion cannot know which of its early vertices the later ones make needless. Here each is
drawn into one of its neighbours, if all points around it still fit: the half-edge collapse of H.
Hoppe et al. (1993), "Mesh optimization", with the vertical distance as the only cost.
"""

import numpy as np

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.kernels import kernel
from terrain.surface.adjacency import NONE
from terrain.surface.insertion import Front, turn

_MOST = 32  # triangles around a vertex that is tried
_PASSES = 4
_LEAST_GAIN = 0.01  # share of the vertices that a pass must take out for another one
_THIN = 1e-9  # area over longest side squared of a triangle that is no more than a line


@kernel
def take_out_needless(front: Front, fixed: BoolArray, tolerance: float) -> None:
    """Draw vertices that are not `fixed`, shape (n,), into a neighbour while all points fit.

    Triangles that are no more have NONE for corners.
    """
    at = np.full(front.x.size, NONE, dtype=np.int32)
    for t in range(front.sizes[0]):
        for k in range(3 if front.triangles[t, 0] != NONE else 0):
            at[front.triangles[t, k]] = t
    stars, ring = np.empty(_MOST, dtype=np.int32), np.empty(_MOST, dtype=np.int32)
    outer, locked = np.empty(_MOST, dtype=np.int32), np.empty(_MOST, dtype=np.bool_)
    planes = np.empty((_MOST, 2))
    for _ in range(_PASSES):
        there, taken = 0, 0
        for v in range(front.x.size):
            if fixed[v] or at[v] == NONE:
                continue
            there += 1
            size = _gather(front, int(at[v]), v, stars, ring, outer, locked)
            if size == 0:
                continue
            best, least = NONE, tolerance
            for m in range(size):
                error = _error_without(front, v, m, size, stars, ring, planes, least)
                if error <= least:
                    best, least = m, error
            if best != NONE:
                _collapse(front, v, best, size, stars, ring, outer, locked, at)
                taken += 1
        if taken < _LEAST_GAIN * there:
            break


@kernel
def _gather(
    front: Front,
    start: int,
    v: int,
    stars: Int32Array,
    ring: Int32Array,
    outer: Int32Array,
    locked: BoolArray,
) -> int:
    """Triangles around a vertex and what lies around them, counter-clockwise; how many, or 0."""
    t, size = start, 0
    while True:
        if size == _MOST:
            return 0
        k = 0
        while front.triangles[t, k] != v:
            k += 1
        k1, k2 = (k + 1) % 3, (k + 2) % 3
        stars[size], ring[size] = t, front.triangles[t, k1]
        outer[size], locked[size] = front.across[t, k1], front.locked[t, k1]
        size += 1
        t = int(front.across[t, k2])
        if t == NONE:
            return 0
        if t == start:
            return size


@kernel
def _turn(front: Front, a: int, b: int, c: int) -> float:
    return turn(front.x[a], front.y[a], front.x[b], front.y[b], front.x[c], front.y[c])


@kernel
def _is_thin(front: Front, a: int, b: int, c: int) -> bool:
    x, y = front.x, front.y
    longest = max(
        (x[b] - x[a]) ** 2 + (y[b] - y[a]) ** 2,
        (x[c] - x[b]) ** 2 + (y[c] - y[b]) ** 2,
        (x[a] - x[c]) ** 2 + (y[a] - y[c]) ** 2,
    )
    return bool(_turn(front, a, b, c) <= _THIN * longest)


@kernel
def _error_without(
    front: Front,
    v: int,
    m: int,
    size: int,
    stars: Int32Array,
    ring: Int32Array,
    planes: FloatArray,
    limit: float,
) -> float:
    """Greatest misfit around v once it is drawn into neighbour m; infinite if over the limit."""
    x, y, z = front.x, front.y, front.z
    u = ring[m]
    for i in range(1, size - 1):
        b, c = ring[(m + i) % size], ring[(m + i + 1) % size]
        if _is_thin(front, u, b, c):
            return np.inf
        ux, uy, vx, vy = x[b] - x[u], y[b] - y[u], x[c] - x[u], y[c] - y[u]
        det = ux * vy - uy * vx
        zb, zc = z[b] - z[u], z[c] - z[u]
        planes[i, 0], planes[i, 1] = (zb * vy - zc * uy) / det, (zc * ux - zb * vx) / det
    error = 0.0
    for s in range(-1, size):
        p = v if s < 0 else front.head[stars[s]]
        while p != NONE:
            i = _wedge(front, u, m, size, ring, p)
            off = abs(z[p] - z[u] - planes[i, 0] * (x[p] - x[u]) - planes[i, 1] * (y[p] - y[u]))
            if off > limit:
                return np.inf
            error = max(error, off)
            p = NONE if s < 0 else front.after[p]
    return error


@kernel
def _wedge(front: Front, u: int, m: int, size: int, ring: Int32Array, p: int) -> int:
    """Which triangle of the fan from neighbour m holds p; the fan may go more than half round."""
    after_start = _turn(front, u, ring[(m + 1) % size], p) >= 0
    for i in range(1, size - 2):
        off_end = _turn(front, u, ring[(m + i + 1) % size], p)
        if after_start and off_end <= 0:
            return i
        after_start = off_end >= 0
    return size - 2


@kernel
def _collapse(
    front: Front,
    v: int,
    m: int,
    size: int,
    stars: Int32Array,
    ring: Int32Array,
    outer: Int32Array,
    locked: BoolArray,
    at: Int32Array,
) -> None:
    u = ring[m]
    held = v
    front.after[v] = NONE
    for s in range(size):  # one chain of all points around, and v
        p = front.head[stars[s]]
        front.head[stars[s]] = NONE
        while p != NONE:
            following = front.after[p]
            front.after[p] = held
            held = p
            p = following
    last = (m + size - 1) % size
    for s in (m, last):
        for k in range(3):
            front.triangles[stars[s], k] = NONE
    for i in range(1, size - 1):
        s = (m + i) % size
        t = stars[s]
        b, c = ring[s], ring[(s + 1) % size]
        before = outer[m] if i == 1 else stars[(s + size - 1) % size]
        behind = outer[last] if i == size - 2 else stars[(s + 1) % size]
        front.triangles[t, 0], front.triangles[t, 1], front.triangles[t, 2] = u, b, c
        front.across[t, 0], front.across[t, 1], front.across[t, 2] = before, outer[s], behind
        front.locked[t, 0] = locked[m] if i == 1 else False
        front.locked[t, 1] = locked[s]
        front.locked[t, 2] = locked[last] if i == size - 2 else False
        at[b], at[c], at[u] = t, t, t
    _lead(front, outer[m], stars[m], stars[(m + 1) % size])
    _lead(front, outer[last], stars[last], stars[(m + size - 2) % size])
    at[v] = NONE
    while held != NONE:
        following = front.after[held]
        t = stars[(m + _wedge(front, u, m, size, ring, held)) % size]
        front.after[held] = front.head[t]
        front.head[t] = held
        held = following


@kernel
def _lead(front: Front, t: int, old: int, new: int) -> None:
    if t != NONE:
        for k in range(3):
            if front.across[t, k] == old:
                front.across[t, k] = new
                return
