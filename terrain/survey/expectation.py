"""What height a shot should have, told by the shots that it sees and by those of its string."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.kernels import kernel

SECTORS = 8  # directions in which the ground is looked at
QUARTER = 0.7071067811865476  # cosine of 45°
ASKEW = 0.3  # radians from the nearest shot: no edge of a sector runs along a grid of shots
LOUDEST = 2.0  # variance of a prediction over that of one height
SOFTEN = 0.1  # of the way to the farthest neighbour: nearer ones weigh no more than at this
UNTRUE = 3.0  # times the best fit: a plane that fits its own shots worse than this says nothing
NOISE_M = 0.03  # a fit better than this is luck
GUESSES = 2 * SECTORS + 1 + 6
AT_ONCE = 20_000  # shots looked at together, to spare memory


@dataclass(frozen=True)
class Mates:
    """For each shot the two before and the two after on its string, −1 where there is none.

    Attributes
    ----------
    row
        Shape (n, 4): two before, one before, one after, two after.
    gap
        Distance walked to each, m, negative before; shape (n, 4).
    """

    row: IntArray
    gap: FloatArray


def mates_of(xyz: FloatArray, strings: list[IntArray], gone: BoolArray) -> Mates:
    """Neighbours along each string, skipping the shots that are `gone`; (n, 3) → n."""
    n = len(xyz)
    row = np.full((n, 4), -1, dtype=np.int64)
    gap = np.zeros((n, 4))
    for whole in strings:
        steps = np.hypot(*np.diff(xyz[whole, :2], axis=0).T)
        station = np.concatenate([[0.0], np.cumsum(steps)])
        _join(whole, station, gone[whole], row, gap)
    return Mates(row, gap)


@kernel
def _join(
    rows: IntArray, station: FloatArray, gone: BoolArray, row: IntArray, gap: FloatArray
) -> None:
    n = rows.size
    for i in range(n):
        for side in (-1, 1):
            j, found = i + side, 0
            while 0 <= j < n and found < 2:
                if not gone[j] and station[j] != station[i]:
                    slot = 1 - found if side < 0 else 2 + found
                    row[rows[i], slot] = rows[j]
                    gap[rows[i], slot] = station[j] - station[i]
                    found += 1
                j += side


@kernel
def lopsided(xyz: FloatArray, around: IntArray) -> FloatArray:
    """Length of the mean direction to the shots seen around each, (n,): 1 if all lie one way."""
    n, k = around.shape
    out = np.ones(n)
    for i in range(n):
        east = north = 0.0
        count = 0
        for m in range(k):
            j = around[i, m]
            if j >= 0:
                x, y = xyz[j, 0] - xyz[i, 0], xyz[j, 1] - xyz[i, 1]
                d = np.sqrt(x * x + y * y)
                east, north, count = east + x / d, north + y / d, count + 1
        if count:
            out[i] = np.sqrt(east * east + north * north) / count
    return out


def expect(
    which: IntArray,
    xyz: FloatArray,
    around: IntArray,
    order: IntArray,
    window: int,
    gone: BoolArray,
    mate: IntArray,
    gap: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Height of each shot of `which` above what is expected of it.

    The ground is guessed by planes through the shots that it sees: for a shot on a string those
    on either side of the string with its mates, for another those on one side or in one quarter
    of it, in eight directions; and by the profile of its string before, after and across it.
    Planes that do not fit their own shots are not listened to.

    Parameters
    ----------
    which
        Rows to look at, shape (q,).
    xyz
        Shape (n, 3).
    around
        Rows seen around each row, −1 for none, shape (n, k).
    order
        When each was shot, shape (n,); shots within `window` of each other do not vouch for
        each other.
    gone
        Rows that vouch for nothing, shape (n,).
    mate, gap
        As in `Mates`.

    Returns
    -------
    tuple
        Above the nearest guess, above the middle one, half the spread of the guesses: (q,) each.
        NaN where nothing can be guessed.
    """
    nearest, typical, spread = (np.empty(which.size) for _ in range(3))
    for start in range(0, which.size, AT_ONCE):
        part = slice(start, start + AT_ONCE)
        off = _trusted(_guess(which[part], xyz, around, order, window, gone, mate, gap))
        size = np.where(np.isnan(off), np.inf, np.abs(off))
        nearest[part] = np.take_along_axis(off, size.argmin(axis=1)[:, None], axis=1)[:, 0]
        typical[part] = medians(off)
        spread[part] = medians(np.abs(off - typical[part, None]))
    return nearest, typical, spread


def _trusted(guesses: FloatArray) -> FloatArray:
    """How far off the guesses say, NaN for those not listened to; (q, g, 2) → (q, g)."""
    off = guesses[..., 0]
    fit = np.where(np.isnan(off), np.inf, guesses[..., 1])
    return np.where(
        fit <= UNTRUE * np.maximum(NOISE_M, fit.min(axis=1, keepdims=True)), off, np.nan
    )


def medians(rows: FloatArray) -> FloatArray:
    """Median of the numbers of each row, (q, g) → (q,); NaN where there are none."""
    if rows.shape[1] == 0:
        return np.full(len(rows), np.nan)
    count = np.count_nonzero(~np.isnan(rows), axis=1)
    upwards = np.sort(rows, axis=1)
    middle = np.column_stack([np.maximum(count - 1, 0) // 2, count // 2])
    median: FloatArray = np.take_along_axis(upwards, middle, axis=1).mean(axis=1)
    return median


@kernel
def _guess(
    which: IntArray,
    xyz: FloatArray,
    around: IntArray,
    order: IntArray,
    window: int,
    gone: BoolArray,
    mate: IntArray,
    gap: FloatArray,
) -> FloatArray:
    """How far each shot is above each guess and how well that fits, (q, GUESSES, 2)."""
    q, k = which.size, around.shape[1]
    guesses = np.full((q, GUESSES, 2), np.nan)
    seen = np.empty((4, k + 4))
    off, fit = np.empty(GUESSES), np.empty(GUESSES)
    for w in range(q):
        i = which[w]
        walked = mate[i, 1] >= 0 or mate[i, 2] >= 0
        count = _gather(i, xyz, around, order, window, gone, mate, seen)
        told = _planes(seen, count, walked, off, fit)
        if walked:
            told = _profile(i, xyz, gone, order, window, mate, gap, off, fit, told)
        for g in range(told):
            guesses[w, g, 0], guesses[w, g, 1] = off[g], fit[g] if walked else 0.0
    return guesses


@kernel
def _gather(
    i: int,
    xyz: FloatArray,
    around: IntArray,
    order: IntArray,
    window: int,
    gone: BoolArray,
    mate: IntArray,
    seen: FloatArray,
) -> int:
    """Fill `seen` with dx, dy, dz and the side of the string of what vouches for i; how many."""
    a = mate[i, 1] if mate[i, 1] >= 0 else i
    b = mate[i, 2] if mate[i, 2] >= 0 else i
    tx, ty = xyz[b, 0] - xyz[a, 0], xyz[b, 1] - xyz[a, 1]
    k, count = around.shape[1], 0
    for m in range(k + 4):
        j = around[i, m] if m < k else mate[i, m - k]
        if j < 0 or gone[j] or abs(order[j] - order[i]) <= window:
            continue
        own = j == mate[i, 0] or j == mate[i, 1] or j == mate[i, 2] or j == mate[i, 3]
        if own and m < k:
            continue
        for axis in range(3):
            seen[axis, count] = xyz[j, axis] - xyz[i, axis]
        seen[3, count] = 0.0 if own else tx * seen[1, count] - ty * seen[0, count]
        count += 1
    return count


@kernel
def _planes(seen: FloatArray, count: int, walked: bool, off: FloatArray, fit: FloatArray) -> int:
    """Fill in how far above planes the shot lies and how well each fits; how many."""
    reach = 0.0
    for m in range(count):
        reach = max(reach, seen[0, m] ** 2 + seen[1, m] ** 2)
    soft = SOFTEN * np.sqrt(reach)
    turn = 0.0 if walked else _first_look(seen, count)
    guesses = 0
    for s in range(2 if walked else 2 * SECTORS + 1):
        east, north, opening = 0.0, 1.0 - 2.0 * s, -2.0  # either side of the string
        if not walked and s == 0:
            east, north = 1.0, 0.0
        elif not walked:
            angle = turn + np.pi * (s - 1 - (s - 1) % 2) / SECTORS
            east, north, opening = np.cos(angle), np.sin(angle), QUARTER * ((s - 1) % 2)
        guess, rms = _plane(seen, count, east, north, opening, soft)
        if not np.isnan(guess):
            off[guesses], fit[guesses] = -guess, rms
            guesses += 1
    return guesses


@kernel
def _first_look(seen: FloatArray, count: int) -> float:
    """Direction of the first sector: told by the nearest shot, so that it turns with the site."""
    nearest, turn = np.inf, 0.0
    for m in range(count):
        d = seen[0, m] ** 2 + seen[1, m] ** 2
        if d < nearest:
            nearest, turn = d, np.arctan2(seen[1, m], seen[0, m]) + ASKEW
    return turn


@kernel
def _profile(
    i: int,
    xyz: FloatArray,
    gone: BoolArray,
    order: IntArray,
    window: int,
    mate: IntArray,
    gap: FloatArray,
    off: FloatArray,
    fit: FloatArray,
    guesses: int,
) -> int:
    """Add how far a shot lies above the lines through two of its mates; how many guesses now."""
    for p in range(4):
        for r in range(p + 1, 4):
            a, b = mate[i, p], mate[i, r]
            if a < 0 or b < 0 or gone[a] or gone[b]:
                continue
            if abs(order[a] - order[i]) <= window or abs(order[b] - order[i]) <= window:
                continue
            if (p, r) in ((0, 2), (1, 3), (0, 3)) and (mate[i, 1] >= 0 and mate[i, 2] >= 0):
                continue
            share = -gap[i, p] / (gap[i, r] - gap[i, p])
            off[guesses] = xyz[i, 2] - (xyz[a, 2] + share * (xyz[b, 2] - xyz[a, 2]))
            fit[guesses] = 0.0 if abs(share - 0.5) <= 2.5 else np.inf
            guesses += 1
    return guesses


@kernel
def _plane(
    seen: FloatArray, count: int, east: float, north: float, opening: float, soft: float
) -> tuple[float, float]:
    """Height at the origin of the plane through the points within a sector, and how well it fits.

    Least squares with weights 1/(d + soft), by Cramer's rule; where the points lie in one line
    the plane is level across it. A direction with `east` 0 and `opening` below −1 is a side of
    the string instead: points whose side has the sign of `north`, and those on it. NaN with
    fewer than 3 points, or where the noise of the points would be seen enlarged: the sum of
    squares of the weights that each height gets is above `LOUDEST`.
    """
    by_side = opening < -1 and east == 0.0
    weight = np.zeros(count)
    s = sx = sy = sz = sxx = sxy = syy = sxz = syz = szz = 0.0
    used = 0
    for j in range(count):
        x, y, z = seen[0, j], seen[1, j], seen[2, j]
        d = np.sqrt(x * x + y * y)
        ahead = x * east + y * north
        if seen[3, j] * north < 0 if by_side else ahead < (opening - 1e-9) * d:
            continue
        used += 1
        w = weight[j] = 1.0 / (d + soft)
        s, sx, sy, sz = s + w, sx + w * x, sy + w * y, sz + w * z
        sxx, sxy, syy = sxx + w * x * x, sxy + w * x * y, syy + w * y * y
        sxz, syz, szz = sxz + w * x * z, syz + w * y * z, szz + w * z * z
    if used < 3:
        return np.nan, np.nan
    mx, my, mz = sx / s, sy / s, sz / s
    sxx, sxy, syy = sxx - mx * sx, sxy - mx * sy, syy - my * sy
    sxz, syz, szz = sxz - mx * sz, syz - my * sz, szz - mz * sz
    ridge = 1e-3 * (sxx + syy)
    sxx, syy = sxx + ridge, syy + ridge
    det = sxx * syy - sxy * sxy
    if det <= 0.0:
        return np.nan, np.nan
    p, r = (sxz * syy - syz * sxy) / det, (syz * sxx - sxz * sxy) / det
    ax, ay = (mx * syy - my * sxy) / det, (my * sxx - mx * sxy) / det
    loudness = 0.0
    for j in range(count):
        share = 1.0 / s - ax * (seen[0, j] - mx) - ay * (seen[1, j] - my)
        loudness += (weight[j] * share) ** 2
    if loudness > LOUDEST and (opening > -1 or by_side):
        return np.nan, np.nan
    rms = np.sqrt(max(szz - p * sxz - r * syz, 0.0) / s * used / max(used - 3.0, 0.5))
    return mz - p * mx - r * my, rms
