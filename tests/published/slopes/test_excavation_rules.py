"""Sides of excavations against 29 CFR 1926 Subpart P: Table B-1, 651(c)(2), 651(j)(2), 652.

Angles are also recomputed from the slopes. Bench heights (figures B-1.1, B-1.2) and the metric set
are from memory.
"""

import numpy as np
import pytest

from terrain.errors import PlanError
from terrain.stability.faces import Face
from terrain.stability.rule_sets import rule_set
from terrain.stability.verdicts import Near, breaches, flattening_m3, governing_class

FT = 0.3048
OSHA = rule_set("osha")


def face(
    height_ft: float, run_per_rise: float, *, length_m: float = 10.0, benches: int = 0
) -> Face:
    """An even face; with benches, of upright steps of the same height."""
    height = height_ft * FT
    ones = np.ones(20)
    upright = benches > 0 or run_per_rise == 0
    return Face(
        0, False, np.zeros((20, 2)), np.zeros((20, 2)), height * ones,
        height * run_per_rise * ones, (20.0 if upright else 1 / run_per_rise) * ones,
        np.full(20, benches), height / (benches + 1) * ones, length_m,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("soil_class", "slope", "angle"),
    [("stable rock", 0.0, 90), ("A", 0.75, 53), ("B", 1.0, 45), ("C", 1.5, 34)],
)
def test_table_b_1(soil_class, slope, angle):
    allowed = OSHA.classes[soil_class].run_per_rise
    assert allowed == slope
    assert round(np.degrees(np.arctan2(1.0, allowed))) == angle
    for height in (6, 12, 19.9):
        assert breaches(face(height, slope + 0.01), OSHA, soil_class) == ()
        if slope > 0:
            (breach,) = breaches(face(height, slope - 0.05), OSHA, soil_class)
            assert f"{slope:g}:1" in breach.rule
            assert breach.mend


def test_lower_than_5_ft_may_stand_upright_and_deeper_than_20_ft_needs_an_engineer():
    assert breaches(face(4.9, 0.0), OSHA, "C") == ()
    assert breaches(face(5.1, 0.0), OSHA, "C")
    assert breaches(face(20.5, 2.0), OSHA, "C")[0].mend.endswith("licensed engineer")


@pytest.mark.parametrize(
    ("soil_class", "top", "cubic_yards"),
    [("A", (22, 32), 126.81), ("B", (26, 36), 155.65), ("C", (34, 44), 222.81)],
)
def test_a_pit_8_ft_deep_10_by_20_ft_at_the_bottom(soil_class, top, cubic_yards):
    """Its top and volume by the prismoid's closed form; from upright sides, wedges of flattening
    and the four corners are what is dug besides."""
    slope = OSHA.classes[soil_class].run_per_rise
    out = 8 * slope
    assert (10 + 2 * out, 20 + 2 * out) == pytest.approx(top)
    upright = 8 * 10 * 20
    wedges = sum(
        2 * flattening_m3(face(8, 0.0, length_m=side * FT), slope) / FT**3 for side in (10, 20)
    )
    corners = 4 * out**2 * 8 / 3
    assert (upright + wedges + corners) / 27 == pytest.approx(cubic_yards, abs=0.005)


def test_benches():
    """Type C is not benched; steps in A and B are 5 ft at most (4 ft the lowest)."""
    assert breaches(face(8, 1.0, benches=1), OSHA, "B") == ()
    (high,) = breaches(face(12, 1.0, benches=1), OSHA, "B")
    assert "bench" in high.mend
    (never,) = breaches(face(8, 1.5, benches=1), OSHA, "C")
    assert "not benched" in never.rule


def test_spoil_stays_2_ft_from_the_edge():
    near, far = Near("heap", 0.4), Near("heap", 0.62)
    (breach,) = breaches(face(4, 1.5), OSHA, "C", above=[near, far])
    assert "0.61 m" in breach.rule
    assert "0.21 m" in breach.mend


def test_the_weakest_stratum_governs_and_nobody_knows_is_type_c():
    assert governing_class(OSHA, ["A", "C", "B"]) == "C"
    assert governing_class(OSHA, ["A", "B"]) == "B"
    assert governing_class(OSHA, []) == "C"


def test_a_site_may_bring_its_own_rules(tmp_path):
    own = tmp_path / "own.toml"
    shipped = rule_set("metric")
    assert shipped.unprotected_m == 1.25
    own.write_text(
        'name = "own"\ndefault_class = "all"\n[class.all]\nrun_per_rise = 2.0\n'
        "[depth]\nunprotected_m = 1\nengineer_m = 3\n[bench]\nfirst_m = 1\nlater_m = 1\n"
        "[edge]\nspoil_m = 1\n[egress]\nfrom_m = 1\nwithin_m = 5\nwidest_m = 3\n",
        encoding="utf-8",
    )
    rules = rule_set("own.toml", tmp_path)
    assert rules.classes["all"].run_per_rise == 2.0
    assert breaches(face(6, 1.9), rules, "all")


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("engineer_m = 3", 'engineer_m = "deep"', "depth.engineer_m"),
        ("run_per_rise = 2.0", "run_per_rise = -1", "run_per_rise"),
        ('default_class = "all"', 'default_class = "none"', "default_class"),
        ("[class.all]", "[classes.all]", "class"),
    ],
)
def test_torn_rules_are_told(tmp_path, old, new, key):
    test_a_site_may_bring_its_own_rules(tmp_path)
    file = tmp_path / "own.toml"
    file.write_text(file.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    with pytest.raises(PlanError, match=key):
        rule_set("own.toml", tmp_path)
    with pytest.raises(PlanError, match="no rules"):
        rule_set("oshaa")
