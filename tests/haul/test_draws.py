"""Draws keep to their ranges, have the shape that is said, and come again with their seed."""

import numpy as np
import pytest

from terrain.haul.draws import DRAWS, SoilRange, draw, spread

CLAY = SoilRange("clay", (0.2, 0.3, 0.6), (0.05, 0.10, 0.15), (0.7, 0.9, 1.0), 2000.0)
SAND = SoilRange("sand", (0.1, 0.1, 0.1), (0.0, 0.0, 0.0), (0.95, 0.95, 0.95), 1700.0)


def test_a_triangle_has_its_ends_its_mean_and_its_spread():
    """Closed form: mean (a + b + c) / 3, variance (a² + b² + c² − ab − ac − bc) / 18."""
    drawn = draw([CLAY, SAND], 0.1, seed=3)
    assert len(drawn) == DRAWS
    swell = np.array([each.soils[0].swell for each in drawn])
    low, likely, high = CLAY.swell
    deviation = np.sqrt(
        (low**2 + likely**2 + high**2 - low * likely - low * high - likely * high) / 18
    )
    assert low <= swell.min() < swell.max() <= high
    assert abs(swell.mean() - (low + likely + high) / 3) < 4 * deviation / np.sqrt(DRAWS)
    assert swell.std() == pytest.approx(deviation, rel=0.1)
    fill = np.array([each.fills[0] for each in drawn])
    assert 0.7 <= fill.min() < fill.max() <= 1.0
    assert abs(np.corrcoef(swell, fill)[0, 1]) < 0.15


def test_what_has_no_range_stays_and_mass_does():
    drawn = draw([CLAY, SAND], 0.0, seed=3)
    assert {each.soils[1].swell for each in drawn} == {0.1}
    assert {each.fills[1] for each in drawn} == {0.95}
    assert {each.scale for each in drawn} == {1.0}
    assert {each.soils[0].bank_density for each in drawn} == {2000.0}


def test_nineteen_digs_of_twenty_lie_within_the_pm():
    scale = np.array([each.scale for each in draw([CLAY], 0.2, seed=5)])
    assert scale.std() == pytest.approx(0.2 / 1.96, rel=0.1)
    # 950 of 1000, with a standard deviation of sqrt(1000 · 0.95 · 0.05) = 6.9
    assert abs(np.sum(np.abs(scale - 1) <= 0.2) - 950) < 28


def test_nothing_less_than_nothing_is_dug():
    assert min(each.scale for each in draw([CLAY], 3.0, seed=5)) == 0.0


def test_the_seed_decides():
    assert draw([CLAY], 0.1, seed=1) == draw([CLAY], 0.1, seed=1)
    assert draw([CLAY], 0.1, seed=1) != draw([CLAY], 0.1, seed=2)


def test_percentiles_of_counts_are_counts():
    found = spread(list(range(1, 101)))
    assert (found.low, found.middle, found.high) == (10.0, 50.0, 90.0)
    assert spread([7.0]).low == spread([7.0]).high == 7.0
