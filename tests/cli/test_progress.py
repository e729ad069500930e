"""`tarnwright progress`: a survey made while digging, told, drawn and recorded."""

import json

import pyogrio
import pytest
import shapely

from tests.as_dug_surveys import (
    AREA_M2,
    DEEP,
    DUG_M3,
    SOUTH,
    WEST,
    WIDE,
    pit_shots,
    write_boxwood,
    write_shots,
)
from tests.cli.conftest import fingerprint


@pytest.fixture
def box(tmp_path):
    folder = write_boxwood(tmp_path / "box")
    write_shots(tmp_path / "friday.csv", pit_shots(100 - DEEP - 0.2, share=0.5))
    return folder


def test_a_survey_of_half_a_pit_dug_too_deep(run, box, tmp_path):
    before = fingerprint(box)
    words = ("progress", box, "--as-dug", tmp_path / "friday.csv", "--date", "2026-05-08")
    said = run(*words, "--loads", 2, "--json")
    assert said.code == 3  # too deep: a check failed
    told = json.loads(said.out)
    (day,) = told["days"]
    assert day["date"] == "2026-05-08"
    assert day["dug_m3"] == pytest.approx(DUG_M3 / 2, rel=0.02)
    assert day["dug_m3"] + day["left_m3"] == pytest.approx(told["planned_bank_m3"])
    assert day["too_deep_m3"] == pytest.approx(0.2 * AREA_M2 / 2, rel=0.02)
    deep = next(each for each in day["places"] if each["kind"] == "too deep")
    assert deep["easting_m"] == pytest.approx(WEST + WIDE / 2, abs=0.05)
    assert deep["northing_m"] == pytest.approx(SOUTH + 1.5, abs=0.05)
    assert day["trucks"]["loads_sent"] == 2
    assert day["trucks"]["hauled_bank_m3"] == pytest.approx(20.4, rel=0.02)
    picture, record = box / "out" / "progress.png", box / "out" / "record.gpkg"
    assert picture.read_bytes()[:4] == b"\x89PNG"
    meta, _, geometry, fields = pyogrio.raw.read(record, layer="progress_areas")
    kinds = dict(zip(meta["fields"], fields, strict=True))["kind"].tolist()
    place = shapely.from_wkb(geometry[kinds.index("too deep")])
    assert place.bounds == pytest.approx((WEST, SOUTH, WEST + WIDE, SOUTH + 3), abs=0.3)
    assert fingerprint(box) == before

    again = run(*words)
    assert again.code == 3
    assert "put 2.4 m³ back" in again.out
    assert "nothing counts as dug there" in again.out
    assert pyogrio.read_info(record, layer="progress_runs")["features"] == 1


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (("--as-dug", "friday.csv"), 2, "one --date for each --as-dug"),
        (("--as-dug", "friday.csv", "--date", "Friday"), 1, "is not a day"),
        (("--within", "0 m", "--as-dug", "friday.csv", "--date", "2026-05-08"), 2, "more than 0"),
        ((), 1, "no survey was made while digging"),
    ],
)
def test_what_is_asked_wrongly(run, box, monkeypatch, words, code, message):
    monkeypatch.chdir(box.parent)
    said = run("progress", box, *words)
    assert said.code == code
    assert message in " ".join(said.err.replace("│", " ").split())
    assert not (box / "out").exists()


def test_a_foreign_file_in_the_record_s_place_is_kept(run, box, tmp_path):
    record = box / "out" / "record.gpkg"
    record.parent.mkdir()
    record.write_text("mine", encoding="utf-8")
    said = run("progress", box, "--as-dug", tmp_path / "friday.csv", "--date", "2026-05-08")
    assert said.code == 1
    assert "no record of a dig" in said.err
    assert "to mend" in said.err
    assert record.read_text(encoding="utf-8") == "mine"
