"""Trimming takes the border away by length or by the empty circle, and nothing else."""

import numpy as np
import pytest
from scipy.spatial import Delaunay

from terrain.errors import SurfaceError
from terrain.surface import Tin, build_tin, trim_by_alpha, trim_by_length


def untrimmed(points: np.ndarray) -> Tin:
    return build_tin(points, longest_border_m=np.inf)


def horseshoe(count: int = 1500) -> np.ndarray:
    rng = np.random.default_rng(4)
    angle, radius = rng.uniform(0.5, 2 * np.pi - 0.5, count), rng.uniform(8, 12, count)
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), np.zeros(count)])


def test_trimming_by_length_is_what_build_tin_does():
    points = horseshoe()
    for limit in (None, 1.5):
        ours = trim_by_length(untrimmed(points), longest_border_m=limit)
        built = build_tin(points, longest_border_m=limit)
        np.testing.assert_array_equal(ours.triangles, built.triangles)
        assert len(ours.triangles) < len(untrimmed(points).triangles)


def border_edges(tin: Tin) -> tuple[np.ndarray, np.ndarray]:
    """Edges that one triangle has, and the triangle of each."""
    sides = np.stack([tin.triangles, np.roll(tin.triangles, -1, axis=1)], axis=-1).reshape(-1, 2)
    _, first, uses = np.unique(
        np.sort(sides, axis=1), axis=0, return_index=True, return_counts=True
    )
    return sides[first[uses == 1]], first[uses == 1] // 3


def test_no_border_edge_is_longer_than_the_limit_and_some_inside_are():
    tin = build_tin(horseshoe(), longest_border_m=0.7)
    edges, _ = border_edges(tin)
    lengths = np.linalg.norm(np.diff(tin.points[edges][:, :, :2], axis=1)[:, 0], axis=1)
    assert 0.65 < lengths.max() <= 0.7


def circumradius(corners: np.ndarray) -> np.ndarray:
    """Law of sines: a side over twice the sine of the angle opposite."""
    sides = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2)
    a, b, c = sides.T
    return a / (2 * np.sqrt(1 - ((b**2 + c**2 - a**2) / (2 * b * c)) ** 2))


def test_alpha_opens_a_horseshoe_and_keeps_its_ground():
    tin = trim_by_alpha(untrimmed(horseshoe(12_000)), 0.5)
    assert np.isnan(tin.elevation(np.array([[0.0, 0.0], [10.0, 0.0]]))).all()
    middle = np.linspace(0.7, 2 * np.pi - 0.7, 200)
    assert np.isfinite(tin.elevation(10 * np.column_stack([np.cos(middle), np.sin(middle)]))).all()
    # a ring from 8 to 12 m over 2π − 1, less the border that random points do not reach
    assert tin.footprint.area == pytest.approx((2 * np.pi - 1) * 40, rel=0.04)


def test_alpha_keeps_every_narrow_triangle_of_the_delaunay_triangulation():
    """And has none at its border that is wide."""
    points = horseshoe()
    plan = points[:, :2]
    corners = plan[Delaunay(plan).simplices]
    narrow = circumradius(corners) <= 1.0
    expected = corners[narrow].mean(axis=1)
    tin = trim_by_alpha(untrimmed(points), 1.0)
    ours = plan[tin.triangles].mean(axis=1)
    assert len(ours) >= len(expected)
    sort = np.lexsort(expected.T)
    gaps = np.abs(ours[:, None] - expected[sort][None, ::25]).sum(axis=2).min(axis=0)
    assert gaps.max() < 1e-9
    _, outer = border_edges(tin)
    radii = circumradius(plan[tin.triangles[np.unique(outer)]])
    assert 0.8 < radii.max() <= 1.0


def test_a_wide_hole_inside_is_bridged_and_a_kept_edge_holds_the_ground_behind_it():
    x, y = np.meshgrid(np.arange(0, 21.0), np.arange(0, 21.0))
    ring = ~((x > 5) & (x < 15) & (y > 5) & (y < 15))
    points = np.column_stack([x[ring], y[ring], np.zeros(ring.sum())])
    assert trim_by_alpha(untrimmed(points), 1.0).footprint.area == pytest.approx(400)
    notch = np.concatenate([points, [[10.0, 40.0, 0.0]]])
    tin = untrimmed(notch)
    assert trim_by_alpha(tin, 1.0).footprint.area == pytest.approx(400)
    top = len(notch) - 1
    corners = [np.flatnonzero((notch[:, :2] == c).all(axis=1))[0] for c in ([0, 20], [20, 20])]
    keep = np.array([[top, corners[0]], [top, corners[1]]])
    assert trim_by_alpha(tin, 1.0, keep=keep).footprint.area == pytest.approx(600)
    assert trim_by_length(tin, longest_border_m=1.0, keep=keep).footprint.area == pytest.approx(600)


def test_a_million_metres_off_the_alpha_shape_is_the_same():
    points = np.round(horseshoe(), 3)
    far = points + np.array([6_000_000.0, 5_000_000.0, 0.0])
    here, there = (trim_by_alpha(untrimmed(p), 1.0) for p in (points, far))
    assert there.footprint.area == pytest.approx(here.footprint.area, rel=1e-6)


def test_a_radius_below_the_spacing_is_refused():
    with pytest.raises(SurfaceError, match=r"0\.001 m radius"):
        trim_by_alpha(untrimmed(horseshoe()), 0.001)
