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


def prismoidal_corrections(
    stations: FloatArray, areas: FloatArray, mid_areas: FloatArray
) -> FloatArray:
    """What average end areas overstate in each stretch, `L (A₁ − 2 Aₘ + A₂) / 3`, (k − 1,), m³.

    The difference of the two rules; for three-level sections it is `prismoidal_correction`.
    """
    return np.diff(stations) * (areas[:-1] - 2 * mid_areas + areas[1:]) / 3


def curved_volume(length: float, area: float, offset: float, radius: float) -> float:
    """Volume of a section swept along an arc, `A L (1 − e / R)`, m³.

    Pappus: the area moves as far as its centroid does.

    Parameters
    ----------
    length
        Of the arc along the baseline, m.
    area
        Of the section, m².
    offset
        Of the section's centroid from the baseline, towards the centre, m; negative outward.
    radius
        Of the baseline, m.
    """
    return area * length * (1 - offset / radius)


def conical(levels: FloatArray, areas: FloatArray) -> float:
    """Volume between level slices, `Σ h (A₁ + A₂ + √(A₁ A₂)) / 3`, m³.

    Exact where slices are alike in shape and grow evenly, as in a cone; too small for a basin of
    even slopes that is longer than wide. (Frustum of a cone; stage-storage rule of FHWA HEC-22,
    ch. 8, from memory.)
    """
    first, second = areas[:-1], areas[1:]
    return float(np.sum(np.diff(levels) * (first + second + np.sqrt(first * second))) / 3)
