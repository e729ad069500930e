"""Surfaces: anything that answers how high it is at (x, y)."""

from terrain.surface.compare import Difference, difference
from terrain.surface.grid import Grid
from terrain.surface.lattice import Lattice
from terrain.surface.plane import Plane
from terrain.surface.protocol import Surface
from terrain.surface.tin import Tin, build_tin

__all__ = ["Difference", "Grid", "Lattice", "Plane", "Surface", "Tin", "build_tin", "difference"]
