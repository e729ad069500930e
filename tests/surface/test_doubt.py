"""What the ± of a surface must be: true of 95 of 100 places, on whatever ground and layout."""

import numpy as np
import pytest

from terrain.surface import Grid, Lattice, Tin, build_tin
from terrain.surface.crossvalidation import CrossValidation, ErrorModel, Residuals
from terrain.surface.doubt import (
    MergedDoubt,
    TinDoubt,
    doubt_of_grid,
    doubt_of_tin,
    noise_at_points,
)
from terrain.surface.merge import Merged
from tests.surface import grounds
from tests.surface.grounds import (
    broken,
    gapped,
    half_rough,
    paced,
    plane,
    rolling,
    rough,
    scattered,
    surveyed,
    west_heavy,
)

GROUNDS = {"plane": plane, "rolling": rolling, "broken": broken, "rough": rough}
LAYOUTS = {"scattered": scattered, "paced": paced, "gap": gapped, "west heavy": west_heavy}
NOISE = 0.02


def cover(ground, layout, seed: int, noise: float | None = NOISE, count: int = 250) -> float:
    """Share of 3,000 places whose true height lies within the ± of a simulated survey."""
    rng = np.random.default_rng(seed)
    known = ground(seed)
    points = surveyed(known, layout(count, rng), NOISE, rng)
    tin = build_tin(points, longest_border_m=np.inf)
    xy = rng.uniform(0, grounds.SIZE, (3000, 2))
    off = np.abs(tin.elevation(xy) - known(xy))
    found = np.isfinite(off)
    return float(np.mean(off[found] < doubt_of_tin(tin, noise_m=noise).pm(xy[found])))


@pytest.mark.parametrize("name", GROUNDS)
def test_the_interval_holds_the_truth(name):
    held = [cover(GROUNDS[name], layout, seed) for seed in (11, 12) for layout in LAYOUTS.values()]
    assert 0.905 < np.mean(held) < 0.985  # eight surveys; three standard errors wide


@pytest.mark.thousand
@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("name", GROUNDS)
def test_the_interval_holds_the_truth_in_many_surveys(name, layout):
    held = [cover(GROUNDS[name], LAYOUTS[layout], seed) for seed in range(30)]
    print(f"{name:8} {layout:10} {np.mean(held):.3f}, from {min(held):.3f}")  # noqa: T201
    assert 0.925 < np.mean(held) < 0.975  # 93 to 97 % and a standard error of 30 surveys


@pytest.mark.parametrize("name", GROUNDS)
def test_without_a_stated_noise_it_is_rather_too_wide(name):
    held = [cover(GROUNDS[name], scattered, seed, noise=None) for seed in range(20, 23)]
    assert 0.91 < np.mean(held) < 0.995


def test_rough_ground_is_doubted_more_than_a_lawn():
    rng = np.random.default_rng(4)
    ground = half_rough(4)
    tin = build_tin(surveyed(ground, scattered(500, rng), 0.01, rng), longest_border_m=np.inf)
    doubt = doubt_of_tin(tin, noise_m=0.01)
    xy = rng.uniform(4, 46, (4000, 2))
    xy = xy[np.isfinite(tin.elevation(xy))]
    pm, off = doubt.pm(xy), np.abs(tin.elevation(xy) - ground(xy))
    west, east = xy[:, 0] < 22, xy[:, 0] > 28
    assert np.median(pm[east]) > 4 * np.median(pm[west])
    assert 0.90 < np.mean(off[east] < pm[east]) < 0.99
    assert np.mean(off[west] < pm[west]) > 0.93


def test_a_gap_is_doubted_more():
    rng = np.random.default_rng(6)
    tin = build_tin(surveyed(rough(6), gapped(300, rng), NOISE, rng), longest_border_m=np.inf)
    doubt = doubt_of_tin(tin, noise_m=NOISE)
    middle = doubt.pm(np.array([[25.0, 25.0]]))[0]
    around = doubt.pm(np.array([25, 25]) + 16 * np.array([[1, 0], [0, 1], [-1, 0], [0, -1.0]]))
    assert middle > 2 * np.median(around)


def flat_doubt(tin: Tin, noise: np.ndarray, growth: float = 0.0) -> TinDoubt:
    none = Residuals(np.empty((0, 2)), np.empty(0), np.empty(0), np.empty(0))
    model = ErrorModel(0.0, growth, 1.0, 1e9)
    ones = np.ones(len(tin.points))
    return TinDoubt(tin, noise, CrossValidation(none, (), model), ones, 1.96)


TRIANGLE = Tin(np.array([[0.0, 0, 1], [6, 0, 2], [0, 6, 3]]), np.array([[0, 1, 2]], dtype=np.int32))


def test_noise_goes_through_the_weights():
    """σ at a shot, σ / √2 halfway between two, σ / √3 in the middle of three."""
    xy = np.array([[0.0, 0.0], [3.0, 0.0], [2.0, 2.0], [7.0, 7.0]])
    sigma = flat_doubt(TRIANGLE, np.full(3, 0.03)).sigma(xy)
    expected = 0.03 / np.sqrt([1, 2, 3])
    np.testing.assert_allclose(sigma[:3], expected, atol=1e-12)
    assert np.isnan(sigma[3])
    own = flat_doubt(TRIANGLE, np.array([0.1, 0.2, 0.2])).sigma(xy[1:2])
    np.testing.assert_allclose(own, 0.5 * np.hypot(0.1, 0.2), atol=1e-12)


def test_the_ground_between_adds_by_its_reach():
    """Reach at a shot 0; halfway along a side of 6 m, 3 m."""
    sigma = flat_doubt(TRIANGLE, np.zeros(3), growth=0.1).sigma(np.array([[0.0, 0], [3, 0]]))
    np.testing.assert_allclose(sigma, [0.0, 0.3], atol=1e-12)


def test_noise_follows_its_shot():
    shots = np.array([[0.0, 6.0], [0.0, 0.0], [6.0, 0.0]])
    noise = noise_at_points(TRIANGLE, shots, np.array([0.3, 0.1, 0.2]))
    np.testing.assert_array_equal(noise, [0.1, 0.2, 0.3])


def test_noise_by_shot_makes_poor_shots_doubtful():
    rng = np.random.default_rng(8)
    xy = scattered(300, rng)
    tin = build_tin(np.column_stack([xy, 0.1 * xy[:, 0]]), longest_border_m=np.inf)
    noise = np.where(tin.points[:, 0] < 25, 0.01, 0.05)
    pm = doubt_of_tin(tin, noise_m=noise).pm(np.array([[12.0, 25.0], [38.0, 25.0]]))
    assert pm[1] > 2 * pm[0]


def cloud(seed: int, hole: slice):
    """Nodes with 1 to 9 noisy points each, and a hole filled from its border."""
    rng = np.random.default_rng(seed)
    lattice = Lattice(0, 0, 0.5, 80, 70)
    ground = rolling(seed)
    counts = rng.integers(1, 10, lattice.shape)
    z = ground(lattice.nodes).reshape(lattice.shape)
    z = z + rng.normal(0, 0.05, lattice.shape) / np.sqrt(counts)
    counts[hole, hole] = 0
    x, left, right = lattice.x[hole], z[hole, hole.start - 1], z[hole, hole.stop]
    share = (x - x[0] + 0.5) / (x[-1] - x[0] + 1.0)
    z[hole, hole] = left[:, None] * (1 - share) + right[:, None] * share
    return ground, Grid(lattice, z), counts


def test_a_grid_averages_noise_and_doubts_filled_gaps():
    _, grid, counts = cloud(1, slice(30, 42))
    doubt = doubt_of_grid(grid, counts, noise_m=0.05)
    nodes = grid.lattice.nodes.reshape(*grid.lattice.shape, 2)
    at = np.argwhere(counts == 9)[0]
    assert doubt.sigma(nodes[at[0], at[1]][None])[0] == pytest.approx(0.05 / 3, rel=1e-3)
    inward = doubt.sigma(nodes[35, 29:36])
    assert (np.diff(inward[1:]) > 0).all()
    assert np.isnan(doubt.sigma(np.array([[-1.0, 3.0], [99.0, 3.0]]))).all()


def test_the_interval_of_a_grid_holds_the_truth():
    held = []
    for seed in range(6):
        ground, grid, counts = cloud(seed, slice(30, 38))
        xy = np.random.default_rng(seed).uniform(0.5, 34, (3000, 2))
        off = np.abs(grid.elevation(xy) - ground(xy))
        held.append(np.mean(off < doubt_of_grid(grid, counts, noise_m=0.05).pm(xy)))
    assert 0.93 < np.mean(held) < 0.975


def test_a_merged_surface_is_as_sure_as_what_rules_it():
    rng = np.random.default_rng(3)
    xy = scattered(300, rng)
    upper = build_tin(np.column_stack([xy * 0.4, np.zeros(300)]), longest_border_m=np.inf)
    lower = build_tin(np.column_stack([xy, np.zeros(300)]), longest_border_m=np.inf)
    doubts = (
        flat_doubt(upper, np.full(len(upper.points), 0.01)),
        flat_doubt(lower, np.full(len(lower.points), 0.10)),
    )
    doubt = MergedDoubt(Merged((upper, lower), 2.0), doubts)
    places = np.array([[10.0, 10.0], [40.0, 40.0], [99.0, 99.0]])
    found = doubt.pm(places)
    assert found[0] == doubts[0].pm(places)[0]
    assert found[1] == doubts[1].pm(places)[1]
    assert np.isnan(found[2])
    seam = places[:1] * 0 + np.array([[18.5, 10.0]])
    assert doubts[0].sigma(seam)[0] < doubt.sigma(seam)[0] < doubts[1].sigma(seam)[0]
