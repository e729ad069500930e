"""What a triangulated surface must be: exact on planes, faithful to breaklines, honest off it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import ConvexHull, Delaunay

from terrain.errors import SurfaceError
from terrain.surface import Lattice, Tin, build_tin

NO_TRIM = 1e9


def scattered(count: int, seed: int = 7) -> np.ndarray:
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 50, (count, 2))
    return np.column_stack([xy, np.sin(xy[:, 0] / 8) + 0.1 * xy[:, 1]])


@given(
    seed=st.integers(0, 2**32 - 1),
    east=st.floats(-2, 2),
    north=st.floats(-2, 2),
    shift=st.floats(-1e6, 1e6),
)
@settings(max_examples=40, deadline=None)
def test_a_plane_is_recovered_to_rounding(seed, east, north, shift):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 30, (60, 2)) + shift
    z = east * (xy[:, 0] - shift) + north * (xy[:, 1] - shift) + 100
    tin = build_tin(np.column_stack([xy, z]), longest_border_m=NO_TRIM)
    # convex combinations of three vertices lie inside whatever the triangulation
    corners = tin.points[tin.triangles]
    inside = np.einsum("mk,mkd->md", rng.dirichlet([1, 1, 1], len(corners)), corners)
    expected = east * (inside[:, 0] - shift) + north * (inside[:, 1] - shift) + 100
    np.testing.assert_allclose(tin.elevation(inside[:, :2]), expected, atol=1e-7)


def test_agrees_with_scipy_inside_and_is_unknown_outside():
    points = scattered(2000)
    tin = build_tin(points, longest_border_m=NO_TRIM)
    lattice = Lattice.covering((-1, -1, 51, 51), cell=0.37)
    peer = LinearNDInterpolator(Delaunay(points[:, :2]), points[:, 2])(lattice.nodes)
    for ours in (tin.elevation(lattice.nodes), tin.on_lattice(lattice).z.ravel()):
        np.testing.assert_array_equal(np.isnan(ours), np.isnan(peer))
        known = np.isfinite(peer)
        np.testing.assert_allclose(ours[known], peer[known], atol=1e-9)


def test_triangles_fill_the_convex_hull_once():
    points = scattered(500)
    tin = build_tin(points, longest_border_m=NO_TRIM)
    hull_area = ConvexHull(points[:, :2]).volume
    assert tin.areas.min() > 0
    assert tin.areas.sum() == pytest.approx(hull_area, rel=1e-12)
    assert tin.footprint.area == pytest.approx(hull_area, rel=1e-9)


def test_a_breakline_is_an_edge_of_the_surface():
    """A ridge through a field of low points keeps its height all along."""
    rng = np.random.default_rng(3)
    low = np.column_stack([rng.uniform(0, 20, (300, 2)), np.zeros(300)])
    ridge = np.array([[2.0, 3.0, 5.0], [18.0, 15.0, 5.0]])
    points = np.vstack([low, ridge])
    walk = np.linspace(ridge[0, :2], ridge[1, :2], 50)
    kept = build_tin(points, breaklines=[np.array([300, 301])], longest_border_m=NO_TRIM)
    np.testing.assert_allclose(kept.elevation(walk), 5.0, atol=1e-9)
    without = build_tin(points, longest_border_m=NO_TRIM).elevation(walk)
    assert without.min() < 1.0


def test_crossing_breaklines_meet_at_their_mean():
    points = np.array(
        [
            [0, 0, 0.0], [10, 0, 0], [10, 10, 0], [0, 10, 0],
            [2, 2, 1], [8, 8, 1], [2, 8, 3], [8, 2, 3],
        ]
    )  # fmt: skip
    tin = build_tin(points, breaklines=[np.array([4, 5]), np.array([6, 7])])
    heights = tin.elevation(np.array([[5.0, 5.0], [3.5, 3.5], [3.5, 6.5]]))
    np.testing.assert_allclose(heights, [2.0, 1.5, 2.5], atol=1e-12)


def test_points_at_one_place_are_merged_and_lines_follow():
    square = np.array([[0, 0, 1.0], [4, 0, 1], [4, 4, 1], [0, 4, 1], [4, 4, 9], [2, 2, 3]])
    tin = build_tin(square, breaklines=[np.array([4, 5])])
    assert len(tin.points) == 5
    assert tin.elevation(np.array([[4.0, 4.0], [3.0, 3.0]])) == pytest.approx([1.0, 2.0])


def test_long_border_triangles_are_trimmed_but_holes_inside_are_bridged():
    """An L of measured ground: its notch is bridged by long border triangles, which go."""
    x, y = np.meshgrid(np.arange(0, 20.5), np.arange(0, 20.5))
    in_l = ((x <= 8) | (y <= 8)) & ~((x > 2) & (x < 6) & (y > 2) & (y < 6))
    points = np.column_stack([x[in_l], y[in_l], np.zeros(in_l.sum())])
    tin = build_tin(points, longest_border_m=1.5)
    heights = tin.elevation(np.array([[15.0, 15.0], [4.0, 4.0], [15.0, 4.0]]))
    assert np.isnan(heights).tolist() == [True, False, False]
    # 20 × 8 + 8 × 12, less nothing; the notch's corner keeps half a cell of slanted triangle
    assert tin.footprint.area == pytest.approx(256 + 0.5, abs=1e-9)


@pytest.mark.parametrize(
    ("points", "message"),
    [
        (np.zeros((0, 3)), "0 distinct"),
        (np.ones((5, 3)), "1 distinct"),
        (np.array([[0, 0, 0], [1, 1, 5], [2, 2, 1], [7, 7, 3.0]]), "one line"),
    ],
)
def test_too_little_for_a_surface_is_refused(points, message):
    with pytest.raises(SurfaceError, match=message):
        build_tin(points)


def test_sparse_ground_around_a_dense_survey_is_kept():
    """49 spots at 10 m around 400 shots in a 10 m square: all 3,600 m² stay."""
    wide = np.stack(np.meshgrid(np.arange(0, 61, 10.0), np.arange(0, 61, 10.0)), -1).reshape(-1, 2)
    dense = np.random.default_rng(1).uniform(21, 29, (400, 2))
    xy = np.vstack([wide, dense])
    tin = build_tin(np.column_stack([xy, np.zeros(len(xy))]))
    assert tin.footprint.area == pytest.approx(3600)


def test_a_strip_between_two_dense_breaklines_is_kept():
    """Top and toe of a bank, shot every 0.5 m, 5 m apart."""
    x = np.arange(0, 30.1, 0.5)
    xy = np.concatenate([np.column_stack([x, np.full_like(x, y)]) for y in (0.0, 5.0)])
    lines = [np.arange(len(x)), np.arange(len(x)) + len(x)]
    tin = build_tin(np.column_stack([xy, np.zeros(len(xy))]), breaklines=lines)
    assert tin.footprint.area == pytest.approx(150)


def test_points_on_a_slanting_fence_make_no_slivers():
    """Shots on a straight line that no axis follows, rounded to the centimetre."""
    rng = np.random.default_rng(11)
    for _ in range(50):
        along = np.sort(rng.uniform(0, 40, 25))
        angle = rng.uniform(0.1, 1.4)
        fence = np.round(np.outer(along, [np.cos(angle), np.sin(angle)]), 2)
        aside = np.round(rng.uniform((5, -30), (30, 0), (30, 2)), 2)
        xy = np.vstack([fence, aside])
        tin = build_tin(np.column_stack([xy, 0.1 * xy[:, 0]]), longest_border_m=NO_TRIM)
        lattice = Lattice.covering((0, -30, 40, 40), cell=0.5)
        heights = tin.on_lattice(lattice).z.ravel()
        known = np.isfinite(heights)
        np.testing.assert_allclose(heights[known], 0.1 * lattice.nodes[known, 0], atol=1e-6)


def regular(height, cell: float = 1.0, count: int = 31) -> np.ndarray:
    x, y = np.meshgrid(np.arange(count) * cell, np.arange(count) * cell)
    return np.column_stack([x.ravel(), y.ravel(), height(x, y).ravel()])


@pytest.mark.parametrize("cell", [1.0, 0.5])
@pytest.mark.parametrize(
    ("height", "curvature"),
    [
        # greatest second derivative in any direction: 1 / c on z = xy / c, slope / r on a cone
        (lambda x, y: (x - 7.3) * (y - 4.1) / 40, 1 / 40),
        (lambda x, y: 0.5 * np.hypot(x + 5, y + 5), 0.5 / np.hypot(5, 5)),
    ],
    ids=["saddle", "cone"],
)
def test_saddle_and_cone_are_exact_at_the_vertices_and_bounded_between(height, curvature, cell):
    """Linear interpolation errs by no more than h² |f''| / 8, h the longest edge."""
    points = regular(height, cell)
    tin = build_tin(points)
    np.testing.assert_allclose(tin.elevation(points[:, :2]), points[:, 2], atol=1e-13)
    rng = np.random.default_rng(1)
    xy = rng.uniform(0, 30 * cell, (4000, 2))
    off = np.abs(tin.elevation(xy) - height(*xy.T))
    assert off.max() <= 2 * cell**2 * curvature / 8 + 1e-12
    assert off.max() > 0.2 * cell**2 * curvature / 8


@given(
    seed=st.integers(0, 2**32 - 1),
    turned=st.floats(0, 2 * np.pi),
    shift=st.tuples(st.floats(-1e5, 1e5), st.floats(-1e5, 1e5)),
)
@settings(max_examples=30, deadline=None)
def test_a_surface_moves_with_its_points(seed, turned, shift):
    points = scattered(120, seed)
    xy = np.random.default_rng(seed).uniform(10, 40, (50, 2))
    c, s = np.cos(turned), np.sin(turned)
    turn = np.array([[c, s], [-s, c]])
    moved = np.column_stack([points[:, :2] @ turn + shift, points[:, 2] + 7])
    here = build_tin(points, longest_border_m=NO_TRIM).elevation(xy)
    there = build_tin(moved, longest_border_m=NO_TRIM).elevation(xy @ turn + shift)
    both = np.isfinite(here) & np.isfinite(there)
    assert both.sum() > 25
    np.testing.assert_allclose(there[both], here[both] + 7, atol=1e-6)


def assert_fills_the_hull_once(points: np.ndarray, rel: float = 1e-6) -> None:
    tin = build_tin(points, longest_border_m=np.inf)
    local = points[:, :2] - points[:, :2].min(axis=0)
    assert tin.areas.min() > 0
    assert tin.areas.sum() == pytest.approx(ConvexHull(local).volume, rel=rel)
    sides = np.stack([tin.triangles, np.roll(tin.triangles, -1, axis=1)], axis=-1).reshape(-1, 2)
    assert len(np.unique(sides, axis=0)) == len(sides)


@given(seed=st.integers(0, 2**32 - 1), count=st.integers(3, 12), number=st.integers(3, 150))
@settings(max_examples=60, deadline=None)
def test_points_that_share_lines_circles_and_places(seed, count, number):
    """Small whole coordinates: duplicates, whole rows in line and four on a circle everywhere."""
    xy = np.random.default_rng(seed).integers(0, count, (number, 2)).astype(float)
    points = np.column_stack([xy, np.zeros(number)])
    if np.linalg.matrix_rank(xy - xy[0]) < 2:
        with pytest.raises(SurfaceError, match=r"distinct|one line"):
            build_tin(points)
    else:
        assert_fills_the_hull_once(points, rel=1e-12)


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_millimetres_ten_thousand_kilometres_from_the_origin(seed):
    xy = np.random.default_rng(seed).integers(0, 60, (200, 2)) * 1e-3 + [1e7, 5e6]
    assert_fills_the_hull_once(np.column_stack([xy, np.zeros(200)]))


@pytest.mark.parametrize("far", [1e6, 1e8])
def test_one_place_typed_wrong_by_a_long_way(far):
    """A height where the easting should be: the rest of the ground is still what it was."""
    points = scattered(2000)
    wrong = np.vstack([points, [far, -far / 3, 5.0]])
    xy = np.random.default_rng(0).uniform(5, 45, (200, 2))
    expected = build_tin(points).elevation(xy)
    np.testing.assert_allclose(build_tin(wrong).elevation(xy), expected, atol=1e-6)


def test_soft_lines_are_edges_like_breaklines():
    rng = np.random.default_rng(3)
    low = np.column_stack([rng.uniform(0, 20, (300, 2)), np.zeros(300)])
    ridge = np.array([[2.0, 3.0, 5.0], [18.0, 15.0, 5.0]])
    points, rows = np.vstack([low, ridge]), [np.array([300, 301])]
    soft, hard = build_tin(points, soft=rows), build_tin(points, breaklines=rows)
    np.testing.assert_array_equal(soft.triangles, hard.triangles)
    walk = np.linspace(ridge[0, :2], ridge[1, :2], 50)
    np.testing.assert_allclose(soft.elevation(walk), 5.0, atol=1e-9)


def test_a_triangle_that_is_a_line_covers_nothing():
    points = np.array([[0, 0, 1.0], [4, 0, 1], [4, 4, 1], [2, 0, 9]])
    tin = Tin(points, np.array([[0, 3, 1], [0, 1, 2]], dtype=np.int32))
    assert tin.elevation(np.array([[3.0, 0.0], [3.0, 1.0]])) == pytest.approx([1, 1])
    assert np.nanmax(tin.on_lattice(Lattice(0, 0, 1, 5, 5)).z) == pytest.approx(1)
