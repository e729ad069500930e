"""Factors over a range of strengths: bounds, closed forms and seeds."""

from dataclasses import replace

import numpy as np
import pytest

from terrain.stability import SlopeSoil, critical_circle, slope_section
from terrain.stability.ranges import SoilRange, factor_range

GROUND = np.array([[-15.0, 0.0], [0.0, 0.0], [5.0, 4.0], [25.0, 4.0]])


def undrained(low: float, likely: float, high: float) -> SoilRange:
    soil = SlopeSoil("clay", likely, 0.0, 19e3, 19e3)
    return SoilRange(soil, (low, likely, high), (0.0, 0.0, 0.0))


@pytest.fixture(scope="module")
def section():
    return slope_section(GROUND, [SlopeSoil("clay", 15e3, 0.0, 19e3, 19e3)])


def test_undrained_factors_are_as_many_times_the_strength(section):
    """φ = 0: factors are in proportion to cohesion, so that their distribution is its own.

    Triangular from 8 to 30 with mode 15 kPa: mean (8 + 15 + 30) / 3, and the share under a value
    x < 15 is (x − 8)² / ((30 − 8)(15 − 8)).
    """
    found = factor_range(section, [undrained(8e3, 15e3, 30e3)], target=1.3, samples=1500)
    each = found.factors / found.likely.factor * 15
    assert each.mean() == pytest.approx((8 + 15 + 30) / 3, rel=0.02)
    for x in (10, 12, 14):
        share = (x - 8) ** 2 / (22 * 7)
        assert (each < x).mean() == pytest.approx(share, abs=0.03)
    assert found.worst.factor == pytest.approx(found.likely.factor * 8 / 15, rel=2e-3)


def test_a_sure_strength_has_one_factor(section):
    found = factor_range(section, [undrained(15e3, 15e3, 15e3)], target=1.3)
    assert found.factors == pytest.approx(critical_circle(section).factor)


def test_samples_lie_between_the_searches_and_follow_the_seed(section):
    soil = SlopeSoil("loam", 4e3, 25.0, 18e3, 20e3)
    span = SoilRange(soil, (1e3, 4e3, 9e3), (20.0, 25.0, 31.0))
    found, again, other = (
        factor_range(section, [span], target=1.3, seed=seed) for seed in (1, 1, 2)
    )
    assert found.worst.factor <= found.factors.min() * (1 + 1e-9)
    low, high = np.quantile(found.factors, [0.05, 0.95])
    assert low < found.likely.factor < high
    assert np.array_equal(found.factors, again.factors)
    assert not np.array_equal(found.factors, other.factors)


def test_each_sample_is_near_its_own_search(section):
    """The worst circles of three searches hold that of a strength between within 2 %."""
    soil = SlopeSoil("loam", 4e3, 25.0, 18e3, 20e3)
    span = SoilRange(soil, (1e3, 4e3, 9e3), (20.0, 25.0, 31.0))
    found = factor_range(section, [span], target=1.3, samples=6)
    for factor, (cohesion, tangent) in zip(found.factors, found.strengths[:, 0], strict=True):
        friction = float(np.degrees(np.arctan(tangent)))
        drawn = replace(soil, cohesion_pa=float(cohesion), friction_deg=friction)
        own = critical_circle(replace(section, soils=(drawn,))).factor
        assert own * (1 - 1e-6) <= factor <= 1.02 * own
