"""Several surfaces as one: the first that knows a place rules it, and its border is feathered."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray
from terrain.surface.borders import Border, border_of
from terrain.surface.grid import Grid
from terrain.surface.lattice import Lattice
from terrain.surface.protocol import Surface
from terrain.surface.tin import Tin

_MOST_STEPS = 4000  # places asked along one seam
_ASIDE_M = 1e-6


@dataclass(frozen=True)
class Merged:
    """Surfaces in order of priority, the highest first.

    Within `seam_m` of its border, holes included, a surface is feathered into what lies below it.
    With `a` the distance to its own border and `b` that to the border of what lies below, its
    share is `s(a / min(seam_m, a + b))`, `s(t) = t²(3 − 2t)`: nothing on its own border, all of it
    one seam inward, and all of it where the lower surface ends, so that the heights are continuous
    across both borders; only where the two borders meet in one point can they not be.

    Attributes
    ----------
    surfaces
        At least one.
    seam_m
        Width of the feathering, m; 0 leaves a step.
    """

    surfaces: tuple[Surface, ...]
    seam_m: float

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m; NaN where no surface has one."""
        return self._blend(xy, [surface.elevation(xy) for surface in self.surfaces])[0]

    def shares(self, xy: FloatArray) -> FloatArray:
        """Share of each of the k surfaces in the height at `xy`, shape (n, 2) → (n, k).

        They sum to 1, or are all 0 off the surface.
        """
        return self._blend(xy, [surface.elevation(xy) for surface in self.surfaces])[1]

    def on_lattice(self, lattice: Lattice) -> Grid:
        """Heights at every node of `lattice`, the same as `elevation` to rounding."""
        heights = [_at_nodes(surface, lattice) for surface in self.surfaces]
        return Grid(lattice, self._blend(lattice.nodes, heights)[0].reshape(lattice.shape))

    @cached_property
    def footprint(self) -> shapely.Polygon | shapely.MultiPolygon:
        """Where any of the surfaces has a height."""
        return self._reaches[0]

    @cached_property
    def _reaches(self) -> tuple[shapely.Polygon | shapely.MultiPolygon, ...]:
        """For each surface, what it and all below it cover."""
        reach = self.surfaces[-1].footprint
        reaches = [reach]
        for surface in self.surfaces[-2::-1]:
            reach = surface.footprint.union(reach)
            reaches.append(reach)
        return tuple(reversed(reaches))

    @cached_property
    def _borders(self) -> tuple[tuple[Border, Border], ...]:
        """For each surface but the last: its own border, and that of all below it."""
        return tuple(
            (
                border_of(surface.footprint, reach_m=self.seam_m),
                border_of(below, reach_m=self.seam_m),
            )
            for surface, below in zip(self.surfaces, self._reaches[1:], strict=False)
        )

    def _blend(self, xy: FloatArray, heights: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
        shares = np.zeros((len(xy), len(heights)))
        shares[:, -1] = np.isfinite(heights[-1])
        z = heights[-1].copy()
        for k in range(len(heights) - 2, -1, -1):
            upper = np.isfinite(heights[k])
            share = upper.astype(np.float64)
            both = upper & np.isfinite(z)
            if self.seam_m > 0:
                share[both] = self._share(k, xy[both])
            z[upper & ~both] = heights[k][upper & ~both]
            z[both] += share[both] * (heights[k][both] - z[both])
            shares *= 1.0 - share[:, None]
            shares[:, k] = share
        return z, shares

    def _share(self, k: int, xy: FloatArray) -> FloatArray:
        own, below = self._borders[k]
        a = own.distance(xy)
        near = a < self.seam_m
        width = a[near] + below.distance(xy[near])
        t = np.ones(len(xy))
        t[near] = a[near] / np.clip(width, 1e-12, self.seam_m)
        share: FloatArray = t * t * (3.0 - 2.0 * t)
        return share


def _at_nodes(surface: Surface, lattice: Lattice) -> FloatArray:
    if isinstance(surface, Grid | Tin | Merged):
        return surface.on_lattice(lattice).z.ravel()
    return surface.elevation(lattice.nodes)


@dataclass(frozen=True)
class SeamStep:
    """How far a surface stands above those below it, along its border.

    A median far from 0 beside its NMAD says that the two were not measured from one datum.

    Attributes
    ----------
    surface
        Which of the merged surfaces, from 0.
    places
        How many were compared; 0 where nothing lies below its border.
    median_m, nmad_m
        Median, and 1.4826 × the median distance from it (NMAD; Höhle & Höhle 2009), m.
    largest_m, where
        The step farthest from 0, with its sign, and its place.
    """

    surface: int
    places: int
    median_m: float
    nmad_m: float
    largest_m: float
    where: tuple[float, float]


def seam_steps(merged: Merged) -> tuple[SeamStep, ...]:
    """The steps along the border of each surface but the lowest, before they are feathered."""
    steps = []
    for k, surface in enumerate(merged.surfaces[:-1]):
        below = Merged(merged.surfaces[k + 1 :], 0.0)
        places, known = _along_border(surface)
        step = surface.elevation(places[known]) - below.elevation(places[known])
        found = np.isfinite(step)
        steps.append(_seam_step(k, step[found], places[known][found]))
    return tuple(steps)


def _seam_step(surface: int, step: FloatArray, places: FloatArray) -> SeamStep:
    if not step.size:
        nan = float("nan")
        return SeamStep(surface, 0, nan, nan, nan, (nan, nan))
    median = float(np.median(step))
    nmad = 1.4826 * float(np.median(np.abs(step - median)))
    worst = int(np.argmax(np.abs(step)))
    where = (float(places[worst, 0]), float(places[worst, 1]))
    return SeamStep(surface, step.size, median, nmad, float(step[worst]), where)


def _along_border(surface: Surface) -> tuple[FloatArray, BoolArray]:
    """Evenly spaced places a hair inside the border, shape (n, 2), and which have a height."""
    border = surface.footprint.boundary
    every = max(border.length / _MOST_STEPS, 1e-9)
    lines = shapely.segmentize(border, every)
    ends, line = shapely.get_coordinates(shapely.get_parts(lines), return_index=True)
    same = line[1:] == line[:-1]
    start, end = ends[:-1][same], ends[1:][same]
    along = end - start
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)
    aside = _ASIDE_M * np.column_stack([-along[:, 1], along[:, 0]]) / length[:, None]
    middle = 0.5 * (start + end)
    inside = np.isfinite(surface.elevation(middle + aside))
    places = np.where(inside[:, None], middle + aside, middle - aside)
    return places, np.isfinite(surface.elevation(places))
