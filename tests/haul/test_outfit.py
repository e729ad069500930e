"""Hours are the volumes over the paces; whatever slows a machine adds hours."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.earthwork.soil import Soil
from terrain.haul import SoilWork, Truck, balance
from terrain.haul.outfit import Outfit, hours, laid_aside, most_carried

CLAY = Soil("clay", 0.30, 0.10, 2000.0)
SAND = Soil("sand", 0.12, 0.05, 1700.0)
TRUCK = Truck(9.0, 15000.0)
OUTFIT = Outfit(
    bucket_m3=0.5, cycle_s=30.0, quickness=1.0, haul_s=600.0, dump_s=240.0, return_s=600.0,
    spot_s=30.0, trucks=None, digging={"clay": "hard", "sand": "easy"}, efficiency=50 / 60,
    day_h=8.0,
)  # fmt: skip
FILLS = (0.8, 0.9)
amount = st.floats(1.0, 1e4)


def of(dug: tuple[float, float], placed: tuple[float, float]):
    works = [SoilWork(CLAY, dug[0], placed[0]), SoilWork(SAND, dug[1], placed[1])]
    return balance(works, TRUCK)


def test_one_soil_worked_by_hand():
    """100 m³ of clay, 36 m³ of it put back in place of 40: 60 m³ leave, 78 loose.

    A pass is 0.4 m³ in 30 s, so 40 m³/h at 50 min/h; 40 · 1.3 = 52 m³ aside take 1.3 h. A truck
    holds 9 m³ (7.5 m³ weigh 11.5 t): 23 passes, 690 s of a round of 2,160 s. Two trucks carry
    2 · 9 · 3600 / 2160 · 50/60 = 25 m³/h: 78 m³ take 3.12 h.
    """
    found = hours(of((100.0, 0.0), (36.0, 0.0)), OUTFIT, FILLS, 2)
    assert found.beside_h == pytest.approx(1.3)
    assert found.loading_h == pytest.approx(3.12)
    assert found.bringing_h == 0.0
    assert found.whole_h == pytest.approx(4.42)


def test_what_is_missing_comes_in_while_the_excavator_digs():
    """90 m³ placed of 1 m³ dug: 99 m³ in place, 128.7 loose, at 12.5 m³/h of one truck."""
    found = hours(of((1.0, 0.0), (90.0, 0.0)), OUTFIT, FILLS, 1)
    assert found.loading_h == 0.0
    assert found.beside_h == pytest.approx(1.3 / 40)
    assert found.bringing_h == found.whole_h == pytest.approx(128.7 / 12.5)


def test_a_pass_is_as_long_as_its_soil_its_swing_and_its_depth_say():
    by_soil = replace(OUTFIT, cycle_s=None, quickness=0.5)
    clay, sand = by_soil.digger("clay", 0.8), by_soil.digger("sand", 0.8)
    assert clay.pass_m3 == sand.pass_m3 == pytest.approx(0.4)
    assert sand.cycle_s < clay.cycle_s == pytest.approx(2 * 3600 / 160)


@given(dug=st.tuples(amount, amount), placed=st.tuples(amount, amount), trucks=st.integers(1, 9))
def test_hours_over_two_soils(dug, placed, trucks):
    found = of(dug, placed)
    spent = hours(found, OUTFIT, FILLS, trucks)
    loose = [each.excavation_bank_m3 * (1 + each.soil.swell) for each in found.soils]
    gone = [max(each.surplus_loose_m3, 0.0) for each in found.soils]
    for each, all_of_it, leaves in zip(found.soils, loose, gone, strict=True):
        assert laid_aside(each) + leaves == pytest.approx(max(all_of_it, leaves))
    paces = [OUTFIT.digger(each.soil.name, f).loose_m3_per_h
             for each, f in zip(found.soils, FILLS, strict=True)]  # fmt: skip
    least = sum(volume / pace for volume, pace in zip(loose, paces, strict=True))
    assert spent.beside_h + spent.loading_h >= least * (1 - 1e-9)  # trucks never speed it up
    assert hours(found, OUTFIT, FILLS, trucks + 1).whole_h <= spent.whole_h * (1 + 1e-12)
    further = replace(OUTFIT, haul_s=OUTFIT.haul_s + 300)
    assert hours(found, further, FILLS, trucks).whole_h >= spent.whole_h * (1 - 1e-12)
    longer_passes = replace(OUTFIT, cycle_s=45.0)
    assert hours(found, longer_passes, FILLS, trucks).whole_h >= spent.whole_h * (1 - 1e-12)


def test_trucks_are_reckoned_by_the_soil_of_which_most_is_carried():
    assert most_carried(of((10.0, 100.0), (0.0, 0.0))).soil is SAND
    assert most_carried(of((100.0, 10.0), (0.0, 0.0))).soil is CLAY
    assert most_carried(of((1.0, 0.0), (0.9, 0.0))) is None
