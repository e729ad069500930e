"""The ± that `volumes` tells: what the plan states of surveys and bucket, in closed form."""

import json
import math

import pytest

from tests.cli.conftest import Run
from tests.cli.sites import DUG_M3, replace, write_site

DUG_M2 = 16 + 9 * math.pi
STATED = """[dig_accuracy]
level = "3 cm"
edge = "5 cm"

[water]"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    site = write_site(tmp_path_factory.mktemp("sure") / "hollow", "m")
    replace(site / "site.toml", 'unit = "m"', 'unit = "m"\nbenchmark = "1 cm"')
    rover = 'file = "rover.csv"'
    replace(site / "site.toml", rover, f'{rover}\nnoise = "1 cm"\ncommon = "3 cm"')
    replace(site / "site.toml", "[water]", STATED)
    return site


def parts_of(listed: list[dict]) -> dict[str, float]:
    return {part["name"]: part["pm_m3"] for part in listed}


def test_what_is_stated_of_benchmark_survey_and_bucket_is_in_the_answer(run: Run, folder):
    """Pit 4 × 4 × 1.5 m and pond of 3 m radius and 1 m depth, both upright, on level ground."""
    document = json.loads(run("volumes", folder, "--json").out)
    whole, pit = parts_of(document["excavation_pm_parts"]), document["elements"]["pit"]
    assert whole["height of the benchmark"] == pytest.approx(1.96 * 0.01 * DUG_M2, rel=0.01)
    pond = 0.03 * 9 * math.pi
    assert whole["level to which is dug"] == pytest.approx(math.hypot(0.03 * 16, pond), rel=0.01)
    faces = math.hypot(16 * 1.5, 6 * math.pi)
    assert whole["edge to which is dug"] == pytest.approx(0.05 * faces, rel=0.03)
    assert whole["errors that shots have in common"] < 1.96 * 0.03 * DUG_M2
    assert whole["errors that shots have in common"] > 1.96 * 0.02 * DUG_M2
    assert document["excavation_bank_pm_m3"] == pytest.approx(math.hypot(*whole.values()))
    assert pit["excavation_bank_pm_m3"] == pytest.approx(
        math.hypot(*parts_of(pit["excavation_pm_parts"]).values())
    )
    assert document["fill_compacted_pm_m3"] == 0.0
    assert document["backfill_compacted_pm_m3"] >= whole["level to which is dug"]


def test_the_words_name_the_largest_part(run: Run, folder):
    said = run("volumes", folder).out
    assert f"dig {DUG_M3:.1f} m³ in place (± " in said
    assert "of this is an error that all shots around have in common" in said
