"""`tarnwright new`: what it writes works at once, and a survey's own codes become a plan."""

import json
import math
import tomllib
from pathlib import Path

import pytest

from sample_surveys import site_folder
from terrain.design.schema import PUBLISHED
from tests.cli.conftest import Run, fingerprint
from tests.cli.sites import METRES

RADIUS, LOWEST = 4.0, 99.78
EDGE = 16


def write_survey(
    file: Path, unit: str = "m", *, east: float = 15.0, header: bool = True, code: str = "WE1"
) -> Path:
    """Level ground at 100 m, 30 m by 30 m, and the edge of a pond whose 5th shot is the lowest."""
    shots = [(3.0 * i, 3.0 * j, 100.0, "GS") for j in range(11) for i in range(11)]
    for k in range(EDGE):
        turn = 2 * math.pi * k / EDGE
        place = (east + RADIUS * math.cos(turn), 15 + RADIUS * math.sin(turn))
        shots.append((*place, LOWEST if k == 4 else 99.9, code))
    rows = ["point,northing,easting,elevation,code"] if header else []
    for number, (x, y, z, what) in enumerate(shots, start=1):
        values = ",".join(f"{value / METRES[unit]:.4f}" for value in (y, x, z))
        rows.append(f"{number},{values},{what}")
    file.write_text("\n".join([*rows, ""]), encoding="utf-8")
    return file


def made(run: Run, folder: Path, survey: Path, *more: str) -> dict:
    said = run("new", folder, "--from-codes", survey, *more)
    assert (said.code, said.err) == (0, ""), said.err
    return tomllib.loads((folder / "site.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("start", ["example", "survey"])
def test_editors_find_the_schema(run: Run, tmp_path: Path, start: str):
    folder = tmp_path / "pond"
    survey = write_survey(tmp_path / "shots.csv")
    assert run("new", folder, *(["--from-codes", survey] if start == "survey" else [])).code == 0
    first = (folder / "site.toml").read_text(encoding="utf-8").splitlines()[0]
    assert first == "#:schema ./site.schema.json"
    assert (folder / "site.schema.json").read_bytes() == PUBLISHED.read_bytes()


@pytest.mark.parametrize("unit", METRES)
def test_a_survey_becomes_a_plan_that_works_at_once(run: Run, tmp_path: Path, unit: str):
    survey = write_survey(tmp_path / "shots.csv", unit)
    plan = made(run, tmp_path / "pond", survey, "--unit", unit)
    assert (tmp_path / "pond" / "shots.csv").read_bytes() == survey.read_bytes()
    assert plan["site"]["unit"] == unit
    assert plan["codes"] == {"GS": "ground", "WE": "outline"}
    assert plan["water"]["we1"] * METRES[unit] == pytest.approx(LOWEST, abs=6e-4)
    (pond,) = plan["element"]
    assert pond["outline"] == {"code": "WE1"}
    assert pond["water"] == "we1"
    said = run("volumes", tmp_path / "pond", "--json")
    assert (said.code, said.err) == (0, "")
    water = json.loads(said.out)["water_m3"]
    # the polygon's area times the floor's depth holds more than a pond with sides, less a half
    whole = EDGE / 2 * math.sin(2 * math.pi / EDGE) * RADIUS**2 * pond["floor"] * METRES[unit]
    assert 0.4 * whole < water < whole


def test_what_is_proposed_is_told(run: Run, tmp_path: Path):
    survey = write_survey(tmp_path / "shots.csv")
    said = run("new", tmp_path / "pond", "--from-codes", survey)
    lowest = 11 * 11 + 5
    assert "  outline: WE\n" in said.out
    assert "  ground: GS\n" in said.out
    level = f"  water we1 at {LOWEST:.3f} m, lowest shot of the edge: point {lowest}\n"
    assert level in said.out
    text = (tmp_path / "pond" / "site.toml").read_text(encoding="utf-8")
    assert f"point {lowest}" in text


def test_columns_without_a_header(run: Run, tmp_path: Path):
    survey = write_survey(tmp_path / "shots.txt", header=False)
    refused = run("new", tmp_path / "pond", "--from-codes", survey)
    assert (refused.code, refused.out) == (1, "")
    assert "--columns" in refused.err
    assert not (tmp_path / "pond").exists()
    plan = made(run, tmp_path / "pond", survey, "--columns", "PNEZD")
    assert plan["survey"][0]["columns"] == "PNEZD"
    assert run("volumes", tmp_path / "pond").code == 0


def test_unknown_codes_are_ground_with_a_mark(run: Run, tmp_path: Path):
    survey = write_survey(tmp_path / "shots.csv")
    survey.write_text(survey.read_text(encoding="utf-8") + '900,2,2,100,odd "one"\n901,2,4,100,é\n',
                      encoding="utf-8")  # fmt: skip
    plan = made(run, tmp_path / "pond", survey)
    assert plan["codes"]['ODD "ONE"'] == plan["codes"]["É"] == "ground"
    text = (tmp_path / "pond" / "site.toml").read_text(encoding="utf-8")
    marked = [line.split(" = ")[0] for line in text.splitlines() if "# ??" in line]
    assert marked == ['"ODD \\"ONE\\""', '"É"']
    assert run("volumes", tmp_path / "pond").code == 0


def test_a_pond_that_cannot_be_dug_stays_as_a_comment(run: Run, tmp_path: Path):
    """Its edge is 0.1 m from the survey's border: the over-dug outline would leave it."""
    survey = write_survey(tmp_path / "shots.csv", east=30 - RADIUS - 0.1)
    folder = tmp_path / "pond"
    said = run("new", folder, "--from-codes", survey)
    assert said.code == 0
    assert "pond WE1 stands as a comment: " in said.out
    text = (folder / "site.toml").read_text(encoding="utf-8")
    plan = tomllib.loads(text)
    assert "element" not in plan
    assert plan["water"]["we1"] == pytest.approx(LOWEST)
    assert '# outline = { code = "WE1" }' in text
    assert run("volumes", folder).code == 0


def test_ponds_that_touch_share_their_water(run: Run, tmp_path: Path):
    survey = write_survey(tmp_path / "shots.csv", east=11)
    other = write_survey(tmp_path / "other.csv", east=16, code="WE2").read_text(encoding="utf-8")
    edge = [line for line in other.splitlines() if line.endswith("WE2")]
    survey.write_text(survey.read_text(encoding="utf-8") + "\n".join([*edge, ""]), encoding="utf-8")
    plan = made(run, tmp_path / "pond", survey)
    assert list(plan["water"]) == ["we1"]
    assert [element["water"] for element in plan["element"]] == ["we1", "we1"]
    assert run("volumes", tmp_path / "pond").code == 0


def test_a_height_that_looks_wrong_does_not_set_the_water(run: Run, tmp_path: Path):
    survey = write_survey(tmp_path / "shots.csv")
    text = survey.read_text(encoding="utf-8")
    survey.write_text(text.replace(f",{LOWEST:.4f},WE1", ",97.0000,WE1"), encoding="utf-8")
    said = run("new", tmp_path / "pond", "--from-codes", survey)
    plan = tomllib.loads((tmp_path / "pond" / "site.toml").read_text(encoding="utf-8"))
    assert plan["water"]["we1"] == pytest.approx(99.9)
    assert "(1 far from their neighbours left aside)" in said.out


@pytest.mark.parametrize("code", ["", "GS"])
def test_without_an_outline_the_plan_still_works(run: Run, tmp_path: Path, code: str):
    survey = write_survey(tmp_path / "shots.csv", code=code)
    plan = made(run, tmp_path / "bare", survey)
    assert "element" not in plan
    assert run("survey", tmp_path / "bare").code == 0
    assert run("volumes", tmp_path / "bare").code == 0


def test_the_sample_survey_becomes_three_ponds(run: Run, tmp_path: Path):
    plan = made(run, tmp_path / "hill", site_folder() / "rover.csv")
    sample = tomllib.loads((site_folder() / "site.toml").read_text(encoding="utf-8"))
    assert plan["codes"] == sample["codes"]
    shot = {element["outline"]["code"] for element in plan["element"]}
    assert shot == {"WE1", "PP1", "FP1"}
    assert run("volumes", tmp_path / "hill").code == 0


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("none.csv", None, ["none.csv", "no such file"]),
        ("drone.laz", "x", ["drone.laz", "no field codes"]),
        ("feet.csv", "point,northing,easting,elevation_ft,code\n1,1,1,1,GS\n",
         ["feet.csv", "line 1", "--unit ft"]),
        ("line.csv", "point,northing,easting,elevation,code\n"
         + "".join(f"{k},{k},{k},1,GS\n" for k in range(5)), ["line.csv", "one line"]),
    ],
)  # fmt: skip
def test_a_survey_that_cannot_be_used_leaves_nothing(
    run: Run, tmp_path: Path, name: str, content: str | None, words: list[str]
):
    if content is not None:
        (tmp_path / name).write_text(content, encoding="utf-8")
    before = fingerprint(tmp_path)
    said = run("new", tmp_path / "pond", "--from-codes", tmp_path / name)
    assert (said.code, said.out) == (1, "")
    assert [word for word in words if word not in said.err] == []
    assert fingerprint(tmp_path) == before


def test_columns_go_with_a_survey(run: Run, tmp_path: Path):
    assert run("new", tmp_path / "pond", "--columns", "PNEZD").code == 2
