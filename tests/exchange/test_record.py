"""The record of a dig: a GeoPackage for any reader, whole whatever ends a writer."""

import os
import signal
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pyogrio
import pytest
import shapely

from terrain.errors import OutputError
from terrain.exchange.grids import coordinates_of
from terrain.exchange.record import AREAS, FIGURES, RUNS, Area, geometry_blob, record_runs
from terrain.units import METRE, US_SURVEY_FOOT
from tests.exchange.record_writer import OWN, SQUARE, run


def rows(path: Path, query: str) -> list:
    with closing(sqlite3.connect(path)) as base:
        return base.execute(query).fetchall()


def count(path: Path) -> tuple[int, ...]:
    return tuple(rows(path, f"SELECT count(*) FROM {t}")[0][0] for t in (RUNS, FIGURES, AREAS))


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return record_runs(tmp_path / "out" / "record.gpkg", [run()], coordinates=OWN)


def test_gdal_reads_what_was_recorded(record):
    assert {name for name, _ in pyogrio.list_layers(record)} == {RUNS, FIGURES, AREAS}
    meta, _, geometry, fields = pyogrio.raw.read(record, layer=AREAS)
    assert meta["geometry_type"] == "MultiPolygon"
    assert dict(zip(meta["fields"], fields, strict=True))["area_m2"].tolist() == [12.0, 12.0]
    assert shapely.from_wkb(geometry[0]).equals(SQUARE)
    told = pyogrio.read_info(record, layer=AREAS)
    assert tuple(told["total_bounds"]) == SQUARE.bounds


def test_the_file_says_what_it_is(record):
    """GeoPackage 1.3: bytes 60 and 68 of the header hold the version and "GPKG"."""
    head = record.read_bytes()[:100]
    assert struct.unpack(">i", head[60:64]) == (10300,)
    assert head[68:72] == b"GPKG"
    assert rows(record, "PRAGMA foreign_key_check") == []
    kinds = dict(rows(record, "SELECT table_name, data_type FROM gpkg_contents"))
    assert kinds == {RUNS: "attributes", FIGURES: "attributes", AREAS: "features"}
    assert {-1, 0, 4326} <= {r[0] for r in rows(record, "SELECT srs_id FROM gpkg_spatial_ref_sys")}


def test_a_geometry_begins_with_its_box():
    """GeoPackage 1.3, clause 2.1.3: magic, version, flags, srs, min x, max x, min y, max y, WKB."""
    blob = geometry_blob(SQUARE, 25832)
    assert blob[:4] == b"GP\x00\x03"
    assert struct.unpack("<i4d", blob[4:40]) == (25832, 500.0, 504.0, 800.0, 803.0)
    assert shapely.from_wkb(blob[40:]).equals(SQUARE)


def test_coordinates_are_those_of_the_site_s_system(tmp_path):
    """EPSG:2264 counts in US survey feet of 1200/3937 m."""
    places = coordinates_of("EPSG:2264", US_SURVEY_FOOT)
    file = record_runs(tmp_path / "r.gpkg", [run()], coordinates=places)
    told = pyogrio.read_info(file, layer=AREAS)
    assert told["crs"] == "EPSG:2264"
    assert told["total_bounds"][0] == pytest.approx(500 * 3937 / 1200, abs=1e-6)


def test_the_same_survey_again_is_told_anew_and_not_twice(record):
    record_runs(record, [run(dug=8.0)], coordinates=OWN)
    assert count(record) == (1, 1, 2)
    assert rows(record, f"SELECT dug_m3 FROM {FIGURES}") == [(8.0,)]
    record_runs(record, [run(content="b2")], coordinates=OWN)
    record_runs(record, [run(day="2026-05-05")], coordinates=OWN)
    assert count(record) == (3, 3, 6)


@pytest.mark.parametrize(
    ("foreign", "why"),
    [("text", "begins with"), ("sqlite", "no GeoPackage"), ("geopackage", "of something else")],
)
def test_what_is_not_a_record_is_left_as_it_is(tmp_path, foreign, why):
    path = tmp_path / "record.gpkg"
    if foreign == "text":
        path.write_text("my notes\n", encoding="utf-8")
    elif foreign == "sqlite":
        with closing(sqlite3.connect(path)) as base:
            base.execute("CREATE TABLE mine (a)")
            base.commit()
    else:
        point = shapely.to_wkb(shapely.points([[1.0, 2.0]]))
        with pytest.warns(UserWarning, match="crs"):
            pyogrio.raw.write(
                path, geometry=point, field_data=[], fields=[], geometry_type="Point", layer="mine",
                driver="GPKG",
            )  # fmt: skip
    before = path.read_bytes()
    with pytest.raises(OutputError, match=f"no record of a dig: .*{why}") as said:
        record_runs(path, [run()], coordinates=OWN)
    assert "move it to another name" in said.value.mend
    assert path.read_bytes() == before


def test_a_torn_record_is_left_as_it_is(record):
    whole = record.read_bytes()
    record.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(OutputError, match="damaged") as said:
        record_runs(record, [run()], coordinates=OWN)
    assert "move it away" in said.value.mend
    assert record.read_bytes() == whole[: len(whole) // 2]


def test_a_record_stays_in_one_coordinate_system(record):
    with pytest.raises(OutputError, match="coordinate system"):
        record_runs(record, [run()], coordinates=coordinates_of("EPSG:25832", METRE))


def test_what_fails_within_a_run_undoes_it(record):
    def breaks():
        yield Area(SQUARE, {"kind": "too deep"})
        raise KeyError

    with pytest.raises(KeyError):
        record_runs(record, [run("tuesday"), run("friday", areas=breaks())], coordinates=OWN)
    assert count(record) == (1, 1, 2)


def writer(path: Path, who: str, what: object) -> subprocess.Popen:
    words = [sys.executable, "-m", "tests.exchange.record_writer", str(path), who, str(what)]
    root = Path(__file__).parents[2]
    return subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=root)


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is of POSIX")
def test_a_writer_killed_within_a_run_leaves_the_record_as_it_was(record):
    before = record.read_bytes()
    process = writer(record, "killed", "stuck")
    assert process.stdout.readline() == "within\n"
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    process.stdout.close()
    assert record.read_bytes() == before
    assert len(pyogrio.raw.read(record, layer=AREAS)[2]) == 2
    record_runs(record, [run("after")], coordinates=OWN)
    assert count(record) == (2, 2, 4)
    assert [file.name for file in record.parent.iterdir()] == [record.name]


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL is of POSIX")
def test_two_writers_at_once_lose_nothing_and_a_third_is_killed_at_any_moment(tmp_path):
    path = tmp_path / "record.gpkg"
    both = [writer(path, who, 20) for who in ("one", "two")]
    third = writer(path, "third", 1000)
    told = [third.stdout.readline() for _ in range(3)]
    third.send_signal(signal.SIGKILL)
    third.wait()
    for process in both:
        assert process.wait() == 0
        process.stdout.close()
    told += third.stdout.read().splitlines()
    third.stdout.close()
    record_runs(path, [run("last")], coordinates=OWN)
    assert rows(path, "PRAGMA integrity_check") == [("ok",)]
    by_writer = dict(rows(path, f"SELECT survey, count(*) FROM {RUNS} GROUP BY survey"))
    assert (by_writer["one"], by_writer["two"]) == (20, 20)
    # what the third said it had written is there; at most one run more was written, not yet told
    assert len(told) <= by_writer["third"] <= len(told) + 1
    runs, figures, areas = count(path)
    assert (figures, areas) == (runs, 2 * runs)
    assert len(pyogrio.raw.read(path, layer=AREAS)[2]) == areas
