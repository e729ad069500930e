"""Whether slopes stand: sections, slices, the search for the worst slip, and planes."""

from terrain.stability.methods import SpencerFactor, bishop, janbu, ordinary, spencer
from terrain.stability.planar import (
    Wedge,
    culmann_height,
    infinite_slope,
    wedge_on_plane,
    worst_wedge,
)
from terrain.stability.search import Critical, critical_circle
from terrain.stability.section import SlopeSection, drawn_down, slope_section
from terrain.stability.slices import (
    Circle,
    Slices,
    circle_through,
    slices_of_circle,
    slices_of_line,
)
from terrain.stability.soils import WATER_N_M3, SlopeSoil

__all__ = [
    "WATER_N_M3",
    "Circle",
    "Critical",
    "Slices",
    "SlopeSection",
    "SlopeSoil",
    "SpencerFactor",
    "Wedge",
    "bishop",
    "circle_through",
    "critical_circle",
    "culmann_height",
    "drawn_down",
    "infinite_slope",
    "janbu",
    "ordinary",
    "slices_of_circle",
    "slices_of_line",
    "slope_section",
    "spencer",
    "wedge_on_plane",
    "worst_wedge",
]
