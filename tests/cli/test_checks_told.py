"""A check that fails is told whole, with its place, and by exit code 3."""

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.cli.sites import METRES, replace


def breach(site: Path, unit: str) -> None:
    """Dig a pad 0.4 m deep through the north bank of the round pond, 10 m east of the pit."""
    west, east, south, north = (f"{v / METRES[unit]:.7f}" for v in (514.7, 515.3, 814.5, 816.5))
    with (site / "site.toml").open("a", encoding="utf-8") as plan:
        plan.write(
            f"""
[[element]]
type = "pad"
name = "step"
outline = {{ points = [
  [{west}, {south}], [{east}, {south}], [{east}, {north}], [{west}, {north}],
] }}
level = {99.6 / METRES[unit]:.7f}
"""
        )


def unit_of(site: Path) -> str:
    return (site / "site.toml").read_text().split('unit = "')[1].split('"')[0]


@pytest.mark.parametrize("any_site", ["m", "us-ft"], indirect=True)
def test_a_breach_is_told_in_true_coordinates(run: Run, any_site: Path):
    unit = unit_of(any_site)
    breach(any_site, unit)
    said = run("volumes", any_site, "--json")
    assert (said.code, said.err) == (3, "")
    document = json.loads(said.out)
    assert document["excavation_bank_m3"] > 50
    (failed,) = [check for check in document["checks"] if not check["pass"]]
    assert set(failed) == {
        "check", "element", "easting_m", "northing_m", "found", "expected", "mend", "pass"
    }  # fmt: skip
    assert failed["element"] == "pond"
    assert failed["easting_m"] == pytest.approx(515, abs=0.8)
    assert failed["northing_m"] == pytest.approx(815, abs=0.4)
    metre = METRES[unit]
    symbol = "m" if unit == "m" else "ft"
    assert f"{0.4 / metre:.2f} {symbol} too low" in failed["found"]
    table = run("volumes", any_site)
    assert table.code == 3
    assert "Checks: 1 failure in " in table.out
    easting = f"E {failed['easting_m'] / metre:.1f}, N {failed['northing_m'] / metre:.1f}"
    assert f"pond: {failed['found']} (at {easting})" in table.out
    assert f"to mend:  {failed['mend']}" in table.out


@pytest.mark.parametrize("any_site", ["ft"], indirect=True)
def test_a_sound_plan_passes_and_shows_its_water(run: Run, any_site: Path):
    said = run("volumes", any_site, "--json")
    assert said.code == 0
    document = json.loads(said.out)
    assert all(check["pass"] for check in document["checks"])
    assert document["drawdown"] is None
    pond = document["water"]["pond"]
    assert pond["elements"] == ["pond"]
    assert pond["levels_m"][0] == pytest.approx(99, abs=1e-5)
    assert pond["levels_m"][-1] == pytest.approx(100, abs=1e-5)
    assert pond["areas_m2"][-1] == pytest.approx(28.274, rel=0.01)  # π 3²
    assert pond["volumes_m3"][-1] <= 28.3
    assert document["water"]["pit"]["volumes_m3"][-1] == pytest.approx(16 * 0.54, rel=0.01)
    table = run("volumes", any_site)
    assert table.code == 0
    assert f"Checks: {len(document['checks'])} made, none failed." in table.out
    assert "Water by its level" in table.out


def test_a_pump_is_told_with_what_comes_back(run: Run, site: Path):
    with (site / "site.toml").open("a", encoding="utf-8") as plan:
        plan.write('\n[pump]\nflow = "5 l/s"\nfrom = "pond"\nrunning_level = 99.5\n')
    said = run("volumes", site, "--json")
    assert said.code == 0
    drawdown = json.loads(said.out)["drawdown"]
    assert drawdown["from"] == "pond"
    assert drawdown["transit_m3"] == 0
    assert drawdown["room_m3"] == pytest.approx(28.274 / 2, rel=0.03)
    assert drawdown["pass"] is True
    assert "When the pump stops 0.0 m³ run back to pond" in run("volumes", site).out
    replace(site / "site.toml", 'from = "pond"', 'from = "well"')
    wrong = run("volumes", site)
    assert wrong.code == 1
    assert "pump.from: 'well' is not defined in this plan" in wrong.err
