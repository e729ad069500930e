"""The excavated pond of USDA-NRCS Agriculture Handbook 590, from a plan file to cubic yards.

*Ponds: Planning, Design, Construction* (1982, revised 1997), "Excavated ponds, estimating the
volume"; the example is from memory, its arithmetic recomputed. 12 ft deep, floor 40 × 100 ft,
sides and one end 2:1, the ramp at the other end 4:1: top 88 × 172 ft, 3,996 yd³.
"""

from pathlib import Path

import numpy as np
import pytest
import shapely
from chain import run_json

from terrain.earthwork.grid import grid_volume
from terrain.earthwork.prism import prism_volume
from terrain.earthwork.sections import average_end_area, prismoidal
from terrain.earthwork.trapezoid import trapezoid_volume

FOOT = 0.3048
YARD3_FT3 = 27.0
WIDTH, LENGTH, DEPTH = 88.0, 172.0, 12.0
GROUND = 431.5
EXACT_FT3 = 107_904.0
PRINTED_YD3 = 3996.0
STAGES = np.array([0.0, DEPTH])
AREAS = np.array([WIDTH * LENGTH, 40.0 * 100.0])
MIDDLE = np.array([64.0 * 136.0])


def test_the_printed_areas():
    """The handbook's three areas: 15,136, 4 × 8,704 = 34,816 and 4,000 ft², in sum 53,952."""
    assert (*AREAS, 4 * MIDDLE[0]) == (15_136, 4_000, 34_816)
    assert AREAS.sum() + 4 * MIDDLE[0] == 53_952


def test_the_prismoidal_rule_is_the_handbooks_and_the_exact_integral():
    """(A + 4 B + C) / 6 × D / 27; and ∫ (40 + 4 z)(100 + 6 z) dz over 12 ft in closed form."""
    volume = prismoidal(STAGES, AREAS, MIDDLE)
    assert round(volume / YARD3_FT3) == PRINTED_YD3
    z = np.polynomial.Polynomial([0, 1])
    integral = ((40 + 4 * z) * (100 + 6 * z)).integ()
    assert integral(DEPTH) - integral(0) == pytest.approx(EXACT_FT3, rel=1e-12)
    assert volume == pytest.approx(EXACT_FT3, rel=1e-12)


def test_average_end_areas_are_wrong_here():
    """Closed form: 4,252.4 yd³, 6.4 % too much."""
    volume = average_end_area(STAGES, AREAS) / YARD3_FT3
    assert volume == pytest.approx(4252.4, abs=0.05)
    assert volume > 1.06 * PRINTED_YD3


def test_the_conic_rule_is_wrong_here():
    """D (A + C + √(A C)) / 3, exact for similar figures only: 3,987.7 yd³."""
    volume = DEPTH * (AREAS.sum() + np.sqrt(AREAS.prod())) / 3 / YARD3_FT3
    assert volume == pytest.approx(3987.7, abs=0.05)
    assert volume < 0.998 * EXACT_FT3 / YARD3_FT3


def write_site(folder: Path, *, turn_deg: float, clockwise: bool, unit: str = "ft") -> Path:
    """Flat ground shot every 20 ft, and the pond turned about its middle."""
    turn = np.radians(turn_deg)
    middle = np.array([2437.3, 1519.8])
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    half = np.array([LENGTH, WIDTH]) / 2
    corners = (np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half) @ rotation.T + middle
    ramp = corners[[1, 2]]  # the east end of the unturned pond, walked with the water on the left
    if clockwise:
        corners = corners[::-1]
    steps = np.arange(-160.0, 161.0, 20.0)
    shots = [(middle[1] + north, middle[0] + east) for north in steps for east in steps]
    lines = ["point,northing,easting,elevation,code"]
    lines += [f"{k},{n:.3f},{e:.3f},{GROUND:.3f},GS" for k, (n, e) in enumerate(shots, 1)]
    (folder / "flat.csv").write_text("\n".join(lines) + "\n")
    points = ", ".join(f"[{e!r}, {n!r}]" for e, n in corners.tolist())
    start, end = ramp.tolist()
    (folder / "site.toml").write_text(
        f"""
[site]
name = "Handbook pond"
unit = "{unit}"
cell = 1.0
ground = "flat"

[[survey]]
name = "flat"
file = "flat.csv"

[codes]
GS = "ground"

[water]
pond = {GROUND}

[[element]]
type = "basin"
name = "pond"
water = "pond"
outline = {{ points = [{points}] }}
floor = {DEPTH}
batter = "2:1"
banks = [ {{ from = {start}, to = {end}, batter = "4:1" }} ]
edge_allowance = 0
"""
    )
    return folder


@pytest.mark.parametrize(("turn_deg", "clockwise"), [(0.0, True), (123.0, False)])
def test_the_whole_chain_gives_the_printed_cubic_yards(
    tmp_path: Path, monkeypatch, capsys, turn_deg: float, clockwise: bool
):
    """3,996 yd³ within 0.5 %, and 107,904 ft³ within the answer's own ±."""
    site = write_site(tmp_path, turn_deg=turn_deg, clockwise=clockwise)
    answer = run_json("volumes", site, monkeypatch, capsys)
    dug = answer["excavation_bank_m3"]
    assert dug / (YARD3_FT3 * FOOT**3) == pytest.approx(PRINTED_YD3, rel=0.005)
    assert abs(dug - EXACT_FT3 * FOOT**3) <= answer["excavation_bank_pm_m3"]
    assert answer["excavation_bank_pm_m3"] < 0.02 * dug
    for method in ("grid", "trapezoid", "prism"):
        assert answer["methods"][method]["cut_m3"] == pytest.approx(EXACT_FT3 * FOOT**3, rel=0.005)
        assert answer["methods"][method]["fill_m3"] == pytest.approx(0.0, abs=0.01)
    pond = answer["elements"]["pond"]
    assert pond["excavation_bank_m3"] == pytest.approx(dug, rel=1e-6)
    assert pond["max_depth_m"] == pytest.approx(DEPTH * FOOT, abs=1e-6)
    assert answer["backfill_compacted_m3"] == pytest.approx(0.0, abs=1e-6)
    assert answer["water_m3"] == pytest.approx(EXACT_FT3 * FOOT**3, rel=0.005)


@pytest.mark.slow
def test_the_same_pond_in_us_survey_feet(tmp_path: Path, monkeypatch, capsys):
    """1200/3937 m: cubes of the two feet are 6 in a million apart."""
    dug = {}
    for unit in ("ft", "us-ft"):
        folder = tmp_path / unit
        folder.mkdir()
        site = write_site(folder, turn_deg=31.0, clockwise=False, unit=unit)
        dug[unit] = run_json("volumes", site, monkeypatch, capsys)["excavation_bank_m3"]
    assert dug["us-ft"] / dug["ft"] - 1 == pytest.approx(6.0e-6, rel=0.05)


@pytest.mark.parametrize("turn_deg", [0.0, 31.0])
def test_every_method_is_within_its_own_bound(tmp_path: Path, turn_deg: float):
    """The exact 107,904 ft³, from the surfaces of the site."""
    from terrain.site import Site

    site = Site.open(write_site(tmp_path, turn_deg=turn_deg, clockwise=False))
    before, after, lattice = site.surface("existing"), site.surface("dig"), site.lattice
    west, south, east, north = lattice.bounds
    middle = (south + north) / 2
    baseline = np.array([[west, middle], [east, middle]])
    answers = {
        "grid": grid_volume(before, after, lattice),
        "prism": prism_volume(before, after, lattice),
        "trapezoid": trapezoid_volume(
            before, after, region=shapely.box(*lattice.bounds), baseline=baseline,
            spacing=2 * FOOT, tolerance_m3=1.0,
        ),
    }  # fmt: skip
    for method, answer in answers.items():
        assert abs(answer.cut_m3 - EXACT_FT3 * FOOT**3) <= answer.bound_m3, method
        assert answer.bound_m3 < 0.05 * answer.cut_m3, method


def test_the_pond_in_water_and_loads(tmp_path: Path, monkeypatch, capsys):
    """807,178 gallons at 201.974 a cubic yard (AH-590 prints 201.97; from memory), 417 loads.

    Common earth swells by 25 %: 4,995.6 yd³ loose, 417 loads of 12 yd³ (recomputed).
    """
    site = write_site(tmp_path, turn_deg=0.0, clockwise=False)
    plan = site / "site.toml"
    plan.write_text(
        plan.read_text()
        + """
[[soil]]
name = "common earth"
swell = 0.25
shrink = 0.10
bank_density = "1500 kg/m3"

[truck]
volume = "12 yd3"
payload = "40 t"
"""
    )
    water = run_json("volumes", site, monkeypatch, capsys)["water_m3"]
    assert water / (231 * 0.0254**3) == pytest.approx(807_178, rel=0.005)
    haul = run_json("haul", site, monkeypatch, capsys)
    assert haul["surplus_loose_m3"] / (YARD3_FT3 * FOOT**3) == pytest.approx(4995.6, rel=0.005)
    assert haul["loads"] == pytest.approx(417, abs=2)
    assert haul["loads"] == np.ceil(haul["surplus_loose_m3"] / (12 * YARD3_FT3 * FOOT**3))


def test_the_tops_and_floor_of_the_composed_dig(tmp_path: Path):
    """The plan areas of the handbook: 15,136 ft² at the top, 8,704 half way, 4,000 on the floor."""
    from terrain.site import Site

    composition = Site.open(write_site(tmp_path, turn_deg=17.0, clockwise=True)).composition
    depth = (composition.existing - composition.dig) / FOOT
    cell = composition.lattice.cell / FOOT
    for stage, area in ((1e-6, 15_136), (DEPTH / 2, 8_704), (DEPTH - 1e-6, 4_000)):
        assert np.count_nonzero(depth >= stage) * cell**2 == pytest.approx(area, rel=0.01)
    assert shapely.box(*composition.lattice.bounds).area > 0
