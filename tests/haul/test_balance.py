"""What is dug is put back or leaves, whatever the soils do."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.earthwork.soil import Soil
from terrain.haul import SoilWork, Truck, balance, cone_heap
from terrain.units import parse_density, parse_mass, parse_volume

TRUCK = Truck(9.0, 15000.0)
CLAY = Soil("clay", 0.30, 0.10, 2000.0)
SAND = Soil("sand", 0.12, 0.05, 1700.0)
amount = st.floats(0.1, 1e4)


@given(dug=st.tuples(amount, amount), placed=st.tuples(amount, amount))
def test_bank_volume_is_conserved_over_two_soils(dug, placed):
    result = balance(
        [SoilWork(soil, d, p) for soil, d, p in zip((CLAY, SAND), dug, placed, strict=True)], TRUCK
    )
    needed = placed[0] / (1 - 0.10) + placed[1] / (1 - 0.05)
    assert result.surplus_bank_m3 == pytest.approx(sum(dug) - needed, abs=1e-6 * sum(dug + placed))
    assert result.reused_bank_m3 + result.surplus_bank_m3 == pytest.approx(sum(dug))
    left = [d - p / (1 - soil.shrink) for soil, d, p in zip((CLAY, SAND), dug, placed, strict=True)]
    loose = [volume * (1 + soil.swell) for soil, volume in zip((CLAY, SAND), left, strict=True)]
    near = {"rel": 1e-9, "abs": 1e-6 * sum(dug + placed)}
    assert result.surplus_loose_m3 == pytest.approx(sum(loose), **near)
    assert result.trucked_loose_m3 == pytest.approx(sum(map(abs, loose)), **near)
    assert result.leaves_bank_m3 - result.comes_in_bank_m3 == pytest.approx(sum(left), **near)
    assert result.load_kg <= TRUCK.payload_kg * (1 + 1e-12)
    assert result.load_m3 <= TRUCK.volume_m3
    for name in ("excavation_bank_m3", "placed_compacted_m3", "surplus_bank_m3", "loads"):
        parts = [getattr(each, name) for each in result.soils]
        assert sum(parts) == pytest.approx(getattr(result, name), rel=1e-9, abs=1e-9)
    for each in result.soils:
        assert (each.loads - 1) * each.load_m3 < abs(each.surplus_loose_m3) + 1e-6
        assert each.loads * each.load_m3 >= abs(each.surplus_loose_m3) - 1e-6


def test_two_soils_leave_in_loads_of_their_own():
    """Worked by hand, 12 yd³ and 40,000 lb a truck.

    Clay of 3,000 bank and 2,310 loose lb/yd³ (a published problem): 6,111 yd³ in place are 7,936
    loose, 662 loads of 12 yd³ and 27,720 lb. Wet gravel of 3,374 loose lb/yd³ (a published density
    table) at 12 %: 1,000 yd³ in place are 1,120 loose; a load is 40,000 / 3,374 = 11.855 yd³, so
    94.5, 95 loads. Mixed, the 9,056 yd³ would fit 755 loads.
    """
    clay = Soil("clay", 3000 / 2310 - 1, 0.20, parse_density("3000 lb/yd3"))
    gravel = Soil("wet gravel", 0.12, 0.05, parse_density(f"{3374 * 1.12} lb/yd3"))
    yard, truck = parse_volume("1 yd3"), Truck(parse_volume("12 yd3"), parse_mass("40000 lb"))
    result = balance([SoilWork(clay, 6111 * yard, 0), SoilWork(gravel, 1000 * yard, 0)], truck)
    assert [each.loads for each in result.soils] == [662, 95]
    assert [each.weight_binds for each in result.soils] == [False, True]
    assert [each.load_m3 / yard for each in result.soils] == pytest.approx([12, 11.855], abs=5e-4)
    assert result.soils[0].load_kg == pytest.approx(parse_mass("27720 lb"))
    assert result.loads == 757


def test_clay_comes_in_while_topsoil_leaves_and_some_of_it_stays():
    """Worked by hand: 90 m³ of compacted clay at a shrink of 10 % take 100 m³ in place.

    40 are dug, so 60 come in, 78 loose: 9 loads of 9 m³ (13.8 t each). Of 50 m³ of topsoil 20 stay
    and 30 leave, 36 loose: 4 loads.
    """
    topsoil = Soil("topsoil", 0.2, 0.0, 1500.0)
    result = balance([SoilWork(topsoil, 50, 0, 20), SoilWork(CLAY, 40, 90)], TRUCK)
    assert [each.surplus_bank_m3 for each in result.soils] == pytest.approx([30, -60])
    assert [each.loads for each in result.soils] == [4, 9]
    assert (result.leaves_bank_m3, result.comes_in_bank_m3) == pytest.approx((30, 60))
    assert (result.loads, result.kept_bank_m3) == (13, 20)
    assert result.trucked_loose_m3 == pytest.approx(36 + 78)
    assert result.heap.volume_loose_m3 == pytest.approx(36)


@given(volume=st.floats(0.01, 1e5), repose=st.floats(20, 45))
def test_a_cone_heap_holds_its_volume_at_its_repose(volume, repose):
    heap = cone_heap(volume, repose)
    assert math.pi * heap.diameter_m**2 / 12 * heap.height_m == pytest.approx(volume)
    assert math.degrees(math.atan2(heap.height_m, heap.diameter_m / 2)) == pytest.approx(repose)


def test_cone_heap_of_a_textbook():
    """382.3 BCM at 12 % swell and 32° repose: D 17.36 m, H 5.43 m.

    Nunnally, *Construction Methods and Management*, ch. 2 (from memory).
    """
    heap = cone_heap(382.3 * 1.12, 32.0)
    assert heap.diameter_m == pytest.approx(17.36, abs=0.02)
    assert heap.height_m == pytest.approx(5.43, abs=0.01)
