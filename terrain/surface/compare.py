"""How heights measured twice differ."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray
from terrain.surface.protocol import Surface


@dataclass(frozen=True)
class Difference:
    """Heights above a reference surface, at the places that it knows.

    Attributes
    ----------
    places
        How many there are.
    median_m, nmad_m
        Median, and 1.4826 × the median distance from it (NMAD; Höhle & Höhle 2009), m.
    """

    places: int
    median_m: float
    nmad_m: float


def difference(heights: FloatArray, reference: Surface, xy: FloatArray) -> Difference:
    """Compare heights, shape (n,), at places `xy`, shape (n, 2), with a reference surface."""
    above = heights - reference.elevation(xy)
    above = above[np.isfinite(above)]
    if above.size == 0:
        return Difference(0, float("nan"), float("nan"))
    median = float(np.median(above))
    return Difference(above.size, median, 1.4826 * float(np.median(np.abs(above - median))))
