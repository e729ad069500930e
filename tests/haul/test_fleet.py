"""No fleet outruns its excavator or its trucks, and more of either never slows it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.haul.fleet import Filling, Round, fill_truck, run_fleet
from terrain.haul.loads import Truck, load_volume, loads

volume = st.floats(0.02, 30.0)
seconds = st.floats(5.0, 3600.0)
rounds = st.builds(Round, load_s=seconds, haul_s=seconds, dump_s=seconds, return_s=seconds,
                   spot_s=seconds)  # fmt: skip
count = st.integers(1, 40)
share = st.floats(0.1, 1.0)


@given(limit=volume, a_pass=volume)
def test_a_truck_is_filled_to_its_limit_by_whole_passes(limit: float, a_pass: float):
    filling = fill_truck(limit, a_pass)
    assert filling.load_m3 == limit
    assert filling.passes >= 1
    assert filling.passes * a_pass >= limit * (1 - 1e-8)
    assert (filling.passes - 1) * a_pass < limit


def test_a_truck_of_whole_passes_but_for_rounding():
    """0.3 m³ by 0.1 m³ is three passes and not four."""
    assert fill_truck(0.1 + 0.1 + 0.1, 0.1).passes == 3


@given(whole=st.floats(0.0, 2000.0), body=volume, payload=st.floats(100, 40_000),
       density=st.floats(800, 2200))  # fmt: skip
def test_loads_hold_the_whole_and_none_is_too_heavy(whole, body, payload, density):
    one = load_volume(Truck(body, payload), density)
    number = loads(whole, one)
    assert number * one >= whole - 1e-6 * one
    assert max(number - 1, 0) * one <= whole
    assert one <= body
    assert one * density <= payload * (1 + 1e-12)


@given(load=volume, going=rounds, efficiency=share, trucks=count)
def test_neither_limit_is_passed_and_the_smaller_is_reached(load, going, efficiency, trucks):
    fleet = run_fleet(Filling(load, 3), going, efficiency=efficiency, trucks=trucks, most=10**6)
    excavator = load / going.load_s * 3600 * efficiency
    by_truck = trucks * load / going.whole_s * 3600 * efficiency
    assert fleet.loose_m3_per_h <= min(excavator, by_truck) * (1 + 1e-12)
    assert fleet.loose_m3_per_h >= min(excavator, by_truck) * (1 - 1e-12)
    assert (fleet.limited_by == "trucks") == (by_truck < excavator)


@given(load=volume, going=rounds, efficiency=share)
def test_the_trucks_reckoned_are_just_enough(load, going, efficiency):
    filling = Filling(load, 3)
    enough = run_fleet(filling, going, efficiency=efficiency, trucks=None, most=10**6)
    assert enough.trucks == enough.keep_busy
    assert enough.trucks_m3_per_h >= enough.excavator_m3_per_h * (1 - 1e-8)
    if enough.trucks > 1:
        fewer = run_fleet(
            filling, going, efficiency=efficiency, trucks=enough.trucks - 1, most=10**6
        )
        assert fewer.limited_by == "trucks"


def test_no_more_trucks_than_loads():
    going = Round(300.0, 1800.0, 300.0, 1500.0, 30.0)
    filling = Filling(9.0, 10)
    assert run_fleet(filling, going, efficiency=1.0, trucks=None, most=100).trucks == 14
    short = run_fleet(filling, going, efficiency=1.0, trucks=None, most=3)
    assert (short.trucks, short.keep_busy) == (3, 14)
    assert run_fleet(filling, going, efficiency=1.0, trucks=5, most=3).trucks == 5


@given(load=volume, going=rounds, efficiency=share, trucks=count, further=st.floats(1.0, 3600.0))
def test_one_more_truck_never_slows_and_a_longer_way_never_speeds(
    load, going, efficiency, trucks, further
):
    def pace(rounds: Round, number: int) -> float:
        return run_fleet(
            Filling(load, 3), rounds, efficiency=efficiency, trucks=number, most=10**6
        ).loose_m3_per_h

    longer = Round(going.load_s, going.haul_s + further, going.dump_s, going.return_s, going.spot_s)
    assert longer.whole_s == pytest.approx(going.whole_s + further)
    assert pace(going, trucks + 1) >= pace(going, trucks)
    assert pace(longer, trucks) <= pace(going, trucks)
