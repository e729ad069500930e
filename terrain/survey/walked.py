"""Lines as they were walked: steps that cross, shots out of order, shots beside their line."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.kernels import kernel
from terrain.survey.codes import CodeString
from terrain.survey.sight import cross, steps_by_cell

ASIDE_M = 0.5  # nearer than this to its line, a shot may just follow the ground
SCALES = 6.0  # robust standard deviations
BACK = -0.7071067811865476  # cosine of the turn beyond which a walker went back
_CELLS = 1_000_000


@dataclass(frozen=True)
class Crossing:
    """Two steps that cross in plan.

    Attributes
    ----------
    strings
        Which two of the strings; the same twice if one crosses itself.
    rows
        The ends of either step, rows of the spots, shape (2, 2).
    xy
        Where, m.
    z
        The height of either step there, m.
    """

    strings: tuple[int, int]
    rows: IntArray
    xy: FloatArray
    z: FloatArray


def crossings(xyz: FloatArray, strings: Sequence[CodeString]) -> list[Crossing]:
    """Every place where a step of a string properly crosses another step, of any string.

    With p and r from one end to the other of each step and q between their first ends, the
    crossing lies at the share t = (q × r) / (p × r) of the first.
    """
    rows = [np.append(line.rows, line.rows[:1]) if line.closed else line.rows for line in strings]
    pairs = [np.column_stack([each[:-1], each[1:]]) for each in rows]
    steps = np.concatenate(pairs) if pairs else np.empty((0, 2), dtype=np.int64)
    if len(steps) < 2:
        return []
    of_string = np.repeat(np.arange(len(pairs)), [len(each) for each in pairs])
    used = np.unique(steps)
    low = xyz[used, :2].min(axis=0)
    plan = np.ascontiguousarray(xyz[:, :2] - low)
    extent = np.maximum(plan[used].max(axis=0), 1e-9)
    length = float(np.median(np.hypot(*(plan[steps[:, 1]] - plan[steps[:, 0]]).T)))
    cell = max(length, float(np.sqrt(extent.prod() / _CELLS)), float(extent.max()) / _CELLS, 1e-6)
    nx, ny = (int(side / cell) + 1 for side in extent)
    starts, members = steps_by_cell(plan, steps, cell, nx, ny)
    met = np.unique(np.sort(_meetings(plan, steps, starts, members), axis=1), axis=0)
    return [_crossing(xyz, steps[[a, b]], (of_string[a], of_string[b])) for a, b in met]


def _crossing(xyz: FloatArray, ends: IntArray, strings: tuple[int, int]) -> Crossing:
    a, b, c, d = xyz[ends.ravel()]
    p, q, r = b - a, c - a, d - c
    whole = p[0] * r[1] - p[1] * r[0]
    first = (q[0] * r[1] - q[1] * r[0]) / whole
    second = (q[0] * p[1] - q[1] * p[0]) / whole
    z = np.array([a[2] + first * p[2], c[2] + second * r[2]])
    return Crossing((int(strings[0]), int(strings[1])), ends, (a + first * p)[:2], z)


@kernel
def _meetings(plan: FloatArray, steps: IntArray, starts: IntArray, members: IntArray) -> IntArray:
    """Pairs of steps that cross, once for each cell that holds both, shape (n, 2)."""
    met, count = np.empty((64, 2), dtype=np.int64), 0
    for cell in range(starts.size - 1):
        for m in range(starts[cell], starts[cell + 1]):
            for o in range(m + 1, starts[cell + 1]):
                s, t = members[m], members[o]
                if not cross(plan, steps[s, 0], steps[s, 1], steps[t, 0], steps[t, 1]):
                    continue
                if count == len(met):
                    longer = np.empty((2 * count, 2), dtype=np.int64)
                    for k in range(count):
                        longer[k, 0], longer[k, 1] = met[k, 0], met[k, 1]
                    met = longer
                met[count, 0], met[count, 1] = s, t
                count += 1
    return met[:count]


@dataclass(frozen=True)
class WalkedBack:
    """Shots of a string that were joined out of order.

    Attributes
    ----------
    rows
        The shots at either end of the step that goes back, rows of the spots.
    steps
        The steps that go astray, rows of their ends.
    back_m
        How far back, m.
    """

    rows: tuple[int, int]
    steps: tuple[tuple[int, int], ...]
    back_m: float


def walked_back(xyz: FloatArray, rows: IntArray) -> list[WalkedBack]:
    """Steps along a string that turn back at both their ends, or at one where the string ends.

    At an end, the last shot must lie beside what was walked before.
    """
    plan = xyz[rows, :2]
    step = np.diff(plan, axis=0)
    length = np.hypot(*step.T)
    if len(step) < 3 or not (length > 0).any():
        return []
    dot = np.einsum("ij,ij->i", step[:-1], step[1:])
    turned = dot < BACK * length[:-1] * length[1:]
    found: list[WalkedBack] = []
    last = -2
    for k in range(len(step)):
        inside = 0 < k < len(step) - 1 and turned[k - 1] and turned[k]
        if not inside and not _returns(plan, turned, k):
            continue
        if k <= last + 1:  # to and fro: each way back once
            continue
        last = k
        near = range(max(k - 1, 0), min(k + 2, len(step)))
        steps = tuple((int(rows[j]), int(rows[j + 1])) for j in near)
        found.append(WalkedBack((int(rows[k]), int(rows[k + 1])), steps, float(length[k])))
    return found


def _returns(plan: FloatArray, turned: BoolArray, k: int) -> bool:
    """Whether the first or last step comes back beside the rest of the string."""
    if k == len(plan) - 2 and turned[-1]:
        rest, end = plan[:-1], plan[-1]
    elif k == 0 and turned[0]:
        rest, end = plan[1:], plan[0]
    else:
        return False
    beside = shapely.distance(shapely.LineString(rest), shapely.Point(end))
    return bool(beside < 0.25 * np.median(np.hypot(*np.diff(plan, axis=0).T)))


def beside_its_line(xyz: FloatArray, rows: IntArray) -> list[tuple[int, float]]:
    """Shots that jump sideways from their string, with how far, m.

    Held against the step from the shot before to the shot after, the lines on which the two
    before and the two after lie, and the smooth curve through all four. A corner lies on one of
    these, a jump on none. The worst goes first, and no longer counts for its neighbours.
    """
    plan = np.ascontiguousarray(xyz[rows, :2])
    if len(plan) < 5:
        return []
    gone = np.zeros(len(plan), dtype=np.bool_)
    found: list[tuple[int, float]] = []
    while True:
        aside = _aside(plan, gone)
        limit = max(ASIDE_M, SCALES * 1.4826 * float(np.median(aside)))
        worst = int(np.argmax(aside))
        if aside[worst] <= limit or len(found) > len(plan) // 4:
            return found
        gone[worst] = True
        found.append((int(rows[worst]), float(aside[worst])))


def _aside(plan: FloatArray, gone: BoolArray) -> FloatArray:
    """How far each shot lies beside its line.

    0 for `gone` ones, near the ends, and where the line turns back: that is its tip.
    """
    aside = np.zeros(len(plan))
    kept = np.flatnonzero(~gone)
    if kept.size < 5:
        return aside
    p2, p1, here, n1, n2 = (plan[kept[k : kept.size - 4 + k]] for k in range(5))
    least = np.minimum.reduce(
        [
            _from_line(here, p1, n1, 0.0, 1.0),
            _from_line(here, p2, p1),
            _from_line(here, n1, n2),
            _from_curve(here, p2, p1, n1, n2),
        ]
    )
    goes_on = ((p1 - p2) * (n2 - n1)).sum(axis=1) > 0
    aside[kept[2:-2]] = np.where(goes_on, least, 0.0)
    return aside


def _from_line(
    here: FloatArray, a: FloatArray, b: FloatArray, low: float = -np.inf, high: float = np.inf
) -> FloatArray:
    """Distances from the lines through a and b, between two shares of the way; (n, 2) → (n,)."""
    step = b - a
    square = (step**2).sum(axis=1)
    share = ((here - a) * step).sum(axis=1) / np.where(square > 0, square, 1.0)
    foot = a + np.clip(share, low, high)[:, None] * step
    distance: FloatArray = np.hypot(*(here - foot).T)
    return distance


def _from_curve(
    here: FloatArray, a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray
) -> FloatArray:
    """Distances across the steps b–c from the cubics through four places, by distance walked."""
    step = c - b
    long = np.hypot(*step.T)
    sa = -np.hypot(*(b - a).T)
    sd = long + np.hypot(*(d - c).T)
    standing = (long == 0) | (sa == 0) | (sd == long)
    long, sa, sd = (np.where(standing, k, each) for k, each in ((1, long), (-1, sa), (2, sd)))
    s = np.clip(((here - b) * step).sum(axis=1) / long, 0.0, long)
    wa = s * (s - long) * (s - sd) / (sa * (sa - long) * (sa - sd))
    wb = (s - sa) * (s - long) * (s - sd) / (-sa * -long * -sd)
    wc = (s - sa) * s * (s - sd) / ((long - sa) * long * (long - sd))
    wd = (s - sa) * s * (s - long) / ((sd - sa) * sd * (sd - long))
    curve = sum(w[:, None] * at for w, at in ((wa, a), (wb, b), (wc, c), (wd, d)))
    off = here - curve
    return np.where(
        standing, np.inf, np.abs(off[:, 1] * step[:, 0] - off[:, 0] * step[:, 1]) / long
    )
