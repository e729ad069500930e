"""Rock in layers: its parts add up, each is what an independent integral says, and fits or not."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from terrain.earthwork.account import RockVolumes, settle
from terrain.earthwork.displacement import (
    Seated,
    displaced_pores,
    displacement,
    ellipsoid_share,
    ellipsoid_volumes,
    share_below,
)
from tests.earthwork.test_quantities import PIT, POND, measured


@dataclass(frozen=True)
class Layers:
    subgrade: np.ndarray
    bed: np.ndarray
    stone: np.ndarray
    finish: np.ndarray
    water: np.ndarray


AXES = (1.0, 0.8, 0.6)
WHOLE = math.pi / 6 * 0.48


def seated(*underside):
    return Seated(np.array(underside, dtype=float), AXES[2], WHOLE, ellipsoid_share)


def layers(subgrade, bed, stone, finish, water):
    return Layers(*(np.array([z], dtype=float) for z in (subgrade, bed, stone, finish, water)))


def slab(low, high):
    """Volume of the ellipsoid between two heights over its underside, by its elliptic sections."""
    low, high = (min(max(z, 0.0), AXES[2]) for z in (low, high))

    z = np.polynomial.Polynomial([0.0, 1.0])
    section = math.pi / 4 * AXES[0] * AXES[1] * (1 - (2 * z / AXES[2] - 1) ** 2)
    under = section.integ()
    return float(under(high) - under(low))


@given(
    underside=st.floats(-1, 1),
    steps=st.tuples(*[st.floats(0, 0.5)] * 3),
    water=st.floats(-1, 2) | st.just(math.nan),
)
def test_parts_add_up_and_are_the_slabs_between_the_surfaces(underside, steps, water):
    soil, bed, stone, finish = np.cumsum([0.0, *steps])
    moved = displacement(seated(underside), layers(soil, bed, stone, finish, water))
    total = moved.soil + moved.gravel + moved.water + moved.dry
    assert total[0] == pytest.approx(WHOLE, rel=1e-9)
    at = [z - underside for z in (soil, stone, finish)]
    in_soil = slab(-1e3, at[0]) + slab(at[1], at[2])
    assert moved.soil[0] == pytest.approx(in_soil, abs=1e-9)
    assert moved.gravel[0] == pytest.approx(slab(at[0], at[1]), abs=1e-9)
    wet = 0.0 if math.isnan(water) else slab(at[2], max(water - underside, at[2]))
    assert moved.water[0] == pytest.approx(wet, abs=1e-9)
    assert min(moved.soil[0], moved.gravel[0], moved.water[0], moved.dry[0]) >= -1e-12


def test_a_box_in_layers_by_hand():
    """A box 2 m high from −0.5: 0.5 in soil, 0.2 in drapes, 0.3 in lifts, 0.6 wet, 0.4 dry."""
    box = Seated(np.array([-0.5]), 2.0, 8.0, lambda t: np.clip(t, 0, 1))
    around = layers(0.0, 0.2, 0.5, 0.5, 1.1)
    moved = displacement(box, around)
    assert moved.soil == pytest.approx([2.0])
    assert moved.gravel == pytest.approx([2.0])
    assert moved.water == pytest.approx([2.4])
    assert moved.dry == pytest.approx([1.6])
    # of the lifts, 0.1 m have voids of 0.9 and 0.2 m of 0.4; the water fills them all
    tops, voids = np.array([0.3, 0.5]), np.array([0.9, 0.4])
    pores = displaced_pores(box, around, tops, voids, 1.1)
    assert pores == pytest.approx([4 * (0.1 * 0.9 + 0.2 * 0.4)])
    half = displaced_pores(box, around, tops, voids, 0.4)
    assert half == pytest.approx([4 * (0.1 * 0.9 + 0.1 * 0.4)])
    assert displaced_pores(box, around, tops, voids, math.nan) == pytest.approx([0.0])


def test_cap_share_against_an_independent_integral():
    """Share of a unit sphere below a level, from its sections integrated by scipy."""
    for level in (-0.4, 0.0, 0.3):
        expected = quad(lambda z: math.pi * (0.25 - z * z), -0.5, level)[0] / (math.pi / 6)
        got = share_below(np.array([level]), np.array([0.0]), np.array([1.0]))[0]
        assert got == pytest.approx(expected)


def test_ellipsoid_volume_against_trimesh():
    trimesh = pytest.importorskip("trimesh")
    ball = trimesh.creation.icosphere(subdivisions=5, radius=0.5)
    ball.apply_scale((1.2, 0.7, 0.5))
    assert ellipsoid_volumes(np.array([[1.2, 0.7, 0.5]]))[0] == pytest.approx(ball.volume, rel=1e-3)


def test_rock_takes_backfill_gravel_and_water_and_says_when_it_does_not_fit():
    _, _, (pond, *_) = measured(POND)
    small = settle(pond, RockVolumes(3.0, 1.0, 0.5, 8000.0, in_gravel_m3=0.25))
    assert small.backfill_compacted_m3 == pytest.approx(pond.over_dig_room_m3 - 1.0)
    assert small.gravel_m3 == pytest.approx(pond.drape_m3 - 0.25)
    assert small.water_m3 == pytest.approx(pond.free_water_m3 - 0.5)
    assert small.rock_too_much_m3 == 0
    assert small.rock.dry_m3 == pytest.approx(1.25)
    big = settle(pond, RockVolumes(900.0, pond.over_dig_room_m3 + 2.5, 0.5, 1.0))
    assert big.backfill_compacted_m3 == 0
    assert big.rock_too_much_m3 == pytest.approx(2.5)


def test_rock_in_a_pit_keeps_water_out_of_its_voids():
    _, _, (pit,) = measured(PIT)
    pores = sum(lift.pore_water_m3 for lift in pit.lifts)
    account = settle(pit, RockVolumes(1.0, 0.0, 0.2, 2650.0, 0.8, pore_water_m3=0.35))
    assert account.water_m3 == pytest.approx(pit.free_water_m3 - 0.2 + pores - 0.35)
    assert account.gravel_m3 == pytest.approx(sum(lift.volume_m3 for lift in pit.lifts) - 0.8)


def test_soil_that_goes_back_over_a_trench_is_backfill():
    _, _, (pond, *_) = measured(POND)
    trench = replace(pond, returned_compacted_m3=4.0)
    with_rock = settle(trench, RockVolumes(900.0, pond.over_dig_room_m3 + 2.5, 0.5, 1.0))
    assert with_rock.backfill_compacted_m3 == pytest.approx(4.0)
