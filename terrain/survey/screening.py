"""Blunders among ground shots: heights that no ground beside them explains."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from terrain.arrays import BoolArray, FloatArray, IntArray, StrArray
from terrain.kernels import kernel
from terrain.survey.spots import Spots

NEIGHBOURS = 14
SECTORS = 8  # directions in which the ground is looked at
TOLERANCE_M = 0.20  # rough ground under a rover pole; common practice for topographic shots
SCALES = 6.0  # robust standard deviations
QUARTER = 0.7071067811865476  # cosine of 45°
LOUDEST = 2.0  # variance of a prediction over that of one height
SPREAD = 1 / 6  # of the spread of the predictions: near a break they say little
STRAIGHT = 0.3  # how far beside its string a shot may lie, over the distance of the other two
SAME_HEIGHT_M = 0.0005


@dataclass(frozen=True)
class OddHeight:
    """A shot whose height should be looked at.

    Attributes
    ----------
    row, name, line
        Which one: row among the spots, name, line of the file.
    xyz
        Where it is, m.
    off_m
        How far above (+) or below (−) the ground beside it, m.
    reason
        The same in words, lengths in metres.
    """

    row: int
    name: str
    line: int
    xyz: tuple[float, float, float]
    off_m: float
    reason: str


def odd_heights(
    spots: Spots, ground: BoolArray, *, tolerance_m: float | None = None
) -> tuple[OddHeight, ...]:
    """Find ground shots that are far above or below the ground beside them.

    Each shot is predicted from its neighbours several times: by planes through those on one side
    of it, for eight sides, through those in one quarter, for eight quarters, and by the shots
    before and after it on its string. Ground that breaks (the top and the toe of a bank) still
    follows one of these; a blunder follows none. The
    shot is odd if even the nearest prediction is off by more than the tolerance and by more than
    six robust standard deviations of what is usual around it. Shots at one place with different
    heights are odd too: the one that fits best is kept.

    Parameters
    ----------
    spots
        The survey.
    ground
        (n,) which shots lie on the ground.
    tolerance_m
        Smallest difference worth a question, m; 0.20 by default.
    """
    rows = np.flatnonzero(ground)
    xyz = spots.xyz[rows]
    if len(rows) == 0:
        return ()
    xyz = xyz - xyz.mean(axis=0)
    _, first, place = np.unique(xyz[:, :2], axis=0, return_index=True, return_inverse=True)
    place = place.ravel()
    doubled = np.bincount(place)[place] > 1
    nearest, typical, scale = _off_the_ground(xyz, spots.code[rows], first, place)
    limit = np.maximum(TOLERANCE_M if tolerance_m is None else tolerance_m, SCALES * scale)
    found = {
        int(i): _described(spots, int(rows[i]), float(typical[i]))
        for i in np.flatnonzero(np.abs(nearest) > limit)
        if not doubled[i]
    }
    for i, best in _disagreeing(xyz[:, 2], nearest, place, doubled):
        found[i] = _doubled(spots, int(rows[i]), int(rows[best]))
    return tuple(found[i] for i in sorted(found))


def _described(spots: Spots, row: int, off: float) -> OddHeight:
    side = "above" if off > 0 else "below"
    return _odd(spots, row, off, f"{abs(off):.2f} m {side} the ground around it")


def _doubled(spots: Spots, row: int, other: int) -> OddHeight:
    off = float(spots.xyz[row, 2] - spots.xyz[other, 2])
    side = "above" if off > 0 else "below"
    twin = f"{spots.name[other]} (line {spots.line[other]})"
    return _odd(spots, row, off, f"same place as {twin} but {abs(off):.3f} m {side} it")


def _odd(spots: Spots, row: int, off: float, reason: str) -> OddHeight:
    x, y, z = (float(value) for value in spots.xyz[row])
    return OddHeight(row, str(spots.name[row]), int(spots.line[row]), (x, y, z), off, reason)


def _disagreeing(
    z: FloatArray, nearest: FloatArray, place: IntArray, doubled: BoolArray
) -> list[tuple[int, int]]:
    """Pairs (odd, kept) among shots at one place whose heights differ."""
    pairs = []
    candidates = np.flatnonzero(doubled)
    for group in _groups(candidates, place[candidates]):
        fit = np.nan_to_num(np.abs(nearest[group]), nan=np.inf)
        best = int(group[np.argmin(fit)])
        pairs += [(int(i), best) for i in group if abs(z[i] - z[best]) > SAME_HEIGHT_M]
    return pairs


def _groups(members: IntArray, label: IntArray) -> list[IntArray]:
    if len(members) == 0:
        return []
    order = np.argsort(label, kind="stable")
    return np.split(members[order], np.flatnonzero(np.diff(label[order])) + 1)


def _off_the_ground(
    xyz: FloatArray, code: StrArray, first: IntArray, place: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Height above the nearest prediction, above the middle one, and its usual scale around.

    Places are predicted from other places only, so that a doubled shot does not vouch for itself.
    """
    plan, heights = xyz[first, :2], xyz[first, 2]
    n = len(first)
    k = min(NEIGHBOURS, n - 1)
    if k < 3:
        nothing = np.zeros(len(xyz))
        return nothing, nothing, nothing
    _, around = cKDTree(plan).query(plan, k=k + 1)
    around = _without_self(np.asarray(around, dtype=np.int64))[place]
    off = _predictions(xyz, plan, heights, around)
    off = np.column_stack([off, _off_the_string(xyz, code, around, first)])
    best = np.nanargmin(np.abs(off), axis=1)
    nearest = np.take_along_axis(off, best[:, None], axis=1)[:, 0]
    typical = np.nanmedian(off, axis=1)
    usual = np.abs(nearest[first])[around]
    scale = 1.4826 * np.median(usual, axis=1)
    overall = 1.4826 * np.median(np.abs(nearest))
    spread = 1.4826 * np.nanmedian(np.abs(off - typical[:, None]), axis=1)
    return nearest, typical, np.maximum(np.maximum(scale, overall), SPREAD * spread)


def _off_the_string(
    xyz: FloatArray, code: StrArray, around: IntArray, first: IntArray
) -> FloatArray:
    """Height of each shot above its string, (n,).

    Between the shot before and the shot after of the same code, or at an end of the string in
    line with the next two. NaN where these are not among the shot's neighbours, or where the
    string turns sharply.
    """
    off = np.full(len(xyz), np.nan)
    order = np.argsort(code, kind="stable")
    middle = (order[1:-1], order[:-2], order[2:])
    begin = (order[:-2], order[1:-1], order[2:])
    end = (order[2:], order[1:-1], order[:-2])
    reach = np.hypot(*(xyz[first[around[:, -1]], :2] - xyz[:, :2]).T)
    for row, a, b in (begin, end, middle):
        walked = (code[row] == code[a]) & (code[a] == code[b])
        to_a, to_b = xyz[a] - xyz[row], xyz[b] - xyz[row]
        near = np.maximum(np.hypot(*to_a[:, :2].T), np.hypot(*to_b[:, :2].T)) <= reach[row]
        run = to_b[:, :2] - to_a[:, :2]
        long = np.einsum("ij,ij->i", run, run)
        share = -np.einsum("ij,ij->i", to_a[:, :2], run) / np.where(long > 0, long, np.inf)
        aside = np.hypot(*(to_a[:, :2] + share[:, None] * run).T)
        straight = (long > 0) & (aside <= STRAIGHT * np.sqrt(long)) & (np.abs(share) <= 2)
        use = walked & near & straight
        off[row[use]] = -(to_a[:, 2] + share * (to_b[:, 2] - to_a[:, 2]))[use]
    return off


def _without_self(around: IntArray) -> IntArray:
    """Neighbours of each place without the place itself, (n, k + 1) → (n, k)."""
    own = around == np.arange(len(around))[:, None]
    own[~own.any(axis=1), -1] = True
    others: IntArray = around[~own].reshape(len(around), -1)
    return others


@kernel
def _predictions(
    xyz: FloatArray, plan: FloatArray, heights: FloatArray, around: IntArray
) -> FloatArray:
    """Height of each shot above the plane of all its neighbours and of those in each sector.

    Shape (n, 1 + 2 * SECTORS): all, the halves, the quarters; NaN where a sector cannot predict.
    """
    n, k = around.shape
    dx, dy, dz = np.empty(k), np.empty(k), np.empty(k)
    off = np.empty((n, 2 * SECTORS + 1))
    for i in range(n):
        for j in range(k):
            dx[j] = plan[around[i, j], 0] - xyz[i, 0]
            dy[j] = plan[around[i, j], 1] - xyz[i, 1]
            dz[j] = heights[around[i, j]] - xyz[i, 2]
        off[i, 0] = -_plane_at_origin(dx, dy, dz, 1.0, 0.0, -2.0)
        for sector in range(SECTORS):
            east = np.cos(2 * np.pi * sector / SECTORS)
            north = np.sin(2 * np.pi * sector / SECTORS)
            off[i, 1 + sector] = -_plane_at_origin(dx, dy, dz, east, north, 0.0)
            off[i, 1 + SECTORS + sector] = -_plane_at_origin(dx, dy, dz, east, north, QUARTER)
    return off


@kernel
def _plane_at_origin(
    dx: FloatArray, dy: FloatArray, dz: FloatArray, east: float, north: float, opening: float
) -> float:
    """Height at the origin of the plane through the points within a sector.

    Least squares with weights 1/d, by Cramer's rule; where the points lie in one line the plane
    is level across it. NaN with fewer than 3 points, or where the noise of the points would be
    seen enlarged: the sum of squares of the weights that each height gets is above `LOUDEST`.
    """
    s = sx = sy = sz = sxx = sxy = syy = sxz = syz = 0.0
    count = 0
    for j in range(dx.size):
        d = np.sqrt(dx[j] * dx[j] + dy[j] * dy[j])
        if dx[j] * east + dy[j] * north >= (opening - 1e-9) * d:
            count += 1
            w = 1.0 / d
            s += w
            sx += w * dx[j]
            sy += w * dy[j]
            sz += w * dz[j]
            sxx += w * dx[j] * dx[j]
            sxy += w * dx[j] * dy[j]
            syy += w * dy[j] * dy[j]
            sxz += w * dx[j] * dz[j]
            syz += w * dy[j] * dz[j]
    if count < 3:
        return np.nan
    mx, my, mz = sx / s, sy / s, sz / s
    sxx, sxy, syy = sxx - mx * sx, sxy - mx * sy, syy - my * sy
    sxz, syz = sxz - mx * sz, syz - my * sz
    ridge = 1e-3 * (sxx + syy)
    sxx, syy = sxx + ridge, syy + ridge
    det = sxx * syy - sxy * sxy
    ax, ay = (mx * syy - my * sxy) / det, (my * sxx - mx * sxy) / det
    loudness = 0.0
    for j in range(dx.size):
        d = np.sqrt(dx[j] * dx[j] + dy[j] * dy[j])
        if dx[j] * east + dy[j] * north >= (opening - 1e-9) * d:
            share = (1.0 / s - ax * (dx[j] - mx) - ay * (dy[j] - my)) / d
            loudness += share * share
    return mz - ax * sxz - ay * syz if loudness <= LOUDEST or opening < -1 else np.nan
