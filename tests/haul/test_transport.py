"""Where soil goes: textbook problems, duality, every vertex weighed, and nothing lost."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.earthwork.soil import Soil
from terrain.haul.transport import (
    OUTSIDE,
    Job,
    Source,
    Store,
    Use,
    Varied,
    straight_ways,
    transport,
    vary,
)  # fmt: skip

PLAIN = Soil("plain", 0.0, 0.0, 1800.0)
CLAY = Soil("clay", 0.30, 0.10, 2000.0)
TOPSOIL = Soil("topsoil", 0.20, 0.05, 1400.0)
FAR = 1e4


def plain_job(supply, demand, ways):
    return Job(
        soils=(PLAIN,),
        sources=tuple(Source(f"s{k}", 0, v) for k, v in enumerate(supply)),
        uses=tuple(Use(f"u{k}", "pad", v, {0: 0.0}) for k, v in enumerate(demand)),
        away_m=FAR,
        bring_m=FAR,
        stores=(),
        ways=np.array(ways, dtype=float),
    )


POWER = [[8, 6, 10, 9], [9, 12, 13, 7], [14, 9, 16, 5]]


def test_textbook_problem_of_three_sources_and_four_uses():
    """Three plants of 35, 50, 40 and four cities of 45, 20, 30, 30: the least cost is 1020.

    (Winston, *Operations Research: Applications and Algorithms*, the transportation problem that
    opens its chapter, from memory; checked by the prices 0, 3, 3 and 6, 6, 10, 2: no way costs
    less than their sums, and 50·3 + 40·3 + 45·6 + 20·6 + 30·10 + 30·2 = 1020.)
    """
    found = transport(plain_job([35, 50, 40], [45, 20, 30, 30], POWER))
    assert found.cost_m4 == pytest.approx(1020)
    sent = np.zeros((3, 4))
    for flow in found.flows:
        sent[flow.source, flow.target] = flow.bank_m3
    assert sent == pytest.approx(np.array([[0, 10, 25, 0], [45, 0, 5, 0], [0, 10, 0, 30]]))


def test_three_by_three_worked_by_hand():
    """One use a source, and what is left over goes away.

    Ways 1 on the diagonal and 10 off it: each source of 5 fills its own use of 4, and 1 of each
    leaves: 3·4·1 + 3·1·10,000.
    """
    ways = np.full((3, 3), 10.0) - 9 * np.eye(3)
    found = transport(plain_job([5] * 3, [4] * 3, ways))
    assert found.cost_m4 == pytest.approx(12 + 3 * FAR)
    away = [flow.bank_m3 for flow in found.flows if flow.target == OUTSIDE]
    assert away == pytest.approx([1, 1, 1])
    assert found.source_price == pytest.approx([FAR] * 3)  # one more dug is one more away
    assert found.use_price == pytest.approx([1 - FAR] * 3)  # one more used is one less away


amount = st.floats(0.5, 200)
way = st.floats(0, 80)
factor = st.floats(0, 0.4)


@st.composite
def jobs(draw):
    soils = (
        Soil("clay", draw(factor), draw(factor), 2000.0),
        Soil("sand", draw(factor), draw(factor), 1700.0),
        Soil("topsoil", draw(factor), draw(factor), 1400.0),
    )
    sources = tuple(
        Source(f"s{k}", draw(st.integers(0, 2)), draw(amount))
        for k in range(draw(st.integers(1, 4)))
    )
    uses = tuple(
        Use(
            f"u{k}",
            "rim",
            draw(amount),
            draw(st.sampled_from([{0: 0.0}, {0: 0.0, 1: 50.0}, {1: 0.0}])),
        )
        for k in range(draw(st.integers(1, 3)))
    )
    stores = (Store("stock", draw(amount), {2: 0.0}),)
    shape = (len(sources), len(uses) + 1)
    ways = np.array([draw(way) for _ in range(shape[0] * shape[1])]).reshape(shape)
    return Job(soils, sources, uses, FAR, FAR, stores, ways)


@settings(max_examples=12, deadline=None)
@given(job=jobs())
def test_nothing_is_lost_in_any_state_and_topsoil_goes_where_it_may(job):
    found = transport(job)
    for row, source in enumerate(job.sources):
        out = sum(f.bank_m3 for f in found.flows if f.source == row)
        assert out == pytest.approx(source.bank_m3, rel=1e-6)
    for row, use in enumerate(job.uses):
        ends = [f for f in found.flows if f.target == row]
        assert sum(f.compacted_m3 for f in ends) == pytest.approx(use.compacted_m3, rel=1e-6)
        assert {f.soil.name for f in ends} <= {job.soils[k].name for k in use.suits}
        assert "topsoil" not in {f.soil.name for f in ends}
    stock = [f for f in found.flows if f.target == len(job.uses)]
    assert sum(f.loose_m3 for f in stock) <= job.stores[0].room_loose_m3 * (1 + 1e-6)
    dug = sum(job.soils[s.soil].bank_density * s.bank_m3 for s in job.sources)
    brought = sum(f.mass_kg for f in found.flows if f.source == OUTSIDE)
    ended = sum(f.mass_kg for f in found.flows)
    assert dug + brought == pytest.approx(ended, rel=1e-6)
    for soil in job.soils:  # no soil leaves and comes in again
        ways = {(f.source == OUTSIDE, f.target == OUTSIDE) for f in found.flows if f.soil == soil}
        assert not {(True, False), (False, True)} <= ways


@settings(max_examples=12, deadline=None)
@given(job=jobs())
def test_strong_duality_and_complementary_slackness(job):
    """At the optimum supply and demand at their prices cost as much as the flows.

    No way costs less than its prices' sum, and one that is used costs just that.
    """
    found = transport(job)

    def prices(source, soil, target):
        total = 0.0 if source == OUTSIDE else found.source_price[source]
        if target == OUTSIDE:
            return total
        if target >= len(job.uses):
            return total + found.store_price[target - len(job.uses)] * (1 + soil.swell)
        return total + found.use_price[target] * (1 - soil.shrink)

    whole = found.source_price @ [s.bank_m3 for s in job.sources]
    whole += found.use_price @ [u.compacted_m3 for u in job.uses]
    whole += found.store_price @ [s.room_loose_m3 for s in job.stores]
    assert whole == pytest.approx(found.cost_m4, rel=1e-6)
    assert (found.store_price <= 1e-9).all()
    for flow in found.flows:
        priced = prices(flow.source, flow.soil, flow.target)
        assert found.price(flow) == pytest.approx(priced, rel=1e-6, abs=1e-4)
    for row, source in enumerate(job.sources):
        soil = job.soils[source.soil]
        assert found.source_price[row] <= job.away_m + 1e-4
        for target, use in enumerate(job.uses):
            if source.soil in use.suits:
                costs = job.ways[row, target] + use.suits[source.soil]
                assert prices(row, soil, target) <= costs + 1e-4


@settings(max_examples=12, deadline=None)
@given(
    supply=st.lists(st.integers(0, 4), min_size=2, max_size=2),
    demand=st.lists(st.integers(1, 3), min_size=2, max_size=2),
    ways=st.lists(st.integers(0, 9), min_size=4, max_size=4),
)
def test_no_whole_numbered_plan_is_cheaper(supply, demand, ways):
    """With whole supplies and demands an optimum is whole, so every plan can be counted."""
    ways = np.array(ways).reshape(2, 2)
    best = min(
        sum(x[i][j] * ways[i, j] for i in (0, 1) for j in (0, 1))
        + FAR * (sum(supply) + sum(demand) - 2 * sum(map(sum, x)))
        for a, b, c, d in itertools.product(range(5), repeat=4)
        for x in ([[a, b], [c, d]],)
        if a + b <= supply[0] and c + d <= supply[1] and a + c <= demand[0] and b + d <= demand[1]
    )
    assert transport(plain_job(supply, demand, ways)).cost_m4 == pytest.approx(best, abs=1e-6)


def test_each_soil_is_measured_in_its_own_states():
    """Worked by hand: 90 m³ of compacted clay at a shrink of 10 % take 100 m³ in place.

    40 are dug in clay and 60 come in; 50 m³ of topsoil at a swell of 20 % are 60 loose, of which
    the stock holds 36, 30 in place, and 20 leave.
    """
    job = Job(
        soils=(CLAY, TOPSOIL),
        sources=(Source("pond", 0, 40.0, (0, 0)), Source("pond", 1, 50.0, (0, 0))),
        uses=(Use("pond", "rim", 90.0, {0: 0.0}, (3, 4)),),
        away_m=FAR,
        bring_m=FAR,
        stores=(Store("stock", 36.0, {1: 0.0}, (6, 8)),),
        ways=np.zeros((0, 0)),
    )
    ways = straight_ways(job.sources, job.uses, job.stores)
    assert ways == pytest.approx(np.array([[5, 10], [5, 10]]))
    found = transport(Job(job.soils, job.sources, job.uses, FAR, FAR, job.stores, ways))
    ends = {(f.soil.name, f.source, f.target): f.bank_m3 for f in found.flows}
    assert ends == pytest.approx(
        {
            ("clay", OUTSIDE, 0): 60,
            ("clay", 0, 0): 40,
            ("topsoil", 1, 1): 30,
            ("topsoil", 1, OUTSIDE): 20,
        }
    )
    assert found.placed() == pytest.approx([90, 0])
    assert found.kept() == pytest.approx([0, 30])
    assert found.cost_m4 == pytest.approx(60 * FAR + 40 * 5 + 30 * 10 + 20 * FAR)


@settings(max_examples=6, deadline=None)
@given(job=jobs())
def test_a_draw_at_the_likely_factors_leaves_and_brings_in_as_much(job):
    bank = np.zeros(3)
    for source in job.sources:
        bank[source.soil] += source.bank_m3
    swell, shrink = (
        np.array([[getattr(s, k) for s in job.soils]] * 2) for k in ("swell", "shrink")
    )
    placed, kept = vary(job, Varied(np.array([bank, 2 * bank]), swell, shrink))
    found = transport(job)
    assert placed.sum(axis=1) == pytest.approx(found.placed().sum(), rel=1e-6)
    assert kept[0].sum() == pytest.approx(found.kept().sum(), rel=1e-6, abs=1e-6)
    assert (kept[1] >= kept[0] - 1e-6).all()
    taken = placed[0] / (1 - shrink[0]) + kept[0]
    brought = sum(f.bank_m3 for f in found.flows if f.source == OUTSIDE)
    assert np.maximum(taken - bank, 0).sum() <= brought * (1 + 1e-6) + 50 / FAR * taken.sum() + 1e-6


def test_a_site_where_nothing_is_moved_has_no_flows():
    empty = Job((CLAY,), (), (), FAR, FAR, (), np.zeros((0, 0)))
    assert transport(empty).flows == ()
    placed, kept = vary(empty, Varied(np.zeros((3, 1)), np.zeros((3, 1)), np.zeros((3, 1))))
    assert placed.shape == kept.shape == (3, 1)
    assert not placed.any()
