"""Greedy insertion: put the worst-fitted point into a triangulation until all fit.

After M. Garland and P. S. Heckbert (1995), "Fast polygonal approximation of terrains and height
fields", Carnegie Mellon University CMU-CS-95-181: each triangle holds the points inside it, a heap
holds the triangles by their worst point, and the triangulation stays Delaunay by swaps of edges.
"""

from typing import NamedTuple

import numpy as np

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.kernels import kernel
from terrain.surface.adjacency import NONE

_ROUNDING = 4e-16  # of a product of two coordinates
_SPLIT = 134217729.0  # 2^27 + 1: splits a double into halves (T. J. Dekker 1971)


class Front(NamedTuple):
    """A triangulation under work; arrays hold room for all triangles there can be.

    Attributes
    ----------
    x, y, z
        Vertices and points still to fit, shape (n,), m.
    triangles, across
        Corners and neighbours, shape (room, 3).
    locked
        Edges, from corner k to k + 1, that are never swapped, shape (room, 3).
    head, after
        First point inside each triangle, (room,), and the next one of each point, (n,).
    worst, error
        Point of each triangle with the greatest vertical distance, and that distance, (room,).
    heap, place
        Triangles that do not fit, worst first, and the place of each in that, (room,).
    sizes
        Number of triangles, and of those in the heap, shape (2,).
    """

    x: FloatArray
    y: FloatArray
    z: FloatArray
    triangles: Int32Array
    across: Int32Array
    locked: BoolArray
    head: Int32Array
    after: Int32Array
    worst: Int32Array
    error: FloatArray
    heap: Int32Array
    place: Int32Array
    sizes: IntArray


def make_front(
    xyz: FloatArray, triangles: Int32Array, across: Int32Array, locked: BoolArray
) -> Front:
    """Begin with a triangulation of some of the points, shape (n, 3), m."""
    count, m = len(xyz), len(triangles)
    room = m + 2 * count

    front = Front(
        x=np.ascontiguousarray(xyz[:, 0]),
        y=np.ascontiguousarray(xyz[:, 1]),
        z=np.ascontiguousarray(xyz[:, 2]),
        triangles=np.empty((room, 3), dtype=np.int32),
        across=np.empty((room, 3), dtype=np.int32),
        locked=np.empty((room, 3), dtype=np.bool_),
        head=np.empty(room, dtype=np.int32),
        after=np.full(count, NONE, dtype=np.int32),
        worst=np.empty(room, dtype=np.int32),
        error=np.empty(room),
        heap=np.empty(room, dtype=np.int32),
        place=np.empty(room, dtype=np.int32),
        sizes=np.array([m, 0]),
    )
    front.triangles[:m], front.across[:m], front.locked[:m] = triangles, across, locked
    front.head[:m] = front.place[:m] = NONE
    return front


@kernel
def _product(a: float, b: float) -> tuple[float, float]:
    """A product of two numbers without rounding, as a sum of two."""
    p = a * b
    a_high = _SPLIT * a - (_SPLIT * a - a)
    b_high = _SPLIT * b - (_SPLIT * b - b)
    a_low, b_low = a - a_high, b - b_high
    return p, ((a_high * b_high - p) + a_high * b_low + a_low * b_high) + a_low * b_low


@kernel
def turn(ax: float, ay: float, bx: float, by: float, cx: float, cy: float) -> float:
    """Twice the area of a triangle, positive when a, b, c turn left; exact in its sign.

    As long as the differences of coordinates are: those of points near each other are.
    """
    ux, uy, vx, vy = bx - ax, by - ay, cx - ax, cy - ay
    left, right = ux * vy, uy * vx
    area = left - right
    if abs(area) > _ROUNDING * (abs(left) + abs(right)):
        return area
    p, p_rest = _product(ux, vy)
    q, q_rest = _product(uy, vx)
    return (p - q) + (p_rest - q_rest)


@kernel
def _turn(front: Front, a: int, b: int, c: int) -> float:
    return turn(front.x[a], front.y[a], front.x[b], front.y[b], front.x[c], front.y[c])


@kernel
def _in_circle(front: Front, a: int, b: int, c: int, d: int) -> bool:
    """Whether d lies in the circle through a, b, c (they turn left) by more than rounding."""
    x, y = front.x, front.y
    ax, ay = x[a] - x[d], y[a] - y[d]
    bx, by = x[b] - x[d], y[b] - y[d]
    cx, cy = x[c] - x[d], y[c] - y[d]
    aa, bb, cc = ax * ax + ay * ay, bx * bx + by * by, cx * cx + cy * cy
    value = aa * (bx * cy - by * cx) + bb * (cx * ay - cy * ax) + cc * (ax * by - ay * bx)
    size = (
        aa * (abs(bx * cy) + abs(by * cx))
        + bb * (abs(cx * ay) + abs(cy * ax))
        + cc * (abs(ax * by) + abs(ay * bx))
    )
    return bool(value > 1e-14 * size)


@kernel
def _swap_places(front: Front, i: int, j: int) -> None:
    a, b = front.heap[i], front.heap[j]
    front.heap[i], front.heap[j] = b, a
    front.place[a], front.place[b] = j, i


@kernel
def _rise(front: Front, i: int) -> int:
    while i > 0:
        parent = (i - 1) // 2
        if front.error[front.heap[i]] <= front.error[front.heap[parent]]:
            break
        _swap_places(front, i, parent)
        i = parent
    return i


@kernel
def _sink(front: Front, i: int) -> None:
    size = front.sizes[1]
    while True:
        child = 2 * i + 1
        if child >= size:
            return
        if child + 1 < size and (
            front.error[front.heap[child + 1]] > front.error[front.heap[child]]
        ):
            child += 1
        if front.error[front.heap[child]] <= front.error[front.heap[i]]:
            return
        _swap_places(front, i, child)
        i = child


@kernel
def _queue(front: Front, t: int, tolerance: float) -> None:
    """Put a triangle where its error belongs in the heap, or take it out."""
    i = front.place[t]
    if front.error[t] > tolerance:
        if i == NONE:
            i = front.sizes[1]
            front.sizes[1] += 1
            front.heap[i] = t
            front.place[t] = i
        _sink(front, _rise(front, i))
    elif i != NONE:
        front.sizes[1] -= 1
        last = front.sizes[1]
        _swap_places(front, i, last)
        front.place[t] = NONE
        if i < last:
            _sink(front, _rise(front, i))


@kernel
def _weigh(front: Front, t: int, tolerance: float) -> None:
    """Find the worst-fitted point of a triangle."""
    x, y, z = front.x, front.y, front.z
    a, b, c = _three(front.triangles, t)
    ux, uy, vx, vy = x[b] - x[a], y[b] - y[a], x[c] - x[a], y[c] - y[a]
    det = ux * vy - uy * vx
    zb, zc = z[b] - z[a], z[c] - z[a]
    east, north = (zb * vy - zc * uy) / det, (zc * ux - zb * vx) / det
    worst, error = NONE, 0.0
    p = front.head[t]
    while p != NONE:
        off = abs(z[p] - z[a] - east * (x[p] - x[a]) - north * (y[p] - y[a]))
        if off > error:
            worst, error = p, off
        p = front.after[p]
    front.worst[t], front.error[t] = worst, error
    _queue(front, t, tolerance)


@kernel
def _hold(front: Front, t: int, p: int) -> None:
    front.after[p] = front.head[t]
    front.head[t] = p


@kernel
def _three(rows: Int32Array, t: int) -> tuple[int, int, int]:
    return int(rows[t, 0]), int(rows[t, 1]), int(rows[t, 2])


@kernel
def _take_all(front: Front, t: int) -> int:
    first = int(front.head[t])
    front.head[t] = NONE
    return first


@kernel
def _set(front: Front, t: int, a: int, b: int, c: int, ab: int, bc: int, ca: int) -> None:
    front.triangles[t, 0], front.triangles[t, 1], front.triangles[t, 2] = a, b, c
    front.across[t, 0], front.across[t, 1], front.across[t, 2] = ab, bc, ca


@kernel
def _lock(front: Front, t: int, ab: bool, bc: bool, ca: bool) -> None:
    front.locked[t, 0], front.locked[t, 1], front.locked[t, 2] = ab, bc, ca


@kernel
def _relink(front: Front, t: int, old: int, new: int) -> None:
    """Tell neighbour `t` that `new` lies where `old` lay."""
    if t != NONE:
        for k in range(3):
            if front.across[t, k] == old:
                front.across[t, k] = new
                return


@kernel
def _grow(front: Front) -> int:
    t = int(front.sizes[0])
    front.sizes[0] += 1
    front.head[t] = NONE
    front.place[t] = NONE
    return t


@kernel
def _split_inside(front: Front, t: int, p: int) -> int:
    """Join p with the corners of its triangle; the first of the fan around p."""
    a, b, c = _three(front.triangles, t)
    ab, bc, ca = _three(front.across, t)
    l_ab, l_bc, l_ca = front.locked[t, 0], front.locked[t, 1], front.locked[t, 2]
    u, v = _grow(front), _grow(front)
    held = _take_all(front, t)
    _set(front, t, p, a, b, v, ab, u)
    _set(front, u, p, b, c, t, bc, v)
    _set(front, v, p, c, a, u, ca, t)
    _lock(front, t, False, l_ab, False)
    _lock(front, u, False, l_bc, False)
    _lock(front, v, False, l_ca, False)
    _relink(front, bc, t, u)
    _relink(front, ca, t, v)
    while held != NONE:
        following = front.after[held]
        if held != p:
            of_a, of_b = _turn(front, p, a, held) >= 0, _turn(front, p, b, held) >= 0
            if of_a and not of_b:
                _hold(front, t, held)
            elif of_b and _turn(front, p, c, held) < 0:
                _hold(front, u, held)
            else:
                _hold(front, v, held)
        held = following
    return t


@kernel
def _halve(front: Front, right: int, left: int, p: int, apex: int, held: int) -> None:
    """Share points among two triangles on either side of the line from p to their apex."""
    while held != NONE:
        following = front.after[held]
        if held != p:
            _hold(front, left if _turn(front, p, apex, held) > 0 else right, held)
        held = following


@kernel
def _split_edge(front: Front, t: int, k: int, p: int) -> int:
    """Split edge k of a triangle, and its neighbour, at p; the first of the fan around p."""
    k1, k2 = (k + 1) % 3, (k + 2) % 3
    a, b, c = front.triangles[t, k], front.triangles[t, k1], front.triangles[t, k2]
    n, bc, ca = front.across[t, k], front.across[t, k1], front.across[t, k2]
    locked, l_bc, l_ca = front.locked[t, k], front.locked[t, k1], front.locked[t, k2]
    u = _grow(front)
    held = _take_all(front, t)
    w = NONE
    if n != NONE:
        w = _grow(front)
        j = 0
        while front.across[n, j] != t:
            j += 1
        j1, j2 = (j + 1) % 3, (j + 2) % 3
        d, ad, db = front.triangles[n, j2], front.across[n, j1], front.across[n, j2]
        l_ad, l_db = front.locked[n, j1], front.locked[n, j2]
        beyond = _take_all(front, n)
        _set(front, n, p, d, b, w, db, t)
        _set(front, w, p, a, d, u, ad, n)
        _lock(front, n, False, l_db, locked)
        _lock(front, w, locked, l_ad, False)
        _relink(front, ad, n, w)
        _halve(front, w, n, p, d, beyond)
    _set(front, t, p, b, c, n, bc, u)
    _set(front, u, p, c, a, t, ca, w)
    _lock(front, t, locked, l_bc, False)
    _lock(front, u, False, l_ca, locked)
    _relink(front, ca, t, u)
    _halve(front, t, u, p, c, held)
    return t


@kernel
def _swap_edge(front: Front, t: int) -> bool:
    """Swap the edge opposite the first corner if the place beyond is in the circle."""
    n = front.across[t, 1]
    if n == NONE or front.locked[t, 1]:
        return False
    p, a, b = _three(front.triangles, t)
    j = 0
    while front.across[n, j] != t:
        j += 1
    j1, j2 = (j + 1) % 3, (j + 2) % 3
    q = front.triangles[n, j2]
    if not _in_circle(front, p, a, b, q):
        return False
    if _turn(front, p, a, q) <= 0 or _turn(front, p, q, b) <= 0:
        return False
    aq, qb = front.across[n, j1], front.across[n, j2]
    l_aq, l_qb = front.locked[n, j1], front.locked[n, j2]
    pa, bp = front.across[t, 0], front.across[t, 2]
    l_pa, l_bp = front.locked[t, 0], front.locked[t, 2]
    first, second = _take_all(front, t), _take_all(front, n)
    _set(front, t, p, a, q, pa, aq, n)
    _set(front, n, p, q, b, t, qb, bp)
    _lock(front, t, l_pa, l_aq, False)
    _lock(front, n, False, l_qb, l_bp)
    _relink(front, aq, n, t)
    _relink(front, bp, t, n)
    _halve(front, t, n, p, q, first)
    _halve(front, t, n, p, q, second)
    return True


@kernel
def _next_around(front: Front, t: int, first: int) -> int:
    """The next triangle around the first corner of `t`, or NONE after the last."""
    following = int(front.across[t, 2])
    return NONE if following == first else following


@kernel
def _insert(front: Front, t: int, p: int, tolerance: float) -> None:
    on = NONE
    for k in range(3):
        if _turn(front, front.triangles[t, k], front.triangles[t, (k + 1) % 3], p) == 0:
            on = k
    first = _split_inside(front, t, p) if on == NONE else _split_edge(front, t, on, p)
    fan = first
    while fan != NONE:
        while _swap_edge(front, fan):
            pass
        fan = _next_around(front, fan, first)
    fan = first
    while fan != NONE:
        _weigh(front, fan, tolerance)
        fan = _next_around(front, fan, first)


@kernel
def insert_worst(front: Front, tolerance: float) -> None:
    """Insert points until each fits its triangle to `tolerance`, m."""
    for t in range(front.sizes[0]):
        if front.head[t] != NONE:
            _weigh(front, t, tolerance)
    while front.sizes[1] > 0:
        t = int(front.heap[0])
        _insert(front, int(t), int(front.worst[t]), tolerance)


@kernel
def place_points(front: Front, rows: IntArray, inside: BoolArray) -> int:
    """Give each point to the triangle it lies in; the number of points that lie in none.

    The triangles must fill a convex region; those not `inside`, shape (m,), take no points.
    """
    lost = 0
    t = 0
    for row in rows:
        t = _walk(front, t, row)
        home = t
        if not inside[t]:
            home = NONE
            for k in range(3):
                a, b = front.triangles[t, k], front.triangles[t, (k + 1) % 3]
                n = front.across[t, k]
                if n != NONE and inside[n] and _turn(front, a, b, row) == 0:
                    home = n
        if home == NONE:
            lost += 1
        else:
            _hold(front, home, row)
    return lost


@kernel
def _walk(front: Front, t: int, p: int) -> int:
    """The triangle that holds p, from `t` toward it; all are tried if the way goes in circles."""
    for step in range(front.sizes[0]):
        beyond = NONE
        for j in range(3):
            k = (j + step) % 3
            a, b = front.triangles[t, k], front.triangles[t, (k + 1) % 3]
            if front.across[t, k] != NONE and _turn(front, a, b, p) < 0:
                beyond = front.across[t, k]
                break
        if beyond == NONE:
            return t
        t = beyond
    best, least = t, -np.inf
    for other in range(front.sizes[0]):
        a, b, c = _three(front.triangles, other)
        depth = min(_turn(front, a, b, p), _turn(front, b, c, p), _turn(front, c, a, p))
        if depth > least:
            best, least = other, depth
    return best
