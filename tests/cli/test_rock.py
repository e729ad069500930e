"""Rock in a whole site: given any way, its parts in soil, gravel, water and air add up."""

import json
import math
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.cli.sites import METRES, replace

POOL = "floor = 1.0000000\n"


def element(run: Run, site: Path, name: str = "pond"):
    return json.loads(run("volumes", site, "--json").out)["elements"][name]


def set_rock(site: Path, text: str) -> None:
    plan = (site / "site.toml").read_text(encoding="utf-8")
    start = plan.index("rock = [")
    (site / "site.toml").write_text(plan[:start] + f"rock = [{text}]\n", encoding="utf-8")


def adds_up(pond) -> None:
    parts = ("rock_in_soil_m3", "rock_in_gravel_m3", "rock_in_water_m3", "rock_dry_m3")
    assert sum(pond[part] for part in parts) == pytest.approx(pond["rock_m3"], rel=1e-9)
    assert min(pond[part] for part in parts) >= -1e-12
    assert sum(group["rock_m3"] for group in pond["rocks"]) == pytest.approx(pond["rock_m3"])
    assert sum(group["rock_kg"] for group in pond["rocks"]) == pytest.approx(pond["rock_kg"])


def write_ball(path: Path, radius: float) -> float:
    trimesh = pytest.importorskip("trimesh")
    ball = trimesh.creation.icosphere(subdivisions=4, radius=radius)
    ball.export(path)
    return float(ball.volume)


def test_every_way_of_giving_rock_adds_up(run: Run, site: Path):
    write_ball(site / "boulder.ply", 0.4)
    set_rock(site, ", ".join([
        '{ name = "edge", size = [0.6, 0.4, 0.5], courses = 2 }',
        '{ name = "strewn", weight = "40 kg", total = "1 t", place = "spread", seed = 7 }',
        '{ name = "scan", mesh = "boulder.ply", at = [[515, 812], [516, 813]] }',
        '{ name = "part", size = "40 cm", along = { from = [518, 812], to = [515, 815] } }',
    ]))  # fmt: skip
    pond = element(run, site)
    adds_up(pond)
    assert [group["name"] for group in pond["rocks"]] == ["edge", "strewn", "scan", "part"]
    assert [group["count"] for group in pond["rocks"]] == [62, 25, 2, 11]


@pytest.mark.parametrize("unit", METRES)
def test_a_scan_is_in_the_plans_unit(run: Run, tmp_path: Path, unit: str):
    from tests.cli.sites import write_site

    site = write_site(tmp_path / "hollow", unit)
    volume = write_ball(site / "boulder.ply", 0.4 / METRES[unit]) * METRES[unit] ** 3
    set_rock(site, '{ mesh = "boulder.ply", density = "2500 kg/m3", count = 3, embedded = 0 }')
    pond = element(run, site)
    assert pond["rock_m3"] == pytest.approx(3 * volume, rel=1e-6)
    assert pond["rock_kg"] == pytest.approx(7500 * volume, rel=1e-6)
    # balls of 0.8 m on a floor 1 m under the water: all of them is wet
    assert pond["rock_in_water_m3"] == pytest.approx(3 * volume, rel=1e-6)
    assert pond["rocks"][0]["size_m"] == pytest.approx([0.8] * 3, rel=1e-6)


def test_a_drape_takes_its_part_before_the_soil(run: Run, site: Path):
    """A ball of 1 m half embedded: its lowest 0.2 m in soil under 0.3 m of gravel."""
    layers = 'layers = [{ name = "gravel", thickness = 0.3 }]\n'
    replace(site / "site.toml", POOL, POOL + layers)
    set_rock(site, "{ count = 5, size = 1.0, embedded = 0.5 }")
    pond = element(run, site)
    adds_up(pond)

    def cap(height: float) -> float:
        return math.pi * height**2 * (3 * 0.5 - height) / 3  # of a ball of radius 0.5

    assert pond["rock_in_soil_m3"] == pytest.approx(5 * cap(0.2), rel=1e-9)
    assert pond["rock_in_gravel_m3"] == pytest.approx(5 * (cap(0.5) - cap(0.2)), rel=1e-9)
    assert pond["rock_in_water_m3"] == pytest.approx(5 * cap(0.5), rel=1e-9)
    assert pond["gravel_m3"] == pytest.approx(pond["drape_m3"] - pond["rock_in_gravel_m3"])


def test_rock_in_a_pit_displaces_gravel_and_the_water_in_it(run: Run, site: Path):
    pit = element(run, site, "pit")
    plan = site / "site.toml"
    lifts = "voids = 0.3 },\n]"
    replace(plan, lifts, f"{lifts}\nrock = [{{ count = 3, size = 0.8, embedded = 0.5 }}]")
    with_rock = element(run, site, "pit")
    half = 3 * math.pi / 12 * 0.8**3
    assert with_rock["rock_in_gravel_m3"] == pytest.approx(half)
    assert with_rock["rock_in_soil_m3"] == pytest.approx(0, abs=1e-12)
    # the lower half stands in lifts of 30 % voids, full of water to their top
    assert pit["water_m3"] - with_rock["water_m3"] == pytest.approx(0.3 * half)
    assert with_rock["rock_dry_m3"] == pytest.approx(half)


def test_overlapping_rocks_and_mended_scans_are_said(run: Run, site: Path):
    trimesh = pytest.importorskip("trimesh")
    ball = trimesh.creation.icosphere(subdivisions=3, radius=0.3)
    trimesh.Trimesh(ball.vertices, ball.faces[1:], process=False).export(site / "ball.ply")
    set_rock(site, '{ name = "balls", mesh = "ball.ply", count = 40 }')
    said = run("volumes", site).out
    flat = " ".join(said.split())
    assert "pond, balls: 9 of 40 rocks overlap" in flat
    assert "its scan was mended: 1 hole closed" in flat


@pytest.mark.parametrize(
    ("rock", "parts"),
    [
        ('{ mesh = "gone.ply" }', ['element "pond", rock "rock", mesh', "gone.ply"]),
        ('{ size = 0.5, at = [[900, 900]] }', ["off the surveyed ground", "(900.00, 900.00)"]),
        ('{ size = 0.5, place = "frame" }', ['rock "rock", place', "no lip"]),
        ('{ size = 0.5, weight = "1 t" }', ['element "pond", rock', "size and weight"]),
        ('{ size = 0.5, weigth = "1 t" }', ["weigth", "weight"]),
    ],
)  # fmt: skip
def test_wrong_rock_is_named_with_its_place(run: Run, site: Path, rock: str, parts: list[str]):
    set_rock(site, rock)
    said = run("volumes", site)
    assert said.code == 1
    text = " ".join(said.err.split())
    assert "site.toml" in text
    for part in parts:
        assert part in text
