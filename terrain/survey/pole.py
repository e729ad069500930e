"""Runs of shots that are all off by the same height: the pole was changed and not the booking."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import maximum_filter1d

from terrain.arrays import FloatArray, IntArray
from terrain.survey.screening import APART, TOLERANCE_M, HeightsOff, Outlook, heights_off
from terrain.survey.spots import Spots

FEWEST, MOST = 4, 60
GAP = 4  # shots to the next one that is plainly off
DENIED = 0.25  # of the height of the run: a shot between that lies lower is not of it
JUMPS = 4.0  # robust standard deviations: two jumps as large, and opposite, are rarely chance
ALIKE_M = 0.05  # half the shots of a run lie within this of its height
ALIKE = 0.2  # or within this share of it


@dataclass(frozen=True)
class Run:
    """Successive shots off by one height.

    Attributes
    ----------
    rows
        Rows of the spots, (k,).
    off_m
        How far above (+) or below (−) the ground they all are, m.
    """

    rows: IntArray
    off_m: float


def pole_runs(
    spots: Spots, outlook: Outlook, single: HeightsOff, *, tolerance_m: float | None = None
) -> list[Run]:
    """Find runs of shots, in the order of the file, that one height would put right.

    Every shot is held against ground that was shot at another time: more than `APART` shots
    earlier or later. A few shots within a run that are not plainly off are taken in if they lean
    the same way. Runs longer than `APART` are told by their two ends.
    """
    off = heights_off(outlook, tolerance_m=tolerance_m, apart=APART)
    odd = single.odd | (np.abs(off.nearest_m) > off.limit_m)
    height = np.where(single.odd, single.typical_m, off.typical_m)
    runs = []
    for begin, end in _stretches(np.where(odd, np.sign(height), 0.0)):
        told, between = (height[begin:end][part] for part in (odd[begin:end], ~odd[begin:end]))
        middle = float(np.median(told))
        unlike = float(np.median(np.abs(told - middle)))
        denied = between * np.sign(middle) < DENIED * abs(middle)
        if (
            len(told) >= FEWEST
            and len(between) <= len(told)
            and end - begin <= MOST
            and unlike <= _alike(middle)
            and not denied.any()
        ):
            runs.append(Run(off.rows[begin:end], middle))
    limit = TOLERANCE_M if tolerance_m is None else tolerance_m
    for walked in outlook.walked:
        runs += [
            run
            for run in _lifted(spots.xyz, off.rows[walked], limit)
            if not any(np.isin(run.rows, other.rows).any() for other in runs)
        ]
    return sorted(runs, key=lambda run: int(run.rows[0]))


def _lifted(xyz: FloatArray, rows: IntArray, tolerance: float) -> list[Run]:
    """Runs along one string: it jumps, goes on as before, and jumps back by as much.

    A jump is the rise of a step beyond what the steps before and after it rise.
    """
    if len(rows) < FEWEST + 4:
        return []
    long = np.hypot(*np.diff(xyz[rows, :2], axis=0).T)
    rise = np.diff(xyz[rows, 2])
    grade = rise / np.where(long > 0, long, np.inf)
    jump = np.zeros(len(rise))
    jump[1:-1] = rise[1:-1] - long[1:-1] * (grade[:-2] + grade[2:]) / 2
    usual = 1.4826 * float(np.median(np.abs(jump[1:-1])))
    limit = max(tolerance, JUMPS * usual)
    size = np.abs(jump)
    steep = np.flatnonzero((size > limit) & (size == maximum_filter1d(size, 3)))
    found: list[Run] = []
    used = -1
    for a, b in pairwise(steep):
        height = float(jump[a] - jump[b]) / 2
        opposite = abs(jump[a] + jump[b]) <= max(_alike(height), JUMPS * usual)
        if a > used and FEWEST <= b - a <= MOST and opposite:
            found.append(Run(rows[a + 1 : b + 1], height))
            used = int(b)
    return found


def _alike(height: float) -> float:
    return max(ALIKE_M, ALIKE * abs(height))


def _stretches(sign: FloatArray) -> list[tuple[int, int]]:
    """Begin and end of stretches of one sign in which a few shots may be 0."""
    found: list[tuple[int, int]] = []
    begin, last = -1, -1
    for i in np.flatnonzero(sign):
        if begin >= 0 and i - last <= GAP and sign[i] == sign[last]:
            last = int(i)
            continue
        if begin >= 0:
            found.append((begin, last + 1))
        begin = last = int(i)
    if begin >= 0:
        found.append((begin, last + 1))
    return found
