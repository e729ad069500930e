"""Control points carry a scan to the site, and say where they do not agree."""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from terrain.errors import SurveyError
from terrain.survey.registration import register_in_space, register_on_level

STATE_PLANE = np.array([609_601.22, 4_876_543.21, 312.4])


def control(seed, *, count=6, noise=0.0, scale=1.0, shift=STATE_PLANE, level=False):
    """Points about a pond, their places in a turned and shifted scan, and the turn itself."""
    rng = np.random.default_rng(seed)
    site = rng.uniform([-20, -15, -1.5], [20, 15, 1.5], (count, 3)) + shift
    turn = Rotation.from_euler("z", rng.uniform(-180, 180), degrees=True)
    if not level:
        tilt = Rotation.from_rotvec(rng.uniform(-0.6, 0.6, 3) * [1, 1, 0])
        turn = turn * tilt
    scan = turn.inv().apply(site - shift) / scale + rng.uniform(-5, 5, 3)
    return scan, site + rng.normal(0, noise, site.shape), turn


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("scale", [1.0, 0.3048, 1.03])
def test_a_turned_scan_comes_back_to_a_hundredth_of_a_millimetre(seed, scale):
    scan, site, turn = control(seed, scale=scale)
    found = register_in_space(scan, site, scale=True)
    np.testing.assert_allclose(found.apply(scan), site, atol=1e-5, rtol=0)
    np.testing.assert_allclose(found.rotation, turn.as_matrix(), atol=1e-9)
    assert found.scale == pytest.approx(scale, rel=1e-9)
    assert found.rms_m < 1e-5
    assert found.suspect is None


def test_state_plane_sized_coordinates_on_both_sides_lose_nothing():
    scan, site, _ = control(3)
    found = register_in_space(scan + 2e6, site, scale=False)
    np.testing.assert_allclose(found.apply(scan + 2e6), site, atol=1e-5, rtol=0)
    sum_ = found.linear @ (scan[0] + 2e6) + found.translation
    np.testing.assert_allclose(sum_, site[0], atol=1e-5, rtol=0)


@pytest.mark.parametrize("seed", range(4))
def test_scipy_finds_the_same_turn(seed):
    scan, site, _ = control(seed, noise=0.03)
    found = register_in_space(scan, site, scale=False)
    turn, _ = Rotation.align_vectors(site - site.mean(axis=0), scan - scan.mean(axis=0))
    np.testing.assert_allclose(found.rotation, turn.as_matrix(), atol=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_trimesh_finds_the_same_matrix_and_residuals(seed):
    scan, site, _ = control(seed, noise=0.03, shift=np.array([100.0, 200, 3]))
    found = register_in_space(scan, site, scale=False)
    matrix, moved, _ = trimesh.registration.procrustes(scan, site, reflection=False, scale=False)
    np.testing.assert_allclose(found.linear, matrix[:3, :3], atol=1e-9)
    np.testing.assert_allclose(found.translation, matrix[:3, 3], atol=1e-7)
    np.testing.assert_allclose(found.residuals, moved - site, atol=1e-9)
    assert found.rms_m**2 == pytest.approx(((moved - site) ** 2).sum() / len(site))


@pytest.mark.parametrize("seed", range(4))
def test_no_small_turn_shift_or_stretch_fits_better(seed):
    scan, site, _ = control(seed, noise=0.05)
    found = register_in_space(scan, site, scale=True)
    rng = np.random.default_rng(seed)
    for _ in range(30):
        turn = Rotation.from_rotvec(rng.normal(0, 1e-3, 3)).as_matrix()
        factor = 1 + rng.normal(0, 1e-3)
        here = found.apply(scan) - found.site_centre
        other = factor * here @ turn.T + found.site_centre + rng.normal(0, 1e-2, 3) - site
        assert (other**2).sum() > (found.residuals**2).sum()


@pytest.mark.parametrize("seed", range(4))
def test_a_level_grid_turns_about_the_vertical_alone(seed):
    scan, site, turn = control(seed, count=4, level=True)
    found = register_on_level(scan, site, scale=False)
    np.testing.assert_allclose(found.rotation, turn.as_matrix(), atol=1e-9)
    np.testing.assert_allclose(found.apply(scan), site, atol=1e-5, rtol=0)


def test_two_pairs_are_enough_for_a_level_grid():
    # a quarter turn to the left: grid x runs north, grid y runs west
    found = register_on_level(
        [[0, 0, 10], [30, 0, 11]], [[500, 900, 210], [500, 930, 211]], scale=False
    )
    np.testing.assert_allclose(found.apply(np.array([[10.0, 5, 0]])), [[495, 910, 200]], atol=1e-9)


def test_heights_of_a_level_grid_are_shifted_and_not_scaled():
    grid = np.array([[0.0, 0, 0], [100, 0, 4], [0, 50, 2]])
    site = grid * [0.9996, 0.9996, 1] + [1000, 2000, 300]
    found = register_on_level(grid, site, scale=True)
    assert found.scale == pytest.approx(0.9996)
    np.testing.assert_allclose(found.apply(grid), site, atol=1e-9)


@pytest.mark.parametrize("register", [register_in_space, register_on_level])
def test_a_free_scale_is_told_where_none_was_asked_for(register):
    scan, site, _ = control(2, level=True)
    found = register(scan / 0.3048, site, scale=False)
    assert found.scale == 1
    assert found.size_ratio == pytest.approx(0.3048, rel=0.02)
    assert found.rms_m > 10


@pytest.mark.parametrize("register", [register_in_space, register_on_level])
@pytest.mark.parametrize("seed", range(5))
def test_the_point_that_was_set_wrong_is_named(register, seed):
    scan, site, _ = control(seed, count=6, noise=0.01, level=True)
    site[2] += [0.0, 0.6, 0.0]
    found = register(scan, site, scale=False, names=["A", "B", "C", "D", "E", "F"])
    assert found.suspect is not None
    assert found.suspect.name == "C"
    assert found.suspect.off_m == pytest.approx(0.6, abs=0.08)
    assert found.suspect.rms_without_m < 0.03


@pytest.mark.parametrize("register", [register_in_space, register_on_level])
@pytest.mark.parametrize("count", [4, 6])
def test_sound_control_is_hardly_ever_suspected(register, count):
    """A chance of 1 in 1000 over all points: five or more in 400 happen once in 10,000 tests."""
    suspected = 0
    for seed in range(400):
        scan, site, _ = control(seed, count=count, noise=0.02, level=True)
        suspected += register(scan, site, scale=False).suspect is not None
    assert suspected < 5


def test_three_points_cannot_name_the_wrong_one():
    scan, site, _ = control(1, count=3)
    site[0, 0] += 1
    assert register_in_space(scan, site, scale=False).suspect is None


@pytest.mark.parametrize("register", [register_in_space, register_on_level])
@pytest.mark.parametrize("exchange", [[1, 0, 2], [0, 1, 2]])
@pytest.mark.parametrize("seed", range(5))
def test_exchanged_or_mirrored_axes_are_refused(register, exchange, seed):
    scan, site, _ = control(seed, count=5, noise=0.01, level=True)
    mirrored = scan[:, exchange] if exchange != [0, 1, 2] else scan * [-1, 1, 1]
    with pytest.raises(SurveyError, match="swapped or mirrored"):
        register(mirrored, site, scale=False)
    assert register(scan, site, scale=False).rms_m < 0.05


@pytest.mark.parametrize("turn", [-150, -40, 0, 30, 100])
def test_three_exchanged_points_would_turn_the_ground_over(turn):
    """Three points fit mirrored as well as not: only the direction of up tells."""
    site = np.array([[0.0, 0, 0], [20, 3, 1], [8, 15, -1]]) + STATE_PLANE
    scan = Rotation.from_euler("z", turn, degrees=True).apply(site - STATE_PLANE)
    assert register_in_space(scan, site, scale=False).rms_m < 1e-5
    with pytest.raises(SurveyError, match="upside down"):
        register_in_space(scan[:, [1, 0, 2]], site, scale=False)


def test_a_scan_lying_on_its_side_is_not_called_mirrored():
    scan, site, _ = control(4, count=5, level=True)
    on_its_side = scan @ Rotation.from_euler("x", 90, degrees=True).as_matrix().T
    assert register_in_space(on_its_side, site, scale=False).rms_m < 1e-5


LINE = np.array([[0.0, 0, 0], [10, 5, 1], [20, 10, 2]])


@pytest.mark.parametrize(
    ("register", "measured", "match"),
    [
        (register_in_space, np.eye(3)[:2], "2 control points"),
        (register_on_level, np.eye(3)[:1], "1 control point"),
        (register_in_space, LINE, "lie in one line"),
        (register_on_level, np.array([[1.0, 2, 3], [1, 2, 8]]), "all in one place"),
        (register_in_space, np.full((3, 3), np.nan), "not a finite place"),
        (register_in_space, np.eye(3)[:, :2], "do not pair"),
    ],
)
def test_control_that_fixes_nothing_is_refused(register, measured, match):
    with pytest.raises(SurveyError, match=match):
        register(measured, measured, scale=False)


def test_a_line_is_enough_on_a_level():
    found = register_on_level(LINE, LINE + np.array([5, 6, 7]), scale=False)
    np.testing.assert_allclose(found.apply(LINE), LINE + np.array([5, 6, 7]), atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.floats(0, 0.2), st.booleans())
def test_residuals_are_what_apply_leaves_and_sum_to_nothing(seed, noise, scale):
    scan, site, _ = control(seed, noise=noise)
    found = register_in_space(scan, site, scale=scale)
    np.testing.assert_allclose(found.residuals, found.apply(scan) - site, atol=1e-8)
    np.testing.assert_allclose(found.residuals.sum(axis=0), 0, atol=1e-8)
    if scale:  # least squares: stretching about the middle changes nothing at first order
        outward = found.apply(scan) - found.site_centre
        assert abs((found.residuals * outward).sum()) < 1e-6
    np.testing.assert_allclose(found.rotation @ found.rotation.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(found.rotation) == pytest.approx(1)
