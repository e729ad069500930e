"""Soil states and loads against field-manual and textbook numbers."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.earthwork.soil import (
    Soil,
    bank_to_compacted,
    bank_to_loose,
    compacted_to_bank,
    loose_to_bank,
)
from terrain.haul.heap import cone_heap
from terrain.haul.loads import Truck, load_volume, loads
from terrain.units import parse_density, parse_mass, parse_volume

# FM 5-434 (2000), table 1-1, from memory; every entry recomputed from bank to loose and compacted.
#       soil: B→L,  B→C,  L→B,  L→C,  C→B,  C→L
FM_5_434 = {
    "sand": (1.11, 0.95, 0.90, 0.86, 1.05, 1.17),
    "loam (common earth)": (1.25, 0.90, 0.80, 0.72, 1.11, 1.39),
    "clay": (1.43, 0.90, 0.70, 0.63, 1.11, 1.59),
    "rock (blasted)": (1.50, 1.30, 0.67, 0.87, 0.77, 1.15),
    "coral": (1.50, 1.30, 0.67, 0.87, 0.77, 1.15),
}
YARD3 = parse_volume("1 yd3")
ROUNDED = 0.005 + 1e-12  # a table to two decimals


def soil(swell: float, shrink: float, density: str = "1900 kg/m3") -> Soil:
    return Soil("of the table", swell, shrink, parse_density(density))


@pytest.mark.parametrize("name", FM_5_434)
def test_every_conversion_of_the_field_manual(name: str):
    """FM 5-434, table 1-1, from memory: six factors a soil from its first two."""
    to_loose, to_compacted, loose_bank, loose_compacted, compacted_bank, compacted_loose = FM_5_434[
        name
    ]
    of_table = soil(to_loose - 1, 1 - to_compacted)
    assert bank_to_loose(1.0, of_table) == pytest.approx(to_loose, rel=1e-12)
    assert bank_to_compacted(1.0, of_table) == pytest.approx(to_compacted, rel=1e-12)
    assert loose_to_bank(1.0, of_table) == pytest.approx(loose_bank, abs=ROUNDED)
    assert compacted_to_bank(1.0, of_table) == pytest.approx(compacted_bank, abs=ROUNDED)
    assert bank_to_compacted(loose_to_bank(1.0, of_table), of_table) == pytest.approx(
        loose_compacted, abs=ROUNDED
    )
    assert bank_to_loose(compacted_to_bank(1.0, of_table), of_table) == pytest.approx(
        compacted_loose, abs=ROUNDED
    )
    assert to_compacted / to_loose == pytest.approx(loose_compacted, abs=ROUNDED)


def test_rock_grows_even_when_compacted():
    """FM 5-434, table 1-1, from memory: 100 yd³ of blasted rock in place fill 130 compacted."""
    blasted = soil(0.50, -0.30)
    assert bank_to_compacted(100.0, blasted) == pytest.approx(130.0, rel=1e-12)


@pytest.mark.parametrize(
    ("bank", "loose", "swell", "load_factor"),
    [(3400, 2700, 0.2593, 0.794), (3000, 2310, 0.299, 0.770)],
)
def test_swell_from_densities(bank: float, loose: float, swell: float, load_factor: float):
    """Published problems in lb/yd³: swell = bank / loose − 1, load factor its reciprocal."""
    earth = Soil("", bank / loose - 1, 0.0, parse_density(f"{bank} lb/yd3"))
    assert earth.swell == pytest.approx(swell, abs=5e-4)
    assert loose_to_bank(1.0, earth) == pytest.approx(load_factor, abs=5e-4)
    assert earth.loose_density == pytest.approx(parse_density(f"{loose} lb/yd3"), rel=1e-12)


def test_a_ton_in_bank_and_loose_yards():
    """A published problem: at 3,400 bank and 2,700 loose lb/yd³ a ton is 0.588 and 0.741 yd³."""
    earth = Soil("", 3400 / 2700 - 1, 0.0, parse_density("3400 lb/yd3"))
    ton = parse_mass("1 ton")
    assert ton / earth.bank_density / YARD3 == pytest.approx(0.588, abs=5e-4)
    assert ton / earth.loose_density / YARD3 == pytest.approx(0.741, abs=5e-4)


def test_a_clay_pond_in_loads():
    """A published problem (results recomputed): 165,000 ft³ = 6,111 BCY = 7,937 LCY = 662 loads.

    Clay 3,000 bank, 2,310 loose and 3,750 compacted lb/yd³; a truck holds 12 yd³.
    """
    clay = Soil("clay", 3000 / 2310 - 1, 1 - 3000 / 3750, parse_density("3000 lb/yd3"))
    bank = parse_volume("165000 ft3")
    loose = bank_to_loose(bank, clay)
    assert round(bank / YARD3) == 6111
    assert round(loose / YARD3) == 7937
    assert clay.shrink == pytest.approx(0.20, rel=1e-12)
    assert bank_to_compacted(bank, clay) / bank == pytest.approx(0.80, rel=1e-12)
    truck = Truck(12 * YARD3, parse_mass("40000 lb"))
    assert loads(loose, load_volume(truck, clay.loose_density)) == 662


@pytest.mark.parametrize(
    ("density", "yards", "pounds"), [(2310, 12.0, 27_720), (3374, 11.855, 40_000)]
)
def test_a_load_is_limited_by_volume_or_by_weight(density: float, yards: float, pounds: float):
    """Closed form, 12 yd³ and 40,000 lb: clay fills the body; wet gravel reaches the payload.

    3,374 lb/yd³ is the wet gravel of a published density table.
    """
    loose = parse_density(f"{density} lb/yd3")
    load = load_volume(Truck(12 * YARD3, parse_mass("40000 lb")), loose)
    assert load / YARD3 == pytest.approx(yards, abs=5e-4)
    assert load * loose == pytest.approx(parse_mass(f"{pounds} lb"), rel=1e-12)


@pytest.mark.parametrize(
    ("name", "loose_yards", "count"), [("loam (common earth)", 4995.6, 417), ("clay", 5714.9, 477)]
)
def test_loads_of_the_handbook_pond(name: str, loose_yards: float, count: int):
    """AH-590's 3,996.44 yd³ (from memory) by FM 5-434 factors, in trucks of 12 yd³; recomputed."""
    earth = soil(FM_5_434[name][0] - 1, 0.10)
    loose = bank_to_loose(parse_volume("107904 ft3"), earth)
    assert loose / YARD3 == pytest.approx(loose_yards, abs=0.05)
    assert loads(loose, 12 * YARD3) == count


@pytest.mark.parametrize(("loose", "count"), [(0.0, 0), (0.1, 1), (10.0, 1), (10.1, 2), (30.0, 3)])
def test_a_part_load_is_a_load(loose: float, count: int):
    assert loads(loose, 10.0) == count


def test_loads_of_volumes_that_are_whole_but_for_rounding():
    """Closed form: 0.1 m³ times three is 0.3 m³, three loads and not four."""
    assert loads(0.1 + 0.1 + 0.1, 0.1) == 3


@pytest.mark.parametrize(
    ("bank_m3", "swell", "repose_deg", "diameter", "height"),
    [(382.3, 0.12, 32.0, 17.36, 5.43)],
)
def test_a_conical_heap(
    bank_m3: float, swell: float, repose_deg: float, diameter: float, height: float
):
    """Nunnally, Construction Methods and Management, ch. 2 (from memory, recomputed)."""
    heap = cone_heap(bank_to_loose(bank_m3, soil(swell, 0.0)), repose_deg)
    assert heap.diameter_m == pytest.approx(diameter, abs=0.006)
    assert heap.height_m == pytest.approx(height, abs=0.006)


def test_a_conical_heap_of_a_hundred_yards():
    """Closed form: 100 yd³ loose at 32° is 32.08 ft across and 10.02 ft high."""
    heap = cone_heap(100 * YARD3, 32.0)
    assert heap.diameter_m / 0.3048 == pytest.approx(32.08, abs=0.005)
    assert heap.height_m / 0.3048 == pytest.approx(10.02, abs=0.005)


@given(
    volume=st.floats(1e-3, 1e6),
    swell=st.floats(0.0, 1.0),
    shrink=st.floats(-0.5, 0.5),
)
def test_states_convert_there_and_back(volume: float, swell: float, shrink: float):
    """Identities; mass stays while the volume swells."""
    earth = soil(swell, shrink)
    loose = bank_to_loose(volume, earth)
    assert loose_to_bank(loose, earth) == pytest.approx(volume, rel=1e-12)
    assert compacted_to_bank(bank_to_compacted(volume, earth), earth) == pytest.approx(
        volume, rel=1e-12
    )
    assert loose * earth.loose_density == pytest.approx(volume * earth.bank_density, rel=1e-12)
