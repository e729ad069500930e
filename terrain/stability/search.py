"""The critical circle of a slope: the one with the least factor, wherever it is."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray, IntArray
from terrain.kernels import kernel
from terrain.stability.methods import bishop_of_table
from terrain.stability.section import Numbers, SlopeSection
from terrain.stability.slices import Circle, circle_of, circle_through, cut_circle

SAGITTA = (0.02, 0.9)
_PLACES, _DEPTHS = 24, 12
_KINKS = 12
_STARTS = 8  # valleys of the first look that are followed down
ROUNDS = 24
_SHRINK = 0.7
_CLOSE = 1e-6
_ALL_ROUNDS, _FEW_STARTS = 8, 3  # after so many rounds only the best valleys are followed
_LOOKED_TWICE = 400  # of the first look, the best, with all slices
_ROUGH = 12  # slices of the first look, which only finds the valleys


@dataclass(frozen=True)
class Critical:
    """What a search found.

    Attributes
    ----------
    circle
        The circle with the least factor; None if no circle can slide.
    factor
        Its factor by Bishop's simplified method; infinite if none can slide.
    found
        Its start, end and sagitta, shape (3,).
    path
        Least factor after each round, shape (r,): of the first look, then of each round of
        narrowing.
    tried, off, inadmissible, unsettled
        Circles: all, those that leave the ground or are too shallow, those that nothing drives or
        whose toe is too steep for the method, and those whose rounds did not settle.
    looked
        Start, end, sagitta and factor of each circle of the first look, shape (n, 4).
    """

    circle: Circle | None
    factor: float
    found: FloatArray
    path: FloatArray
    tried: int
    off: int
    inadmissible: int
    unsettled: int
    looked: FloatArray


def critical_circle(
    section: SlopeSection,
    *,
    starts: tuple[float, float] | None = None,
    ends: tuple[float, float] | None = None,
    least_depth_m: float = 0.0,
    count: int = 30,
    rounds: int = ROUNDS,
    seeds: FloatArray | None = None,
) -> Critical:
    """Search every circle that meets the ground twice for the least factor.

    A circle is named by where it leaves the ground, where it comes out, and its sagitta. A first
    look, with a few slices, tries them evenly over the whole range; then the best ones of
    different valleys are followed down, each round over a narrower neighbourhood, so that no
    centre or radius is presumed and a second valley is not missed.

    Parameters
    ----------
    section
        The slope.
    starts, ends
        Ranges along the section in which a slip may come out below and begin above; by default
        all of it.
    least_depth_m
        Slips that are nowhere deeper do not count.
    count
        Slices of each mass.
    rounds
        Of narrowing, each to 0.7 of the one before.
    seeds
        Start, end and sagitta of circles that are followed down besides, shape (n, 3).
    """
    span = (float(section.along_m[0]), float(section.along_m[-1]))
    lower, upper = starts or span, ends or span
    low = np.array([lower[0], upper[0], SAGITTA[0]])
    high = np.array([lower[1], upper[1], SAGITTA[1]])
    looked = _first_look(low, high, section.along_m)
    tally = np.zeros(4, dtype=np.int64)
    rough = min(_ROUGH, count)
    factors = factors_of(section, looked, least_depth_m=least_depth_m, count=rough, tally=tally)
    best_first = np.argsort(factors, kind="stable")[:_LOOKED_TWICE]
    factors[best_first] = factors_of(
        section, looked[best_first], least_depth_m=least_depth_m, count=count
    )
    known = np.isfinite(factors[best_first])
    step = (high - low) / [_PLACES, _PLACES, _DEPTHS]
    valleys = _valleys(looked[best_first][known], factors[best_first][known], step)
    if seeds is not None:
        valleys = np.vstack([valleys.reshape(-1, 3), np.clip(seeds, low, high)])
    path, best = [np.inf], looked[best_first[0]]
    if len(valleys):
        least = factors_of(section, valleys, least_depth_m=least_depth_m, count=count)
        path = [float(least.min())]
        best = valleys[np.argmin(least)]
        for done in range(rounds):
            if done == _ALL_ROUNDS:
                valleys = valleys[np.argsort(least, kind="stable")[:_FEW_STARTS]]
            tried = np.clip((valleys[:, None] + step * _NEIGHBOURS).reshape(-1, 3), low, high)
            found = factors_of(
                section, tried, least_depth_m=least_depth_m, count=count, tally=tally
            )
            each = found.reshape(len(valleys), -1)
            pick = each.argmin(axis=1)
            valleys = tried.reshape(len(valleys), -1, 3)[np.arange(len(valleys)), pick]
            least = each.min(axis=1)
            best = valleys[least.argmin()]
            path.append(float(least.min()))
            step = step * _SHRINK
    circle = circle_through(section, *best.tolist()) if np.isfinite(path[-1]) else None
    return Critical(
        circle,
        path[-1],
        best,
        np.array(path),
        int(tally.sum()),
        int(tally[1]),
        int(tally[2]),
        int(tally[3]),
        np.column_stack([looked, factors]),
    )


_OFFSETS = np.array([-1.0, 0.0, 1.0])
_NEIGHBOURS = np.stack(np.meshgrid(_OFFSETS, _OFFSETS, _OFFSETS), axis=-1).reshape(-1, 3)


def _first_look(low: FloatArray, high: FloatArray, kinks: FloatArray) -> FloatArray:
    """Start, end and sagitta of circles over the whole range, shape (n, 3).

    Places are even, and those of the ground's kinks besides, where slips come out at a toe.
    """
    even = (np.arange(_PLACES) + 0.5) / _PLACES
    places = []
    for side in (0, 1):
        own = kinks[(kinks >= low[side]) & (kinks <= high[side])]
        picked = own[np.linspace(0, len(own) - 1, min(len(own), _KINKS)).astype(np.int64)]
        places.append(np.concatenate([low[side] + (high[side] - low[side]) * even, picked]))
    depths = np.geomspace(low[2], high[2], _DEPTHS)
    every = np.stack(np.meshgrid(*places, depths, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.ascontiguousarray(every[every[:, 1] > every[:, 0]])


def _valleys(looked: FloatArray, factors: FloatArray, step: FloatArray) -> FloatArray:
    """The best circles that are not neighbours of a better one, shape (v, 3)."""
    order = np.argsort(factors, kind="stable")
    open_to = looked[order[np.isfinite(factors[order])]]
    kept: list[FloatArray] = []
    while len(open_to) and len(kept) < _STARTS:
        kept.append(open_to[0])
        open_to = open_to[(np.abs(open_to - open_to[0]) > 2.5 * step).any(axis=1)]
    return np.array(kept)


def factors_of(
    section: SlopeSection,
    circles: FloatArray,
    *,
    least_depth_m: float = 0.0,
    count: int = 30,
    tally: IntArray | None = None,
    strengths: FloatArray | None = None,
) -> FloatArray:
    """Bishop's factors of many circles, shape (n,); infinite where there is none.

    Parameters
    ----------
    section
        The slope.
    circles
        Start, end and sagitta of each, shape (n, 3).
    least_depth_m
        Slips that are nowhere deeper have none.
    count
        Slices of each mass.
    tally
        Counts of circles with a factor, off the ground, inadmissible and unsettled are added to
        it, shape (4,).
    strengths
        In place of the section's own, shape (k, 5).
    """
    slope = section.numbers if strengths is None else section.numbers._replace(strengths=strengths)
    counted = np.zeros(4, dtype=np.int64) if tally is None else tally
    return factors_of_circles(slope, circles, least_depth_m, count, counted)


@kernel
def factors_of_circles(
    slope: Numbers, asked: FloatArray, least_depth: float, count: int, tally: IntArray
) -> FloatArray:
    """Bishop's factor of many circles (start, end, sagitta), infinite where there is none.

    `tally` counts those that have one, are off the ground, are inadmissible, do not settle.
    """
    along, ground = slope.along, slope.ground
    table, circle = np.empty((10, count)), np.empty(5)
    out = np.full(asked.shape[0], np.inf)
    for k in range(asked.shape[0]):
        circle[3], circle[4] = asked[k, 0], asked[k, 1]
        off = circle[4] <= circle[3] or asked[k, 2] <= 0.0
        if not off:
            start = np.interp(circle[3], along, ground)
            end = np.interp(circle[4], along, ground)
            circle[0], circle[1], circle[2] = circle_of(
                circle[3], start, circle[4], end, asked[k, 2]
            )
            off = end <= start or not cut_circle(slope, circle, table)
        if not off and least_depth > 0.0:
            deepest = 0.0
            for i in range(count):
                deepest = max(deepest, np.interp(table[0, i], along, ground) - table[1, i])
            off = deepest < least_depth
        if off:
            tally[1] += 1
            continue
        factor = bishop_of_table(table, circle[0], circle[1], _CLOSE)
        if factor > 0.0:
            out[k] = factor
            tally[0] += 1
        elif factor > -1.5:
            tally[2] += 1
        else:
            tally[3] += 1
    return out
