"""Light, stones, walls and the water's edge, against shapes that are known."""

import numpy as np
import pytest

from terrain.review.blocks import SHAPES, block, finish_with_stones, placed, shape_of
from terrain.review.relief import Sun, cell_normals, in_sun, sky_seen
from terrain.review.walls import MOST, straightened
from terrain.review.waterline import water_sheet
from tests.review.garden import FakeStone


@pytest.mark.parametrize("shape", range(SHAPES))
def test_a_block_is_closed_faces_outward_and_fills_its_box(shape):
    trimesh = pytest.importorskip("trimesh")
    body = block(shape)
    np.testing.assert_allclose(body.points.min(axis=0), -1)
    np.testing.assert_allclose(body.points.max(axis=0), 1)
    mesh = trimesh.Trimesh(body.points, body.triangles, process=False)
    assert mesh.is_watertight
    # More than the ball in the box, less than the box: a rounded block.
    assert 4 / 3 * np.pi < mesh.volume < 8


def test_a_placed_stone_has_its_stated_size_before_it_is_turned():
    stone = FakeStone("pond", (10.0, 20.0, 100.0), (0.9, 0.7, 0.5), 0.0)
    points = placed(stone, block(3).points)
    np.testing.assert_allclose(np.ptp(points, axis=0), [0.9, 0.7, 0.5])
    np.testing.assert_allclose((points.min(axis=0) + points.max(axis=0)) / 2, [10.0, 20.0, 100.0])


def test_a_quarter_turn_swaps_length_and_width():
    stone = FakeStone("pond", (0.0, 0.0, 0.0), (0.9, 0.7, 0.5), 90.0)
    np.testing.assert_allclose(np.ptp(placed(stone, block(0).points), axis=0), [0.7, 0.9, 0.5])


def test_the_same_stones_get_the_same_shapes_and_not_all_one(site):
    first, again = shape_of(site.stones), shape_of(site.stones)
    np.testing.assert_array_equal(first, again)
    assert len(set(first.tolist())) > SHAPES // 2


def test_stones_raise_the_finish_to_their_tops_and_no_higher(site):
    top = finish_with_stones(site.composition, site.stones)
    raised = top - site.composition.finish
    assert np.nanmin(raised) == 0
    stone = max(site.stones, key=lambda s: s.axes[0])
    column = round((stone.centre[0] - site.composition.lattice.x0) / site.composition.lattice.cell)
    row = round((stone.centre[1] - site.composition.lattice.y0) / site.composition.lattice.cell)
    peak = stone.centre[2] + stone.axes[2] / 2
    assert site.composition.finish[row, column] < top[row, column] <= peak + 1e-9


def test_normals_of_a_plane():
    xx, yy = np.meshgrid(np.arange(5.0), np.arange(4.0))
    normals = cell_normals(np.stack([xx, yy, 0.3 * xx - 0.4 * yy], axis=-1))
    expected = np.array([-0.3, 0.4, 1.0]) / np.sqrt(0.09 + 0.16 + 1)
    np.testing.assert_allclose(normals, np.broadcast_to(expected, normals.shape))


def test_the_shadow_of_a_wall_is_as_long_as_its_height_over_the_tangent():
    cell, high, altitude = 0.1, 2.0, 40.0
    z = np.zeros((40, 200))
    z[:, 20] = high
    z[:, 190] = 2 * high  # taller, but down the light: the walk towards the sun must not stop short
    lit = in_sun(z, cell, Sun(azimuth_deg=270, altitude_deg=altitude), soft_m=1e-6)
    shaded = np.flatnonzero(lit[20, 21:180] < 0.5)
    reach = (shaded.max() + 1) * cell
    assert reach == pytest.approx(high / np.tan(np.radians(altitude)), abs=cell)
    assert np.all(lit[20, :20] == 1)


def test_a_pit_sees_less_sky_than_the_open_ground():
    z = np.zeros((80, 80))
    z[30:50, 30:50] = -2
    seen = sky_seen(z, 0.1)
    assert seen[5, 5] == pytest.approx(1)
    assert seen[40, 40] < 0.75


def stairs():
    """A vertical wall along a line that runs askew to the lattice: y = 0.4 x + 4."""
    x = np.arange(60) * 0.1
    y = np.arange(80) * 0.1
    xx, yy = np.meshgrid(x, y)
    return x, y, np.where(yy > 0.4 * xx + 4, 0.0, -1.5)


def test_a_wall_askew_to_the_lattice_comes_out_straighter():
    x, y, z = stairs()
    solid = np.ones((len(y) - 1, len(x) - 1), dtype=bool)
    moved = straightened(x, y, z, solid)
    rough, smooth = [], []
    for column in range(8, len(x) - 8):
        row = int(np.flatnonzero(z[:, column] == 0)[0])  # top of the wall
        rough.append(y[row] - 0.4 * x[column])
        smooth.append(moved[row, column, 1] - 0.4 * moved[row, column, 0])
    assert np.std(smooth) < 0.5 * np.std(rough)


def test_flat_ground_does_not_move_and_nothing_moves_far():
    x, y, z = stairs()
    solid = np.ones((len(y) - 1, len(x) - 1), dtype=bool)
    moved = straightened(x, y, z, solid)
    slide = moved - np.stack(np.meshgrid(x, y), axis=-1)
    assert np.abs(slide).max() <= MOST * 0.1 + 1e-12
    assert np.all(slide[5:20, 5:-5] == 0)
    assert np.any(slide != 0)


def test_water_runs_under_its_bank_but_never_over_an_open_edge():
    finish = np.full((20, 20), 10.0)
    finish[:, 5:12] = 8.0  # the pool; west of it a bank, east of it open lower ground
    finish[:, 12:] = 7.0
    water = np.where(finish == 8.0, 9.0, np.nan)
    sheet = water_sheet(finish, water)
    assert np.all(sheet[:, 3:12] == 9.0)
    assert np.all(np.isnan(sheet[:, 12:]))
    assert np.all(np.isnan(sheet[:, :3]))
