"""Liner in `tarnwright volumes`: closed forms of a square pit and a round pond, in every unit."""

import json
import math
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.cli.sites import METRES, replace

PIT = 4 * 4 + 16 * 1.5 + 16 * 0.3 + math.pi * 0.3**2
POND = math.pi * (3**2 + 2 * 3 * 1.0 + 3.3**2 - 3**2)


def volumes_json(run: Run, site: Path) -> dict:
    said = run("volumes", site, "--json")
    assert (said.code, said.err) == (0, "")
    return json.loads(said.out)


def with_roll(site: Path, keys: str) -> None:
    replace(site / "site.toml", "[truck]", f"[liner]\n{keys}\n\n[truck]")


def test_volumes_give_every_sheet_and_what_is_cut_for_it(run: Run, any_site: Path):
    with_roll(any_site, 'roll_width = "8 m"\nroll_length = "20 m"\nfolds = 0.1')
    document = volumes_json(run, any_site)
    assert document["liner_m2"] == pytest.approx(PIT + POND, rel=0.002)
    assert document["liner_with_folds_m2"] == pytest.approx(1.1 * (PIT + POND), rel=0.002)
    assert document["underlay_m2"] == pytest.approx(2 * (PIT + POND), rel=0.002)
    pit, pond = sorted(document["liner_sheets"], key=lambda sheet: sheet["need_m2"])
    assert (pit["elements"], pond["elements"]) == (["pit"], ["pond"])
    # the rule of thumb: 4 + 2 × 1.5 + 2 × 0.3 each way; 6 + 2 × 1 + 2 × 0.3
    assert pit["rule_of_thumb"]["length_m"] == pytest.approx(7.6, abs=0.001)
    assert pit["rule_of_thumb"]["width_m"] == pytest.approx(7.6, abs=0.001)
    assert document["liner_rule_of_thumb_m2"] == pytest.approx(7.6**2 + 8.6**2, rel=0.002)
    assert [piece["width_m"] for piece in pit["pieces"]] == pytest.approx([8.0])
    assert [piece["length_m"] for piece in pit["pieces"]] == pytest.approx([7.6], abs=0.001)
    assert pit["bought_m2"] == pytest.approx(8 * 7.6, abs=0.01)
    assert pit["waste_share"] == pytest.approx(1 - PIT / (8 * 7.6), abs=0.002)
    # the round pond takes 8.6 m across: two strips, the longer of 8.6 m
    lengths = [piece["length_m"] for piece in pond["pieces"]]
    assert max(lengths) == pytest.approx(8.6, abs=0.02)
    assert len(lengths) == 2
    assert document["liner_rolls"] == math.ceil((7.6 + sum(lengths)) / 20)


def test_the_table_says_what_to_cut(run: Run, any_site: Path):
    unit = next(u for u in METRES if f'unit = "{u}"' in (any_site / "site.toml").read_text())
    metric = unit == "m"
    with_roll(any_site, 'roll_width = "10 m"\nunderlay_sides = 1')
    said = run("volumes", any_site)
    lines = said.out.splitlines()
    start = next(k for k, line in enumerate(lines) if line.startswith("Liner by sheet"))
    rows = {line.split()[0]: line.split() for line in lines[start:] if line.startswith("  p")}
    area = METRES[unit] ** 2
    assert float(rows["pit"][1]) == pytest.approx(PIT / area, abs=0.6 + 0.002 * PIT / area)
    # a cut length is never rounded down
    assert float(rows["pit"][4]) == pytest.approx(7.65 / METRES[unit], abs=0.06 if metric else 0.2)
    assert float(rows["pit"][4]) >= 7.6 / METRES[unit] - 0.001
    assert ("m²" in "".join(lines[start:])) == metric
    assert "Underlay underneath" in said.out


@pytest.mark.parametrize(
    ("keys", "named"),
    [
        ('overlap = "2 m"', "roll_width"),
        ('roll_length = "0.1 m"', "roll_length"),
        ("underlay_sides = 3", "underlay_sides"),
        ("folds = 5", "folds"),
        ("roll_widht = 4", "roll_width"),
    ],
)
def test_rolls_that_cannot_be(run: Run, site: Path, keys: str, named: str):
    with_roll(site, keys)
    said = run("volumes", site)
    assert said.code == 1
    assert named in said.err
    assert "Traceback" not in said.err


def test_nothing_is_lined(run: Run, site: Path):
    for name in ("pit", "pond"):
        replace(site / "site.toml", f'name = "{name}"\n', f'name = "{name}"\nliner = false\n')
    document = volumes_json(run, site)
    assert (document["liner_m2"], document["liner_rolls"], document["liner_sheets"]) == (0, 0, [])
    assert "Liner by sheet" not in run("volumes", site).out
