"""`tarnwright slopes`: what it says, in the site's unit, with which exit code, and its JSON."""

import json

import pytest

from cli.output import CAUTION
from terrain.review import draw_slopes
from terrain.review.rendering import Rendering
from tests.slope_site import write_slope_site

KEYS = {
    "id", "element", "height_m", "angle_deg", "factor_of_safety", "method", "rule", "pass",
    "factor_low", "factor_high", "chance_below_1", "target", "case", "steepest_deg", "length_m",
    "benches", "place", "soil_class", "above", "below", "breaches", "cases", "temporary",
}  # fmt: skip


@pytest.fixture(autouse=True)
def without_3d(monkeypatch):
    none = Rendering(works=False, window=None, advice="no 3D here")
    monkeypatch.setattr(draw_slopes, "this_machine", lambda: none)


def test_a_site_in_feet_is_told_in_feet_and_fails(run, tmp_path):
    """1.7 m is 5.58 ft; upright sides end at 5 ft (29 CFR 1926.652)."""
    folder = write_slope_site(tmp_path / "feet", "wall", unit="ft")
    said = run("slopes", folder)
    assert said.code == 3
    assert said.out.startswith(CAUTION)
    assert said.out.count(CAUTION) == 2
    assert "5.58" in said.out
    assert "over 5.00 ft high" in said.out
    assert "1.7" not in said.out
    assert "yd³ more, in place" in said.out
    assert "Nobody tested sand: cautious ranges of class C" in said.out
    assert "29 CFR 1926" in said.out
    assert "no 3D here" in said.out
    rows = [line for line in said.out.splitlines() if "open dig" in line]
    assert len(rows) == 4
    assert all(" to " in row and "100%" in row and "fails, breaks a rule" in row for row in rows)
    for name in ("slopes.png", "slopes.pdf", "slope_sections.png"):
        assert (folder / "out" / name).stat().st_size > 10_000


def test_what_stands_passes_and_is_one_json_document(run, tmp_path):
    folder = write_slope_site(tmp_path / "gentle", "gentle")
    said = run("slopes", folder, "--json", "--out", tmp_path / "there", "--section", "D1")
    assert said.code == 0, said.err
    document = json.loads(said.out)
    assert document["pass"] is True
    assert document["caution"] == CAUTION
    assert document["untested_soils"] == ["sand"]
    assert len(document["faces"]) == 4
    for face in document["faces"]:
        assert face.keys() >= KEYS
        assert face["factor_low"] <= face["factor_of_safety"] <= face["factor_high"]
        assert face["height_m"] == pytest.approx(1.7, abs=0.02)
        assert face["angle_deg"] == pytest.approx(26.57, abs=0.5)
        assert 500 < face["place"][0] < 530
        assert 800 < face["place"][1] < 824
        (case,) = face["cases"]
        assert set(case["methods"]) == {"ordinary", "Bishop", "Janbu", "Spencer"}
        assert case["convergence"][-1] == pytest.approx(case["factor_of_safety"])
        assert case["circles_tried"] > 1000
    assert {str(tmp_path / "there" / "slopes.png")} <= set(document["files"])


def test_the_section_of_one_face_can_be_asked_for(run, tmp_path):
    folder = write_slope_site(tmp_path / "gentle", "gentle")
    said = run("slopes", folder, "--section", "D99")
    assert said.code == 2
    assert "D1" in said.err


def test_odd_strengths_end_without_a_traceback(run, tmp_path):
    folder = write_slope_site(tmp_path / "odd", "wall")
    plan = folder / "site.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(
        text.replace("swell = 0.12", "swell = 0.12\nstrength = { friction = 90 }"),
        encoding="utf-8",
    )
    said = run("slopes", folder)
    assert said.code == 1
    assert "friction" in said.err
    assert "expected" in said.err
