"""Water finds the lowest way out."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.surface import Grid, Lattice
from terrain.surface.hollows import flood


def grid(z) -> Grid:
    z = np.asarray(z, dtype=float)
    return Grid(Lattice(0.0, 0.0, 1.0, z.shape[1], z.shape[0]), z)


def test_a_bowl_fills_to_its_notch_and_names_it():
    z = np.full((9, 11), 5.0)
    z[2:7, 2:9] = 1.0
    z[4, 9] = z[4, 10] = 3.0  # the notch in the east wall
    flooded = flood(grid(z))
    inside = flooded.level[2:7, 2:9]
    assert np.all(inside == 3.0)
    assert set(np.unique(flooded.outlet[2:7, 2:9])) <= {4 * 11 + 9, 4 * 11 + 10}
    dry = np.ones(z.shape, dtype=bool)
    dry[2:7, 2:9] = False
    assert np.all(flooded.level[dry] == z[dry])
    assert np.all(flooded.outlet[dry] == -1)


def test_unknown_ground_drains():
    z = np.full((7, 7), 5.0)
    z[2:5, 2:5] = 1.0
    z[2, 1] = np.nan
    flooded = flood(grid(z))
    assert np.all(flooded.level[2:5, 2:5] == 1.0)


@given(seed=st.integers(0, 2**31))
def test_no_level_is_lower_than_a_path_out_allows(seed):
    """Against the definition: level = min over paths to the border of the highest node."""
    rng = np.random.default_rng(seed)
    z = rng.integers(0, 9, (6, 7)).astype(float)
    level = z.copy()
    level[1:-1, 1:-1] = np.inf
    for _ in range(z.size):  # Bellman–Ford on the bottleneck
        around = np.full_like(z, np.inf)
        padded = np.pad(level, 1, constant_values=np.inf)
        for dj in range(3):
            for di in range(3):
                around = np.minimum(around, padded[dj : dj + 6, di : di + 7])
        level = np.minimum(level, np.maximum(z, around))
    np.testing.assert_array_equal(flood(grid(z)).level, level)


def test_a_plane_holds_no_water():
    x, y = np.meshgrid(np.arange(8.0), np.arange(6.0))
    flooded = flood(grid(2 * x + y))
    assert np.all(flooded.outlet == -1)
    assert flooded.level == pytest.approx(2 * x + y)
