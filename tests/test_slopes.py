"""Whether the faces of a small site stand: rules, loads, water, symmetry, asked sections."""

from importlib.resources import files

import numpy as np
import pytest

from terrain.errors import PlanError, StabilityError, TerrainError
from terrain.site import Site
from tests.slope_site import DEPTH_M, OSHA_UPRIGHT_M, write_slope_site

HEAP = """
[[element]]
type = "heap"
name = "spoil"
outline = { points = [[507.3, 803], [512, 803], [512, 807], [507.3, 807]] }
batter = "1.3:1"
setback = 0.62
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return Site.open(write_slope_site(tmp_path_factory.mktemp("s") / "level", "wall", "gentle"))


@pytest.fixture(scope="module")
def wall(tmp_path_factory):
    return Site.open(write_slope_site(tmp_path_factory.mktemp("w") / "level", "wall"))


def of(site, element, *, temporary=True):
    return [f for f in site.slopes.faces if f.element == element and f.temporary == temporary]


def with_slopes(site, **changes):
    table = site.plan.slopes.model_copy(update=changes)
    return site.revised(site.plan.model_copy(update={"slopes": table}))


def test_an_upright_wall_in_sand_fails_by_rule_and_by_slip(site):
    """By rule: 29 CFR 1926 Subpart P, Table B-1, sides over 5 ft in class C are 1½:1.

    By slip: the height at which an upright wall just stands is 4 c cos φ / (γ (1 − sin φ)) on a
    plane (Culmann), 0.39 m for the likely 1 kPa and 30° at 17.65 kN/m³, and no circle is kinder.
    """
    faces = of(site, "wall")
    assert sum(face.face.length_m for face in faces) == pytest.approx(16, abs=1)
    for face in faces:
        assert face.face.height == pytest.approx(DEPTH_M, abs=0.02)
        assert face.face.height > OSHA_UPRIGHT_M
        assert (face.soil_class, face.verdict) == ("C", "fails")
        assert [breach.rule[:24] for breach in face.breaches] == ["class C stands at 1.5:1 "]
        case = face.worst_case
        assert case.high < 1.0
        assert case.chance_below_one == 1.0
    assert not site.slopes.passed
    assert site.slopes.untested == ("sand",)


def test_cut_at_two_to_one_it_stands(site):
    """At 2:1, 26.6°, sand of 26° to 34° and a little cohesion stands; 1½:1 is allowed."""
    faces = of(site, "gentle")
    assert len(faces) >= 4
    for face in faces:
        assert face.face.slope == pytest.approx(2.0, abs=0.15)
        assert not face.breaches
        assert face.worst_case.factor > np.tan(np.radians(30)) * 2
        assert face.passed


def test_the_flattening_of_the_wall_is_what_it_digs_more(site):
    """½ h² · 1.5 on each metre of wall, without its corners."""
    extra = sum(face.breaches[0].extra_cut_m3 for face in of(site, "wall"))
    length = sum(face.face.length_m for face in of(site, "wall"))
    assert extra == pytest.approx(0.5 * DEPTH_M**2 * 1.5 * length, rel=0.05)


def test_a_heap_at_the_edge_is_told_loads_and_breaks_a_rule(tmp_path):
    folder = write_slope_site(tmp_path / "heaped", "wall", more=HEAP)
    rules = files("terrain.stability").joinpath("rules", "osha.toml").read_text(encoding="utf-8")
    (folder / "far.toml").write_text(rules.replace("0.6096", "0.7"), encoding="utf-8")
    heaped = with_slopes(Site.open(folder), rules="far.toml")
    near = [
        face
        for face in of(heaped, "wall")
        if any("spoil" in breach.found for breach in face.breaches)
    ]
    assert len(near) == 1
    assert near[0].above[0].startswith("spoil, 0.")
    loads = near[0].worst_case.section.loads
    from_toe = loads[:, :2].mean(axis=1) - 0.62
    rising = loads[(from_toe > 0.25) & (from_toe < 1.0)]
    assert len(rising) >= 1
    for start, end, pressure in rising:
        thick = (0.5 * (start + end) - 0.62) / 1.3  # a heap at 1.3:1 from its toe
        assert pressure == pytest.approx(thick * 1800 / 1.12 * 9.80665, rel=0.1)


def test_a_wet_hillside_stands_worse_than_a_dry_one(site, wall):
    wet = with_slopes(wall, water_depth=0.4)
    assert max(f.worst_case.factor for f in of(wet, "wall")) < min(
        f.worst_case.factor for f in of(site, "wall")
    )


def test_a_machine_at_the_edge_makes_it_worse_and_must_stand_back(site, wall):
    """29 CFR 1926.651(j)(2): 2 ft from the edge."""
    machine = {"pressure": "60 kPa", "width": 2.0, "away": 0.3}
    table = type(wall.plan.slopes).model_validate(
        {"machine": machine, "samples": 20}, context={"unit": wall.unit}
    )
    loaded = wall.revised(wall.plan.model_copy(update={"slopes": table}))
    for face in of(loaded, "wall"):
        assert any("the machine" in breach.mend for breach in face.breaches)
    assert min(f.worst_case.factor for f in of(loaded, "wall")) < min(
        f.worst_case.factor for f in of(site, "wall")
    )


def test_a_pond_is_also_emptied_at_once(tmp_path):
    """Drawn down, a bank has lost what leaned on it and kept its pore pressure."""
    pond = Site.open(write_slope_site(tmp_path / "pond", "pond"))
    faces = of(pond, "pond", temporary=False)
    assert len(faces) >= 4
    for face in faces:
        built, emptied = face.cases
        assert (built.name, emptied.name) == ("as built", "emptied at once")
        assert built.section.pond_m == pytest.approx(100.0)
        assert emptied.section.pond_m == -np.inf
        assert emptied.factor < built.factor
        assert emptied.factors.target == 1.2
    tight = with_slopes(pond, leaking=False)
    assert {len(face.cases) for face in of(tight, "pond", temporary=False)} == {1}


def test_a_mirrored_site_stands_alike(site, tmp_path):
    mirrored = Site.open(write_slope_site(tmp_path / "mirrored", "wall", mirrored=True))
    one, other = (sorted(f.worst_case.factor for f in of(s, "wall")) for s in (site, mirrored))
    assert other == pytest.approx(one, rel=0.01)


def section(start, end):
    return f'\n[[slopes.section]]\nname = "across"\nfrom = {list(start)}\nto = {list(end)}\n'


def test_a_section_that_is_asked_for_is_analysed_either_way(tmp_path):
    """From the floor of the wall's pit to the ground outside, and back."""
    found = []
    for count, ends in enumerate([((505, 805), (512, 805)), ((512, 805), (505, 805))]):
        folder = write_slope_site(tmp_path / f"asked{count}", "wall", more=section(*ends))
        (face,) = [f for f in Site.open(folder).slopes.faces if f.name.startswith("across")]
        assert face.name == "across, dig"
        assert face.face.height == pytest.approx(DEPTH_M, abs=0.01)
        assert face.face.angle_deg > 80
        assert face.face.place[0] + 500 == pytest.approx(507, abs=0.2)
        found.append(face.worst_case.factor)
    assert found[0] == pytest.approx(found[1], rel=1e-3)
    assert found[0] < 1.0


def test_a_section_that_leaves_the_survey_is_named(tmp_path):
    folder = write_slope_site(tmp_path / "off", "wall", more=section((505, 805), (505, 790)))
    with pytest.raises(StabilityError, match=r"leaves the survey 5\.\d m.*") as said:
        _ = Site.open(folder).slopes
    assert "across" in str(said.value)
    assert "to mend" in str(said.value)


@pytest.mark.parametrize(
    ("strength", "says"),
    [
        ("friction = 90", "90"),
        ('cohesion = "-2 kPa"', "-2"),
        ("undrained = true", "undrained"),
    ],
)
def test_a_strength_that_no_soil_has_is_named(tmp_path, strength, says):
    folder = write_slope_site(tmp_path / "odd", "wall")
    plan = folder / "site.toml"
    text = plan.read_text(encoding="utf-8").replace(
        "swell = 0.12", f"swell = 0.12\nstrength = {{ {strength} }}"
    )
    plan.write_text(text, encoding="utf-8")
    with pytest.raises(TerrainError, match=says) as said:
        _ = Site.open(folder).slopes
    assert "strength" in str(said.value)


def test_rules_that_nobody_wrote_are_named(wall):
    with pytest.raises(PlanError, match="no rules 'oshaa'"):
        _ = with_slopes(wall, rules="oshaa").slopes
