"""A heap of spoil on level ground."""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class ConeHeap:
    """A cone of loose soil at its angle of repose."""

    volume_loose_m3: float
    height_m: float
    diameter_m: float
    repose_deg: float


def cone_heap(volume_loose_m3: float, repose_deg: float) -> ConeHeap:
    """The cone that holds a loose volume, `D = (24 V / (π tan R))^(1/3)`, `H = D/2 tan R`.

    (Nunnally, *Construction Methods and Management*, ch. 2, from memory; follows from V = πD²H/12.)
    """
    slope = math.tan(math.radians(repose_deg))
    diameter = (24 * volume_loose_m3 / (math.pi * slope)) ** (1 / 3)
    return ConeHeap(volume_loose_m3, diameter / 2 * slope, diameter, repose_deg)
