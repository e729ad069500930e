"""Surfaces: anything that answers how high it is at (x, y)."""

from terrain.surface.compare import Difference, difference
from terrain.surface.from_points import build_tin
from terrain.surface.grid import Grid
from terrain.surface.lattice import Lattice
from terrain.surface.merge import Merged
from terrain.surface.plane import Plane
from terrain.surface.protocol import Surface
from terrain.surface.tin import Tin
from terrain.surface.trimming import trim_by_alpha, trim_by_length

__all__ = [
    "Difference",
    "Grid",
    "Lattice",
    "Merged",
    "Plane",
    "Surface",
    "Tin",
    "build_tin",
    "difference",
    "trim_by_alpha",
    "trim_by_length",
]
