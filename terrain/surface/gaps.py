"""Fill holes in gridded heights from the heights around them."""

import numpy as np

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.kernels import kernel

_SWEEPS = 60
_SOFTENINGS = 6
_OVER_RELAXATION = 1.7


def fill_everywhere(z: FloatArray) -> FloatArray:
    """Heights with every NaN replaced by a mean of the heights near it, (ny, nx).

    Means over ever larger squares of four reach every hole; each hole takes the smallest square
    that has heights, and at each size is smoothed towards a membrane. A rough surface for filters,
    not one to measure on.
    """
    unknown = np.isnan(z)
    if unknown.all() or not unknown.any():
        return z
    filled = z.copy()
    _fill_from(fill_everywhere(_halved(z)), filled)
    _soften(filled, unknown)
    return filled


@kernel
def _soften(z: FloatArray, holes: BoolArray) -> None:
    """Move each hole to the mean of its four neighbours, in place, a few times over."""
    ny, nx = z.shape
    for _ in range(_SOFTENINGS):
        for j in range(ny):
            for i in range(nx):
                if holes[j, i]:
                    total, count = 0.0, 0
                    for dj, di in ((-1, 0), (1, 0), (0, -1), (0, 1)):
                        a, b = j + dj, i + di
                        if 0 <= a < ny and 0 <= b < nx:
                            total += z[a, b]
                            count += 1
                    z[j, i] = total / max(count, 1)


@kernel
def _halved(z: FloatArray) -> FloatArray:
    """Means of squares of four nodes, of those that are known."""
    ny, nx = z.shape
    half = np.full(((ny + 1) // 2, (nx + 1) // 2), np.nan)
    for j in range(half.shape[0]):
        for i in range(half.shape[1]):
            total, count = 0.0, 0
            for b in range(2 * j, min(2 * j + 2, ny)):
                for a in range(2 * i, min(2 * i + 2, nx)):
                    if not np.isnan(z[b, a]):
                        total += z[b, a]
                        count += 1
            if count:
                half[j, i] = total / count
    return half


@kernel
def _fill_from(half: FloatArray, z: FloatArray) -> None:
    """Interpolate unknown nodes between the middles of squares of four."""
    ny, nx = half.shape
    for j in range(z.shape[0]):
        for i in range(z.shape[1]):
            if np.isnan(z[j, i]):
                b, a = j // 2, i // 2
                d = min(max(b + (1 if j % 2 else -1), 0), ny - 1)
                c = min(max(a + (1 if i % 2 else -1), 0), nx - 1)
                z[j, i] = (9 * half[b, a] + 3 * half[b, c] + 3 * half[d, a] + half[d, c]) / 16


def small_gaps(known: BoolArray, *, widest: float) -> BoolArray:
    """Unknown nodes in gaps and bays at most `widest` nodes across, (ny, nx).

    The closing of the known nodes by a disc: what a disc of that width cannot enter is small.
    """
    if not known.any():
        return np.zeros_like(known)
    reach = widest / 2
    margin = int(np.ceil(reach)) + 1
    unknown = np.pad(~known, margin, constant_values=True)
    centres = _out_of_reach(unknown, ~unknown, reach)
    small = _out_of_reach(unknown, centres, reach)
    return small[margin:-margin, margin:-margin]


@kernel
def _out_of_reach(nodes: BoolArray, seeds: BoolArray, reach: float) -> BoolArray:
    """Which of the nodes lie farther than `reach` from every seed."""
    ny, nx = nodes.shape
    most = int(reach) + 1
    across = np.empty((ny, nx), dtype=np.int32)  # to the nearest seed of the row
    for j in range(ny):
        west = east = most
        for i in range(nx):
            west = 0 if seeds[j, i] else min(west + 1, most)
            across[j, i] = west
        for i in range(nx - 1, -1, -1):
            east = 0 if seeds[j, i] else min(east + 1, most)
            across[j, i] = min(across[j, i], east)
    out = nodes.copy()
    for j in range(ny):
        for i in range(nx):
            b = max(j - most + 1, 0)
            while out[j, i] and b < min(j + most, ny):
                out[j, i] = across[b, i] ** 2 + (b - j) ** 2 > reach**2
                b += 1
    return out


def fill_small_gaps(z: FloatArray, *, widest: float) -> FloatArray:
    """Heights with small gaps closed by a membrane, (ny, nx); larger ones stay NaN.

    The membrane is the solution of Laplace's equation with the known heights as its border, by
    successive over-relaxation: a hole in a plane is closed by that plane.
    """
    holes = small_gaps(np.isfinite(z), widest=widest)
    if not holes.any():
        return z
    filled = np.where(holes, fill_everywhere(z), z)
    rows, columns = np.nonzero(holes)
    _relax(filled, rows, columns)
    return filled


@kernel
def _relax(z: FloatArray, rows: IntArray, columns: IntArray) -> None:
    ny, nx = z.shape
    for _ in range(_SWEEPS):
        for k in range(rows.size):
            j, i = rows[k], columns[k]
            total, count = 0.0, 0
            for dj, di in ((-1, 0), (1, 0), (0, -1), (0, 1)):
                a, b = j + dj, i + di
                if 0 <= a < ny and 0 <= b < nx and not np.isnan(z[a, b]):
                    total += z[a, b]
                    count += 1
            if count:
                z[j, i] += _OVER_RELAXATION * (total / count - z[j, i])
