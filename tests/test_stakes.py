"""Stakes in closed form: where the dig's edge is, how deep is dug, and how a stake is found."""

import math

import numpy as np
import pytest
import shapely

from terrain.errors import PlanError
from terrain.site import Site
from terrain.stakes import BEYOND, EVERY, KINDS, Pegging
from tests.stake_site import DUG_M3, EAST, MARKS, MIDDLE, NORTH, write_stake_site

PEGGING = Pegging(1.5, 1.0)


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return Site.open(write_stake_site(tmp_path_factory.mktemp("stakes") / "pegged"))


@pytest.fixture(scope="module")
def stakes(site):
    return site.stakes(PEGGING)


def places(stakes, kind, element="pond"):
    found = [s for s in stakes.of(element) if s.kind == kind]
    return found, np.array([[s.east_m, s.north_m] for s in found]) - MIDDLE


def from_square(xy, half):
    """Distance outward from a square about the middle, its corners rounded."""
    return np.hypot(*np.maximum(np.abs(xy) - half, 0).T)


def test_the_edge_is_where_the_face_meets_the_ground(stakes):
    found, xy = places(stakes, "edge")
    np.testing.assert_allclose(from_square(xy, 3.5), 1.5, atol=0.002)
    np.testing.assert_allclose([s.cut_m for s in found], 0, atol=0.002)
    corners = np.abs(xy) > 4.5  # a stake off each corner, on its bisector
    assert corners.all(axis=1).sum() == 4
    away = np.hypot(*np.diff(np.vstack([xy, xy[:1]]), axis=0).T)
    corner = 3.5 + 1.5 / math.sqrt(2)  # the next stake is 1.4 m along the side of 7 m
    assert away.max() == pytest.approx(math.hypot(corner - 2.1, 5.0 - corner), abs=0.003)


def test_offset_stakes_stand_behind_the_edge(stakes):
    found, xy = places(stakes, "offset")
    assert len(found) == len(places(stakes, "edge")[0])
    np.testing.assert_allclose(from_square(xy, 3.5), 2.5, atol=0.002)
    np.testing.assert_allclose([s.offset_m for s in found], 1.0)
    np.testing.assert_allclose([s.foot_m for s in found], 2.5, atol=0.005)
    np.testing.assert_allclose([s.dig_m for s in found], 98.8, atol=0.003)
    np.testing.assert_allclose([s.cut_m for s in found], 1.2, atol=0.003)
    assert {s.name.removesuffix("-off") for s in found} == {
        s.name for s in places(stakes, "edge")[0]
    }


def test_the_floor_begins_at_the_level_change(stakes):
    found, xy = places(stakes, "break")
    np.testing.assert_allclose(np.abs(xy).max(axis=1), 2.5, atol=1e-4)
    np.testing.assert_allclose([s.dig_m for s in found], 97.8, atol=1e-3)
    assert len(found) >= 4 * math.ceil(5 / 1.5)


def test_the_grid_lies_on_whole_numbers_inside_the_dig(stakes):
    found, xy = places(stakes, "grid")
    true = np.array([[s.east_m, s.north_m] for s in found])
    np.testing.assert_allclose(
        true / 1.5, np.round(true / 1.5), rtol=0, atol=1e-3
    )  # 1 mm off a wall
    outward = from_square(xy, 3.5)
    assert outward.max() < 1.5
    inward = 3.5 - np.abs(xy).max(axis=1)
    expected = np.where(outward > 0, 99 + outward / 1.5, 98.8 - np.minimum(inward, 1.0))
    np.testing.assert_allclose([s.dig_m for s in found], expected, atol=1e-6)
    others = np.concatenate([places(stakes, kind)[1] for kind in ("edge", "break")])
    between = np.hypot(*(xy[:, None] - others).transpose(2, 0, 1)).min(axis=1)
    assert between.min() >= 1.5 / 4


def test_every_cut_is_ground_less_dig(site, stakes):
    for stake in stakes.points:
        xy = np.array([[stake.east_m, stake.north_m]]) - site.origin
        ground, dig = (float(site.surface(n).elevation(xy)[0]) for n in ("existing", "dig"))
        assert stake.existing_m == pytest.approx(ground, abs=1e-9)
        assert stake.cut_m == pytest.approx(stake.existing_m - stake.dig_m, abs=1e-12)
        if stake.element == "pond" and stake.kind != "offset":
            assert stake.dig_m == pytest.approx(dig, abs=1e-6)


def test_a_mound_is_filled(stakes):
    found, _ = places(stakes, "grid", "low mound")
    centre = np.array([EAST + 25, NORTH + 25])
    for stake in found:
        inward = 3 - math.dist((stake.east_m, stake.north_m), centre)
        assert stake.cut_m == pytest.approx(-min(0.5, inward / 2), abs=1e-3)
    toe, _ = places(stakes, "toe", "low mound")
    away = [math.dist((s.east_m, s.north_m), centre) for s in toe]
    np.testing.assert_allclose(away, 3, atol=0.02)
    assert not any(s.offset_m for s in stakes.of("low mound"))


def test_stakes_are_found_from_the_control_points(stakes):
    """Law of cosines: from the two distances comes the angle between the bearings' marks."""
    assert [mark.name for mark in stakes.marks] == ["A", "B"]
    a, b = (np.array(MARKS[name]) for name in "AB")
    base = math.dist(a, b)
    for stake in stakes.points:
        turn = math.radians(stake.bearing_deg)
        east = a[0] + stake.distance_m * math.sin(turn)
        north = a[1] + stake.distance_m * math.cos(turn)
        assert math.dist((east, north), (stake.east_m, stake.north_m)) < 1e-6
        far = stake.second_distance_m
        cosine = (stake.distance_m**2 + base**2 - far**2) / (2 * stake.distance_m * base)
        angle = math.degrees(math.acos(cosine))  # the marks lie east and west, the stakes north
        assert 90 - stake.bearing_deg == pytest.approx(angle, abs=1e-6)
        assert stake.along_m == pytest.approx(stake.east_m - a[0], abs=1e-6)
        assert stake.across_m == pytest.approx(-(stake.north_m - a[1]), abs=1e-6)


def test_points_of_the_survey_serve_as_marks(site):
    stakes = site.stakes(Pegging(1.5, 1.0, "0", "110"))
    assert stakes.marks[0].at == pytest.approx((EAST, NORTH, 100))
    assert stakes.marks[1].at == pytest.approx((EAST, NORTH + 30, 100))


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        ("A", "A", "one control point"),
        ("A", None, "two different control points"),
        ("A", "C", "no point of a survey is called 'C'"),
    ],
)
def test_control_points_that_do_not_serve(site, first, second, said):
    with pytest.raises(PlanError, match=said):
        site.stakes(Pegging(1.5, 1.0, first, second))


@pytest.mark.parametrize(
    ("shift", "said"), [(0.0, "0.000 m apart"), (0.4, "0.400 m apart"), (2.0, "10th")]
)
def test_control_points_too_close(site, shift, said):
    first = site.plan.control_point[0]
    at = (first.at[0] + shift, *first.at[1:])
    near = first.model_copy(update={"name": "near", "at": at})
    moved = site.revised(site.plan.model_copy(update={"control_point": (first, near)}))
    assert "elements" in vars(moved)  # marks change no surface
    with pytest.raises(PlanError, match=said):
        moved.stakes(PEGGING)


def test_without_control_points(site):
    bare = site.revised(site.plan.model_copy(update={"control_point": ()}))
    stakes = bare.stakes(PEGGING)
    assert stakes.marks == ()
    assert {stake.bearing_deg for stake in stakes.points} == {None}
    one = site.revised(site.plan.model_copy(update={"control_point": site.plan.control_point[:1]}))
    assert "needs a second" in one.stakes(PEGGING).notes[0].replace("need", "needs")


@pytest.mark.parametrize("pegging", [Pegging(0, 1), Pegging(1, -1), Pegging(0.01, 1)])
def test_distances_that_cannot_be(site, pegging):
    with pytest.raises(PlanError):
        site.stakes(pegging)


def test_names_are_one_of_a_kind(stakes):
    names = [stake.name for stake in stakes.points]
    assert len(set(names)) == len(names)
    assert {stake.kind for stake in stakes.points} <= set(KINDS)
    assert EVERY["ft"] == pytest.approx(5 * 0.3048)
    assert BEYOND["m"] == 1.0


def test_triangles_of_the_dig(site):
    """Within the tolerance at random places off the walls; the volume in closed form."""
    followed = site.dig_tin(tolerance_m=0.01)
    xmin, ymin, xmax, ymax = followed.tin.footprint.bounds
    xy = np.random.default_rng(8).uniform([xmin, ymin], [xmax, ymax], (20_000, 2))
    off = np.abs(followed.tin.elevation(xy) - site.surface("dig").elevation(xy))
    off = off[~shapely.intersects_xy(followed.walls, xy)]
    assert np.isfinite(off).all()
    assert off.max() < 0.01
    tin = followed.tin
    depth = 100 - tin.points[tin.triangles][:, :, 2].mean(axis=1)
    assert float((tin.areas * depth).sum()) == pytest.approx(DUG_M3, abs=0.2)
