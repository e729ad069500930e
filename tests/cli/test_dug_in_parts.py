"""`volumes` and `haul` tell a dig by stratum, depth, zone and day, in JSON and in tables."""

import json
import math

import pytest

from tests.cli.conftest import Run
from tests.cli.strata_site import write_strata_site

POND = 9 * math.pi
MOUND = 4 * math.pi


@pytest.fixture
def folder(tmp_path):
    return write_strata_site(tmp_path / "hollow")


def test_volumes_tells_the_parts_in_json_and_in_tables(run: Run, folder):
    said = json.loads(run("volumes", folder, "--json", "--bands", "0.25 m").out)
    whole = said["excavation_bank_m3"]
    for key in ("strata", "bands", "zones", "days", "parts"):
        assert sum(part["bank_m3"] for part in said[key]) == pytest.approx(whole, rel=1e-9)
    assert [part["to_m"] for part in said["bands"]] == pytest.approx(
        [0.25 * k for k in range(1, 7)]
    )
    assert said["strata"][2] | {"soil": "gravel", "digging": "hard"} == said["strata"][2]
    assert said["strip"]["under_fill_m3"] == pytest.approx(0.25 * MOUND, rel=0.02)
    text = run("volumes", folder, "--bands", "0.5").out
    row = next(line.split() for line in text.splitlines() if line.startswith("  gravel"))
    assert float(row[2]) == pytest.approx(11.2 + 0.2 * POND, abs=0.06)
    assert "Dig by zone" in text
    assert "day 3" in text
    assert "  0.50 m   1.00 m" in text


@pytest.mark.parametrize("height", ["0", "-1", "1 mm", "nonsense"])
def test_bands_that_cannot_be_read_are_refused(run: Run, folder, height):
    said = run("volumes", folder, "--bands", height)
    assert (said.code, said.out) == (1, "")
    assert "--bands" in said.err
    assert "expected: a " in said.err


def test_haul_tells_soil_by_soil(run: Run, folder):
    said = json.loads(run("haul", folder, "--json").out)
    assert [each["soil"] for each in said["soils"]] == ["loam", "topsoil", "gravel"]
    assert sum(each["loads"] for each in said["soils"]) == said["loads"]
    assert {move["to"] for move in said["moves"]} == {"mound: mound", "taken away"}
    for key, soils in (("bank_m3", "excavation_bank_m3"), ("compacted_m3", "placed_compacted_m3")):
        moved = [m[key] for m in said["moves"] if key == "bank_m3" or m["use"] is not None]
        assert sum(moved) == pytest.approx(said[soils], rel=1e-9)
    assert said["order"]["steps"][-1]["heap_filled_loose_m3"] == 0
    text = run("haul", folder).out
    for heading in ("soil by soil", "Where the soil goes", "Order of work"):
        assert heading in text
