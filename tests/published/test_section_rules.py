"""Trapezoidal area, average end area, prismoidal formula and unit areas on printed examples.

Feet throughout, as printed: the rules know no unit.
"""

from itertools import pairwise

import numpy as np
import pytest

from terrain.earthwork.grid import corner_weighted_volume
from terrain.earthwork.sections import (
    average_end_area,
    prismoidal,
    prismoidal_correction,
    trapezoidal_area,
)

CUBIC_YARD = 27.0


def level_section(base: float, run: float, height: float) -> float:
    """Area of a section with a level top, by its four corners."""
    half = base / 2
    offsets = np.array([-half - run * height, -half, half, half + run * height])
    return trapezoidal_area(offsets, np.array([0.0, height, height, 0.0]))


def level_correction(length: float, base: float, run: float, heights: tuple[float, float]) -> float:
    """The correction from centre heights and total widths, w = base + 2 s h."""
    low, high = heights
    return prismoidal_correction(length, heights, (base + 2 * run * low, base + 2 * run * high))


@pytest.mark.parametrize(
    ("base", "run", "height", "area"),
    [(20, 1.5, 5, 137.5), (20, 1.5, 10, 350), (20, 1.5, 15, 637.5), (20, 1.5, 0, 0)],
)
def test_section_areas_of_a_railroad_cut(base: float, run: float, height: float, area: float):
    """Vose, Handbook of Railroad Construction (1857), §108: the areas of the printed example."""
    assert level_section(base, run, height) == pytest.approx(area, rel=1e-12, abs=1e-12)


def test_trapezoidal_area_of_uneven_ordinates():
    """Closed form: strips 2 and 3 wide under 0-4-1 are 4 and 7.5."""
    area = trapezoidal_area(np.array([0.0, 2.0, 5.0]), np.array([0.0, 4.0, 1.0]))
    assert area == pytest.approx(11.5, rel=1e-12)


def test_average_end_area_of_two_sections():
    """Ghilani & Wolf, Elementary Surveying, example 26.1 (inputs from memory): 2,270 yd³."""
    volume = average_end_area(np.array([0.0, 100.0]), np.array([711.0, 515.0]))
    assert volume == pytest.approx(61_300, rel=1e-12)
    assert round(volume / CUBIC_YARD, -1) == 2270


def test_prismoidal_formula_of_an_embankment():
    """Hicks, Handbook of Civil Engineering Calculations, earthwork: 6,904 yd³.

    The middle area comes from averaged dimensions: [30 (40 + 70) + (36 - 30) 70] / 2 = 1860 ft².
    """
    middle = (30 * (40 + 70) + (36 - 30) * 70) / 2
    stations, areas = np.array([0.0, 100.0]), np.array([1504.0, 2240.0])
    assert middle == 1860
    volume = prismoidal(stations, areas, np.array([middle])) / CUBIC_YARD
    assert round(volume) == 6904
    assert average_end_area(stations, areas) / CUBIC_YARD == pytest.approx(6933.3, abs=0.05)


def test_railroad_cut_by_both_rules():
    """Vose (1857), §108: cuts 0, 5, 10, 15, 0 ft at 50 ft; average end areas 56,250 ft³.

    The book prints 56,200 from rounded means. The prismoidal 52,500 ft³ is closed form, and so is
    the correction: on level sections L / 12 (c₁ - c₂)(w₁ - w₂) = L s (h₁ - h₂)² / 6.
    """
    heights = np.array([0.0, 5.0, 10.0, 15.0, 0.0])
    stations = 50.0 * np.arange(5)
    areas = np.array([level_section(20, 1.5, h) for h in heights])
    middles = np.array([level_section(20, 1.5, h) for h in (heights[:-1] + heights[1:]) / 2])
    end_areas, exact = average_end_area(stations, areas), prismoidal(stations, areas, middles)
    assert end_areas == pytest.approx(56_250, rel=1e-12)
    assert end_areas == pytest.approx(56_200, rel=1e-3)
    assert exact == pytest.approx(52_500, rel=1e-12)
    steps = pairwise(heights)
    by_heights = sum(50 * 1.5 * np.diff(heights) ** 2 / 6)
    assert by_heights == pytest.approx(3750, rel=1e-12)
    correction = sum(level_correction(50, 20, 1.5, pair) for pair in steps)
    assert end_areas - exact == pytest.approx(correction, rel=1e-12)


def test_prismoidal_correction_of_level_sections():
    """Closed form: base 20 ft, 2:1, heights 4 and 10 ft, 100 ft apart; correction 1,200 ft³."""
    stations = np.array([0.0, 100.0])
    areas = np.array([level_section(20, 2, 4), level_section(20, 2, 10)])
    end_areas = average_end_area(stations, areas)
    exact = prismoidal(stations, areas, np.array([level_section(20, 2, 7)]))
    assert end_areas / CUBIC_YARD == pytest.approx(948.15, abs=0.005)
    assert exact / CUBIC_YARD == pytest.approx(903.70, abs=0.005)
    assert end_areas - exact == pytest.approx(1200, rel=1e-12)
    assert level_correction(100, 20, 2, (4, 10)) == pytest.approx(1200, rel=1e-12)


def test_one_cell_raised_to_a_level():
    """A published examination-type problem: 50 ft cell, 2.15 ft of fill, 199 yd³."""
    corners = np.array([[87.6, 87.6], [87.6, 88.6]])
    volume = corner_weighted_volume(90.0 - corners, 2500.0)
    assert volume == pytest.approx(2500 * 2.15, rel=1e-12)
    assert round(volume / CUBIC_YARD) == 199


def test_borrow_pit_weights_corners_by_the_cells_they_touch():
    """Closed form: an L of three 20 ft cells, weights 1, 2, 1, 2, 3, 1, 1, 1: 4,800 ft³."""
    heights = np.array([[4.0, 5.0, 6.0], [3.0, 4.0, 5.0], [2.0, 3.0, np.nan]])
    weights = np.array([[1, 2, 1], [2, 3, 1], [1, 1, 0]])
    by_hand = 400 / 4 * np.nansum(weights * heights)
    volume = corner_weighted_volume(heights, 400.0)
    assert by_hand == pytest.approx(4800, rel=1e-12)
    assert volume == pytest.approx(4800, rel=1e-12)
    assert volume / CUBIC_YARD == pytest.approx(177.78, abs=0.005)


def test_round_frustum_is_prismoidal_and_end_areas_overstate_it():
    """Closed form: R 10, r 4, h 3 is 490.0885; average end areas give 546.64."""
    stations, areas = np.array([0.0, 3.0]), np.pi * np.array([10.0, 4.0]) ** 2
    exact = np.pi * 3 / 3 * (10**2 + 10 * 4 + 4**2)
    assert exact == pytest.approx(490.0885, abs=5e-5)
    assert prismoidal(stations, areas, np.array([np.pi * 7.0**2])) == pytest.approx(
        exact, rel=1e-12
    )
    assert average_end_area(stations, areas) == pytest.approx(546.64, abs=0.005)


def test_dam_with_vertical_ends():
    """A published problem: bottom 100 ft, top 14 ft, 15 ft high, 300 ft long: 9,500 yd³."""
    area = trapezoidal_area(np.array([0.0, 43.0, 57.0, 100.0]), np.array([0.0, 15.0, 15.0, 0.0]))
    stations, areas = np.array([0.0, 300.0]), np.array([area, area])
    assert average_end_area(stations, areas) == pytest.approx(256_500, rel=1e-12)
    volume = prismoidal(stations, areas, np.array([area])) / CUBIC_YARD
    assert volume == pytest.approx(9500, rel=1e-12)


def test_pyramid_by_both_rules():
    """Closed form: area falling with the square of the distance; end areas are 1.5 times it."""
    stations, areas = np.array([0.0, 9.0]), np.array([100.0, 0.0])
    assert prismoidal(stations, areas, np.array([25.0])) == pytest.approx(300, rel=1e-12)
    assert average_end_area(stations, areas) == pytest.approx(450, rel=1e-12)
