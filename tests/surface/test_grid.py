"""A lattice of heights: bilinear inside, exact at nodes, unknown off it."""

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from terrain.surface import Grid, Lattice


def test_lattice_covers_and_is_made_of_whole_cells():
    lattice = Lattice.covering((0.05, -1.0, 3.0, 2.0), cell=0.5)
    assert lattice.bounds == pytest.approx((0.0, -1.0, 3.0, 2.0))
    assert lattice.shape == (7, 7)
    assert lattice.nodes[lattice.nx] == pytest.approx([0.0, -0.5])


def test_agrees_with_scipy_bilinear():
    rng = np.random.default_rng(5)
    lattice = Lattice(10.0, 20.0, 0.7, 9, 6)
    grid = Grid(lattice, rng.normal(size=lattice.shape))
    xy = rng.uniform((10, 20), lattice.bounds[2:], (500, 2))
    peer = RegularGridInterpolator((lattice.y, lattice.x), grid.z)(xy[:, ::-1])
    np.testing.assert_allclose(grid.elevation(xy), peer, atol=1e-12)
    np.testing.assert_allclose(grid.elevation(lattice.nodes), grid.z.ravel(), atol=1e-12)


def test_unknown_exactly_where_a_needed_height_is_unknown():
    lattice = Lattice(0.0, 0.0, 1.0, 5, 4)
    z = np.zeros(lattice.shape)
    z[1, 2] = np.nan
    grid = Grid(lattice, z)
    xy = np.array([[0.5, 0.5], [1.5, 0.5], [2.5, 1.5], [1.0, 0.5], [3.5, 0.5], [4.5, 1], [-0.1, 1]])
    assert np.isnan(grid.elevation(xy)).tolist() == [False, True, True, False, False, True, True]
    assert grid.footprint.area == pytest.approx(12 - 4)


def test_footprint_of_a_whole_grid_is_its_box():
    lattice = Lattice(2.0, 3.0, 0.5, 4, 3)
    assert Grid(lattice, np.ones(lattice.shape)).footprint.bounds == pytest.approx(lattice.bounds)
