"""100,000 points to a TIN to 1,000 × 1,000 heights, beside SciPy's Delaunay in the same run."""

from collections.abc import Callable
from time import perf_counter

import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from terrain.arrays import FloatArray
from terrain.surface import Lattice, build_tin

pytestmark = pytest.mark.slow
LATTICE = Lattice(1.0, 1.0, 0.998, 1000, 1000)


@pytest.fixture(scope="module")
def points() -> FloatArray:
    """Seeded places over a square kilometre of rolling ground, and its corners."""
    rng = np.random.default_rng(7)
    corners = np.array([[0.0, 0.0], [1000.0, 0.0], [1000.0, 1000.0], [0.0, 1000.0]])
    xy = np.concatenate([rng.uniform(0, 1000, (100_000 - 4, 2)), corners])
    z = 20 * np.sin(xy[:, 0] / 90) * np.cos(xy[:, 1] / 70) + 0.03 * xy[:, 0]
    return np.column_stack([xy, z])


def ours(points: FloatArray) -> FloatArray:
    return build_tin(points, longest_border_m=np.inf).on_lattice(LATTICE).z


def peer(points: FloatArray) -> FloatArray:
    mesh = Delaunay(points[:, :2])
    heights: FloatArray = LinearNDInterpolator(mesh, points[:, 2])(LATTICE.nodes)
    return heights.reshape(LATTICE.shape)


@pytest.mark.benchmark(group="100,000 points to a million heights", warmup=True)
@pytest.mark.parametrize("way", [ours, peer], ids=["terrain", "scipy"])
def test_points_to_grid(benchmark, points: FloatArray, way: Callable[[FloatArray], FloatArray]):
    z = benchmark.pedantic(way, (points,), rounds=3, warmup_rounds=1)
    assert np.isfinite(z).all()


def test_the_two_agree_and_how_fast_each_is(points: FloatArray, capsys):
    """The Delaunay triangulation of points in general position is unique."""
    seconds, heights = {}, {}
    for way in (ours, peer):
        way(points[:2000])  # compiles, fills caches
        began = perf_counter()
        heights[way.__name__] = way(points)
        seconds[way.__name__] = perf_counter() - began
    with capsys.disabled():
        ratio = seconds["peer"] / seconds["ours"]
        print(  # noqa: T201 - the ratio is what this is run for
            f"\n100,000 points to 1,000 × 1,000 heights: terrain {seconds['ours']:.2f} s, "
            f"scipy {seconds['peer']:.2f} s, {ratio:.1f} times faster"
        )
    inner = np.isfinite(heights["ours"]) & np.isfinite(heights["peer"])
    assert inner.all()
    np.testing.assert_allclose(heights["ours"], heights["peer"], rtol=0, atol=1e-7)
