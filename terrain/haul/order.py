"""In which order to dig, so that as little soil as can be waits on a heap.

Soil goes straight to a use that is ready, and is moved once. A use is ready when its own element
has been dug; soil for it that is dug earlier, or with it, waits on the heap and is moved twice.
With `f[i, j]` going from step i to the uses of step j, the heap holds after the steps of a set S

    heap(S) = sum of f[i, j] over i in S, j not in S

whatever their order, and while step i is dug after S

    heap(S) + sum of f[i, j] over j not in S.

So the least peak over all orders follows by dynamic programming over sets (Held and Karp), and
among the orders of least peak the one that moves least twice.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray

MOST_EXACT = 12
STARTS = 8
_SAME = 1e-9  # of all that is moved: two peaks that differ by less are one


@dataclass(frozen=True)
class WorkOrder:
    """Steps in their order, and the temporary heap through them.

    Attributes
    ----------
    steps
        Rows of the steps, shape (n,), in the order of the work.
    during_m3, after_m3
        The heap when each has been dug, and when its uses are filled, shape (n,), loose m³.
    twice_m3
        What waits on the heap at some time, loose m³.
    exact
        Whether every order was weighed.
    """

    steps: tuple[int, ...]
    during_m3: FloatArray
    after_m3: FloatArray
    twice_m3: float
    exact: bool

    @property
    def peak_m3(self) -> float:
        """The largest that the heap becomes, loose m³."""
        return float(self.during_m3.max(initial=0.0))


def follow(flows: FloatArray, steps: Sequence[int], *, exact: bool = False) -> WorkOrder:
    """The heap through steps in a given order.

    Parameters
    ----------
    flows
        What goes from each step to the uses of each, shape (n, n), loose m³.
    """
    at = np.asarray(steps, dtype=np.int64)
    ordered = flows[np.ix_(at, at)]
    waits = np.triu(ordered)  # dug no later than its use is ready
    arrived, left = waits.sum(axis=1).cumsum(), waits.sum(axis=0).cumsum()
    during = arrived - np.concatenate([[0.0], left[:-1]])
    tidy = np.where(arrived - left > _SAME * flows.sum(), arrived - left, 0.0)
    return WorkOrder(tuple(int(s) for s in at), during, tidy, float(waits.sum()), exact)


def work_order(
    flows: FloatArray, *, before: Iterable[tuple[int, int]] = (), seed: int = 1
) -> WorkOrder:
    """Choose the order of least peak, and among those the one that moves least twice.

    Parameters
    ----------
    flows
        As of `follow`.
    before
        Pairs of steps of which the first must come first; they close no circle.
    seed
        Of the orders that are improved on where there are more than `MOST_EXACT` steps.
    """
    first = _needed(len(flows), before)
    if len(flows) <= MOST_EXACT:
        return follow(flows, _best(flows, first), exact=True)
    return _improved(flows, first, np.random.default_rng(seed))


def closes_circle(before: Iterable[tuple[int, int]], pair: tuple[int, int]) -> bool:
    """Whether a pair cannot hold besides the others, because they ask for its opposite."""
    pairs = list(before)
    start, found, ahead = pair[0], {pair[1]}, [pair[1]]
    while ahead:
        step = ahead.pop()
        later = {second for one, second in pairs if one == step} - found
        found |= later
        ahead += sorted(later)
    return start in found


def _needed(steps: int, before: Iterable[tuple[int, int]]) -> list[int]:
    """For each step the set of those that come before it, one bit each."""
    needed = [0] * steps
    for one, second in before:
        needed[second] |= 1 << one
    return needed


def _best(flows: FloatArray, needed: Sequence[int]) -> list[int]:
    """The best order by dynamic programming over sets of steps, exact."""
    steps = len(flows)
    sets = np.arange(1 << steps)
    done = (sets[:, None] >> np.arange(steps)) & 1 == 1
    to_come = (~done).astype(np.float64) @ flows.T  # (sets, i): from i to uses not in the set
    heap = np.where(done, to_come, 0.0).sum(axis=1)
    during = heap[:, None] + to_come
    need = np.array(needed, dtype=np.int64)
    allowed = ~done & ((sets[:, None] & need) == need)
    least = _least(np.where(allowed, during, math.inf), np.maximum)
    level = least[0] + _SAME * flows.sum()
    waits = np.where(allowed & (during <= level), to_come, math.inf)
    rest = _least(waits, np.add)
    order: list[int] = []
    at = 0
    while len(order) < steps:
        step = int(np.argmin([waits[at, i] + rest[at | 1 << i] for i in range(steps)]))
        order.append(step)
        at |= 1 << step
    return order


def _least(cost: FloatArray, joined: np.ufunc) -> FloatArray:
    """From each set the least way to the full set; a step's cost is joined with what follows."""
    sets, steps = cost.shape
    size = np.bitwise_count(np.arange(sets))
    least = np.full(sets, math.inf)
    least[-1] = 0.0
    for done in range(steps - 1, -1, -1):
        rows = np.flatnonzero(size == done)
        for step in range(steps):
            least[rows] = np.minimum(least[rows], joined(cost[rows, step], least[rows | 1 << step]))
    return least


def _improved(flows: FloatArray, needed: Sequence[int], random: np.random.Generator) -> WorkOrder:
    """The best of several orders, each improved by moving one step at a time."""
    starts = [_greedy(flows, needed)]
    starts += [_shuffled(needed, random) for _ in range(STARTS - 1)]
    found = [_moved_about(flows, needed, start) for start in starts]
    return min(found, key=_worth)


def _worth(order: WorkOrder) -> tuple[float, float]:
    return order.peak_m3, order.twice_m3


def _ready(needed: Sequence[int], order: Sequence[int]) -> list[int]:
    done = sum(1 << step for step in order)
    return [i for i, need in enumerate(needed) if not done >> i & 1 and need & ~done == 0]


def _greedy(flows: FloatArray, needed: Sequence[int]) -> list[int]:
    """Always the step that leaves the smallest heap."""
    order: list[int] = []
    while len(order) < len(flows):
        order.append(min(_ready(needed, order), key=lambda i: _grows(flows, order, i)))
    return order


def _grows(flows: FloatArray, order: Sequence[int], step: int) -> tuple[float, float]:
    """The heap when a step has been dug, and when its uses are filled, over what it was."""
    open_ = np.ones(len(flows), dtype=np.bool_)
    open_[list(order)] = False
    during = float(flows[step, open_].sum())
    return during - float(flows[~open_, step].sum()) - float(flows[step, step]), during


def _shuffled(needed: Sequence[int], random: np.random.Generator) -> list[int]:
    order: list[int] = []
    while len(order) < len(needed):
        order.append(int(random.choice(_ready(needed, order))))
    return order


def _moved_about(flows: FloatArray, needed: Sequence[int], order: list[int]) -> WorkOrder:
    """Move the one step to the one place that helps most, while any does."""
    best = follow(flows, order)
    while True:
        tried = np.array(list(_neighbours(needed, best.steps)), dtype=np.int64)
        if not len(tried):
            return best
        waits = np.triu(flows[tried[:, :, None], tried[:, None, :]])
        arrived, left = waits.sum(axis=2).cumsum(axis=1), waits.sum(axis=1).cumsum(axis=1)
        peak = np.max(arrived - left + waits.sum(axis=1), axis=1)
        other = follow(flows, tried[np.lexsort((arrived[:, -1], peak))[0]].tolist())
        if not _less(other, best, flows):
            return best
        best = other


def _neighbours(needed: Sequence[int], order: Sequence[int]) -> Iterator[list[int]]:
    """Every order with one step moved, that may be worked in."""
    for start in range(len(order)):
        for end in range(len(order)):
            tried = [*order]
            tried.insert(end, tried.pop(start))
            if start != end and _holds(needed, tried):
                yield tried


def _less(one: WorkOrder, other: WorkOrder, flows: FloatArray) -> bool:
    """Whether an order is better by more than rounding."""
    same = _SAME * float(flows.sum())
    if abs(one.peak_m3 - other.peak_m3) > same:
        return one.peak_m3 < other.peak_m3
    return one.twice_m3 < other.twice_m3 - same


def _holds(needed: Sequence[int], order: Sequence[int]) -> bool:
    done = 0
    for step in order:
        if needed[step] & ~done:
            return False
        done |= 1 << step
    return True
