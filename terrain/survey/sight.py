"""Which shots see each other across the ground: no line that was walked lies between them."""

import numpy as np
from scipy.spatial import cKDTree

from terrain.arrays import FloatArray, IntArray
from terrain.kernels import kernel

_MOST_CELLS = 4_000_000


def steps_of(strings: list[IntArray]) -> IntArray:
    """The steps of all strings, rows of their two ends, shape (m, 2)."""
    pairs = [np.column_stack([rows[:-1], rows[1:]]) for rows in strings if len(rows) > 1]
    return np.concatenate(pairs) if pairs else np.empty((0, 2), dtype=np.int64)


def seen_around(plan: FloatArray, steps: IntArray, *, count: int) -> IntArray:
    """The nearest other places of each place, −1 where a step of a string hides one.

    Parameters
    ----------
    plan
        Distinct places, shape (n, 2), m.
    steps
        Places at the ends of each step of a walked line, shape (m, 2).
    count
        How many of the nearest are looked at.

    Returns
    -------
    IntArray
        Shape (n, count), nearest first.
    """
    _, near = cKDTree(plan).query(plan, k=count + 1, workers=-1)
    around = _without_self(np.asarray(near, dtype=np.int64))
    steps = steps[steps[:, 0] != steps[:, 1]]
    if len(steps):
        size = float(np.median(np.hypot(*(plan[steps[:, 1]] - plan[steps[:, 0]]).T)))
        low = plan.min(axis=0)
        extent = np.maximum(plan.max(axis=0) - low, 1e-9)
        cell = max(size, float(np.sqrt(extent[0] * extent[1] / _MOST_CELLS)), 1e-6)
        cell = max(cell, float(extent.max()) / _MOST_CELLS)
        nx, ny = int(extent[0] / cell) + 1, int(extent[1] / cell) + 1
        shifted = plan - low
        starts, members = steps_by_cell(shifted, steps, cell, nx, ny)
        _hide(shifted, steps, around, cell, nx, ny, starts, members)
    return around


def _without_self(around: IntArray) -> IntArray:
    """Neighbours of each place without the place itself, (n, k + 1) → (n, k)."""
    own = around == np.arange(len(around))[:, None]
    own[~own.any(axis=1), -1] = True
    others: IntArray = around[~own].reshape(len(around), -1)
    return others


@kernel
def steps_by_cell(
    plan: FloatArray, steps: IntArray, cell: float, nx: int, ny: int
) -> tuple[IntArray, IntArray]:
    """Where in `members` the steps that touch each cell of a lattice from (0, 0) begin."""
    starts = np.zeros(nx * ny + 1, dtype=np.int64)
    members = np.empty(0, dtype=np.int64)
    for fill in range(2):
        if fill == 1:
            for k in range(nx * ny):
                starts[k + 1] += starts[k]
            members = np.empty(starts[-1], dtype=np.int64)
            cursor = starts.copy()
        for s in range(steps.shape[0]):
            xa, ya = plan[steps[s, 0], 0], plan[steps[s, 0], 1]
            xb, yb = plan[steps[s, 1], 0], plan[steps[s, 1], 1]
            j0 = min(max(int(min(ya, yb) / cell), 0), ny - 1)
            j1 = min(max(int(max(ya, yb) / cell), 0), ny - 1)
            for j in range(j0, j1 + 1):
                # the part of the step within this row of cells, a hair wider
                left, right = min(xa, xb), max(xa, xb)
                if abs(yb - ya) > 1e-12:
                    p = xa + (xb - xa) * ((j - 1e-6) * cell - ya) / (yb - ya)
                    q = xa + (xb - xa) * ((j + 1 + 1e-6) * cell - ya) / (yb - ya)
                    left, right = max(left, min(p, q)), min(right, max(p, q))
                i0 = min(max(int(left / cell - 1e-6), 0), nx - 1)
                i1 = min(max(int(right / cell + 1e-6), 0), nx - 1)
                for i in range(i0, i1 + 1):
                    if fill == 0:
                        starts[j * nx + i + 1] += 1
                    else:
                        members[cursor[j * nx + i]] = s
                        cursor[j * nx + i] += 1
    return starts, members


@kernel
def _hide(
    plan: FloatArray,
    steps: IntArray,
    around: IntArray,
    cell: float,
    nx: int,
    ny: int,
    starts: IntArray,
    members: IntArray,
) -> None:
    for a in range(around.shape[0]):
        for k in range(around.shape[1]):
            if _hidden(plan, steps, a, around[a, k], cell, nx, ny, starts, members):
                around[a, k] = -1


@kernel
def _hidden(
    plan: FloatArray,
    steps: IntArray,
    a: int,
    b: int,
    cell: float,
    nx: int,
    ny: int,
    starts: IntArray,
    members: IntArray,
) -> bool:
    """Whether a step lies between two places; steps that begin or end at either do not count."""
    i0 = min(max(int(min(plan[a, 0], plan[b, 0]) / cell), 0), nx - 1)
    i1 = min(max(int(max(plan[a, 0], plan[b, 0]) / cell), 0), nx - 1)
    j0 = min(max(int(min(plan[a, 1], plan[b, 1]) / cell), 0), ny - 1)
    j1 = min(max(int(max(plan[a, 1], plan[b, 1]) / cell), 0), ny - 1)
    for j in range(j0, j1 + 1):
        for m in range(starts[j * nx + i0], starts[j * nx + i1 + 1]):
            c, d = steps[members[m], 0], steps[members[m], 1]
            if a not in (c, d) and b not in (c, d) and cross(plan, a, b, c, d):
                return True
    return False


@kernel
def cross(plan: FloatArray, a: int, b: int, c: int, d: int) -> bool:
    """Whether the steps a–b and c–d cross, each properly inside the other."""
    ux, uy = plan[b, 0] - plan[a, 0], plan[b, 1] - plan[a, 1]
    vx, vy = plan[d, 0] - plan[c, 0], plan[d, 1] - plan[c, 1]
    c_side = ux * (plan[c, 1] - plan[a, 1]) - uy * (plan[c, 0] - plan[a, 0])
    d_side = ux * (plan[d, 1] - plan[a, 1]) - uy * (plan[d, 0] - plan[a, 0])
    a_side = vx * (plan[a, 1] - plan[c, 1]) - vy * (plan[a, 0] - plan[c, 0])
    b_side = vx * (plan[b, 1] - plan[c, 1]) - vy * (plan[b, 0] - plan[c, 0])
    return bool(c_side * d_side < 0 and a_side * b_side < 0)
