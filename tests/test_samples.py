"""The sample sites: small enough for git, made again from their seed, and true to their ground."""

import laspy
import numpy as np
import pytest
import shapely

from sample_surveys import SITES, site_folder
from sample_surveys.make_sallowrigg import (
    BUST,
    BUST_OFF,
    CLOUD_NOISE,
    HIGH_STRAYS,
    PLAN_NOISE,
    POLE_NOISE,
    make,
)
from sample_surveys.sallowrigg_cover import BOULDERS, MACHINE
from sample_surveys.sallowrigg_hill import ground
from terrain.design.plan import read_plan
from terrain.errors import TerrainError

MOST_BYTES = 8_000_000
STEEPEST = 0.9  # rise over run of the ditch's sides, the steepest ground of the garden


@pytest.fixture(scope="module")
def folder():
    return site_folder("sallowrigg")


@pytest.fixture(scope="module")
def shots(folder):
    names = {"point": "U8", "northing": float, "easting": float, "elevation": float, "code": "U8"}
    return np.genfromtxt(
        folder / "rover.csv", delimiter=",", skip_header=1, dtype=list(names.items())
    )


@pytest.fixture(scope="module")
def cloud(folder):
    return laspy.read(folder / "drone.laz")


@pytest.fixture(scope="module")
def above_ground(cloud):
    return np.asarray(cloud.z) - ground(np.asarray(cloud.x), np.asarray(cloud.y))


@pytest.mark.parametrize("name", SITES)
def test_a_site_is_whole_and_small(name):
    folder = site_folder(name)
    for survey in read_plan(folder / "site.toml").survey:
        assert (folder / survey.file).is_file()
    assert sum(file.stat().st_size for file in folder.iterdir()) <= MOST_BYTES


def test_an_unknown_sample_is_named_with_the_known_ones():
    with pytest.raises(TerrainError, match=r"no sample site 'nowhere'[\s\S]*sallowrigg"):
        site_folder("nowhere")


def test_the_seed_makes_the_same_surveys(folder, cloud, tmp_path):
    make(tmp_path)
    kept = (folder / "rover.csv").read_text(encoding="utf-8")
    assert (tmp_path / "rover.csv").read_text(encoding="utf-8") == kept
    again = laspy.read(tmp_path / "drone.laz")
    for axis in ("X", "Y", "Z"):
        np.testing.assert_array_equal(again[axis], cloud[axis])


def test_shots_stand_on_the_ground_but_for_one_bust_and_the_boulders(shots):
    off = shots["elevation"] - ground(shots["easting"], shots["northing"])
    bust, rock = shots["point"] == BUST, shots["code"] == "RK"
    assert shots["code"][bust].tolist() == ["GS"]
    honest = off[~bust & ~rock]
    most = 4.5 * np.hypot(POLE_NOISE, STEEPEST * PLAN_NOISE)
    assert np.abs(honest).max() < most
    # 1 sigma of 380 shots is known within 4 %; noise in plan adds up to a tenth on steep ground
    assert honest.std() == pytest.approx(POLE_NOISE, rel=0.2)
    assert np.abs(off[bust] - BUST_OFF).max() < most
    np.testing.assert_allclose(
        off[rock], [boulder.height for boulder in BOULDERS], atol=most, rtol=0
    )


def test_the_rover_survey_is_as_promised(shots):
    assert 370 <= len(shots) <= 430
    strings = {"TB1", "TB2", "TOE1", "TOE2", "DT1", "DB1", "DT2", "PE1", "PE2"}
    edges = {"WE1", "PP1", "FP1"}
    assert set(shots["code"]) == strings | edges | {"GS", "RK"}
    for code in strings | edges:
        walked = shots[shots["code"] == code]
        steps = np.hypot(np.diff(walked["easting"]), np.diff(walked["northing"]))
        assert len(walked) >= 8
        assert steps.max() < 4.0  # a string is walked in order
    across, up = np.ptp(shots["easting"]), np.ptp(shots["northing"])
    assert (across, up) == (pytest.approx(40, abs=1), pytest.approx(30, abs=1))
    honest = shots["elevation"][(shots["point"] != BUST) & (shots["code"] != "RK")]
    assert 6.0 <= np.ptp(honest) <= 8.0


def test_the_cloud_is_as_promised(cloud, above_ground):
    assert len(cloud.points) == pytest.approx(1_000_000, rel=0.02)
    assert str(cloud.header.version) == "1.4"
    assert cloud.header.point_format.id in (6, 7)
    assert np.all(cloud.header.scales == 0.001)
    assert not np.any(cloud.classification)
    assert 100 <= np.count_nonzero(above_ground < -0.4) <= 300
    assert np.count_nonzero(above_ground > 6.0) >= HIGH_STRAYS
    assert 0.05 < np.mean(above_ground > 0.15) < 0.20


def test_bare_ground_in_the_cloud_lies_on_the_ground(above_ground):
    bare = above_ground[np.abs(above_ground) < 3 * CLOUD_NOISE]
    assert len(bare) > 0.8 * len(above_ground)
    assert abs(np.median(bare)) < 0.2 * CLOUD_NOISE


def test_the_machine_hides_the_ground_below_it(cloud, above_ground):
    e, n = np.asarray(cloud.x), np.asarray(cloud.y)
    a, b = MACHINE.axes(e, n)
    body = (np.abs(a + 0.5) < 1.2) & (np.abs(b) < 1.0) & (np.abs(above_ground) < 5)
    assert np.count_nonzero(body) > 2000
    # 3 strays under it are as many as may be: one falls on each 7 square metres
    assert np.count_nonzero(above_ground[body] < 1.0) <= 3
    boom = (a > 1.5) & (a < 4.5) & (np.abs(b + 0.25) < 0.15)
    assert np.median(above_ground[boom]) > 2.0


@pytest.fixture(scope="module")
def outlines(folder, shots):
    """Every element of the plan with its outline in true coordinates."""
    found = {}
    for element in read_plan(folder / "site.toml").element:
        if element.type in ("stream", "trench"):
            continue
        if element.outline.circle is not None:
            circle = element.outline.circle
            found[element.name] = shapely.Point(circle.centre).buffer(circle.radius)
            continue
        code, points = element.outline.code, element.outline.points
        if code is not None:
            walked = shots[shots["code"] == code]
            points = np.column_stack([walked["easting"], walked["northing"]])
        found[element.name] = shapely.Polygon(points)
    return found


def test_every_element_has_room_for_its_batters(shots, outlines):
    surveyed = shapely.MultiPoint(np.column_stack([shots["easting"], shots["northing"]]))
    assert len(outlines) == 8
    for name, outline in outlines.items():
        assert outline.is_valid
        batters = 0.0 if name == "spoil ground" else 2.5  # a heap's sides stay inside
        assert surveyed.convex_hull.buffer(-batters).contains(outline)


def test_the_levels_suit_the_ground(folder, outlines):
    """Common practice: cut on the uphill side, a low rim on the other, each fall of water down."""
    water = read_plan(folder / "site.toml").water
    assert 0.3 < water["upper"] - water["pond"] < 1.0
    for name, level in (("pond", "pond"), ("plunge pool", "upper")):
        edge = shapely.get_coordinates(outlines[name])
        below = water[level] - ground(edge[:, 0], edge[:, 1])
        assert 0.1 < below.max() < 0.5
        assert -0.6 < below.min() < -0.1
    assert 40 < outlines["pond"].area < 70
    assert outlines["filter pit"].area == pytest.approx(10, abs=1)
