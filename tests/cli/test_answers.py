"""What each command prints: promised keys, SI in JSON, the site's unit in tables."""

import json
import math
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from terrain.site import Site
from tests.cli.conftest import Run, fingerprint
from tests.cli.sites import DUG_M3, LOOSE_M3, METRES, ROCK_M3, replace, write_site

YD3 = 0.764554857984  # m³, exactly: 0.9144³
GALLON = 0.003785411784  # m³, exactly: 231 cubic inches
SHORT_TON = 907.18474  # kg, exactly
SHARP = {"rel": 2e-3}  # the pond's round wall crosses cells of 0.1 m


def said_json(run: Run, *words: object) -> dict:
    said = run(*words, "--json")
    assert (said.code, said.err) == (0, "")
    document = json.loads(said.out)
    assert isinstance(document, dict)
    return document


def keys_with_numbers(document: object, under: str = "") -> list[str]:
    if isinstance(document, dict):
        return [k for key, item in document.items() for k in keys_with_numbers(item, key)]
    if isinstance(document, list):
        return [k for item in document for k in keys_with_numbers(item, under)]
    is_number = isinstance(document, int | float) and not isinstance(document, bool)
    return [under] if is_number else []


def test_volumes_json_keeps_its_promised_keys_and_is_si_in_every_unit(run: Run, any_site: Path):
    document = said_json(run, "volumes", any_site)
    promised = {
        "excavation_bank_m3", "excavation_bank_pm_m3", "backfill_compacted_m3",
        "fill_compacted_m3", "water_m3", "liner_m2", "methods", "elements",
    }  # fmt: skip
    assert promised <= document.keys()
    assert document["methods"].keys() == {"grid", "trapezoid", "prism"}
    for answer in document["methods"].values():
        assert {"cut_m3", "fill_m3"} <= answer.keys()
        assert abs(answer["cut_m3"] - DUG_M3) <= answer["bound_m3"]
    assert document["elements"].keys() == {"pit", "pond"}
    for element in document["elements"].values():
        assert {"excavation_bank_m3", "backfill_compacted_m3", "max_depth_m"} <= element.keys()
    assert document["excavation_bank_m3"] == pytest.approx(DUG_M3, **SHARP)
    assert document["elements"]["pit"]["excavation_bank_m3"] == pytest.approx(24, **SHARP)
    assert document["elements"]["pit"]["max_depth_m"] == pytest.approx(1.5, abs=1e-6)
    assert document["elements"]["pond"]["max_depth_m"] == pytest.approx(1.0, abs=1e-6)
    assert document["backfill_compacted_m3"] == pytest.approx(0, abs=0.01)
    assert document["rock_m3"] == pytest.approx(ROCK_M3, rel=1e-6)
    assert document["rock_kg"] == pytest.approx(2650 * ROCK_M3, rel=1e-6)


def test_volumes_table_is_in_cubic_yards_for_feet(run: Run, any_site: Path):
    said = run("volumes", any_site)
    assert (said.code, said.err) == (0, "")
    metric = 'unit = "m"' in (any_site / "site.toml").read_text()
    dug, pit = (DUG_M3, 24.0) if metric else (DUG_M3 / YD3, 24 / YD3)
    symbol = "m³" if metric else "yd³"
    assert said.out.startswith(f"Hollow: dig {dug:.1f} {symbol} in place")
    row = next(line.split() for line in said.out.splitlines() if line.startswith("  pit "))
    assert float(row[1]) == pytest.approx(pit, abs=0.06)
    assert float(row[-1]) == pytest.approx(1.5 if metric else 1.5 / 0.3048, abs=0.006)
    tons = 2650 * ROCK_M3 / (1000 if metric else SHORT_TON)
    assert f"{tons:.1f} {'t' if metric else 'tons'}." in said.out
    assert ("m³" in said.out) == metric
    pores = 16 * (0.9 * 0.4 + 0.6 * 0.3) / (1 if metric else GALLON)
    assert float(row[-2].replace(",", "")) == pytest.approx(pores, rel=0.02)
    rows = [line.split() for line in said.out.splitlines() if line.startswith("  pit   ")]
    lifts = [row for row in rows if row[1] in ("cobbles", "gravel")]
    found = sum(float(row[-1].replace(",", "")) for row in lifts)
    assert found == pytest.approx(pores, rel=0.02)
    assert said.out.count("competent person") == 1


def test_haul_counts_trucks_in_every_unit(run: Run, any_site: Path):
    """65.3 m³ loose in bodies of 9 m³, 1,440 kg/m³: the body fills first, the eighth is part."""
    document = said_json(run, "haul", any_site)
    assert document["surplus_bank_m3"] == pytest.approx(DUG_M3, **SHARP)
    assert document["surplus_loose_m3"] == pytest.approx(LOOSE_M3, **SHARP)
    assert document["loads"] == math.ceil(LOOSE_M3 / 9)
    # of a symmetric triangle of swell a tenth lies below 0.20 + 0.05 sqrt(0.2)
    tenth = 0.05 * math.sqrt(0.2)
    assert document["loads_low"] == math.ceil((1.20 + tenth) * DUG_M3 / 9)
    assert document["loads_high"] == math.ceil((1.30 - tenth) * DUG_M3 / 9)
    assert document["load_kg"] == pytest.approx(9 * 1440)
    assert document["heap"]["volume_loose_m3"] == pytest.approx(LOOSE_M3, **SHARP)
    said = run("haul", any_site)
    metric = 'unit = "m"' in (any_site / "site.toml").read_text()
    load = "9.0 m³ loose, 13.0 t" if metric else "11.8 yd³ loose, 14.3 tons"
    assert f"One load: {load}; the body is full first." in said.out
    assert said.out.startswith("Hollow: 8 loads leave")
    trucks = next(line for line in said.out.splitlines() if "on the trucks" in line)
    on_trucks = float(trucks.split()[-2])
    assert on_trucks == pytest.approx(LOOSE_M3 if metric else LOOSE_M3 / YD3, abs=0.06)


def test_survey_json_and_table(run: Run, any_site: Path):
    document = said_json(run, "survey", any_site)
    assert document["ground_points"] == 85
    assert document["area_m2"] == pytest.approx(24 * 24, rel=1e-6)
    assert document["lowest_m"] == pytest.approx(100, abs=1e-6)
    (rover,) = document["surveys"]
    assert rover["codes"] == {"GS": 81, "WE1": 4}
    assert rover["outlines"] == ["WE1"]
    assert rover["odd_heights"] == []
    said = run("survey", any_site)
    unit = "m" if 'unit = "m"' in (any_site / "site.toml").read_text() else "ft"
    level = 100.0 if unit == "m" else 100 / 0.3048
    assert f"from {level:.2f} {unit} to {level:.2f} {unit}" in said.out
    assert "  WE1         4   outline" in said.out


@pytest.mark.parametrize("command", ["survey", "volumes", "haul"])
def test_every_number_in_json_says_its_unit_or_is_a_count(run: Run, site: Path, command: str):
    units = ("_m", "_m2", "_m3", "_kg", "_deg", "_s", "_h")
    counts = {
        "points", "ground_points", "line", "places", "loads", "loads_low", "loads_high",
        "compared_at", "GS", "WE1", "points_inside", "count", "crowded",
        "liner_rolls", "waste_share", "shots", "poor_share", "share", "share_of_all",
        "days", "days_low", "days_high", "fill_share", "passes", "trucks", "trucks_to_keep_busy",
        "seed", "p10", "p50", "p90",
    }  # fmt: skip
    named = keys_with_numbers(said_json(run, command, site))
    assert len(named) > 5
    assert [key for key in named if not key.endswith(units) and key not in counts] == []


def test_what_is_ignored_is_said_to_be(run: Run, site: Path):
    replace(site / "rover.csv", "1,800.0000000,500.0000000,100.0000000,GS", "1,801,501,103,RK")
    replace(site / "site.toml", 'GS = "ground"', 'GS = "ground"\nRK = "ignore"')
    said = run("survey", site)
    assert "  RK          1   ignored" in said.out
    assert "  GS         80   spots" in said.out


def test_an_odd_height_is_named_kept_or_left_out(run: Run, site: Path):
    replace(site / "rover.csv", "41,812.0000000,512.0000000,100.0", "41,812.0,512.0,105.0")
    shown = run("survey", site)
    assert "2 things to look at" in shown.out  # and one place shot twice
    row = next(line.split() for line in shown.out.splitlines() if line.startswith("  spikes "))
    assert row[:6] == ["spikes", "41", "42", "+5.00", "m", "kept"]
    kept = run("volumes", site, "--json")
    assert kept.code == 0
    assert "41 (line 42)" in kept.err
    assert "--leave-out-odd" in kept.err
    left_out = said_json(run, "volumes", site, "--leave-out-odd")
    assert json.loads(kept.out)["excavation_bank_m3"] > DUG_M3 + 5
    assert left_out["excavation_bank_m3"] == pytest.approx(DUG_M3, **SHARP)
    replace(site / "site.toml", 'file = "rover.csv"', 'file = "rover.csv"\nodd_heights="leave_out"')
    assert said_json(run, "volumes", site) == left_out


@pytest.mark.parametrize("unit", METRES)
def test_what_new_writes_works_at_once(run: Run, tmp_path: Path, unit: str):
    folder = tmp_path / 'a "new" [bold]\\site'
    said = run("new", folder, "--unit", unit)
    assert (said.code, said.err) == (0, "")
    assert str(folder / "site.toml") in said.out
    volumes, haul = (said_json(run, command, folder) for command in ("volumes", "haul"))
    assert volumes["site"] == folder.name
    size = 1.0 if unit == "m" else 3.3 * METRES[unit]
    shallow, deep = (math.pi * 9 * size**2 * depth for depth in (0.2, 2.0))
    assert shallow < volumes["excavation_bank_m3"] < deep
    assert haul["loads"] > 0
    assert "Next: tarnwright volumes '" in said.out
    assert run("survey", folder).code == 0
    assert run("volumes", folder).code == 0


def test_new_refuses_to_overwrite(run: Run, site: Path):
    before = fingerprint(site)
    for there in (site, site / "site.toml"):
        said = run("new", there)
        assert (said.code, said.out) == (1, "")
        assert there.name in said.err
        assert "nothing is overwritten" in said.err
    assert fingerprint(site) == before


def test_new_leaves_nothing_when_it_fails(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    write = Path.write_text

    def full_disk(self: Path, *args, **options):
        if self.name == "survey.csv":
            raise OSError(28, os.strerror(28))
        return write(self, *args, **options)

    monkeypatch.setattr(Path, "write_text", full_disk)
    said = run("new", tmp_path / "fresh")
    assert (said.code, said.out) == (1, "")
    assert "No space left" in said.err
    assert list(tmp_path.iterdir()) == []


def test_a_result_is_whole_or_not_there(tmp_path: Path):
    from cli.output import save_json
    from terrain.whole import whole_file

    target = tmp_path / "out" / "volumes.json"
    save_json({"a_m": 1.0}, target)
    reader = target.open()
    save_json({"a_m": 2.0}, target)
    with reader:  # who has the old file open keeps the whole of it
        assert json.load(reader) == {"a_m": 1.0}

    def fail_midway() -> None:
        with whole_file(target) as temporary:
            temporary.write_text("{ half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail_midway()
    assert json.loads(target.read_text()) == {"a_m": 2.0}
    assert [file.name for file in target.parent.iterdir()] == ["volumes.json"]


def test_unknown_numbers_are_null_in_json():
    from cli.output import json_text

    assert json.loads(json_text({"a_m": math.nan, "b": [math.inf, 1.5]})) == {
        "a_m": None,
        "b": [None, 1.5],
    }


@pytest.mark.parametrize("command", ["survey", "volumes", "haul"])
def test_reading_writes_nothing(run: Run, site: Path, command: str):
    before = sorted(site.rglob("*"))
    hashes = fingerprint(site)
    site.chmod(0o555)
    assert run(command, site).code == 0
    site.chmod(0o755)
    assert (sorted(site.rglob("*")), fingerprint(site)) == (before, hashes)


def test_a_folder_that_cannot_be_written_to_is_an_answer(
    run: Run, site: Path, monkeypatch: pytest.MonkeyPatch
):
    mkdir = Path.mkdir

    def read_only(self: Path, *args, **options):
        if site in self.parents:
            raise PermissionError(13, os.strerror(13), str(self))
        mkdir(self, *args, **options)

    monkeypatch.setattr(Path, "mkdir", read_only)
    said = run("draw", site)
    assert (said.code, said.out) == (1, "")
    assert "Permission denied" in said.err
    assert "another folder" in said.err
    assert not (site / "out").exists()


@pytest.mark.slow
def test_draw_lists_what_it_made(run: Run, site: Path, tmp_path: Path):
    before = fingerprint(site)
    document = said_json(run, "draw", site, "--out", tmp_path / "made")
    files = [Path(file) for file in document["files"]]
    assert len(files) >= 3
    assert all(file.stat().st_size > 1000 and file.parent == tmp_path / "made" for file in files)
    assert fingerprint(site) == before
    assert not (site / "out").exists()


@pytest.mark.slow
def test_demo_keeps_a_plan_that_was_changed(run: Run, tmp_path: Path):
    out = tmp_path / "out"
    said = run("demo", "--out", out)
    assert (said.code, said.err) == (0, "")
    assert "nothing here certifies" in said.out.lower()
    for name in ("survey", "volumes", "haul"):
        assert json.loads((out / f"{name}.json").read_text())["site"] == "Sallowrigg"
    for line in said.out.splitlines():
        if line.startswith("  " + str(out)):
            assert Path(line.strip().split(" (")[0]).stat().st_size > 0
    plan = out / "sallowrigg" / "site.toml"
    replace(plan, 'name = "Sallowrigg"', 'name = "Mine"')
    again = run("demo", "--out", out)
    assert "kept as you changed it" in again.out
    assert 'name = "Mine"' in plan.read_text()
    assert json.loads((out / "volumes.json").read_text())["site"] == "Mine"


def test_exit_codes(run: Run, site: Path, tmp_path: Path):
    assert run("volumes", site).code == 0
    assert run("volumes", tmp_path / "nowhere").code == 1
    assert run("volumes", site, "--no-such-option").code == 2
    assert run("dig", site).code == 2
    unknown = run("new", tmp_path / "n", "--unit", "furlong")
    assert unknown.code == 2
    assert "'furlong' is not one of m, ft, us-ft" in unknown.err


def test_methods_that_disagree_are_a_failed_check(
    run: Run, site: Path, monkeypatch: pytest.MonkeyPatch
):
    from terrain.earthwork import methods

    opened = Site.open(site)
    grid = opened.volumes.methods.grid
    wrong = methods.CutFill(grid.cut_m3 + 100, grid.fill_m3, grid.bound_m3)
    apart = methods.Methods(wrong, *list(opened.volumes.methods.by_name.values())[1:])
    monkeypatch.setattr(Site, "methods", apart)
    said = run("volumes", site)
    assert (said.code, said.out) == (3, "")
    assert "by grid" in said.err
    assert "by trapezoid" in said.err


def test_the_site_may_be_the_folder_its_plan_or_where_one_stands(
    run: Run, site: Path, monkeypatch: pytest.MonkeyPatch
):
    by_folder = run("haul", site)
    assert run("haul", site / "site.toml") == by_folder
    monkeypatch.chdir(site)
    assert run("haul") == by_folder


def test_a_plan_saved_with_a_byte_order_mark_is_read(run: Run, site: Path):
    plan = site / "site.toml"
    plan.write_bytes(b"\xef\xbb\xbf" + plan.read_bytes().replace(b"\n", b"\r\n"))
    assert run("survey", site).code == 0


def test_nothing_to_dig_is_an_answer(run: Run, site: Path):
    plan = site / "site.toml"
    plan.write_text(plan.read_text().split("[[element]]")[0])
    assert "no [[element]]" in run("volumes", site).out
    document = said_json(run, "volumes", site)
    assert document["excavation_bank_m3"] == 0
    assert document["elements"] == {}
    assert said_json(run, "haul", site)["loads"] == 0
    assert "no soil leaves or comes in" in run("haul", site).out


def test_a_floor_that_the_banks_do_not_reach_is_said(run: Run, site: Path):
    """Banks of 2:1 meet in the middle of a circle of 3 m radius, 1.5 m down."""
    replace(site / "site.toml", 'floor = 1.0000000\nbatter = "vertical"', 'floor=4\nbatter="2:1"')
    said = run("volumes", site)
    assert "pond: its floor of 4.00 m is never reached: the banks meet at 1.50 m." in said.out


def test_rock_that_finds_no_room_is_said(run: Run, site: Path):
    replace(site / "site.toml", "embedded = 0.0", "embedded = 0.3")
    said = run("volumes", site)
    assert said.code == 3
    assert "pond: its rock needs" in said.out
    replace(site / "site.toml", "[[element]]", "[over_dig]\nside = 0.5\nbelow = 0.3\n\n[[element]]")
    assert "its rock needs" not in run("volumes", site).out


@pytest.mark.parametrize("name", ["[bold]pit[/red]", "pit :smile:", "a%s {0}", "Teich – 池"])
def test_names_are_printed_as_they_are(run: Run, site: Path, name: str):
    replace(site / "site.toml", 'name = "pit"', f"name = '{name}'")
    said = run("volumes", site)
    assert (said.code, said.err) == (0, "")
    assert f"  {name} " in said.out
    assert name in said_json(run, "volumes", site)["elements"]


def test_tables_are_neither_wrapped_nor_cut_in_a_narrow_place(
    run: Run, site: Path, monkeypatch: pytest.MonkeyPatch
):
    replace(site / "site.toml", 'name = "pit"', f'name = "{"long name " * 7}end"')
    wide = run("volumes", site)
    monkeypatch.setenv("COLUMNS", "40")
    assert run("volumes", site) == wide
    lines = wide.out.splitlines()
    table = lines[lines.index("By element (m³; depth in m)") + 1 :][:5]
    assert len({len(line) for line in table[:2]}) == 1
    assert "…" not in wide.out
    assert not any(line.endswith(" ") for line in lines)


def test_help_is_quick(tmp_path: Path):
    """No heavy library is imported before there is work for it."""
    child = (
        "import sys\nfrom cli.main import run\nsys.argv = ['tarnwright', *sys.argv[1:]]\n"
        "try:\n    run()\nexcept SystemExit as left:\n    assert not left.code\n"
        "heavy = {'numpy', 'numba', 'scipy', 'shapely', 'pyvista', 'matplotlib', 'terrain.site'}\n"
        "heavy |= {'pydantic'} if len(sys.argv) == 2 else set()  # typer's own, for options\n"
        "print('HEAVY', sorted(heavy & sys.modules.keys()))\n"
    )
    for words in (
        ["--help"],
        ["volumes", "--help"],
        ["draw", "--help"],
        ["new", str(tmp_path / "n")],
    ):
        said = subprocess.run(
            [sys.executable, "-c", child, *words], capture_output=True, text=True, check=True
        )
        assert said.stdout.endswith("HEAVY []\n"), said.stdout


def test_the_installed_command_answers():
    command = shutil.which("tarnwright", path=str(Path(sys.executable).parent))
    if command is None:
        pytest.skip("not installed as a command")
    said = subprocess.run([command, "--help"], capture_output=True, text=True, check=True)
    for name in ("new", "demo", "survey", "volumes", "haul", "draw"):
        assert f"  {name} " in said.stdout
    told = said.stdout.partition("Commands:")[2]
    assert "..." not in told  # every command is told in one line


def test_a_closed_pipe_is_no_error(tmp_path: Path):
    site = write_site(tmp_path / "hollow", "m")
    child = "from cli.main import run; run()"
    with subprocess.Popen(
        [sys.executable, "-c", child, "survey", str(site)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert b"Traceback" not in process.stderr.read()
