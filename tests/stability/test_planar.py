"""Long even slopes and planes out of steep faces: closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.stability import WATER_N_M3, SlopeSoil, infinite_slope, slope_section, worst_wedge
from terrain.stability.planar import worst_plane
from terrain.stability.soils import check_soil


def sand(phi: float = 30.0, cohesion: float = 0.0) -> SlopeSoil:
    return SlopeSoil("sand", cohesion, phi, 18e3, 20e3)


def test_dry_sand_and_seepage_along_the_slope():
    """tan φ / tan β, times γ′ / γ where water seeps up to the surface; φ 30°, 2:1 and 3:1."""
    assert infinite_slope(0.5, 1.0, sand()) == pytest.approx(1.1547, abs=1e-4)
    assert infinite_slope(0.5, 1.0, sand(), water_share=1) == pytest.approx(0.5883, abs=1e-4)
    assert infinite_slope(1 / 3, 1.0, sand(), water_share=1) == pytest.approx(0.8825, abs=1e-4)


@given(st.floats(0.05, 1.5), st.floats(0.1, 10), st.floats(5, 45))
def test_sand_does_not_care_how_thick_it_lies(slope, thickness, phi):
    one, other = (infinite_slope(slope, d, sand(phi)) for d in (thickness, 2 * thickness))
    assert one == pytest.approx(np.tan(np.radians(phi)) / slope)
    assert other == pytest.approx(one)


@given(st.floats(0.05, 1.0), st.floats(0.05, 0.5), st.floats(10, 40), st.floats(5, 35))
def test_gravel_on_a_liner_slides_by_the_weaker_of_the_two(slope, thickness, phi, smooth):
    liner = SlopeSoil("liner", 0.0, smooth, 18e3, 20e3)
    on_liner = infinite_slope(slope, thickness, sand(phi), interface=liner)
    assert on_liner == pytest.approx(np.tan(np.radians(smooth)) / slope)


def test_cohesion_holds_a_thin_layer():
    """c′ adds `c / (γ d sin β cos β)`."""
    soil, beta = sand(25.0, 2e3), np.arctan(0.5)
    more = 2e3 / (18e3 * 0.4 * np.sin(beta) * np.cos(beta))
    assert infinite_slope(0.5, 0.4, soil) == pytest.approx(
        infinite_slope(0.5, 0.4, sand(25.0)) + more
    )


def test_a_shaken_slope_stands_worse():
    still, shaken = (infinite_slope(0.4, 1.0, sand(), seismic=k) for k in (0.0, 0.15))
    beta, phi = np.arctan(0.4), np.radians(30)
    theta = np.arctan(0.15)
    assert shaken == pytest.approx(np.tan(phi) / np.tan(beta + theta))
    assert shaken < still


def test_weights_are_in_newtons():
    assert pytest.approx(62.4, abs=0.1) == WATER_N_M3 / 157.0874638  # lb/ft³
    assert check_soil(sand()) == sand()


def test_the_worst_plane_of_one_soil_is_the_wedge_of_its_toe():
    """Culmann's wedge in closed form, and its strengths told apart."""
    ground = np.array([[-4.0, 0.0], [0.0, 0.0], [0.3, 2.0], [9.0, 2.0]])
    soil = SlopeSoil("clay", 5e3, 25.0, 18e3, 19e3)
    found = worst_plane(slope_section(ground, [soil]), 2.0)
    wedge = worst_wedge(2.0, float(np.arctan2(2.0, 0.3)), soil)
    assert found.factor == pytest.approx(wedge.factor, rel=2e-3)
    assert found.dip_deg == pytest.approx(wedge.dip_deg, abs=1.5)
    twice = found.factors(2 * np.array([[[5e3, soil.tan_friction]]]))
    assert twice == pytest.approx(2 * found.factor)


def test_a_weak_top_slides_over_what_bears_it():
    """Half a metre of sand over rock: the wedge of the sand alone, by its own height."""
    ground = np.array([[-4.0, 0.0], [0.0, 0.0], [0.02, 2.0], [9.0, 2.0]])
    sand, rock = SlopeSoil("sand", 1e3, 30.0, 18e3, 19e3), SlopeSoil("rock", 2e5, 40.0, 24e3, 24e3)
    top = np.array([[-4.0, 1.5], [0.015, 1.5], [9.0, 1.5]])
    found = worst_plane(slope_section(ground, [sand, rock], tops=[top]), 2.0)
    wedge = worst_wedge(0.5, float(np.arctan2(2.0, 0.02)), sand)
    assert found.factor == pytest.approx(wedge.factor, rel=0.02)
    assert found.line[0, 1] == pytest.approx(1.5, abs=0.01)
