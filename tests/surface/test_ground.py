"""Ground from clouds, against hillsides whose height is a formula."""

import struct
from pathlib import Path

import laspy
import numpy as np
import pytest
from scipy import ndimage

from terrain.errors import SurfaceError, SurveyError, UnitError
from terrain.surface.discs import open_disc
from terrain.surface.gaps import fill_everywhere, fill_small_gaps, small_gaps
from terrain.surface.ground import ground_from_cloud
from terrain.surface.openings import ground_surface, joined_cells, stray_cells
from terrain.units import FOOT, METRE

NOISE_M = 0.03
SHRUBS = ((6.0, 7.0, 0.8, 1.2), (15.0, 20.0, 1.2, 1.8), (25.0, 9.0, 0.5, 0.7))  # x, y, radius, top
MACHINE = (28.0, 34.0, 17.0, 20.0, 2.4)  # xmin, xmax, ymin, ymax, height


def hillside(x, y):
    """A slope of 1 in 8 with swells and one bank of 1:1, 1.5 m high."""
    return 100 + x / 8 + 0.4 * np.sin(y / 4) + np.clip(y - 13, 0, 1.5)


def write_cloud(path, xyz, *, classes=None, scale=0.001):
    header = laspy.LasHeader(point_format=3, version="1.2")
    header.scales, header.offsets = [scale] * 3, [500_000, 4_000_000, 0]
    las = laspy.LasData(header)
    las.x, las.y, las.z = xyz[:, 0] + 500_000, xyz[:, 1] + 4_000_000, xyz[:, 2]
    if classes is not None:
        las.classification = classes
    las.write(path)
    return path


def bare_hillside(rng, n=120_000):
    x, y = rng.random((2, n)) * [[40], [30]]
    return np.column_stack([x, y, hillside(x, y) + rng.normal(0, NOISE_M, n)])


def overgrown(rng):
    """Shrubs with leaves at all heights, a machine, and stray returns up to 8 m below ground."""
    points = [bare_hillside(rng)]
    for x0, y0, radius, top in SHRUBS:
        n = 4000
        r, turn = radius * np.sqrt(rng.random(n)), rng.random(n) * 2 * np.pi
        x, y = x0 + r * np.cos(turn), y0 + r * np.sin(turn)
        points.append(np.column_stack([x, y, hillside(x, y) + top * (0.3 + 0.7 * rng.random(n))]))
        inside = np.hypot(points[0][:, 0] - x0, points[0][:, 1] - y0) < radius
        points[0] = points[0][~inside]
    xmin, xmax, ymin, ymax, height = MACHINE
    x, y = rng.random((2, 3000)) * [[xmax - xmin], [ymax - ymin]] + [[xmin], [ymin]]
    points.append(np.column_stack([x, y, hillside(x, y) + height]))
    ground = points[0]
    inside = (abs(ground[:, 0] - 31) < 3) & (abs(ground[:, 1] - 18.5) < 1.5)
    points[0] = ground[~inside]
    x, y = rng.random((2, 60)) * [[40], [30]]
    points.append(np.column_stack([x, y, hillside(x, y) - rng.uniform(0.6, 8, 60)]))
    return rng.permutation(np.vstack(points))


def error(ground):
    lattice = ground.grid.lattice
    x, y = np.meshgrid(lattice.x - 500_000, lattice.y - 4_000_000)
    return ground.grid.z - hillside(x, y), x, y


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    path = tmp_path_factory.mktemp("bare") / "bare.laz"
    return write_cloud(path, bare_hillside(np.random.default_rng(11)))


@pytest.fixture(scope="module")
def wild(tmp_path_factory):
    path = tmp_path_factory.mktemp("wild") / "wild.laz"
    return write_cloud(path, overgrown(np.random.default_rng(12)))


def test_the_ground_is_not_biased_by_noise(bare):
    off, _, _ = error(ground_from_cloud(bare, unit=METRE))
    # 120,000 points of 0.03 m: the mean is known to 0.1 mm; the lowest of eight points alone would
    # lie 1.42 standard deviations low (tables of normal order statistics, from memory).
    assert abs(np.nanmean(off)) < 0.002
    assert np.nanstd(off) < 0.02
    assert np.isnan(off).mean() < 0.03


def test_noise_is_measured(bare):
    assert ground_from_cloud(bare, unit=METRE).noise_m == pytest.approx(NOISE_M, rel=0.2)


def test_shrubs_a_machine_and_stray_returns_are_removed(wild):
    ground = ground_from_cloud(wild, unit=METRE)
    off, x, y = error(ground)
    assert not ground.used_classes
    assert abs(np.nanmean(off)) < 0.004
    assert np.nanmax(np.abs(off)) < 0.35  # the machine is 2.4 m high, the strays 8 m low
    for x0, y0, radius, top in SHRUBS:
        under = np.hypot(x - x0, y - y0) < radius
        assert np.nanmean(off[under]) < 0.1 * top
    xmin, xmax, ymin, ymax, height = MACHINE
    under = (x > xmin) & (x < xmax) & (y > ymin) & (y < ymax)
    assert np.nanmean(off[under]) < 0.05 * height


def test_a_bank_survives(bare):
    off, x, y = error(ground_from_cloud(bare, unit=METRE))
    bank = (y > 12.5) & (y < 15) & (x > 1) & (x < 39)
    assert np.isfinite(off[bank]).all()
    # At an edge of a 1:1 bank the mean over a cell of 0.1 m is off by about 0.1 / 8 m.
    assert np.abs(off[bank]).max() < 0.12
    assert abs(off[bank].mean()) < 0.005


def test_a_small_gap_is_filled_and_a_large_one_left_open(wild):
    x0, y0, radius, _ = SHRUBS[1]
    filled = ground_from_cloud(wild, unit=METRE, largest_gap_m=4 * radius)
    left = ground_from_cloud(wild, unit=METRE, largest_gap_m=0.3)
    centre = np.array([[500_000 + x0, 4_000_000 + y0]])
    assert filled.grid.elevation(centre)[0] == pytest.approx(hillside(x0, y0), abs=0.15)
    assert np.isnan(left.grid.elevation(centre)[0])
    assert filled.n_filled_cells > left.n_filled_cells


def test_class_2_is_believed(tmp_path):
    rng = np.random.default_rng(4)
    low = bare_hillside(rng, 40_000)
    high = low + np.array([0, 0, 0.25])  # nothing that an opening could tell from ground
    classes = np.repeat([2, 1], len(low)).astype(np.uint8)
    path = write_cloud(tmp_path / "classed.las", np.vstack([low, high]), classes=classes)
    ground = ground_from_cloud(path, unit=METRE, size=30_000)
    off, _, _ = error(ground)
    assert ground.used_classes
    assert ground.n_ground_points == len(low)
    assert abs(np.nanmean(off)) < 0.002


@pytest.mark.parametrize("first_class_2", [0, 50_000, 79_000])
def test_class_2_may_begin_anywhere_in_the_file(tmp_path, first_class_2):
    rng = np.random.default_rng(5)
    points = bare_hillside(rng, 80_000)
    classes = np.ones(80_000, dtype=np.uint8)
    classes[first_class_2:] = 2
    path = write_cloud(tmp_path / "late.las", points, classes=classes)
    ground = ground_from_cloud(path, unit=METRE, cell=1.0, size=7_000)
    assert ground.n_ground_points == 80_000 - first_class_2


@pytest.mark.parametrize("noise_class", [7, 18])
def test_noise_classes_are_left_out(tmp_path, noise_class):
    rng = np.random.default_rng(6)
    points = bare_hillside(rng, 20_000)
    noise = points[:2000] - np.array([0, 0, 0.05])
    classes = np.repeat([1, noise_class], [20_000, 2000]).astype(np.uint8)
    path = write_cloud(tmp_path / "noise.las", np.vstack([points, noise]), classes=classes)
    clean = write_cloud(tmp_path / "clean.las", points)
    with_noise = ground_from_cloud(path, unit=METRE, cell=0.5)
    without = ground_from_cloud(clean, unit=METRE, cell=0.5)
    np.testing.assert_allclose(with_noise.grid.z, without.grid.z, equal_nan=True)


def test_pieces_do_not_matter(wild):
    whole = ground_from_cloud(wild, unit=METRE, cell=0.25)
    pieces = ground_from_cloud(wild, unit=METRE, cell=0.25, size=9_999)
    np.testing.assert_allclose(pieces.grid.z, whole.grid.z, atol=0.01)


def test_feet_become_metres(tmp_path):
    rng = np.random.default_rng(7)
    x, y = rng.random((2, 50_000)) * 100
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.01] * 3, [0, 0, 0]
    las = laspy.LasData(header)
    las.x, las.y, las.z = x, y, 50 + 0.1 * x
    las.write(tmp_path / "feet.laz")
    ground = ground_from_cloud(tmp_path / "feet.laz", unit=FOOT, cell=0.2)
    at = np.array([[20.0, 10.0]]) * 0.3048
    assert ground.grid.elevation(at)[0] == pytest.approx(52 * 0.3048, abs=0.003)
    assert ground.grid.lattice.bounds[2] == pytest.approx(100 * 0.3048, abs=0.3)


def test_a_cell_that_makes_too_many_nodes(bare):
    with pytest.raises(SurfaceError, match="nodes"):
        ground_from_cloud(bare, unit=METRE, cell=0.0005)


@pytest.mark.parametrize("cell", [0.0, -1.0, float("nan")])
def test_a_cell_must_be_a_length(bare, cell):
    with pytest.raises(SurfaceError, match="cell"):
        ground_from_cloud(bare, unit=METRE, cell=cell)


def test_a_cut_cloud_gives_no_ground(tmp_path, bare):
    whole = bare.read_bytes()
    (tmp_path / "cut.laz").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(SurveyError, match="cut short"):
        ground_from_cloud(tmp_path / "cut.laz", unit=METRE)


@pytest.mark.parametrize("largest_x", [float("nan"), float("inf"), 0.0])
def test_a_header_with_an_impossible_box(tmp_path, bare, largest_x):
    """LAS specification, public header block: the largest x at byte 179."""
    content = bytearray(bare.read_bytes())
    struct.pack_into("<d", content, 179, largest_x)
    (tmp_path / "box.laz").write_bytes(content)
    with pytest.raises(SurveyError, match="header"):
        ground_from_cloud(tmp_path / "box.laz", unit=METRE)


def test_another_unit_is_refused():
    sample = Path(__file__).parents[1] / "data" / "ground_and_trees_usft.laz"
    with pytest.raises(UnitError, match="us-ft"):
        ground_from_cloud(sample, unit=METRE)


def test_a_plane_is_its_own_opening():
    x, y = np.meshgrid(np.arange(30.0), np.arange(20.0))
    plane = (0.7 * x - 0.3 * y).astype(np.float32)
    np.testing.assert_allclose(open_disc(plane, 4)[5:-5, 5:-5], plane[5:-5, 5:-5])


@pytest.mark.parametrize("shape", [(47, 61), (200, 700)])
@pytest.mark.parametrize("radius", [1, 4, 7])
def test_openings_agree_with_scipy_away_from_the_border(radius, shape):
    z = np.random.default_rng(9).random(shape).astype(np.float32)
    inside = np.s_[2 * radius : -2 * radius, 2 * radius : -2 * radius]
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    by_scipy = ndimage.grey_opening(z, footprint=x**2 + y**2 <= radius**2)
    np.testing.assert_array_equal(open_disc(z, radius)[inside], by_scipy[inside])


def test_a_slope_is_not_cut_at_its_upper_end():
    x, _ = np.meshgrid(np.arange(30.0), np.arange(20.0))
    np.testing.assert_array_equal(open_disc(x.astype(np.float32), 6), x)


@pytest.mark.parametrize("turn_deg", [0, 20, 45, 70])
def test_a_block_is_taken_off_a_slope_whichever_way_it_falls(turn_deg):
    """Also a block that is lower than the slope rises across it, askew to the grid."""
    x, y = np.meshgrid(np.arange(60.0), np.arange(50.0))
    turn = np.deg2rad(turn_deg)
    low = 0.3 * (x * np.cos(turn) + y * np.sin(turn))
    block = (abs(x - 30) <= 3) & (abs(y - 25) <= 3)
    low[block] += 1.5
    ground, opening = ground_surface(low, 1.0, slope=None, largest_object_m=10)
    assert np.isnan(ground[block]).all()
    assert np.isfinite(ground[~block]).mean() > 0.99
    assert opening.slope == pytest.approx(0.1)


def test_the_slope_asked_for_is_the_slope_used():
    low = np.random.default_rng(3).normal(0, 0.5, (40, 40))
    _, opening = ground_surface(low, 1.0, slope=0.17, largest_object_m=8)
    assert opening.slope == 0.17


def test_terraces_are_ground_and_make_the_slope_larger():
    """Benches 6 m wide with ragged brows, faces of 1:1 and 3 m high: nothing stands on them."""
    x, y = np.meshgrid(np.arange(80.0), np.arange(70.0))
    ragged = np.random.default_rng(2).normal(0, 0.3, x.shape)
    along = x + 1.5 * np.sin(y / 2.3) + 2 * np.sin(y / 7.1) + ragged
    low = 3 * (along // 9) + np.clip(along % 9 - 6, 0, 3)
    ground, opening = ground_surface(low, 1.0, slope=None, largest_object_m=18)
    assert opening.broken_share > 0.5
    assert opening.slope == pytest.approx(0.3)
    assert np.isfinite(ground).mean() > 0.99


def test_a_brow_is_joined_and_a_roof_is_not():
    x, _ = np.meshgrid(np.arange(40.0), np.arange(30.0))
    z = np.clip(x - 20, 0, 4)
    roof = np.zeros(z.shape, dtype=bool)
    roof[10:16, 5:12] = True
    z[roof] = 3.0
    brow = (x > 20) & (x < 24)
    joined = joined_cells(z, roof | brow, 1.0)
    np.testing.assert_array_equal(joined, brow)


def test_stray_returns_are_found_and_a_wide_pit_is_not():
    x, _ = np.meshgrid(np.arange(40.0), np.arange(30.0))
    low = 0.3 * x
    strays = [(5, 5), (5, 6), (20, 8)]
    for row, column in strays:
        low[row, column] -= 20
    low[15:22, 20:28] -= 4
    assert list(zip(*stray_cells(low, 1.0).nonzero(), strict=True)) == strays


def test_a_hole_in_a_plane_is_closed_by_the_plane():
    x, y = np.meshgrid(np.arange(30.0), np.arange(25.0))
    plane = 2 + 0.4 * x - 0.25 * y
    holed = plane.copy()
    holed[8:14, 10:17] = np.nan
    np.testing.assert_allclose(fill_small_gaps(holed, widest=12), plane, atol=1e-3)


@pytest.mark.parametrize(("widest", "closed"), [(3.0, False), (5.0, False), (8.0, True)])
def test_only_gaps_as_narrow_as_told_are_small(widest, closed):
    known = np.ones((40, 40), dtype=bool)
    known[15:22, 10:30] = False  # seven nodes across
    assert small_gaps(known, widest=widest)[18, 15:25].all() == closed
    assert small_gaps(known, widest=widest)[18, 20] == closed


@pytest.mark.parametrize("widest", [1.0, 4.0, 7.5])
def test_small_gaps_are_a_closing_by_a_disc(widest):
    rng = np.random.default_rng(10)
    known = ndimage.binary_opening(rng.random((60, 45)) < 0.8, iterations=2)
    y, x = np.mgrid[-4:5, -4:5]
    disc = np.hypot(x, y) <= widest / 2
    closed = ndimage.binary_closing(np.pad(known, 9), disc)[9:-9, 9:-9]
    assert (closed & ~known).any() == (widest > 1)
    np.testing.assert_array_equal(small_gaps(known, widest=widest), closed & ~known)


def test_what_lies_outside_the_survey_is_no_gap():
    known = np.zeros((30, 30), dtype=bool)
    known[10:20, 10:20] = True
    assert not small_gaps(known, widest=8).any()


def test_filling_everywhere_keeps_what_is_known():
    rng = np.random.default_rng(8)
    z = rng.random((17, 23))
    z[rng.random(z.shape) < 0.7] = np.nan
    filled = fill_everywhere(z)
    known = np.isfinite(z)
    assert np.isfinite(filled).all()
    np.testing.assert_array_equal(filled[known], z[known])
    assert filled.min() >= np.nanmin(z)
    assert filled.max() <= np.nanmax(z)
