"""Which of the lowest heights of a grid are ground: progressive morphological opening.

After W. T. Pingel, K. C. Clarke and W. A. McBride (2013), "An improved simple morphological filter
for the terrain classification of airborne LIDAR data", ISPRS Journal of Photogrammetry and Remote
Sensing 77, 21–30: openings by growing windows, a height threshold that grows with the window by a
slope, low outliers by the same filter turned over. The least step added to the threshold is that
of K. Zhang et al. (2003), "A progressive morphological filter for removing nonground measurements
from airborne LIDAR data", IEEE Transactions on Geoscience and Remote Sensing 41(4), 872–882.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray
from terrain.surface.gaps import fill_everywhere

Sweep: TypeAlias = Callable[..., FloatArray | None]

LOW_SLOPE = 5.0  # a pit steeper than this on every side is a stray return (Pingel et al. 2013)
LOW_REACH_M = 1.5
TILT_SCALE = 1.25  # share of the ground's slope that a cell's threshold allows for (same source)
GROWTH = 2.0  # of one window over the one before


@dataclass(frozen=True)
class Opening:
    """How things that stand on the ground are told from it.

    Attributes
    ----------
    slope
        Rise over run up to which terrain is kept whatever its shape.
    largest_object_m
        Widest thing that is removed, m.
    step_m
        Height that is never taken for a thing, m.
    """

    slope: float
    largest_object_m: float
    step_m: float


def window_radii(largest: float) -> list[int]:
    """Radii of the growing windows, in cells: 1, 2, 3, 5, ... up to `largest`."""
    radii, radius = [], 1.0
    while radius < largest:
        radii.append(int(radius))
        radius = max(radius + 1, np.floor(radius * GROWTH))
    return [*radii, max(1, int(np.ceil(largest)))]


def open_square(z: FloatArray, radius: int) -> FloatArray:
    """Opening of (ny, nx) heights by a square of `2 * radius + 1` nodes.

    The border, opened along itself, is carried on outward: a slope is not cut at its upper end, and
    a thing at the border is removed like any other.
    """
    size = 2 * radius + 1
    padded = np.pad(z, radius, mode="edge")
    for sides in ((padded[:radius], padded[-radius:]), (padded.T[:radius], padded.T[-radius:])):
        for side in sides:
            side[:] = ndimage.grey_opening(side[0], size=(size,), mode="nearest")
    for sweep in (ndimage.minimum_filter1d, ndimage.maximum_filter1d):
        for axis in (0, 1):
            padded = _in_parts(sweep, padded, size, axis)
    return padded[radius:-radius, radius:-radius]


def _in_parts(sweep: Sweep, z: FloatArray, size: int, axis: int) -> FloatArray:
    """Run a filter along one axis, parts of the other axis side by side."""
    out = np.empty_like(z)
    parts = os.cpu_count() or 1
    inputs, outputs = (np.array_split(a, parts, axis=1 - axis) for a in (z, out))
    with ThreadPoolExecutor(parts) as pool:
        for done in [
            pool.submit(sweep, part, size, axis=axis, output=to, mode="nearest")
            for part, to in zip(inputs, outputs, strict=True)
            if part.size
        ]:
            done.result()
    return out


def standing_cells(z: FloatArray, cell: float, opening: Opening) -> BoolArray:
    """Which of the complete heights (ny, nx), m, stand on the ground instead of being it."""
    standing = np.zeros(z.shape, dtype=np.bool_)
    last = z
    for radius in window_radii(opening.largest_object_m / 2 / cell):
        opened = open_square(last, radius)
        standing |= last - opened > opening.slope * radius * cell + opening.step_m
        last = opened
    return standing


def stray_cells(z: FloatArray, cell: float, step: float) -> BoolArray:
    """Which of the complete heights (ny, nx), m, are stray returns below the ground."""
    stray = np.zeros(z.shape, dtype=np.bool_)
    last = -z
    for radius in window_radii(max(1.0, LOW_REACH_M / 2 / cell)):
        opened = open_square(last, radius)
        stray |= last - opened > LOW_SLOPE * cell + 2 * step
        last = opened
    return stray


def ground_surface(low: FloatArray, cell: float, opening: Opening) -> FloatArray:
    """Lowest heights of a grid with stray returns and all that stands on the ground taken out.

    A thing that is lower than the slope rises across it can hide in a slope that runs askew to the
    grid; a filter that took the slope off first would cut the tops of banks instead.

    Parameters
    ----------
    low
        (ny, nx) lowest height near each node, m; NaN where there is none.
    cell
        Distance between nodes, m.
    opening
        How to tell things from the ground.

    Returns
    -------
    (ny, nx) heights of the ground's nodes, NaN elsewhere.
    """
    known = np.where(stray_cells(fill_everywhere(low), cell, opening.step_m), np.nan, low)
    bare = np.where(standing_cells(fill_everywhere(known), cell, opening), np.nan, known)
    reference = fill_everywhere(bare)
    north, east = np.gradient(ndimage.uniform_filter(reference, 3, mode="nearest"), cell)
    tolerance = opening.step_m + TILT_SCALE * cell * np.hypot(north, east)
    return np.where(np.abs(known - reference) <= tolerance, known, np.nan)
