"""Two surveys make one ground over a seam; single shots are left out or kept by name and kind."""

import json

import numpy as np
import pytest

from terrain.errors import PlanError
from tests.measured.made import (
    BASIN,
    BASIN_M3,
    CORNER,
    HIGH,
    WIDE,
    faces,
    ground_points,
    height,
    inside,
    mesh_error,
    off,
    opened,
    survey,
    write_ply,
    write_site,
    write_spots,
)

EAST = 20.0  # the rover measured as far as this; the drone everywhere, 0.3 m too high
HIGHER = 0.3


def two(folder, *site, ground='ground = ["rover", "drone"]', body=BASIN):
    xyz = ground_points()
    write_spots(folder / "rover.csv", xyz[xyz[:, 0] <= CORNER[0] + EAST])
    write_ply(folder / "drone.ply", xyz + np.array([0, 0, HIGHER]), faces())
    rover, drone = survey("rover", "rover.csv"), survey("drone", "drone.ply")
    return opened(folder, drone, rover, site=(ground, *site), body=body)


def above(site, u, v=10.0):
    """Height above the written ground, at distances from the corner."""
    xy = CORNER + np.column_stack([np.atleast_1d(u), np.full(np.size(u), v)])
    return site.existing.elevation(xy - site.origin) - height(xy)


def test_the_better_survey_rules_and_the_other_fills_the_rest(tmp_path):
    site = two(tmp_path, "seam = 2")
    bound = mesh_error(1) + 2e-6
    assert np.abs(above(site, np.arange(4.3, EAST - 2, 0.7))).max() < bound
    assert np.abs(above(site, np.arange(EAST + 0.1, WIDE - 1, 0.7)) - HIGHER).max() < bound
    # across the seam s(t) = t²(3 − 2t) of the rover: half of it in the middle
    assert above(site, EAST - 1)[0] == pytest.approx(HIGHER / 2, abs=bound)
    assert above(site, EAST - 0.5)[0] == pytest.approx(HIGHER * (1 - 0.15625), abs=bound)
    steps = np.diff(above(site, np.linspace(EAST - 2, EAST, 400)))
    assert steps.max() < 1.5 * HIGHER / 2 * 2 / 399 * 1.1 + 1e-3


def test_the_width_of_the_seam_and_the_order_are_the_plans(tmp_path):
    bound = mesh_error(1) + 2e-6
    narrow = two(tmp_path, 'seam = "20 cm"')
    assert abs(above(narrow, EAST - 0.5)[0]) < bound
    drone_first = two(tmp_path, ground='ground = ["drone", "rover"]')
    assert above(drone_first, 10.0)[0] == pytest.approx(HIGHER, abs=bound)
    only = two(tmp_path, ground='ground = "rover"')
    assert np.isnan(above(only, EAST + 1)[0])
    assert only.check_surveys[0].against_ground.median_m == pytest.approx(HIGHER, abs=bound)


def test_the_points_that_carry_the_ground_are_each_surveys_own(tmp_path):
    site = two(tmp_path)
    assert len(site.ground_points) == 21 * 21 + 21 * 10  # the rover's, and the drone's beyond it


def test_a_basin_in_the_better_ground_is_dug_in_it(tmp_path):
    dug = two(tmp_path).volumes.excavation_bank_m3
    assert dug == pytest.approx(BASIN_M3, rel=0.002)


def test_both_surveys_are_told(tmp_path, run):
    two(tmp_path)
    said = run("survey", tmp_path)
    assert said.code == 0, said.err
    assert "rover and drone" in said.out
    document = json.loads(run("survey", tmp_path, "--json").out)
    assert document["ground"] == "rover and drone"
    assert {each["name"]: each["kind"] for each in document["surveys"]} == {
        "rover": "spot heights",
        "drone": "scanned mesh",
    }
    assert document["area_m2"] == pytest.approx(WIDE * HIGH)


def test_a_ground_of_an_unknown_survey_is_refused(tmp_path):
    with pytest.raises(PlanError, match="rovr") as caught:
        two(tmp_path, ground='ground = ["rovr", "drone"]')
    assert caught.value.mend is not None
    assert "rover" in caught.value.mend


# --- left out and kept ---------------------------------------------------------------------------

SPIKES = {"205": 1.5, "400": 1.2}  # point number: how far too high


def spiked(folder, *keys):
    xyz = ground_points()
    for name, wrong in SPIKES.items():
        xyz[int(name) - 1, 2] += wrong
    write_spots(folder / "a.csv", xyz)
    return opened(folder, survey("a", "a.csv", *keys))


def at_spikes(site):
    xy = np.array([ground_points()[int(name) - 1, :2] for name in SPIKES])
    return (site.existing.elevation(xy - site.origin) - height(xy)).round(3).tolist()


@pytest.mark.parametrize(
    ("keys", "left"),
    [
        ((), [1.5, 1.2]),
        (('leave_out = ["spikes"]',), [0.0, 0.0]),
        (('leave_out = ["205"]',), [0.0, 1.2]),
        (("leave_out = [205]",), [0.0, 1.2]),
        (('leave_out = ["line 401"]',), [1.5, 0.0]),  # line 1 is the header
        (('leave_out = ["spikes"]', 'keep = ["400"]'), [0.0, 1.2]),
        (('odd_heights = "leave_out"',), [0.0, 0.0]),
        (('odd_heights = "leave_out"', "keep = [205]"), [1.5, 0.0]),
    ],
)
def test_shots_are_left_out_and_kept_as_the_plan_says(tmp_path, keys, left):
    site = spiked(tmp_path, *keys)
    assert at_spikes(site) == pytest.approx(left, abs=0.002)
    away = inside()[np.abs(inside()[:, None] - ground_points()[[204, 399], :2]).max(2).min(1) > 1.5]
    assert off(site, away) < mesh_error(1) + 2e-6


def test_a_shot_that_is_not_there_cannot_be_left_out(tmp_path):
    with pytest.raises(PlanError, match="P9999") as caught:
        _ = spiked(tmp_path, 'leave_out = ["P9999"]').existing
    assert caught.value.place.key is not None
    assert "leave_out" in caught.value.place.key


def test_what_is_kept_and_left_out_is_told(tmp_path, run):
    spiked(tmp_path, "leave_out = [205]")
    document = json.loads(run("survey", tmp_path, "--json").out)["surveys"][0]
    kept = {odd["point"]: odd["kept"] for odd in document["odd_heights"]}
    assert kept == {"205": False, "400": True}
    assert document["left_out"] == ["205"]
    assert "left out" in run("survey", tmp_path).out
    said = run("volumes", tmp_path)
    assert "400 (line 401)" in said.err
    assert "205" not in said.err


def test_a_survey_without_any_shot_left_is_refused(tmp_path, run):
    write_spots(tmp_path / "a.csv", ground_points()[:4])
    write_site(tmp_path, survey("a", "a.csv", 'leave_out = ["1", "2"]'), body="")
    said = run("survey", tmp_path)
    assert (said.code, said.out) == (1, "")
    assert said.err.startswith("tarnwright: ")
