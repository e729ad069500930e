"""What merged surfaces must be: ruled by priority, feathered at seams, never outside both."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.surface import Grid, Lattice, Plane, build_tin
from terrain.surface.borders import border_of
from terrain.surface.merge import Merged, seam_steps

WIDE = shapely.box(0, 0, 40, 30)
INNER = shapely.box(10, 10, 25, 22)


def tin(seed: int, level: float, size: float = 30.0):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, size, (150, 2))
    return build_tin(np.column_stack([xy, level + rng.normal(0, 0.4, 150)]))


def places(seed: int, count: int = 4000, size: float = 40.0):
    return np.random.default_rng(seed).uniform(-2, size, (count, 2))


def test_one_surface_is_itself():
    alone = tin(1, 5.0)
    xy = places(2)
    merged = Merged((alone,), 2.0)
    np.testing.assert_array_equal(merged.elevation(xy), alone.elevation(xy))
    assert merged.footprint.equals(alone.footprint)


@given(seed=st.integers(0, 2**31), seam=st.floats(0, 12))
@settings(max_examples=15, deadline=None)
def test_heights_lie_between_the_two_and_are_known_where_either_is(seed, seam):
    upper, lower = tin(seed, 2.0, 20.0), tin(seed + 1, 0.0)
    xy = places(seed, 1000, 32.0)
    a, b = upper.elevation(xy), lower.elevation(xy)
    z = Merged((upper, lower), seam).elevation(xy)
    np.testing.assert_array_equal(np.isnan(z), np.isnan(a) & np.isnan(b))
    known = np.isfinite(z)
    assert (z[known] >= np.fmin(a, b)[known] - 1e-12).all()
    assert (z[known] <= np.fmax(a, b)[known] + 1e-12).all()


def test_equal_surfaces_give_the_surface_back():
    slope = Plane(3.0, WIDE, 0.1, -0.2)
    patch = Plane(3.0, INNER, 0.1, -0.2)
    xy = places(3)
    z = Merged((patch, slope), 3.0).elevation(xy)
    np.testing.assert_allclose(z, slope.elevation(xy), atol=1e-12)


def test_the_seam_is_a_smoothstep_inward_from_the_border():
    """At t = 1/4, 1/2, 3/4 of the way the share is 5/32, 1/2, 27/32 (t²(3 − 2t))."""
    merged = Merged((Plane(1.0, INNER), Plane(0.0, WIDE)), 4.0)
    xy = np.array([[10.0 + t * 4.0, 16.0] for t in (0, 0.25, 0.5, 0.75, 1.0)] + [[9.99, 16.0]])
    expected = [0, 5 / 32, 1 / 2, 27 / 32, 1, 0]
    np.testing.assert_allclose(merged.elevation(xy), expected, atol=1e-12)


def test_the_surface_is_continuous_across_the_seam():
    """Steepest inside: 1.5 / seam per metre of step, the derivative of t²(3 − 2t) at 1/2."""
    step, seam = 2.0, 3.0
    merged = Merged((Plane(step, INNER), Plane(0.0, WIDE)), seam)
    walk = np.column_stack([np.linspace(5, 30, 50_001), np.linspace(8, 25, 50_001)])
    rise = np.abs(np.diff(merged.elevation(walk)))
    run = np.hypot(*np.diff(walk, axis=0).T)
    assert (rise / run).max() <= 1.5 * step / seam * (1 + 1e-6)
    assert (rise / run).max() > 0.5 * step / seam


def test_where_the_lower_one_ends_the_upper_rules_without_a_step():
    """Two half-overlapping fields: across either border the height does not jump."""
    west, east = Plane(1.0, shapely.box(0, 0, 20, 10)), Plane(0.0, shapely.box(15, 2, 40, 8))
    merged = Merged((west, east), 4.0)
    for line in (
        [(10.0, 5.0), (30.0, 5.0)],  # into the east field, then out of the west one
        [(17.0, 0.0), (17.0, 10.0)],  # across the east field's sides, inside the west one's seam
        [(19.0, 0.0), (19.0, 10.0)],
    ):
        walk = np.linspace(*line, 200_001)
        assert np.abs(np.diff(merged.elevation(walk))).max() < 2e-4
    lonely = np.array([[0.0, 0.0], [0.5, 5.0], [17.0, 0.1], [17.0, 9.9]])
    np.testing.assert_array_equal(merged.elevation(lonely), 1.0)


def test_a_hole_is_a_border():
    z = np.ones((41, 41))
    z[15:26, 15:26] = np.nan
    upper = Grid(Lattice(0, 0, 1.0, 41, 41), z)
    merged = Merged((upper, Plane(0.0, shapely.box(-50, -50, 90, 90))), 4.0)
    # the hole's border runs at x = 14: its nodes from 15 on are unknown
    xy = np.array([[20.0, 20.0], [14.0, 20.0], [12.0, 20.0], [10.0, 20.0], [7.0, 20.0]])
    np.testing.assert_allclose(merged.elevation(xy), [0, 0, 0.5, 1, 1], atol=1e-12)


def test_without_a_seam_the_edge_is_hard():
    merged = Merged((Plane(1.0, INNER), Plane(0.0, WIDE)), 0.0)
    xy = np.array([[9.999, 16.0], [10.001, 16.0], [17.0, 16.0], [50.0, 50.0]])
    np.testing.assert_array_equal(merged.elevation(xy), [0.0, 1.0, 1.0, np.nan])


def test_order_is_priority_and_three_are_ruled_from_above():
    low, middle, high = Plane(0.0, WIDE), Plane(1.0, shapely.box(5, 5, 30, 25)), Plane(2.0, INNER)
    centre, between, outer = [17.0, 16.0], [7.0, 15.0], [1.0, 1.0]
    xy = np.array([centre, between, outer])
    np.testing.assert_array_equal(Merged((high, middle, low), 1.0).elevation(xy), [2, 1, 0])
    np.testing.assert_array_equal(Merged((low, middle, high), 1.0).elevation(xy), [0, 0, 0])
    shares = Merged((high, middle, low), 1.0).shares(places(5))
    known = shares.sum(axis=1) > 0
    np.testing.assert_allclose(shares[known].sum(axis=1), 1.0, atol=1e-12)
    on = np.array([[10.25, 16.0]])  # a quarter of the way into the seam of the highest
    np.testing.assert_allclose(
        Merged((high, middle, low), 1.0).shares(on), [[5 / 32, 27 / 32, 0]], atol=1e-12
    )


def test_a_lattice_gets_the_same_heights():
    merged = Merged((tin(8, 2.0, 15.0), Grid(Lattice(5, 5, 2.0, 9, 9), np.ones((9, 9))),
                     tin(9, 0.0)), 2.5)  # fmt: skip
    lattice = Lattice.covering((-1, -1, 31, 31), cell=0.37)
    np.testing.assert_allclose(
        merged.on_lattice(lattice).z.ravel(), merged.elevation(lattice.nodes), atol=1e-9
    )


@given(seed=st.integers(0, 2**31), reach=st.floats(0.01, 40))
@settings(max_examples=15, deadline=None)
def test_border_distance_agrees_with_geos(seed, reach):
    rng = np.random.default_rng(seed)
    region = shapely.union_all(shapely.buffer(shapely.points(rng.uniform(0, 30, (12, 2))), 3.0))
    xy = rng.uniform(-5, 35, (500, 2))
    expected = np.minimum(shapely.distance(region.boundary, shapely.points(xy)), reach)
    np.testing.assert_allclose(border_of(region, reach_m=reach).distance(xy), expected, atol=1e-9)


def test_a_datum_difference_shows_along_the_seam():
    rng = np.random.default_rng(4)
    xy = rng.uniform(0, 40, (2500, 2))
    rough = np.column_stack([xy, rng.normal(0, 0.02, 2500)])
    step = seam_steps(Merged((Plane(0.3, INNER), build_tin(rough)), 2.0))
    assert len(step) == 1
    assert step[0].places > 100
    assert step[0].median_m == pytest.approx(0.3, abs=0.005)
    assert 0.005 < step[0].nmad_m < 0.03
    assert INNER.boundary.distance(shapely.Point(step[0].where)) < 1e-3


def test_the_largest_step_is_where_the_ground_differs():
    rising = Plane(0.0, INNER, east_grade=0.1)
    (step,) = seam_steps(Merged((rising, Plane(0.0, WIDE)), 2.0))
    assert step.largest_m == pytest.approx(2.5, abs=0.01)
    assert step.where[0] == pytest.approx(25.0, abs=0.1)


def test_surfaces_apart_have_no_step():
    steps = seam_steps(Merged((Plane(0.0, INNER), Plane(0.0, shapely.box(100, 0, 110, 9))), 2.0))
    assert steps[0].places == 0
    assert np.isnan(steps[0].median_m)
