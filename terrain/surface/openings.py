"""Which of the lowest heights of a grid are ground: progressive morphological opening.

After W. T. Pingel, K. C. Clarke and W. A. McBride (2013), "An improved simple morphological filter
for the terrain classification of airborne LIDAR data", ISPRS Journal of Photogrammetry and Remote
Sensing 77, 21–30: openings by growing windows, a height threshold that grows with the window by a
slope, low outliers by the same filter turned over. The least step added to the threshold is that
of K. Zhang et al. (2003), "A progressive morphological filter for removing nonground measurements
from airborne LIDAR data", IEEE Transactions on Geoscience and Remote Sensing 41(4), 872–882.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray
from terrain.kernels import kernel
from terrain.surface.gaps import fill_everywhere

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
    size, margin = 2 * radius + 1, 2 * radius
    opened = np.pad(z, margin, mode="edge")
    for sides in ((opened[:margin], opened[-margin:]), (opened.T[:margin], opened.T[-margin:])):
        for side in sides:
            side[:] = ndimage.grey_opening(side[0], size=(size,), mode="nearest")
    return -_lowest_within(-_lowest_within(opened, size), size)


def _lowest_within(z: FloatArray, size: int) -> FloatArray:
    """Lowest height in every square of `size` nodes that fits in the grid."""
    ny, nx = z.shape
    across, lowest = np.empty((ny, nx - size + 1)), np.empty((ny - size + 1, nx - size + 1))
    _lowest_along_rows(z, size, across)
    _lowest_down_columns(across, size, lowest)
    return lowest


@kernel
def _lowest_along_rows(z: FloatArray, size: int, out: FloatArray) -> None:
    """Lowest of `size` neighbours, from windows that are doubled until as long."""
    ny, nx = z.shape
    row, longer = np.empty(nx), np.empty(nx)
    for j in range(ny):
        row[:] = z[j]
        length = 1
        while length < size:
            step = min(length, size - length)
            _lower(row, row[step:], longer[: nx - step])
            row, longer = longer, row
            length += step
        out[j] = row[: out.shape[1]]


@kernel
def _lowest_down_columns(z: FloatArray, size: int, out: FloatArray) -> None:
    """Lowest of `size` neighbours: the end of one block of rows and the start of the next.

    `z` is lost.
    """
    ny, nx = out.shape
    start = np.empty(nx)
    for first in range(0, ny, size):
        for j in range(first + size - 2, first - 1, -1):
            _lower(z[j], z[j + 1], z[j])
        out[first] = z[first]
        start[:] = np.inf
        for j in range(first + 1, min(first + size, ny)):
            _lower(start, z[j + size - 1], start)
            _lower(start, z[j], out[j])


@kernel
def _lower(a: FloatArray, b: FloatArray, out: FloatArray) -> None:
    for i in range(out.size):
        out[i] = min(a[i], b[i])


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
