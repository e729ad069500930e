"""A survey put in the wrong place is told, with its evidence, by `survey` and before `volumes`."""

import json

import numpy as np
import pyproj
import pytest

from tests.measured.made import (
    BASIN,
    CORNER,
    METRES,
    faces,
    ground_points,
    survey,
    write_ply,
    write_site,
    write_spots,
)
from tests.measured.test_placing import HERE, MOVE, UTM, ZONE_18, points_in_carolina


def swapped(xyz):
    return xyz[:, [1, 0, 2]]


def to_feet(xyz):
    return xyz / METRES["ft"]


def other_zone(xyz):
    to = pyproj.Transformer.from_crs(UTM, ZONE_18, always_xy=True)
    x, y = to.transform(xyz[:, 0], xyz[:, 1])
    return np.column_stack([x, y, xyz[:, 2]])


WRONG = [
    pytest.param(swapped, "northing and easting exchanged", id="exchanged"),
    pytest.param(to_feet, "feet read as metres", id="feet"),
    pytest.param(other_zone, "another coordinate system", id="zone"),
]


@pytest.fixture(params=["csv", "ply"])
def write(request):
    """A survey of shots, and one that comes with its surface."""
    if request.param == "csv":
        return lambda folder, xyz: write_spots(folder / "a.csv", xyz) or "a.csv"
    return lambda folder, xyz: write_ply(folder / "a.ply", xyz, faces()) or "a.ply"


@pytest.mark.parametrize(("spoil", "kind"), WRONG)
def test_the_ground_against_the_plan(tmp_path, run, write, spoil, kind):
    file = write(tmp_path, spoil(points_in_carolina()))
    write_site(tmp_path, survey("a", file), site=(f'crs = "{UTM}"',), body=HERE)
    said = run("survey", tmp_path)
    assert said.code == 1  # the basin lies off the ground
    (line,) = [line for line in said.out.splitlines() if kind in line]
    assert line.startswith(f"a: {kind}?")
    assert "the plan" in line
    assert sum(c.isdigit() for c in line) > 6
    (suspicion,) = json.loads(run("survey", tmp_path, "--json").out)["surveys"][0]["suspicions"]
    assert suspicion["kind"] == kind
    assert suspicion["evidence"] in line
    assert suspicion["mend"]
    volumes = run("volumes", tmp_path)
    assert volumes.code == 1
    assert f"a: {kind}?" in volumes.err
    assert suspicion["evidence"] in volumes.err


@pytest.mark.parametrize(("spoil", "kind"), WRONG)
def test_a_check_survey_against_the_ground(tmp_path, run, spoil, kind):
    write_spots(tmp_path / "good.csv", points_in_carolina())
    write_ply(tmp_path / "bad.ply", spoil(points_in_carolina(2.0)), faces(2.0))
    tables = survey("good", "good.csv"), survey("bad", "bad.ply")
    write_site(tmp_path, *tables, site=(f'crs = "{UTM}"',), body=HERE)
    said = run("survey", tmp_path)
    assert said.code == 0, said.err
    assert f"bad: {kind}?" in said.out
    assert "good:" not in said.out
    good, bad = json.loads(run("survey", tmp_path, "--json").out)["surveys"]
    assert good["suspicions"] == []
    assert [each["kind"] for each in bad["suspicions"]] == [kind]


@pytest.mark.slow
def test_a_second_ground_that_lies_elsewhere_is_told_before_anything_is_dug(tmp_path, run):
    write_spots(tmp_path / "good.csv", points_in_carolina())
    write_ply(tmp_path / "bad.ply", swapped(points_in_carolina(2.0)), faces(2.0))
    tables = survey("good", "good.csv"), survey("bad", "bad.ply")
    site = (f'crs = "{UTM}"', 'ground = ["good", "bad"]')
    write_site(tmp_path, *tables, site=site, body=HERE)
    said = run("volumes", tmp_path)
    assert "bad: northing and easting exchanged?" in said.err


def test_sound_surveys_raise_nothing(tmp_path, run):
    write_spots(tmp_path / "a.csv", points_in_carolina())
    write_site(tmp_path, survey("a", "a.csv"), site=(f'crs = "{UTM}"',), body=HERE)
    assert json.loads(run("survey", tmp_path, "--json").out)["surveys"][0]["suspicions"] == []
    assert "?" not in run("volumes", tmp_path).err


def test_a_plan_in_feet_over_a_survey_in_metres(tmp_path, run):
    """Without any coordinate system: the plan's outline is the only other witness."""
    write_spots(tmp_path / "a.csv", ground_points())
    write_site(
        tmp_path,
        survey("a", "a.csv"),
        site=('unit = "ft"',),
        body=BASIN.replace(str(CORNER[0] + 14), f"{(CORNER[0] + 14) / 0.3048}").replace(
            str(CORNER[1] + 11), f"{(CORNER[1] + 11) / 0.3048}"
        ),
    )
    (suspicion,) = json.loads(run("survey", tmp_path, "--json").out)["surveys"][0]["suspicions"]
    assert suspicion["kind"] == "metres read as feet"
    assert MOVE.shape == (2,)
