"""`tarnwright survey` lays the plan's outlines over what was measured."""

import json
import math
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.cli.sites import METRES, replace


def test_outlines_with_their_area_and_the_shots_inside(run: Run, site: Path):
    """Shots stand every 3 m: 4 and the 4 corners lie in or on the pit, 5 in or on the pond."""
    pit, pond = json.loads(run("survey", site, "--json").out)["elements"]
    assert (pit["name"], pit["type"], pit["points_inside"]) == ("pit", "filter_pit", 8)
    assert pit["area_m2"] == pytest.approx(16)
    assert (pond["name"], pond["type"], pond["points_inside"]) == ("pond", "basin", 5)
    assert pond["area_m2"] == pytest.approx(9 * math.pi)
    assert pond["water_level_m"] == pytest.approx(100)


def test_the_table_is_in_the_sites_unit(run: Run, any_site: Path):
    unit = next(u for u in METRES if f'unit = "{u}"' in (any_site / "site.toml").read_text())
    lines = run("survey", any_site).out.partition("outlines over the survey")[2].splitlines()
    row = next(line.split() for line in lines if line.startswith("  pit "))
    assert row[1] == "filter_pit"
    area = float(row[2].replace(",", ""))
    assert area == pytest.approx(16 / METRES[unit] ** 2, abs=0.06)
    level = float(row[4].replace(",", ""))
    assert level == pytest.approx(100 / METRES[unit], abs=0.006)


def test_a_plan_that_cannot_be_built_does_not_hide_the_survey(run: Run, site: Path):
    replace(site / "site.toml", "centre = [515.0", "centre = [523.0")
    said = run("survey", site)
    assert said.code == 1
    assert "the ground is made from 85 heights" in said.out
    assert "outlines over the survey" not in said.out
    assert "outside the survey" in said.err
    told = run("survey", site, "--json")
    assert told.code == 1
    document = json.loads(told.out)
    assert document["ground_points"] == 85
    assert document["elements"] == []
    assert "outside the survey" in told.err
