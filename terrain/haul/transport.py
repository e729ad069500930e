"""Where dug soil goes: the cheapest way from every source to every use, as a transport problem.

A source sends its soil, measured in place, to uses that it suits, to heaps that stay, or away on
trucks; what is missing is brought in. `x` being what goes each way in place,

    least   sum of (way + how unwelcome the soil is) x
    where   sum over targets of x = what the source holds                     (every source)
            sum over sources of (1 − shrink) x = what the use takes           (every use)
            sum over sources of (1 + swell) x ≤ the room of the heap          (every heap)

solved by HiGHS. Every cubic metre is accounted for, in each soil's own states.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array

from terrain.arrays import FloatArray, IntArray
from terrain.earthwork.soil import Soil, bank_to_compacted, bank_to_loose

OUTSIDE = -1  # no source: brought in; no target: taken away
_NOTHING = 1e-9  # of all that is moved: less is no flow
Spot = tuple[float, float]


@dataclass(frozen=True)
class Source:
    """Soil that is dug.

    Attributes
    ----------
    name
        Where it is dug.
    soil
        Row of its soil.
    bank_m3
        How much, in place.
    place
        Its middle, local m.
    """

    name: str
    soil: int
    bank_m3: float
    place: Spot = (0.0, 0.0)


@dataclass(frozen=True)
class Use:
    """Where soil is placed.

    Attributes
    ----------
    name, kind
        Where, and as what.
    compacted_m3
        How much, as placed.
    suits
        Rows of the soils that may be placed, with how far each would rather be carried than taken
        (m): 0 for the best. At least one.
    place
        Its middle, local m.
    """

    name: str
    kind: str
    compacted_m3: float
    suits: Mapping[int, float]
    place: Spot = (0.0, 0.0)


@dataclass(frozen=True)
class Store:
    """A heap that stays.

    Attributes
    ----------
    room_loose_m3
        What it can hold, loose.
    suits, place
        As of a `Use`.
    """

    name: str
    room_loose_m3: float
    suits: Mapping[int, float]
    place: Spot = (0.0, 0.0)


@dataclass(frozen=True)
class Job:
    """All that is to be moved.

    Attributes
    ----------
    soils
        Each with its factors.
    away_m, bring_m
        What taking a cubic metre away, and bringing one in, is worth in metres of way on the site.
    ways
        From each source to each use, then to each store, shape (sources, uses + stores), m.
    """

    soils: tuple[Soil, ...]
    sources: tuple[Source, ...]
    uses: tuple[Use, ...]
    away_m: float
    bring_m: float
    stores: tuple[Store, ...]
    ways: FloatArray

    @property
    def targets(self) -> tuple[Use | Store, ...]:
        """Uses, then stores, as rows of targets count them."""
        return *self.uses, *self.stores


@dataclass(frozen=True)
class Flow:
    """Soil that goes one way.

    Attributes
    ----------
    soil
        With its factors.
    source
        Row of the source, or `OUTSIDE`.
    target
        Row of the use, or of the store after all uses, or `OUTSIDE`.
    bank_m3
        How much, in place.
    distance_m
        How far on the site; NaN to or from outside.
    """

    soil: Soil
    source: int
    target: int
    bank_m3: float
    distance_m: float

    @property
    def loose_m3(self) -> float:
        """The same on the way."""
        return bank_to_loose(self.bank_m3, self.soil)

    @property
    def compacted_m3(self) -> float:
        """The same as placed."""
        return bank_to_compacted(self.bank_m3, self.soil)

    @property
    def mass_kg(self) -> float:
        """The same weighed."""
        return self.bank_m3 * self.soil.bank_density


@dataclass(frozen=True)
class Transport:
    """The cheapest flows.

    Attributes
    ----------
    flows
        All that is moved, by source, then by target.
    cost_m4
        Sum of volume in place times what a cubic metre costs, m³ m.
    source_price, use_price, store_price
        What one more cubic metre would cost, m: dug, in place; placed, compacted; of room, loose
        (never above 0).
    """

    job: Job
    flows: tuple[Flow, ...]
    cost_m4: float
    source_price: FloatArray
    use_price: FloatArray
    store_price: FloatArray

    def price(self, flow: Flow) -> float:
        """What a cubic metre (in place) of a flow costs, m."""
        return unit_cost(self.job, flow.source, self.job.soils.index(flow.soil), flow.target)

    def placed(self) -> FloatArray:
        """Compacted volume in the uses by soil, shape (soils,), m³."""
        uses = len(self.job.uses)
        return self._by_soil((f.soil, f.compacted_m3) for f in self.flows if 0 <= f.target < uses)

    def kept(self) -> FloatArray:
        """Volume in place on heaps that stay, by soil, shape (soils,), m³."""
        uses = len(self.job.uses)
        return self._by_soil((f.soil, f.bank_m3) for f in self.flows if f.target >= uses)

    def _by_soil(self, parts: Iterable[tuple[Soil, float]]) -> FloatArray:
        volumes = np.zeros(len(self.job.soils))
        for soil, volume in parts:
            volumes[self.job.soils.index(soil)] += volume
        return volumes


@dataclass(frozen=True)
class Varied:
    """Many ways that one job may turn out, shape (draws, soils) each.

    Attributes
    ----------
    bank_m3
        What is dug of each soil.
    swell, shrink
        Factors of each soil.
    """

    bank_m3: FloatArray
    swell: FloatArray
    shrink: FloatArray


def straight_ways(
    sources: Sequence[Source], uses: Sequence[Use], stores: Sequence[Store]
) -> FloatArray:
    """Straight ways between their middles, as `Job.ways`."""
    start = np.array([each.place for each in sources]).reshape(-1, 1, 2)
    places = [use.place for use in uses] + [store.place for store in stores]
    end = np.array(places).reshape(1, -1, 2)
    ways: FloatArray = np.hypot(*np.moveaxis(end - start, 2, 0))
    return ways


def transport(job: Job) -> Transport:
    """Find the cheapest flows of a job."""
    links = _Links.of(job)
    solved = _solve(
        links,
        np.array([[each.bank_m3 for each in job.sources]]),
        _takes(job, 1),
        np.array([[soil.swell for soil in job.soils]]),
        np.array([[soil.shrink for soil in job.soils]]),
    )
    sources, uses = len(job.sources), len(job.uses)
    prices = solved.equal_price
    whole = sum(each.bank_m3 for each in job.sources) + sum(u.compacted_m3 for u in job.uses)
    return Transport(
        job=job,
        flows=tuple(
            Flow(
                soil=job.soils[links.soil[k]],
                source=int(links.source[k]),
                target=int(links.target[k]),
                bank_m3=float(solved.x[k]),
                distance_m=_way(job, int(links.source[k]), int(links.target[k])),
            )
            for k in np.lexsort((links.target, links.source))
            if solved.x[k] > _NOTHING * whole
        ),
        cost_m4=solved.cost,
        source_price=prices[:sources],
        use_price=prices[sources : sources + uses],
        store_price=solved.room_price,
    )


def vary(job: Job, varied: Varied) -> tuple[FloatArray, FloatArray]:
    """What of each soil is placed and kept as its amount and factors vary.

    The sources of one soil count as one, as near to each use as the nearest of them.

    Returns
    -------
    placed, kept
        Shape (draws, soils), m³: compacted in the uses, and in place on heaps that stay.
    """
    merged = _merged(job)
    links = _Links.of(merged)
    draws, soils = varied.bank_m3.shape
    at = [each.soil for each in merged.sources]
    solved = _solve(
        links, varied.bank_m3[:, at], _takes(merged, draws), varied.swell, varied.shrink
    )
    x = solved.x.reshape(draws, -1)
    placed, kept = np.zeros((draws, soils)), np.zeros((draws, soils))
    uses = len(merged.uses)
    for k, (soil, target) in enumerate(zip(links.soil, links.target, strict=True)):
        if target >= uses:
            kept[:, soil] += x[:, k]
        elif target != OUTSIDE:
            placed[:, soil] += x[:, k] * (1 - varied.shrink[:, soil])
    return placed, kept


def _merged(job: Job) -> Job:
    """The same job with one source a soil, and one use for all that the same soils suit alike."""
    alike: dict[tuple[tuple[int, float], ...], list[int]] = {}
    for row, use in enumerate(job.uses):
        alike.setdefault(tuple(sorted(use.suits.items())), []).append(row)
    soils = sorted({source.soil for source in job.sources})
    rows = [[k for k, s in enumerate(job.sources) if s.soil == soil] for soil in soils]
    near = np.array([job.ways[mine].min(axis=0) for mine in rows])
    near = near.reshape(len(soils), job.ways.shape[1])
    volumes = np.array([use.compacted_m3 for use in job.uses])
    columns = [near[:, those] @ (volumes[those] / volumes[those].sum()) for those in alike.values()]
    columns += [near[:, len(job.uses) + k] for k in range(len(job.stores))]
    return Job(
        soils=job.soils,
        sources=tuple(Source(job.soils[soil].name, soil, 0.0) for soil in soils),
        uses=tuple(
            Use("", "", float(volumes[those].sum()), dict(suits)) for suits, those in alike.items()
        ),
        away_m=job.away_m,
        bring_m=job.bring_m,
        stores=job.stores,
        ways=np.column_stack(columns) if columns else np.zeros((len(soils), 0)),
    )


@dataclass(frozen=True)
class _Links:
    """Every way that soil may go: the rows of its source, soil and target, and its cost, (k,)."""

    source: IntArray
    soil: IntArray
    target: IntArray
    cost: FloatArray

    @classmethod
    def of(cls, job: Job) -> "_Links":
        targets = list(enumerate(job.targets))
        found = [
            (row, source.soil, target)
            for row, source in enumerate(job.sources)
            for target in (OUTSIDE, *(k for k, each in targets if source.soil in each.suits))
        ]
        found += [(OUTSIDE, soil, k) for k, use in enumerate(job.uses) for soil in use.suits]
        cost = [unit_cost(job, *link) for link in found]
        source, soil, target = np.array(found, dtype=np.int64).reshape(-1, 3).T
        return cls(source, soil, target, np.array(cost))


def unit_cost(job: Job, source: int, soil: int, target: int) -> float:
    """What a cubic metre in place costs on its way, m."""
    if target == OUTSIDE:
        return job.away_m
    unwelcome = job.targets[target].suits[soil]
    if source == OUTSIDE:
        return job.bring_m + unwelcome
    return _way(job, source, target) + unwelcome


def _way(job: Job, source: int, target: int) -> float:
    outside = OUTSIDE in (source, target)
    return math.nan if outside else float(job.ways[source, target])


def _takes(job: Job, draws: int) -> tuple[FloatArray, FloatArray]:
    """What each use takes, and what each store can hold, (draws, …) each."""
    uses = np.array([use.compacted_m3 for use in job.uses])
    rooms = np.array([store.room_loose_m3 for store in job.stores])
    return np.tile(uses, (draws, 1)), np.tile(rooms, (draws, 1))


@dataclass(frozen=True)
class _Solved:
    """What goes along each link, draw after draw; the cost; what one more of each would cost."""

    x: FloatArray
    cost: float
    equal_price: FloatArray
    room_price: FloatArray


def _solve(
    links: _Links,
    bank: FloatArray,
    takes: tuple[FloatArray, FloatArray],
    swell: FloatArray,
    shrink: FloatArray,
) -> _Solved:
    """Solve many jobs of the same links at once; they share nothing, so each is solved."""
    use, room = takes
    draws, sources, uses, stores = len(bank), bank.shape[1], use.shape[1], room.shape[1]
    k = np.arange(len(links.cost))
    dug = links.source != OUTSIDE
    placed = (links.target != OUTSIDE) & (links.target < uses)
    kept = links.target >= uses
    height = sources + uses

    def matrix(parts: list[tuple[FloatArray, IntArray, IntArray]], rows: int) -> Any:
        each = np.arange(draws)[:, None]
        value = np.concatenate([np.broadcast_to(v, (draws, len(r))) for v, r, _ in parts], axis=1)
        row = np.concatenate([each * rows + r for _, r, _ in parts], axis=1)
        column = np.concatenate([each * len(k) + c for _, _, c in parts], axis=1)
        shape = (draws * rows, draws * len(k))
        return coo_array((value.ravel(), (row.ravel(), column.ravel())), shape=shape).tocsr()

    equal = matrix(
        [
            (np.ones((1, int(dug.sum()))), links.source[dug], k[dug]),
            (1 - shrink[:, links.soil[placed]], sources + links.target[placed], k[placed]),
        ],
        height,
    )
    within = matrix([(1 + swell[:, links.soil[kept]], links.target[kept] - uses, k[kept])], stores)
    if not len(k):
        return _Solved(np.zeros(0), 0.0, np.zeros(draws * height), np.zeros(draws * stores))
    solved: Any = linprog(
        np.tile(links.cost, draws),
        A_ub=within,
        b_ub=room.ravel(),
        A_eq=equal,
        b_eq=np.concatenate([bank, use], axis=1).ravel(),
        method="highs-ds",
    )
    assert solved.success, solved.message  # all may be taken away, and all be brought in
    return _Solved(solved.x, float(solved.fun), solved.eqlin.marginals, solved.ineqlin.marginals)
