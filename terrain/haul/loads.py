"""Truck loads: by volume or by weight, whichever binds."""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Truck:
    """What one load may hold: heaped volume (m³, loose) and payload (kg)."""

    volume_m3: float
    payload_kg: float


def load_volume(truck: Truck, loose_density: float) -> float:
    """Loose volume of one load, m³: the smaller of the body and what its payload weighs.

    Parameters
    ----------
    truck
        The truck.
    loose_density
        kg/m³ of the soil as it lies in the body.
    """
    return min(truck.volume_m3, truck.payload_kg / loose_density)


def loads(volume_loose_m3: float, load_volume_m3: float) -> int:
    """Number of loads for a loose volume; a part load is a load."""
    return max(0, math.ceil(volume_loose_m3 / load_volume_m3 - 1e-9))
