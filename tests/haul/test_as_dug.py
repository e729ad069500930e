"""Levels as dug against a dig, place by place, and what the loads say: all by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from terrain.haul.as_dug import Dig, came_back, hold_against, latest_levels
from terrain.haul.loads_sent import Amount, Sent, loads_foretold, swell_shown

TOLERANCE = 0.05
NAN = float("nan")


def dig_of(planned, *, raised=0.0, weight=2.0) -> Dig:
    """A dig below level ground at 100 m; element 0 digs, element 1 fills where nothing is dug."""
    planned = np.atleast_1d(np.asarray(planned, dtype=np.float64))
    count = len(planned)
    fills = (planned == 0) & (raised > 0)
    return Dig(
        existing=np.full(count, 100.0),
        dig=100.0 - planned,
        subgrade=np.where(fills, 100.0 + raised, 100.0 - planned),
        dig_owner=np.where(planned > 0, 0, -1).astype(np.int32),
        fill_owner=np.where(fills, 1, -1).astype(np.int32),
        weight=np.full(count, weight),
        elements=2,
    )


def held(planned, depth, **more):
    dig = dig_of(planned, **more)
    level = 100.0 - np.atleast_1d(np.asarray(depth, dtype=np.float64))
    return hold_against(dig, level, tolerance_m=TOLERANCE, outside_m=TOLERANCE)


@pytest.mark.parametrize(
    ("planned", "depth", "dug", "too_deep", "too_high"),
    [
        (1.0, 0.0, 0.0, 0.0, 1.0),  # untouched
        (1.0, 0.4, 0.4, 0.0, 0.6),
        (1.0, 0.96, 1.0, 0.0, 0.0),  # within the tolerance: down
        (1.0, 0.94, 0.94, 0.0, 0.06),
        (1.0, 1.04, 1.0, 0.0, 0.0),
        (1.0, 1.2, 1.0, 0.2, 0.0),  # all of it goes back, not only what is over the tolerance
        (1.0, -0.3, 0.0, 0.0, 1.3),  # a heap lies on it
        (1.0, NAN, 0.0, 0.0, 0.0),  # nobody looked
        (0.04, 0.0, 0.0, 0.0, 0.04),  # shallower than the tolerance, yet not dug before it is
        (0.04, 0.03, 0.04, 0.0, 0.0),
    ],
)
def test_one_place(planned, depth, dug, too_deep, too_high):
    found = held(planned, depth)
    assert found.dug[0] == pytest.approx(dug)
    assert found.left[0] == pytest.approx(planned - dug)
    assert found.too_deep[0] == pytest.approx(too_deep)
    assert found.too_high[0] == pytest.approx(too_high)
    assert bool(found.reached[0]) == np.isfinite(depth)


def test_beside_the_dig():
    found = held([0.0, 0.0, 1.0], [0.04, 0.3, 1.3])
    assert found.outside == pytest.approx([0.0, 0.3, 0.0])
    assert found.taken == pytest.approx([0.0, 0.3, 1.3])


def test_fill_is_placed_up_to_its_top():
    found = held([0.0, 0.0, 0.0], [-0.2, -0.7, 0.2], raised=0.5)
    assert found.placed == pytest.approx([0.2, 0.5, 0.0])
    assert found.outside.tolist() == [0.0, 0.0, 0.0]  # stripped under a fill is no mistake


def test_sums_go_to_the_element_that_digs_or_fills():
    dig = dig_of([1.0, 0.0, 0.5], raised=0.4)
    assert dig.by_digger(dig.planned).tolist() == [3.0, 0.0]
    assert dig.by_filler(dig.raised) == pytest.approx([0.0, 0.8])


def test_noise_over_untouched_ground_averages_out():
    """Heights with a standard deviation of 15 mm: the mean of 40,000 is good to 0.1 mm."""
    noise = np.random.default_rng(3).normal(0.0, 0.015, 40_000)
    found = held(np.full(40_000, 1.0), noise)
    assert found.dug.mean() == pytest.approx(0.0, abs=4e-4)


@given(
    arrays(np.float64, 20, elements=st.floats(0, 3)),
    arrays(np.float64, 20, elements=st.floats(-1, 4) | st.just(NAN)),
)
def test_nothing_is_lost(planned, depth):
    """Dug and left are the dig; without a mistake what was taken is what is dug, to a tolerance."""
    found = held(planned, depth)
    assert found.dug + found.left == pytest.approx(planned, abs=1e-12)
    assert (found.left >= -1e-12).all()
    assert (found.dug >= -TOLERANCE - 1e-12).all()
    excess = found.too_deep + found.outside
    assert (np.abs(found.taken - found.dug - excess) <= TOLERANCE + 1e-9).all()


def test_a_later_survey_holds_where_it_reaches():
    first, second = np.array([1.0, 2.0, NAN]), np.array([NAN, 3.0, NAN])
    levels = latest_levels([first, second])
    assert levels[0] == pytest.approx([1.0, 2.0, NAN], nan_ok=True)
    assert levels[1] == pytest.approx([1.0, 3.0, NAN], nan_ok=True)


def test_what_fell_back_in_is_told():
    dig = dig_of([1.0, 1.0, 1.0, 0.0, 1.0])
    before = 100.0 - np.array([0.8, 0.8, 1.4, 0.8, NAN])
    after = 100.0 - np.array([0.5, 0.78, -0.3, 0.0, 0.2])
    back = came_back([before, after], dig, tolerance_m=TOLERANCE)
    assert back == pytest.approx([0.3, 0.0, 1.0, 0.0, 0.0])


def test_loads_show_the_swell():
    """20 m³ in place; 3 loads of 8 m³ left and 1 m³ lies there: 25 m³ loose, a quarter more."""
    shown = swell_shown(Sent(3, 8.0, 1.0), 20.0, 0.0)
    assert shown.likely == pytest.approx(0.25)
    assert (shown.low, shown.high) == pytest.approx((17 / 20 - 1, 0.25))
    unsure = swell_shown(Sent(3, 8.0, 1.0), 20.0, 5.0)
    assert (unsure.low, unsure.high) == pytest.approx((17 / 25 - 1, 25 / 15 - 1))


def test_loads_show_no_swell_of_what_is_not_surely_dug():
    assert swell_shown(Sent(3, 8.0), 2.0, 2.5) is None
    assert swell_shown(Sent(0, 8.0), 20.0, 0.0) is None
    assert swell_shown(Sent(3, 8.0), 20.0, NAN) is None


def test_loads_are_foretold_at_each_swell():
    """20 m³ at 20, 25 and 30 % is 24, 25 and 26 m³ loose; 1 m³ stays; the truck takes 8 m³."""
    found = loads_foretold(20.0, (0.20, 0.25, 0.30), Amount(8.0, 8.0, 8.0), 1.0)
    assert (found.low, found.likely, found.high) == (3, 3, 4)
