"""The section rules: area from offsets and heights, volume from stations and areas."""

import numpy as np

from terrain.arrays import FloatArray


def trapezoidal_area(offsets: FloatArray, heights: FloatArray) -> float:
    """Area of a section by the trapezoidal rule, m².

    Parameters
    ----------
    offsets
        Ascending, shape (k,), m.
    heights
        Cut or fill at each offset, shape (k,), m.
    """
    return float(np.trapezoid(heights, offsets))


def average_end_area(stations: FloatArray, areas: FloatArray) -> float:
    """Volume by average end areas, `Σ L (A₁ + A₂) / 2`, m³.

    Exact where the area is linear in the distance; too large where a solid runs out to a point.
    (Ghilani & Wolf, *Elementary Surveying*, ch. 26.)
    """
    return float(np.trapezoid(areas, stations))


def prismoidal(stations: FloatArray, areas: FloatArray, mid_areas: FloatArray) -> float:
    """Volume by the prismoidal formula, `Σ L (A₁ + 4 Aₘ + A₂) / 6`, m³.

    Exact where the area is a cubic (or less) of the distance. `mid_areas`, shape (k − 1,), are
    true sections half-way between stations, not means of their neighbours' areas.
    (Ghilani & Wolf, *Elementary Surveying*, ch. 26.)
    """
    lengths = np.diff(stations)
    return float(np.sum(lengths * (areas[:-1] + 4 * mid_areas + areas[1:])) / 6)


def prismoidal_correction(
    length: float,
    centre_heights: tuple[float, float],
    widths: tuple[float, float],
) -> float:
    """What average end areas overstate, `L (c₁ − c₂)(w₁ − w₂) / 12`, m³.

    For three-level sections with centre heights c and total top widths w; subtract it.
    (Ghilani & Wolf, *Elementary Surveying*, ch. 26.)
    """
    (c1, c2), (w1, w2) = centre_heights, widths
    return length * (c1 - c2) * (w1 - w2) / 12
