"""Excavations whose volume is known in closed form, as surfaces that any method can read."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from terrain.arrays import FloatArray


@dataclass(frozen=True)
class Formula:
    """A surface that is a function of (x, y) over a rectangle."""

    height: Callable[[FloatArray, FloatArray], FloatArray]
    bounds: tuple[float, float, float, float] = (-20.0, -20.0, 20.0, 20.0)

    @cached_property
    def footprint(self) -> shapely.Polygon:
        return shapely.box(*self.bounds)

    def elevation(self, xy: FloatArray) -> FloatArray:
        x, y = xy[:, 0], xy[:, 1]
        west, south, east, north = self.bounds
        inside = (x >= west) & (x <= east) & (y >= south) & (y <= north)
        return np.where(inside, self.height(x, y), np.nan)


@dataclass(frozen=True)
class Solid:
    """A hole: depth below level ground, and its exact volume."""

    name: str
    depth: Callable[[FloatArray, FloatArray], FloatArray]
    volume: float

    def dug(self, *, east: float = 0.0, north: float = 0.0, level: float = 0.0) -> Formula:
        """The bottom of the hole, moved by (`east`, `north`) under ground at `level`."""
        return Formula(
            lambda x, y: level - self.depth(x - east, y - north),
            (east - 20.0, north - 20.0, east + 20.0, north + 20.0),
        )


def level_ground(*, east: float = 0.0, north: float = 0.0, level: float = 0.0) -> Formula:
    """Level ground over the same rectangle as `Solid.dug`."""
    return Formula(
        lambda x, _: np.full_like(x, level),
        (east - 20.0, north - 20.0, east + 20.0, north + 20.0),
    )


def cone(radius: float, depth: float) -> Solid:
    """V = π R² H / 3."""
    return Solid(
        "cone",
        lambda x, y: np.maximum(0.0, depth * (1 - np.hypot(x, y) / radius)),
        np.pi * radius**2 * depth / 3,
    )


def round_frustum(rim: float, floor: float, depth: float) -> Solid:
    """V = π h (R² + R r + r²) / 3."""
    return Solid(
        "round frustum",
        lambda x, y: np.clip(depth * (rim - np.hypot(x, y)) / (rim - floor), 0.0, depth),
        np.pi * depth / 3 * (rim**2 + rim * floor + floor**2),
    )


def rectangular_frustum(length: float, width: float, depth: float, run: float) -> Solid:
    """V = L W D + (L + W) Z D² + 4/3 Z² D³, with L, W the floor and Z the run for 1 down."""

    def hole(x: FloatArray, y: FloatArray) -> FloatArray:
        inward = np.minimum(length / 2 - np.abs(x), width / 2 - np.abs(y)) + run * depth
        return np.clip(inward / run, 0.0, depth)

    volume = length * width * depth + (length + width) * run * depth**2
    return Solid("rectangular frustum", hole, volume + 4 / 3 * run**2 * depth**3)


def hemisphere(radius: float) -> Solid:
    """V = 2/3 π R³; the wall is vertical at the rim."""
    return Solid(
        "hemisphere",
        lambda x, y: np.sqrt(np.maximum(0.0, radius**2 - x**2 - y**2)),
        2 / 3 * np.pi * radius**3,
    )


def wedge(length: float, width: float, edge: float, depth: float, turn: float = 0.3) -> Solid:
    """V = b h (2 a + c) / 6 over a rectangle a × b with its lowest edge c along the middle.

    The rectangle is turned by `turn` radians, so that no face runs along a lattice line.
    """

    def hole(x: FloatArray, y: FloatArray) -> FloatArray:
        along = np.abs(x * np.cos(turn) + y * np.sin(turn))
        across = np.abs(y * np.cos(turn) - x * np.sin(turn))
        sides = (width / 2 - across) * 2 / width
        ends = (length / 2 - along) * 2 / (length - edge)
        return depth * np.maximum(0.0, np.minimum(sides, ends))

    return Solid("wedge", hole, width * depth * (2 * length + edge) / 6)
