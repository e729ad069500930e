"""`tarnwright compare`: what it tells, what it writes, and what it leaves alone."""

import csv
import json
import math
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from cli import sweeping
from cli.sweeping import Task, look_up, read_sweep, steps
from terrain.design.plan import plan_tables
from terrain.errors import TerrainError
from terrain.site import Site
from terrain.units import FOOT_M
from tests.cli.conftest import Run, fingerprint
from tests.cli.sites import replace, write_site


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = write_site(tmp_path_factory.mktemp("compared") / "hollow", "m")
    replace(folder / "site.toml", "cell = 0.1000000", "cell = 0.25")
    return folder


@pytest.fixture(scope="module")
def opened(folder) -> Site:
    return Site.open(folder)


def task(folder: Path, sweep: str, *keys: str) -> Task:
    tables = plan_tables(folder / "site.toml")
    return Task(tables, folder / "site.toml", (), read_sweep(sweep), keys, leave_out_odd=False)


def test_a_changed_value_is_told_in_json_and_in_tables(run: Run, folder):
    before = fingerprint(folder)
    said = run("compare", folder, "--set", "pit.depth=1.8", "--json")
    assert said.code == 0, said.err
    told = json.loads(said.out)
    assert told["difference"]["excavation_bank_m3"] == pytest.approx(0.3 * 16)
    assert told["elements"]["pit"]["difference"]["max_depth_m"] == pytest.approx(0.3)
    assert not any(told["elements"]["pond"]["difference"].values())
    assert [each["element"] for each in told["where"]] == ["pit"]
    assert told["where"][0]["easting_m"] == pytest.approx(504, abs=0.2)
    assert told["same_ground"] is True
    assert Path(told["files"][0]).read_bytes().startswith(b"\x89PNG")
    assert fingerprint(folder) == before


def test_two_plans_in_one_folder_are_told_as_a_table(run: Run, folder):
    text = (folder / "site.toml").read_text("utf-8")
    other = folder / "other.toml"
    other.write_text(text.replace("floor = 1.0000000", "floor = 1.2"), "utf-8")
    said = run("compare", folder / "site.toml", other)
    assert said.code == 0, said.err
    assert "what moves" in said.out
    assert "+0.20" in said.out
    assert "\npit\n" not in said.out
    assert "pond: " in said.out
    other.unlink()


def test_a_changed_plan_is_saved_beside_the_old_one_and_never_over_it(run: Run, folder):
    before = fingerprint(folder)
    words = ("compare", folder, "--set", "pond.floor=2 ft", "--save", "lower.toml", "--json")
    assert run(*words).code == 0
    saved = tomllib.loads((folder / "lower.toml").read_text("utf-8"))
    old = tomllib.loads((folder / "site.toml").read_text("utf-8"))
    old["element"][1]["floor"] = "2 ft"
    assert saved == old
    kept = (folder / "lower.toml").read_bytes()
    again = run("compare", folder, "--set", "pond.floor=3 ft", "--save", "lower.toml")
    over = run("compare", folder, "--set", "pond.floor=3 ft", "--save", "site.toml")
    away = run("compare", folder, "--set", "pond.floor=3 ft", "--save", folder.parent / "x.toml")
    assert [said.code for said in (again, over, away)] == [1, 1, 1]
    assert "is there already" in again.err
    assert "another folder" in away.err
    assert (folder / "lower.toml").read_bytes() == kept
    (folder / "lower.toml").unlink()
    assert fingerprint(folder) == before


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ((), 2, "name a second plan"),
        (("--of", "loads", "--set", "pond.floor=1"), 2, "--sweep"),
        (("--save", "a.toml", "--sweep", "pond.floor=1:2:3"), 2, "--save"),
        (("--set", "pond.flor=1"), 1, "did you mean 'floor'"),
        (("--set", "pond.floor=-1"), 1, "--set pond.floor=-1"),
        (("--set", "pond.outline.code=WE9"), 1, "--set pond.outline.code=WE9"),
        (("--sweep", "pond.floor=1:2"), 1, "KEY=FROM:TO:COUNT"),
        (("--sweep", "pond.floor=1 m:2:5"), 1, "one end has a unit"),
        (("--sweep", "pond.floor=1:2:1"), 1, "the count is '1'"),
        (("--sweep", "pond.flor=1:2:3"), 1, "did you mean 'floor'"),
        (("--sweep", "pit.depth=1:1.2:2"), 1, '--sweep pit.depth=1.0: element "pit", lifts'),
        (("--sweep", "pond.floor=1:2:3", "--of", "liner_m3"), 1, "did you mean 'liner_m2'"),
    ],
)
def test_what_is_wrong_is_said(run: Run, folder, words, code, said):
    result = run("compare", folder, *words)
    assert result.code == code
    assert said in result.err
    assert "Traceback" not in result.err


@pytest.mark.parametrize(
    ("said", "numbers", "unit"),
    [
        ("k=1:2:3", (1, 1.5, 2), ""),
        ("k=10:40:4", (10, 20, 30, 40), ""),
        ("k=0.3 m:0.6 m:2", (0.3, 0.6), "m"),
        ("k = 1 ft : 3 ft : 3", (1, 2, 3), "ft"),
        ("k=-1:1:3", (-1, 0, 1), ""),
        ("k=1 ft:1 m:2", (FOOT_M, 1), "m"),
        ("k=3 ft 6 in:4 ft:2", (3.5 * FOOT_M, 4 * FOOT_M), "m"),
    ],
)
def test_ends_of_a_sweep(said, numbers, unit):
    sweep = read_sweep(said)
    assert sweep.numbers == pytest.approx(numbers)
    assert sweep.unit == unit


def test_an_upright_pit_is_dug_in_proportion_to_its_depth(run: Run, folder):
    words = ("--sweep", "pit.depth=1.5 m:2.5 m:3", "--of", "elements.pit.excavation_bank_m3")
    said = run("compare", folder, *words, "--json")
    assert said.code == 0, said.err
    told = json.loads(said.out)
    key = "elements.pit.excavation_bank_m3"
    assert [each[key] for each in told["values"]] == pytest.approx([24, 32, 40])
    assert told["as_planned"] == {"value": 1.5, key: pytest.approx(24)}
    table, plot = map(Path, told["files"])
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["pit.depth (m)", key, "problem"]
    assert [[float(cell) for cell in row[:2]] for row in rows[1:]] == [
        [each["value"], each[key]] for each in told["values"]
    ]
    assert plot.read_bytes().startswith(b"\x89PNG")


def test_a_value_that_cannot_be_built_is_shown_and_the_rest_goes_on(run: Run, folder):
    said = run("compare", folder, "--sweep", "pond.floor=-1:1:3", "--of", "liner_m2", "--json")
    values = json.loads(said.out)["values"]
    assert said.code == 3
    assert [each["problem"] is None for each in values] == [False, True, True]
    assert values[2]["liner_m2"] > 0
    assert "liner_m2" not in values[0]


@pytest.mark.slow
def test_processes_find_what_one_alone_finds(folder, opened):
    work = task(folder, "pond.floor=0.8:1.2:2", "excavation_bank_m3", "loads", "liner_m2", "days")
    alone = list(steps(opened, work, jobs=1))
    assert list(steps(opened, work, jobs=2)) == alone
    grown = alone[1].found["excavation_bank_m3"] - alone[0].found["excavation_bank_m3"]
    assert grown == pytest.approx(0.4 * 9 * math.pi, rel=5e-3)


def test_processes_are_started_only_where_they_pay(folder, opened, monkeypatch):
    def none(*_: object, **__: object) -> Iterator[None]:
        pytest.fail("a process was started")

    monkeypatch.setattr(sweeping, "ProcessPoolExecutor", none)
    work = task(folder, "truck.volume=6 m3:9 m3:4", "loads")
    assert [step.found["loads"] for step in steps(opened, work)] == sorted(
        (math.ceil(1.25 * (24 + 9 * math.pi) / each) for each in (6, 7, 8, 9)), reverse=True
    )


def test_numbers_are_found_in_every_document(opened):
    found = look_up(opened, ["days", "methods.prism.cut_m3", "elements.pit.lifts.1.volume_m3"])
    assert found["elements.pit.lifts.1.volume_m3"] == pytest.approx(0.6 * 16)
    assert found["methods.prism.cut_m3"] == pytest.approx(24 + 9 * math.pi, rel=1e-2)
    with pytest.raises(TerrainError, match=r"elements\.pti"):
        look_up(opened, ["elements.pti.rock_kg"])
