"""Blunders among ground shots: heights that no ground beside them explains."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.survey.codes import CodeString
from terrain.survey.expectation import AT_ONCE, expect, lopsided, mates_of, medians
from terrain.survey.sight import seen_around, steps_of
from terrain.survey.spots import Spots

NEIGHBOURS = 14
TOLERANCE_M = 0.20  # rough ground under a rover pole; common practice for topographic shots
SCALES = 6.0  # robust standard deviations
SPREAD = 0.5  # of the spread of the guesses: where they differ they say little
END = 1.25  # times that at the end of a string, which is only known from one side
OUTER = 0.45  # mean of the directions to what a shot sees: 0 amid the others, 0.64 at a border
SAME_HEIGHT_M = 0.0005
ROUNDS = 8
APART = 12  # shots in the file within which a run of wrong heights may vouch for itself


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


@dataclass(frozen=True)
class HeightsOff:
    """How far ground shots lie off the ground and the string beside them.

    Attributes
    ----------
    rows
        The ground shots, rows of the spots, (n,).
    nearest_m, typical_m
        Above the nearest guess and above the middle one, (n,); NaN where nothing can be guessed.
    limit_m
        What is usual there, times six, or the tolerance if that is more, (n,).
    odd
        Off by more than the limit, (n,).
    place, first
        The place in plan of each shot, and the first shot at each place.
    """

    rows: IntArray
    nearest_m: FloatArray
    typical_m: FloatArray
    limit_m: FloatArray
    odd: BoolArray
    place: IntArray
    first: IntArray

    @property
    def doubled(self) -> BoolArray:
        """Which shots share their place with another, (n,)."""
        shared: BoolArray = np.bincount(self.place)[self.place] > 1 if len(self.place) else self.odd
        return shared


def odd_heights(
    spots: Spots,
    ground: BoolArray,
    *,
    strings: Sequence[CodeString] = (),
    tolerance_m: float | None = None,
) -> tuple[OddHeight, ...]:
    """Find ground shots that are far above or below the ground beside them.

    Each shot is predicted several times from the shots that it sees, those that no string hides:
    by planes through those on one side of it or in one quarter, in eight directions; a shot on a
    string by planes on either side of the string and by the profile of its string before, after
    and across it. Ground that breaks (the top and the toe of a bank, a wall) still follows one of
    these; a blunder follows none. The shot is odd if even the nearest prediction is off by more
    than the tolerance and by more than six robust standard deviations of what is usual around it.
    The worst shot of a neighbourhood is taken out before its neighbours are judged. Shots at one
    place with different heights are odd too: the one that fits best is kept.

    Parameters
    ----------
    spots
        The survey.
    ground
        (n,) which shots lie on the ground.
    strings
        Lines along which the ground may break.
    tolerance_m
        Smallest difference worth a question, m; 0.20 by default.
    """
    outlook = look_around(spots, ground, [string.rows for string in strings])
    off = heights_off(outlook, tolerance_m=tolerance_m)
    found = {
        int(i): _described(spots, int(off.rows[i]), float(off.typical_m[i]))
        for i in np.flatnonzero(off.odd & ~off.doubled)
    }
    for i, best in disagreeing(spots, off):
        found[i] = _doubled(spots, int(off.rows[i]), int(off.rows[best]))
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


def disagreeing(spots: Spots, off: HeightsOff) -> list[tuple[int, int]]:
    """Pairs (odd, kept) of indices into `off.rows`: shots at one place whose heights differ."""
    z = spots.xyz[off.rows, 2]
    pairs = []
    candidates = np.flatnonzero(off.doubled)
    for group in groups(candidates, off.place[candidates]):
        fit = np.nan_to_num(np.abs(off.nearest_m[group]), nan=np.inf)
        best = int(group[np.argmin(fit)])
        pairs += [(int(i), best) for i in group if abs(z[i] - z[best]) > SAME_HEIGHT_M]
    return pairs


def groups(members: IntArray, label: IntArray) -> list[IntArray]:
    """Members with the same label together, in their own order."""
    if len(members) == 0:
        return []
    order = np.argsort(label, kind="stable")
    return np.split(members[order], np.flatnonzero(np.diff(label[order])) + 1)


@dataclass(frozen=True)
class Outlook:
    """Ground shots, and which of them each sees.

    Attributes
    ----------
    rows
        The ground shots, rows of the spots, (n,).
    xyz
        Shape (n, 3), m, levelled.
    walked
        Indices into `rows` along each string.
    place, first
        The place in plan of each shot, and the first shot at each place.
    around
        Indices into `rows` of the shots that each sees, −1 where there is none; (n, k), k is 0
        for fewer than four places.
    """

    rows: IntArray
    xyz: FloatArray
    walked: list[IntArray]
    place: IntArray
    first: IntArray
    around: IntArray


def look_around(spots: Spots, ground: BoolArray, strings: Sequence[IntArray]) -> Outlook:
    """See from each ground shot which others no string hides.

    Parameters
    ----------
    spots, ground
        As in `odd_heights`.
    strings
        Rows of the spots along each line.
    """
    rows = np.flatnonzero(ground).astype(np.int64)
    xyz = levelled(spots.xyz[rows])
    _, first, place = np.unique(xyz[:, :2], axis=0, return_index=True, return_inverse=True)
    place = place.ravel()
    index = np.full(len(spots.xyz), -1, dtype=np.int64)
    index[rows] = np.arange(len(rows))
    walked = [within[within >= 0] for within in (index[string] for string in strings)]
    count = min(NEIGHBOURS + APART, len(first) - 1)
    if count < 3:
        return Outlook(rows, xyz, walked, place, first, np.empty((len(rows), 0), dtype=np.int64))
    seen = seen_around(xyz[first, :2], place[steps_of(walked)], count=count)
    return Outlook(rows, xyz, walked, place, first, np.where(seen >= 0, first[seen], -1)[place])


def heights_off(
    outlook: Outlook, *, tolerance_m: float | None = None, apart: int = 0
) -> HeightsOff:
    """Hold every ground shot against what is expected of it.

    Parameters
    ----------
    outlook
        The ground shots and what they see.
    tolerance_m
        As in `odd_heights`.
    apart
        Shots within so many of each other in the file do not vouch for each other.
    """
    rows, xyz, place, first = outlook.rows, outlook.xyz, outlook.place, outlook.first
    tolerance = TOLERANCE_M if tolerance_m is None else tolerance_m
    nothing = np.full(len(rows), np.nan)
    gone = np.zeros(len(rows), dtype=np.bool_)
    around = np.ascontiguousarray(outlook.around[:, : NEIGHBOURS + apart])
    if around.shape[1] == 0:
        return HeightsOff(rows, nothing, nothing, nothing + tolerance, gone, place, first)
    nearest, typical, limit = nothing.copy(), nothing.copy(), nothing.copy()
    outer = lopsided(xyz, around) > OUTER
    which = np.arange(len(rows))
    for _ in range(ROUNDS):
        mates = mates_of(xyz, outlook.walked, gone)
        nearest[which], typical[which], spread = expect(
            which, xyz, around, rows, apart, gone, mates.row, mates.gap
        )
        at_end = (mates.row[which, 1] < 0) != (mates.row[which, 2] < 0)
        usual = _usual(which, np.abs(nearest), around, outer)
        least = np.maximum(np.maximum(tolerance, SCALES * usual), SPREAD * SCALES * 1.4826 * spread)
        limit[which] = np.where(at_end, END * least, least)
        loud = np.nan_to_num(np.abs(nearest) / limit)
        worst = _worst(loud, gone, around, mates.row)
        if not worst.any():
            break
        gone |= worst
        which = np.flatnonzero(_touched(worst, around, mates.row))
    odd = gone & (np.nan_to_num(np.abs(nearest) / limit) > 1)
    return HeightsOff(rows, nearest, typical, limit, odd, place, first)


def levelled(xyz: FloatArray) -> FloatArray:
    """The same shots about their middle, without the plane that fits them best, (n, 3)."""
    if len(xyz) == 0:
        return xyz
    centred: FloatArray = xyz - xyz.mean(axis=0)
    plan = centred[:, :2]
    grade = np.linalg.lstsq(plan, centred[:, 2], rcond=None)[0]
    return np.column_stack([plan, centred[:, 2] - plan @ grade])


def _usual(which: IntArray, size: FloatArray, around: IntArray, outer: BoolArray) -> FloatArray:
    """Robust standard deviation of what is usual around each shot of `which`.

    It is at least that of all shots, or for the outer ones that of the outer ones.
    """
    within = 1.4826 * medians(size[None])[0]
    border = np.fmax(within, 1.4826 * medians(size[None, outer])[0])
    beside = np.empty(which.size)
    for start in range(0, which.size, AT_ONCE):
        part = slice(start, start + AT_ONCE)
        seen = around[which[part]]
        beside[part] = 1.4826 * medians(np.where(seen >= 0, size[seen], np.nan))
    usual: FloatArray = np.fmax(np.where(outer[which], border, within), beside)
    return usual


def _worst(loud: FloatArray, gone: BoolArray, around: IntArray, mate: IntArray) -> BoolArray:
    """Shots beyond their limit that none around them exceeds."""
    worst = np.zeros(len(around), dtype=np.bool_)
    high = np.flatnonzero(~gone & (loud > 1))
    beside = np.hstack([around[high], mate[high]])
    own = loud[high, None]
    louder = (loud[beside] > own) | ((loud[beside] == own) & (beside < high[:, None]))
    worst[high] = ~((beside >= 0) & ~gone[beside] & louder).any(axis=1)
    return worst


def _touched(worst: BoolArray, around: IntArray, mate: IntArray) -> BoolArray:
    """Shots that a taken one vouched for, and the taken ones."""
    touched = worst.copy()
    for beside in (around, mate):
        touched |= ((beside >= 0) & worst[beside]).any(axis=1)
    return touched
