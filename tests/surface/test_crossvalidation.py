"""What cross-validation must find: errors as they are, grown with reach as theory says."""

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator

from terrain.surface import Grid, Lattice, build_tin
from terrain.surface.corners import corners_at, corners_without
from terrain.surface.crossvalidation import (
    Residuals,
    bin_by_reach,
    cross_validate,
    cross_validate_grid,
    leave_one_out,
)
from tests.surface.grounds import broken, plane, rolling, scattered, surveyed

FREE = np.inf


def survey(ground, count: int, noise: float, seed: int = 3):
    rng = np.random.default_rng(seed)
    return build_tin(surveyed(ground, scattered(count, rng), noise, rng), longest_border_m=FREE)


def test_corners_give_the_height_of_the_surface():
    tin = survey(rolling(1), 300, 0.1)
    xy = np.random.default_rng(5).uniform(-5, 55, (2000, 2))
    found = corners_at(tin, xy)
    z = (found.weights * tin.points[found.rows, 2]).sum(axis=1)
    np.testing.assert_array_equal(found.rows[:, 0] < 0, np.isnan(tin.elevation(xy)))
    np.testing.assert_allclose(z, tin.elevation(xy), atol=1e-9)


def test_reach_is_the_error_of_a_paraboloid():
    """`½ |x|²` has curvature 1 each way: linear interpolation is too high by `½ reach²`."""
    rng = np.random.default_rng(1)
    xy = scattered(200, rng)
    tin = build_tin(np.column_stack([xy, 0.5 * (xy**2).sum(axis=1)]), longest_border_m=FREE)
    asked = rng.uniform(5, 45, (500, 2))
    too_high = tin.elevation(asked) - 0.5 * (asked**2).sum(axis=1)
    np.testing.assert_allclose(0.5 * corners_at(tin, asked).reach_m ** 2, too_high, atol=1e-9)


def test_leaving_one_out_is_triangulating_without_it():
    """Against SciPy's Delaunay of the other points, for every point off the hull."""
    tin = survey(rolling(2), 120, 0.1)
    points = tin.points
    inner = np.flatnonzero(np.abs(points[:, :2] - 25).max(axis=1) < 17)
    assert inner.size > 30
    found = corners_without(tin)
    ours = (found.weights * points[found.rows, 2]).sum(axis=1)
    for row in inner:
        others = np.delete(points, row, axis=0)
        peer = LinearNDInterpolator(others[:, :2], others[:, 2])(points[row, :2])
        assert ours[row] == pytest.approx(float(np.ravel(peer)[0]), abs=1e-9)


def test_exact_shots_of_a_plane_leave_nothing():
    crossed = cross_validate(survey(plane(0), 200, 0.0))
    assert np.abs(crossed.left_out.error_m).max() < 1e-9
    assert crossed.sigma_at(np.array([0.5, 5.0, 50.0])).max() < 1e-4


@pytest.mark.parametrize("seed", range(3))
def test_the_noise_of_a_plane_is_found(seed):
    noise = cross_validate(survey(plane(0), 1500, 0.02, seed)).model.noise_m
    assert 0.7 * 0.02 < noise < 1.15 * 0.02


def test_a_stated_noise_is_kept():
    assert cross_validate(survey(rolling(1), 300, 0.02), noise_m=0.03).model.noise_m == 0.03


def test_errors_grow_as_the_ground_is_rough():
    """Linear interpolation: reach² on smooth ground, reach^H on a fractal of Hurst exponent H."""
    smooth = cross_validate(survey(rolling(4), 1500, 0.005)).model
    fractal = cross_validate(survey(broken(4), 1500, 0.005)).model
    assert smooth.exponent == pytest.approx(2.0, abs=0.15)
    assert fractal.exponent == pytest.approx(0.5, abs=0.15)


@pytest.mark.parametrize("ground", [plane, rolling, broken])
def test_the_model_holds_at_places_that_were_not_shot(ground):
    """95 % within 1.96 σ over five surveys; a noise that is not stated is rather called ground."""
    held = []
    for seed in range(6, 11):
        tin = survey(ground(seed), 600, 0.02, seed)
        model = cross_validate(tin).model
        xy = np.random.default_rng(9).uniform(3, 47, (2000, 2))
        corners = corners_at(tin, xy)
        off = np.abs(tin.elevation(xy) - ground(seed)(xy))
        held.append(np.mean(off < 1.96 * model.sigma_at(corners.reach_m, corners.noise_shares)))
    assert 0.915 < np.mean(held) < 0.99


def test_bins_hold_every_residual_and_tell_robust_spreads():
    """Ten differences with one blunder: median .005, NMAD .0519 (1.4826 × median distance)."""
    error = np.array([-0.12, -0.05, -0.03, -0.01, 0, 0.01, 0.02, 0.04, 0.06, 0.90])
    ten = Residuals(np.zeros((10, 2)), error, np.full(10, 2.0), np.full(10, 0.4))
    (only,) = bin_by_reach(ten)
    assert only.count == 10
    assert only.median_m == pytest.approx(0.005)
    assert only.nmad_m == pytest.approx(1.4826 * 0.035)
    assert only.rms_reach_m == pytest.approx(2.0)
    crossed = cross_validate(survey(rolling(1), 300, 0.02))
    reach = np.array([b.rms_reach_m for b in crossed.bins])
    assert (np.diff(reach) > 0).all()
    assert all(b.q68_m <= b.q95_m for b in crossed.bins)
    assert crossed.bins[-1].q95_m > 3 * crossed.bins[0].q95_m


def test_the_same_seed_gives_the_same_answer():
    tin = survey(broken(1), 200, 0.02)
    assert cross_validate(tin).model == cross_validate(tin).model
    assert cross_validate(tin, seed=1).model != cross_validate(tin, seed=2).model


def test_few_shots_are_not_called_sure():
    xyz = np.array([[0.0, 0, 0], [10, 0, 1], [10, 10, 0], [0, 10, 2], [5, 5, 1]])
    crossed = cross_validate(build_tin(xyz), noise_m=0.02)
    assert crossed.sigma_at(np.array([5.0]))[0] > 0.3
    assert len(leave_one_out(build_tin(xyz))) == 1


def test_a_grid_is_asked_along_its_rows():
    """`½ x²` at a step of s: the mean of two nodes is `½ s²` above the one between."""
    lattice = Lattice(0, 0, 0.5, 60, 50)
    z = 0.5 * (lattice.nodes**2).sum(axis=1).reshape(lattice.shape)
    measured = np.ones(lattice.shape, dtype=bool)
    measured[20:25, 10:30] = False
    crossed = cross_validate_grid(Grid(lattice, z), measured, noise_m=1e-6)
    np.testing.assert_allclose(crossed.left_out.error_m, 0.5 * 0.5**2, atol=1e-9)
    assert crossed.model.exponent == pytest.approx(2.0, abs=0.02)
    assert crossed.model.interpolation(np.array([2.0]))[0] == pytest.approx(2.0, rel=0.05)


def test_the_noise_of_a_gridded_plane_is_not_called_ground():
    lattice = Lattice(0, 0, 0.5, 120, 100)
    rng = np.random.default_rng(2)
    z = 0.1 * lattice.nodes[:, 0].reshape(lattice.shape) + rng.normal(0, 0.02, lattice.shape)
    model = cross_validate_grid(Grid(lattice, z), np.isfinite(z), noise_m=0.02).model
    assert model.interpolation(np.array([0.5, 4.0])).max() < 0.012
