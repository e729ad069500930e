"""What is dug is put back or leaves, whatever the soils do."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.earthwork.soil import Soil
from terrain.haul import SoilWork, Truck, balance, cone_heap

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
    lowest, highest = sorted(abs(result.surplus_bank_m3) * (1 + s.swell) for s in (SAND, CLAY))
    assert lowest - 1e-6 <= abs(result.surplus_loose_m3) <= highest + 1e-6
    assert result.load_kg <= TRUCK.payload_kg * (1 + 1e-12)
    assert result.load_m3 <= TRUCK.volume_m3
    assert (result.loads - 1) * result.load_m3 < abs(result.surplus_loose_m3) + 1e-6
    assert result.loads * result.load_m3 >= abs(result.surplus_loose_m3) - 1e-6


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
