"""The order of work against every order, and the heap against a walk through it."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.haul import order as ordering
from terrain.haul.order import closes_circle, follow, work_order


def walked(flows, steps):
    """The heap step by step: (peak, moved twice, heap after each step), told as the work goes."""
    dug, heap, peak, twice, after = [], 0.0, 0.0, 0.0, []
    for step in steps:
        for use in range(len(flows)):
            if use not in dug:
                heap += flows[step][use]
                twice += flows[step][use]
        peak = max(peak, heap)
        dug.append(step)
        heap -= sum(flows[one][step] for one in dug)
        after.append(heap)
    return peak, twice, after


@st.composite
def works(draw, least=1, most=5):
    n = draw(st.integers(least, most))
    values = draw(st.lists(st.integers(0, 9), min_size=n * n, max_size=n * n))
    ranks = draw(st.permutations(range(n)))
    pairs = draw(st.lists(st.tuples(st.integers(0, n - 1), st.integers(0, n - 1)), max_size=4))
    before = [(a, b) for a, b in pairs if ranks[a] < ranks[b]]
    return np.array(values, dtype=float).reshape(n, n), before


def allowed(steps, before):
    return all(steps.index(a) < steps.index(b) for a, b in before)


def best_of_all(flows, before):
    every = itertools.permutations(range(len(flows)))
    return min(walked(flows, steps)[:2] for steps in every if allowed(steps, before))


@settings(max_examples=25, deadline=None)
@given(work=works())
def test_the_order_is_the_best_of_all_permutations(work):
    flows, before = work
    found = work_order(flows, before=before)
    assert found.exact
    assert allowed(found.steps, before)
    peak, twice, after = walked(flows, found.steps)
    assert (found.peak_m3, found.twice_m3) == pytest.approx((peak, twice))
    assert found.after_m3 == pytest.approx(after, abs=1e-9)
    assert (found.peak_m3, found.twice_m3) == pytest.approx(best_of_all(flows, before))


@settings(max_examples=6, deadline=None)
@given(work=works(least=3))
def test_the_search_of_many_steps_keeps_the_order_and_ends_with_no_heap(work):
    flows, before = work
    needed = ordering._needed(len(flows), before)
    found = ordering._improved(flows, needed, np.random.default_rng(1))
    assert allowed(found.steps, before)
    assert found.peak_m3 >= best_of_all(flows, before)[0] - 1e-9
    assert found.after_m3[-1] == 0


def test_a_chain_is_dug_from_its_end_and_nothing_waits():
    """Each step's soil fills the next one's room: dug from the last, all goes straight there."""
    flows = np.diag([4.0, 3.0, 2.0], k=1)
    found = work_order(flows)
    assert found.steps == (3, 2, 1, 0)
    assert found.peak_m3 == found.twice_m3 == 0
    forward = follow(flows, range(4))
    assert forward.during_m3.tolist() == [4, 4 + 3, 3 + 2, 2]
    assert forward.twice_m3 == 9


def test_a_chain_longer_than_can_be_weighed_is_found_too():
    flows = np.diag(np.arange(1.0, 16.0), k=1)
    found = work_order(flows)
    assert not found.exact
    assert found.steps == tuple(range(15, -1, -1))
    assert work_order(flows, seed=5).peak_m3 == 0


def test_what_must_come_first_makes_soil_wait():
    """The source of 4 must be dug before the use is: it waits, whatever else could be done."""
    flows = np.array([[0.0, 4.0], [0.0, 1.5]])
    assert work_order(flows).steps == (1, 0)
    assert work_order(flows).peak_m3 == 1.5
    forced = work_order(flows, before=[(0, 1)])
    assert (forced.steps, forced.peak_m3, forced.twice_m3) == ((0, 1), 5.5, 5.5)


@settings(max_examples=15, deadline=None)
@given(scale=st.floats(0.01, 100), work=works())
def test_a_larger_dig_has_a_heap_as_much_larger(scale, work):
    flows, before = work
    assert work_order(scale * flows, before=before).peak_m3 == pytest.approx(
        scale * work_order(flows, before=before).peak_m3
    )


@settings(max_examples=15, deadline=None)
@given(work=works(), more=st.integers(0, 24))
def test_more_soil_never_makes_the_least_heap_smaller(work, more):
    flows, before = work
    larger = flows.copy()
    larger.flat[more % flows.size] += 3
    least = work_order(flows, before=before).peak_m3
    assert work_order(larger, before=before).peak_m3 >= least - 1e-9


def test_a_pair_that_others_contradict_closes_a_circle():
    assert closes_circle([(0, 1), (1, 2)], (2, 0))
    assert not closes_circle([(0, 1), (1, 2)], (0, 2))
    assert work_order(np.zeros((0, 0))).steps == ()
