"""`tarnwright stake` from the command line: JSON, files, and what is said of a bad pair."""

import json

import pytest

from tests.stake_site import write_stake_site


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_stake_site(tmp_path_factory.mktemp("cli") / "pegged", "ft")


def test_json_and_files(run, folder, tmp_path):
    said = run("stake", folder, "--every", "40 ft", "--beyond", "3 ft", "--json", "--out", tmp_path)
    assert said.code == 0
    document = json.loads(said.out)
    keys = {
        "name", "element", "kind", "east_m", "north_m", "existing_m", "dig_m", "cut_m",
        "bearing_deg", "distance_m", "along_m", "across_m",
    }  # fmt: skip
    assert all(keys <= point.keys() for point in document["points"])
    offsets = [point for point in document["points"] if point["kind"] == "offset"]
    assert offsets
    assert {round(point["offset_m"], 6) for point in offsets} == {0.9144}
    assert all(point["cut_m"] == pytest.approx(1.2, abs=0.005) for point in offsets)
    names = {file.rpartition("/")[2] for file in document["files"]}
    assert {"stakes.csv", "stakes_site_grid.geojson", "stakes.gpkg", "dig.xml", "dig.tif"} <= names
    assert {file.name for file in (tmp_path / "stakes").iterdir()} == names
    assert document["every_m"] == pytest.approx(40 * 0.3048)


def test_what_does_not_serve(run, folder, tmp_path):
    for words, expected in (
        (["--from", "A", "--to", "A"], "two different control points"),
        (["--from", "A", "--to", "nobody"], "'nobody'"),
        (["--every", "0"], "greater than nothing"),
        (["--every", "9999"], "at most"),
        (["--every", "far"], "not a length"),
    ):
        said = run("stake", folder, *words, "--out", tmp_path / "none")
        assert said.code == 1
        assert expected in said.err
        assert not (tmp_path / "none").exists()
