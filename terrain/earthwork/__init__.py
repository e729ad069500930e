"""Volumes of earth between surfaces, and what they are made of."""

from terrain.earthwork.cutfill import CutFill
from terrain.earthwork.displacement import displacement
from terrain.earthwork.grid import corner_weighted_volume, grid_volume
from terrain.earthwork.liner import draped_area
from terrain.earthwork.prism import prism_volume
from terrain.earthwork.quantities import ElementQuantities, LiftPlan, measure_elements
from terrain.earthwork.sections import (
    average_end_area,
    prismoidal,
    prismoidal_correction,
    trapezoidal_area,
)
from terrain.earthwork.soil import (
    Soil,
    bank_to_compacted,
    bank_to_loose,
    compacted_to_bank,
    loose_to_bank,
)
from terrain.earthwork.trapezoid import TrapezoidVolume, trapezoid_volume
from terrain.earthwork.uncertainty import Part, Uncertainty

__all__ = [
    "CutFill",
    "ElementQuantities",
    "LiftPlan",
    "Part",
    "Soil",
    "TrapezoidVolume",
    "Uncertainty",
    "average_end_area",
    "bank_to_compacted",
    "bank_to_loose",
    "compacted_to_bank",
    "corner_weighted_volume",
    "displacement",
    "draped_area",
    "grid_volume",
    "loose_to_bank",
    "measure_elements",
    "prism_volume",
    "prismoidal",
    "prismoidal_correction",
    "trapezoid_volume",
    "trapezoidal_area",
]
