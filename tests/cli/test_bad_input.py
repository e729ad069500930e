"""What is wrong with an input is said: where, what was found, what was expected, how to mend it."""

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from sample_surveys import site_folder
from tests.cli.conftest import Run, Said, fingerprint
from tests.cli.sites import replace, write_site

Spoil = Callable[[Path], None]


def in_plan(old: str, new: str) -> Spoil:
    return lambda site: replace(site / "site.toml", old, new)


def in_survey(old: str, new: str) -> Spoil:
    return lambda site: replace(site / "rover.csv", old, new)


def both(one: Spoil, other: Spoil) -> Spoil:
    def spoil(site: Path) -> None:
        one(site)
        other(site)

    return spoil


def plan_is(content: bytes | str) -> Spoil:
    raw = content.encode() if isinstance(content, str) else content
    return lambda site: (site / "site.toml").write_bytes(raw) and None


def survey_is(content: bytes | str) -> Spoil:
    raw = content.encode() if isinstance(content, str) else content
    return lambda site: (site / "rover.csv").write_bytes(raw) and None


def pond(*lines: str) -> Spoil:
    """More keys for the element "pond", the last of the plan."""

    def spoil(site: Path) -> None:
        with (site / "site.toml").open("a") as file:
            file.write("\n".join((*lines, "")))

    return spoil


def pond_outline(text: str) -> Spoil:
    def spoil(site: Path) -> None:
        plan = (site / "site.toml").read_text()
        head, _, tail = plan.rpartition("outline = ")
        (site / "site.toml").write_text(f"{head}outline = {text}\n{tail.partition(chr(10))[2]}")

    return spoil


def with_file(name: str, content: str, spoil: Spoil) -> Spoil:
    return both(lambda site: (site / name).write_text(content) and None, spoil)


HEADER = "point,northing,easting,elevation,code\n"
SQUARE = "[[510,805],[514,805],[514,809],[510,809],[510,805]]"


def geojson(geometry: str) -> Spoil:
    feature = f'{{"type":"Feature","properties":{{"name":"pond"}},"geometry":{geometry}}}'
    content = f'{{"type":"FeatureCollection","features":[{feature}]}}'
    return with_file("o.geojson", content, pond_outline('{ file = "o.geojson" }'))


def truncated_cloud(site: Path) -> None:
    whole = (site_folder() / "drone.laz").read_bytes()
    (site / "drone.laz").write_bytes(whole[: len(whole) // 2])
    replace(
        site / "site.toml", "[codes]", '[[survey]]\nname = "drone"\nfile = "drone.laz"\n\n[codes]'
    )


SURVEY = [
    ("missing column", in_survey("elevation,code", "remark,code"),
     ["rover.csv, line 1", "no column for the elevation"]),
    ("text in a number", in_survey("2,800.0000000,503.0000000,", "2,800.0000000,5o3.0,"),
     ["rover.csv, line 3, easting", "'5o3.0' is not a number"]),
    ("nan in a number", in_survey("2,800.0000000,503.0000000,", "2,800.0000000,nan,"),
     ["rover.csv, line 3, easting", "'nan'", "finite number"]),
    ("empty number", in_survey("2,800.0000000,503.0000000,", "2,800.0000000,,"),
     ["rover.csv, line 3, easting", "empty"]),
    ("two points", survey_is(HEADER + "1,800,500,100,GS\n2,800,503,100,GS\n"),
     ["rover.csv", "2 points", "at least 3"]),
    ("all in one line",
     survey_is(HEADER + "".join(f"{i},{800 + i},{500 + i},100,GS\n" for i in range(9))),
     ["rover.csv", "one line"]),
    ("all at one place", survey_is(HEADER + "".join(f"{i},800,500,100,GS\n" for i in range(9))),
     ["rover.csv", "at least 3"]),
    ("no ground shots",
     in_plan('GS = "ground"\nWE = "outline"', 'GS = "ignore"\nWE = "ignore"'),
     ["rover.csv", "0 distinct point", "ignored"]),
    ("unknown code", in_survey("500.0000000,100.0000000,GS", "500.0000000,100.0000000,GD"),
     ["rover.csv, line 2, code", "'GD'", "nearest known code is 'GS'"]),
    ("unit against the header", in_survey("elevation", "elevation_ft"),
     ["rover.csv, line 1", "'elevation_ft'", "plan's 'm'"]),
    ("empty file", survey_is(""), ["rover.csv", "empty"]),
    ("header only", survey_is(HEADER), ["rover.csv", "0 points", "at least 3"]),
    ("binary file", survey_is(b"\x00\x01PK\x03\x04" * 50), ["rover.csv", "binary"]),
    ("no such file", in_plan('file = "rover.csv"', 'file = "rover.txt"'),
     ["rover.txt", "no such file"]),
    ("a folder for a file", in_plan('file = "rover.csv"', 'file = "."'), ["folder"]),
    ("cloud cut short", truncated_cloud, ["drone.laz", "cut short", "copy or export"]),
    ("cloud that is none",
     with_file("x.laz", "not a cloud at all", in_plan('file = "rover.csv"', 'file = "x.laz"')),
     ["x.laz", "LAS"]),
    ("outline shot in a bow tie",
     in_survey("84,806.0000000,506.0000000,100.0000000,WE1\n85,806.0000000,502.0000000",
               "84,806.0,502.0,100.0,WE1\n85,806.0,506.0"),
     ["site.toml", 'element "pit", outline', "crosses itself at E 504.00, N 804.00", "'WE1'"]),
]  # fmt: skip

PLAN = [
    ("no TOML", plan_is('[site]\nname = "x"\nunit = metres\n'),
     ["site.toml, line 3", "not valid TOML", "quotes"]),
    ("torn", plan_is('[site]\nname = "x'), ["site.toml", "not valid TOML"]),
    ("binary plan", plan_is(b"\x89PNG\r\n\x1a\n\xff\xfe"), ["site.toml", "UTF-8"]),
    ("empty plan", plan_is(""), ["site.toml, site", "missing", "[site]"]),
    ("nested too deeply", plan_is("x = " + "[" * 5000), ["site.toml"]),
    ("a number of 5,000 digits", plan_is("x = 1" + "0" * 5000), ["site.toml"]),
    ("a number of 400 digits", in_plan("floor = 1.0", "floor = 1" + "0" * 400),
     ['element "pond", floor', "finite number"]),
    ("unknown key", in_plan("floor = 1.0", "flor = 1.0"),
     ["site.toml", 'element "pond"', "unknown key 'flor'", "did you mean 'floor'?"]),
    ("unknown table", in_plan("[truck]", "[lorry]"), ["site.toml", "unknown key 'lorry'"]),
    ("unknown type", in_plan('type = "basin"', 'type = "bassin"'),
     ['element "pond"', "'bassin'", "'plunge_pool'", "did you mean 'basin'?"]),
    ("no type", in_plan('type = "basin"\n', ""), ['element "pond"', "type is missing"]),
    ("unknown unit", in_plan('unit = "m"', 'unit = "yard"'), ["site, unit", "'yard'", "'us-ft'"]),
    ("unit is a list", in_plan('unit = "m"', "unit = []"), ["site, unit", "'us-ft'"]),
    ("one bracket too few", in_plan("[[soil]]", "[soil]"), ["soil", "[[soil]]"]),
    ("no soil at all", in_plan("[site]", "soil = []\n[site]"), ["soil"]),
    ("no survey", lambda site: (site / "site.toml").write_text('[site]\nname="x"\n') and None,
     ["survey", "missing", "[[survey]]"]),
    ("text for a number", in_plan("floor = 1.0000000", 'floor = "deep"'),
     ['element "pond", floor', "'deep' is not a length", '"3 ft 6 in"']),
    ("truth for a length", in_plan("floor = 1.0000000", "floor = true"),
     ['element "pond", floor', "True is not a length"]),
    ("list for a batter", in_plan('batter = "vertical"', "batter = [1]"),
     ["batter", "[1]", '"1.5:1"']),
    ("truth for a batter", in_plan('batter = "vertical"', "batter = true"), ["batter", "True"]),
    ("endless batter", in_plan('batter = "vertical"', 'batter = "inf:1"'), ["batter", "inf"]),
    ("number for a text", in_plan('name = "pond"', "name = 7"), ["name", "found 7", "quotes"]),
    ("part of a rock", in_plan("count = 4", "count = 4.5"), ["count", "4.5", "whole number"]),
    ("two of three sizes", in_plan("size = 0.5000000", "size = [0.5, 0.4]"),
     ["size", "[0.5, 0.4]", "one length, or ["]),
    ("volume without unit", in_plan('volume = "9 m3"', "volume = 9"),
     ["truck, volume", "without its unit"]),
    ("length for a volume", in_plan('volume = "9 m3"', 'volume = "9 m"'),
     ["truck, volume", "'9 m' is not a volume", "yd3"]),
    ("endless volume", in_plan('volume = "9 m3"', 'volume = "9e999 m3"'),
     ["truck, volume", "9e999"]),
    ("no truck", in_plan('payload = "40 t"', 'payload = "0 t"'),
     ["truck, payload", "'0 t'", "more than 0"]),
    ("negative depth", in_plan("floor = 1.0000000", "floor = -1"),
     ["floor", "found -1", "0 or more"]),
    ("not a number", in_plan("floor = 1.0000000", "floor = nan"), ["floor", "nan", "finite"]),
    ("endless level", in_plan("pond = 100.0000000", "pond = inf"), ["water, pond", "inf"]),
    ("voids in per cent", in_plan("voids = 0.4", "voids = 40"),
     ['lifts "cobbles", voids', "found 40", "less than 1"]),
    ("swell in per cent", in_plan("swell = [0.20, 0.25, 0.30]", "swell = 25"),
     ['soil "loam", swell', "25", "0.3 for 30 %"]),
    ("swell out of order", in_plan("swell = [0.20, 0.25, 0.30]", "swell = [0.3, 0.2, 0.1]"),
     ["swell", "out of order"]),
    ("negative thickness", in_plan("thickness = 0.9000000", "thickness = -0.9"),
     ['lifts "cobbles", thickness', "found -0.9", "more than 0"]),
    ("name used twice", in_plan('name = "pond"', 'name = "pit"'),
     ["site.toml", "element name 'pit' is used twice"]),
    ("key given twice", in_plan("floor = 1.0", "floor = 2.0\nfloor = 1.0"),
     ["site.toml", "not valid TOML"]),
    ("line break in a name", in_plan('name = "pond"', 'name = "po\\nnd"'),
     ["element [2], name", r"'po\nnd'", "one line"]),
    ("escape in a name", in_plan('name = "pond"', 'name = "\\u001b[31m"'), ["element [2], name"]),
    ("empty name", in_plan('name = "pond"', 'name = " "'), ["element", "name", "empty"]),
    ("NUL in a file name", in_plan('file = "rover.csv"', 'file = "a\\u0000b"'),
     ['survey "rover", file', r"\x00"]),
    ("unknown water", in_plan('water = "pond"\noutline = { circle', 'water="pnd"\noutline={circle'),
     ['element "pond", water', "'pnd' is not defined", "did you mean 'pond'?"]),
    ("two references", pond("level = 100.0"), ['element "pond"', "water and level"]),
    ("no floor", in_plan("floor = 1.0000000\n", ""), ['element "pond"', "no floor"]),
    ("cell of 10 µm", in_plan("cell = 0.1000000", "cell = 0.00001"),
     ["site, cell", "1e-05 m", "0.010 m to"]),
    ("cell of a kilometre", in_plan("cell = 0.1000000", "cell = 1000"), ["site, cell", "1000 m"]),
    ("cell wider than the pit", in_plan("cell = 0.1000000", "cell = 4"),
     ['element "pit", outline', "4.00 m wide", "two cells"]),
    ("unknown role", in_plan('GS = "ground"', 'GS = "groud"'),
     ["codes, GS", "'groud'", "did you mean 'ground'?"]),
]  # fmt: skip

DESIGN = [
    ("outline outside the survey", in_plan("centre = [515.0", "centre = [523.0"),
     ['element "pond", outline', "outside the survey", "by up to 2.00 m"]),
    ("easting and northing the wrong way round",
     in_plan("[515.0000000, 812.0000000]", "[812.0, 515.0]"),
     ['element "pond", outline', "outside the survey", "easting comes first"]),
    ("outline in a bow tie", pond_outline("{ points = [[510,805],[514,809],[514,805],[510,809]] }"),
     ['element "pond", outline', "crosses itself at E 512.00, N 807.00", "walking order"]),
    ("outline without area", pond_outline("{ points = [[510,805],[514,805],[518,805]] }"),
     ['element "pond", outline', "no area"]),
    ("outline of two points", pond_outline("{ points = [[510,805],[514,805]] }"),
     ["outline, points", "at least 3"]),
    ("three coordinates", pond_outline("{ points = [[510,805,1],[514,805,1],[514,809,1]] }"),
     ["outline, points", "at most 2"]),
    ("two outlines", pond_outline('{ code = "WE1", file = "a" }'), ["outline", "code and file"]),
    ("no such code", pond_outline('{ code = "WE2" }'),
     ['element "pond", outline', "'WE2'", "did you mean 'WE1'?"]),
    ("circle of no radius", pond_outline("{ circle = { centre = [515, 812], radius = 0 } }"),
     ["outline, circle, radius", "found 0", "more than 0"]),
    ("dot of an outline", pond_outline("{ circle = { centre = [515, 812], radius = 0.01 } }"),
     ['element "pond", outline', "0.02 m wide"]),
    ("shallower inward",
     pond("shelves = [{ depth = 0.6, width = 0.5 }, { depth = 0.3, width = 0.5 }]"),
     ['element "pond"', "shelf 2 is 0.300 m deep, shallower than the 0.600 m"]),
    ("floor above a shelf", pond("shelves = [{ depth = 1.4, width = 0.5 }]"),
     ['element "pond"', "the floor is 1.000 m deep, shallower than the 1.400 m"]),
    ("floor of 500 m", in_plan("floor = 1.0000000", "floor = 500"),
     ['element "pond", floor', "500.00 m deep", "at most 30.0 m"]),
    ("pit of 500 m", in_plan("depth = 1.5000000", "depth = 500"),
     ['element "pit", depth', "500.00 m deep"]),
    ("water level in feet", in_plan("pond = 100.0000000", "pond = 328.08"),
     ['water "pond"', "328.08 m is 228.1 m above the ground", "100.00 m", "within 20.0 m"]),
    ("water level too low", in_plan("pond = 100.0000000", "pond = 30.48"),
     ['water "pond"', "69.5 m below the ground"]),
    ("lifts above the pit", in_plan("thickness = 0.6000000", "thickness = 0.7"),
     ['element "pit", lifts', "reach 0.10 m above"]),
    ("trough outside the pit",
     in_plan("depth = 1.5000000",
             "trough = { path = [[503,804],[507,804]], width = 0.4, depth = 0.1 }\ndepth = 1.5"),
     ['element "pit", trough', "outside the pit"]),
    ("trough of one point",
     in_plan("depth = 1.5000000",
             "trough = { path = [[503,804]], width = 0.4, depth = 0.1 }\ndepth = 1.5"),
     ['element "pit", trough, path', "at least 2"]),
    ("rim of negative width", pond("rim = { crest = -0.5 }"), ["rim, crest", "found -0.5"]),
    ("rim to the survey's border", pond("freeboard = 8"),
     ['element "pond"', "survey's border", "still raised"]),
    ("cut to the survey's border",
     both(in_plan('water = "pond"', "level = 96"),
          in_plan('cut_batter = "vertical"', 'cut_batter = "1:1"')),
     ['element "pit"', "survey's border", "still cut by 2.00 m", "steepen cut_batter"]),
    ("bank far from the edge",
     pond("banks = [{ from = [515, 812], to = [518, 812], batter = '2:1' }]"),
     ['element "pond"', "bank 1", "3.00 m from the outline"]),
    ("no such outline file", pond_outline('{ file = "o.geojson" }'), ["o.geojson", "no such file"]),
    ("torn outline file",
     with_file("o.geojson", '{"type": "Polygon",\n "coordinates": [[[1,', pond_outline(
         '{ file = "o.geojson" }')), ["o.geojson, line 2", "torn"]),
    ("outline file of another kind", geojson('{"type":"Point","coordinates":[1,2]}'),
     ["o.geojson", "found the polygons: none"]),
    ("no such feature",
     with_file("o.geojson", f'{{"type":"Polygon","coordinates":[{SQUARE}]}}', pond_outline(
         '{ file = "o.geojson", feature = "pool" }')), ["o.geojson", "'pool'"]),
    *((f"coordinates are {text}", geojson(f'{{"type":"Polygon","coordinates":{text}}}'),
       ["o.geojson", "not closed rings of numbers" if text != "[]" else "no lines"])
      for text in ("[]", "[[]]", "null", "3", "[[[1,2]]]", '[[["a","b"],[1,2],[3,4],["a","b"]]]',
                   "[[[1],[2],[3],[1]]]", "[[[1,2],[3],[4,5],[1,2]]]", "[[1,2],[3,4]]",
                   "[[[510,805],[514,805],[514,809],[510,809]]]",
                   "[[[1e999,0],[514,805],[514,809],[1e999,0]]]")),
]  # fmt: skip


def check(said: Said, words: list[str]) -> None:
    assert (said.code, said.out) == (1, "")
    assert said.err.startswith("tarnwright: ")
    assert "Traceback" not in said.err
    for word in words:
        assert word in said.err
    assert "expected:" in said.err
    assert all(character.isprintable() or character == "\n" for character in said.err)


def cases(*lists: list) -> list:
    return [pytest.param(*case[1:], id=case[0]) for cases in lists for case in cases]


@pytest.mark.parametrize(("spoil", "words"), cases(SURVEY, PLAN, DESIGN))
def test_bad_input(run: Run, site: Path, spoil: Spoil, words: list[str]):
    spoil(site)
    before = fingerprint(site)
    check(run("survey" if spoil in SURVEY_ONLY else "volumes", site), words)
    assert fingerprint(site) == before


SURVEY_ONLY = [spoil for _, spoil, _ in SURVEY if spoil is truncated_cloud]


def test_the_good_site_passes_and_json_says_nothing_on_failure(run: Run, site: Path):
    good = run("volumes", site, "--json")
    assert good.code == 0
    assert json.loads(good.out)["site"] == "Hollow"
    replace(site / "site.toml", "floor = 1.0", "flor = 1.0")
    assert run("volumes", site, "--json").out == ""


@pytest.mark.parametrize("command", ["survey", "volumes", "haul", "draw"])
@pytest.mark.parametrize("place", ["nowhere", "hollow/rover.csv", "hollow/nowhere.toml", "x" * 300])
def test_a_wrong_path_is_an_answer(run: Run, site: Path, command: str, place: str):
    said = run(command, site.parent / place)
    assert (said.code, said.out) == (1, "")
    assert Path(place).name[:20] in said.err


def test_lengths_are_said_in_the_sites_unit(run: Run, tmp_path: Path):
    site = write_site(tmp_path / "hollow", "ft")
    replace(site / "site.toml", "floor = 3.2808399", "floor = 500")
    check(
        run("volumes", site),
        ["500.00 ft deep", "at most 98.4 ft", "a bare number is in international feet"],
    )
    replace(site / "site.toml", "floor = 500", 'floor = 3\nshelves=[{depth="4 ft", width=1}]')
    check(run("volumes", site), ["3.000 ft deep, shallower than the 4.000 ft"])


def test_three_feet_typed_as_three_in_a_metre_file_is_dug(run: Run, site: Path):
    replace(site / "site.toml", "floor = 1.0000000", "floor = 3")
    assert run("volumes", site).code == 0


def test_outline_from_a_geojson_file(run: Run, site: Path):
    geojson(f'{{"type":"Polygon","coordinates":[{SQUARE}]}}')(site)
    pond = json.loads(run("volumes", site, "--json").out)["elements"]["pond"]
    assert pond["excavation_bank_m3"] == pytest.approx(16, rel=2e-3)  # 4 m by 4 m, 1 m deep


def test_many_rocks_do_not_take_long(run: Run, site: Path):
    replace(site / "site.toml", "count = 4", "count = 100_000")
    document = json.loads(run("volumes", site, "--json").out)
    one = 3.141592653589793 / 6 * 0.5**3
    assert document["rock_m3"] == pytest.approx(100_000 * one)
    replace(site / "site.toml", "count = 100_000", "count = 100_001")
    check(run("volumes", site), ['rock "stones", count', "100001", "100000 or less"])


@pytest.mark.parametrize("name", ["site.toml", "rover.csv"])
def test_a_file_that_may_not_be_read(
    run: Run, site: Path, name: str, monkeypatch: pytest.MonkeyPatch
):
    read = Path.read_bytes

    def refuse(self: Path) -> bytes:
        if self.name == name:
            raise PermissionError(13, os.strerror(13), str(self))
        return read(self)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    check(run("volumes", site), [name, "Permission denied", "permissions"])


def test_what_no_reader_foresees_is_still_an_answer(
    run: Run, site: Path, monkeypatch: pytest.MonkeyPatch
):
    def broken(self: Path) -> bytes:
        raise OSError(5, os.strerror(5), "disk\x1b[31m")

    monkeypatch.setattr(Path, "is_dir", broken)
    said = run("volumes", site)
    assert (said.code, said.out) == (1, "")
    assert said.err == f"tarnwright: disk\\x1b[31m: {os.strerror(5)}\n"


def test_a_plan_beside_its_survey_elsewhere(run: Run, site: Path, tmp_path: Path):
    """Files are looked up from the plan, not from where the command runs."""
    moved = tmp_path / "moved"
    shutil.copytree(site, moved)
    (moved / "rover.csv").rename(tmp_path / "rover.csv")
    check(run("survey", moved), ["rover.csv", "no such file"])
    replace(moved / "site.toml", 'file = "rover.csv"', 'file = "../rover.csv"')
    assert run("survey", moved).code == 0
