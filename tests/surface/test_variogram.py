"""Correlated errors: the spherical law, what an area's mean keeps of them, and finding it again."""

import numpy as np
import pytest
import shapely
from scipy.integrate import quad
from scipy.spatial.distance import cdist

from terrain.surface.variogram import area_share, circle_share, mean_sigma, variogram


def spherical(h, span):
    t = np.minimum(np.asarray(h) / span, 1.0)
    return 1 - 1.5 * t + 0.5 * t**3


def field(seed: int, nugget: float, partial: float, span: float, count: int = 900):
    """Errors of exactly the spherical covariance, by Cholesky."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 100, (count, 2))
    covariance = partial * spherical(cdist(xy, xy), span) + nugget * np.eye(count)
    return xy, np.linalg.cholesky(covariance + 1e-12 * np.eye(count)) @ rng.normal(size=count)


@pytest.mark.parametrize("radius", [3.0, 10.0, 19.0, 20.0, 50.0])
def test_the_circle_rule_is_the_mean_correlation_with_the_middle(radius):
    """Rolstad, Haug and Denby (2009), eq. 8: `2 / L² ∫ ρ(h) h dh` over the circle."""
    expected = 2 / radius**2 * quad(lambda h: spherical(h, 20.0) * h, 0, min(radius, 20.0))[0]
    assert circle_share(radius, 20.0) == pytest.approx(expected, rel=1e-9)


def test_the_circle_rule_in_figures():
    """Range 20, radius 50: 20² / (5 · 50²) = .0320."""
    assert circle_share(50.0, 20.0) == pytest.approx(0.0320, abs=1e-12)


@pytest.mark.parametrize(
    ("area", "span", "sigma", "volume_sigma"),
    [(400, 5, 0.05, 3.96), (1000, 10, 0.05, 12.5), (2500, 20, 0.03, 23.8)],
)
def test_volume_sigma_in_figures(area, span, sigma, volume_sigma):
    """`A σ √(π a² / 5A)`, Rolstad et al. (2009), worked by hand."""
    found = area * sigma * np.sqrt(circle_share(np.sqrt(area / np.pi), span))
    assert found == pytest.approx(volume_sigma, rel=0.005)


@pytest.mark.parametrize("span", [5.0, 20.0, 80.0, 300.0])
def test_the_mean_of_a_circle_against_line_picking(span):
    """Distances in a unit disc have the density `4s/π acos(s/2) − 2s²/π √(1 − s²/4)`."""
    radius = 50.0

    def density(s: float) -> float:
        near = 4 * s / np.pi * np.arccos(s / 2)
        return near - 2 * s**2 / np.pi * np.sqrt(1 - s**2 / 4)

    upper = min(2.0, span / radius)
    expected = quad(lambda s: density(s) * spherical(s * radius, span), 0, upper)[0]
    found = area_share(shapely.Point(0, 0).buffer(radius, quad_segs=64), span)
    assert found == pytest.approx(expected, rel=0.02)


def test_the_circle_rule_errs_on_the_safe_side():
    """.0286 over all pairs of places, .0320 by eq. 8."""
    disc = shapely.Point(0, 0).buffer(50.0, quad_segs=64)
    assert area_share(disc, 20.0) == pytest.approx(0.0286, abs=0.0004)


def test_a_long_strip_keeps_less_than_a_circle_of_its_area():
    strip = shapely.box(0, 0, 200, 2)
    disc = shapely.Point(0, 0).buffer(np.sqrt(400 / np.pi))
    assert area_share(strip, 10.0) < 0.6 * area_share(disc, 10.0)


def test_a_known_variogram_is_found_again():
    found = [variogram(*field(seed, 0.0004, 0.0016, 20.0)) for seed in range(8)]
    assert np.median([v.range_m for v in found]) == pytest.approx(20.0, rel=0.25)
    assert np.median([v.sill_m2 for v in found]) == pytest.approx(0.0020, rel=0.2)
    assert np.median([v.nugget_m2 for v in found]) == pytest.approx(0.0004, rel=0.5)


def test_independent_errors_are_all_nugget_by_their_first_lags():
    xy, error = field(3, 0.0009, 0.0, 1.0)
    found = variogram(xy, error)
    assert found.sill_m2 == pytest.approx(0.0009, rel=0.1)
    assert found.gamma(np.array([8.0]))[0] > 0.85 * found.sill_m2


def test_blunders_do_not_move_it():
    xy, error = field(5, 0.0004, 0.0016, 20.0)
    busted = error.copy()
    busted[::25] += 3.0
    assert variogram(xy, busted).sill_m2 == pytest.approx(variogram(xy, error).sill_m2, rel=0.3)


def test_few_residuals_are_nugget():
    found = variogram(np.random.default_rng(1).uniform(0, 9, (10, 2)), np.linspace(-0.1, 0.1, 10))
    assert found.nugget_m2 == found.sill_m2 > 0


def test_the_mean_of_a_region_varies_as_foretold():
    """Means over a 30 m square in 400 simulated fields."""
    square = shapely.box(35, 35, 65, 65)
    line = np.linspace(36, 64, 15)
    places = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    covariance = 0.0016 * spherical(cdist(places, places), 20.0)
    root = np.linalg.cholesky(covariance + 1e-12 * np.eye(len(places)))
    means = (root @ np.random.default_rng(2).normal(size=(len(places), 400))).mean(axis=0)
    law = variogram(*field(1, 0.0, 0.0016, 20.0))
    exact = type(law)(0.0, 0.0016, 20.0, law.lags_m, law.gamma_m2, law.pairs)
    assert mean_sigma(exact, square, shots=100) == pytest.approx(means.std(), rel=0.08)


def test_the_nugget_averages_over_the_shots():
    law = variogram(np.random.default_rng(1).uniform(0, 9, (10, 2)), np.linspace(-0.1, 0.1, 10))
    square = shapely.box(0, 0, 9, 9)
    quarter = mean_sigma(law, square, shots=40) / mean_sigma(law, square, shots=10)
    assert quarter == pytest.approx(0.5)
