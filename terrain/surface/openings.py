"""Which of the lowest heights of a grid are ground: progressive morphological opening.

After T. J. Pingel, K. C. Clarke and W. A. McBride (2013), "An improved simple morphological filter
for the terrain classification of airborne LIDAR data", ISPRS Journal of Photogrammetry and Remote
Sensing 77, 21–30: openings by growing discs, a height threshold that grows with the disc by a
slope, low outliers by the same filter turned over.

One slope does not fit a town and a quarry. What stands on the ground has a step all around; the
brow of a bank or a terrace goes on without one into ground that was never in doubt. So cells that
are joined to the ground without a step are given back, and their share among all that was taken
says how broken the terrain is: the more broken, the larger the slope.
"""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import BoolArray, FloatArray
from terrain.kernels import kernel
from terrain.surface.discs import open_disc
from terrain.surface.gaps import fill_everywhere

LOW_SLOPE = 5.0  # a pit steeper than this on every side is a stray return (Pingel et al. 2013)
LOW_RADII = (1, 2)  # nodes
LEAST_STEP_M = 0.05  # noise of the lowest heights
GENTLE, BROKEN = 0.10, 0.30  # slope on unbroken and on broken terrain; Pingel et al.: 0.05–0.45
BROKEN_FROM, BROKEN_TO = 0.15, 0.50  # share of taken cells that are joined to the ground
FEW = 0.03  # share of all cells added to those taken: a few joined cells are no broken terrain
JOIN_RISE, JOIN_DROP = 0.2, 1.0  # steepest way from the ground up, and down, to a joined cell
JOIN_REACH = 4  # nodes
LEAST_BODY = 30  # nodes of a patch that is ground for its size alone
SINGLE_RADII, GROWTH = 8, 1.3  # discs grow node by node, later by a factor


@dataclass(frozen=True)
class Opening:
    """How things that stand on the ground are told from it.

    Attributes
    ----------
    slope
        Rise over run up to which terrain is kept whatever its shape.
    largest_object_m
        Radius of the largest disc, m: what a disc of that size does not fit into is removed.
    broken_share
        Share of the cells taken by the gentle slope that are joined to the ground without a step
        (a few cells more are counted as taken: little is no sign of broken terrain).
    """

    slope: float
    largest_object_m: float
    broken_share: float


def window_radii(largest: float) -> list[int]:
    """Radii of the growing discs, in nodes: 1, 2, 3, ... 8, 10, 13, ... up to `largest`."""
    radii, radius = [], 1.0
    while round(radius) < largest:
        radii.append(round(radius))
        radius = radius + 1 if radius < SINGLE_RADII else radius * GROWTH
    return [*radii, max(1, int(np.ceil(largest)))]


def standing_cells(z: FloatArray, cell: float, *, slope: float, largest_m: float) -> BoolArray:
    """Which of the complete heights (ny, nx), m, stand on the ground instead of being it."""
    standing = np.zeros(z.shape, dtype=np.bool_)
    datum = z.min()
    last = (z - datum).astype(np.float32)
    for radius in window_radii(min(largest_m / cell, max(z.shape) / 2)):
        opened = open_disc(last, radius)
        standing |= last - opened > slope * radius * cell + LEAST_STEP_M
        last = opened
    return standing


def stray_cells(low: FloatArray, cell: float) -> BoolArray:
    """Which of the lowest heights (ny, nx), m, NaN where unknown, are strays below the ground."""
    stray = np.zeros(low.shape, dtype=np.bool_)
    depth = -fill_everywhere(low)
    last = (depth - depth.min()).astype(np.float32)
    for radius in LOW_RADII:
        opened = open_disc(last, radius)
        stray |= last - opened > LOW_SLOPE * radius * cell
        last = opened
    found: BoolArray = stray & np.isfinite(low)
    return found


def without_remnants(z: FloatArray, standing: BoolArray, cell: float) -> BoolArray:
    """Standing cells with what the openings left of the same things, (ny, nx).

    The upper corner of a thing on a slope can hide: a patch too small to be ground that goes on
    without a step into what stands is a part of it, unless the ground reaches it the same way.
    """
    ground = ~standing & ~_patches(z, standing, cell)
    for _ in range(JOIN_REACH):
        ground |= _beside(z, ground, cell) & ~standing
    hidden = ~standing & ~ground
    while True:
        more = hidden & ~standing & _beside(z, standing, cell)
        if not more.any():
            return standing
        standing = standing | more


@kernel
def _patches(z: FloatArray, standing: BoolArray, cell: float) -> BoolArray:
    """Nodes that do not stand, in patches of fewer than `LEAST_BODY` between steps."""
    ny, nx = z.shape
    seen, small = standing.copy(), np.zeros((ny, nx), dtype=np.bool_)
    stack = np.empty((ny * nx, 2), dtype=np.int32)
    for row in range(ny):
        for column in range(nx):
            if seen[row, column]:
                continue
            seen[row, column] = True
            stack[0] = row, column
            done, size = 0, 1
            while done < size:
                j, i = stack[done]
                done += 1
                for dj in range(-1, 2):
                    for di in range(-1, 2):
                        a, b = j + dj, i + di
                        if 0 <= a < ny and 0 <= b < nx and not seen[a, b]:
                            run = cell * np.sqrt(dj * dj + di * di)
                            if abs(z[a, b] - z[j, i]) <= JOIN_DROP * run:
                                seen[a, b] = True
                                stack[size] = a, b
                                size += 1
            if size < LEAST_BODY:
                for k in range(size):
                    small[stack[k, 0], stack[k, 1]] = True
    return small


def joined_cells(z: FloatArray, standing: BoolArray, cell: float) -> BoolArray:
    """Which of the standing cells are joined to the ground beside them without a step, (ny, nx)."""
    ground = ~standing
    for _ in range(JOIN_REACH):
        ground = _beside(z, ground, cell)
    joined: BoolArray = ground & standing
    return joined


@kernel
def _beside(z: FloatArray, ground: BoolArray, cell: float) -> BoolArray:
    """The ground and the nodes that one step of a gentle rise or fall leads to."""
    ny, nx = z.shape
    out = ground.copy()
    for j in range(ny):
        for i in range(nx):
            if ground[j, i]:
                continue
            for dj in range(-1, 2):
                for di in range(-1, 2):
                    a, b = j + dj, i + di
                    if 0 <= a < ny and 0 <= b < nx and ground[a, b]:
                        grade = (z[j, i] - z[a, b]) / (cell * np.sqrt(max(dj * dj + di * di, 1)))
                        if -JOIN_DROP <= grade <= JOIN_RISE:
                            out[j, i] = True
    return out


def slope_of_broken_ground(broken_share: float) -> float:
    """Slope that suits terrain of which that share of what was taken is joined to the ground."""
    share = (broken_share - BROKEN_FROM) / (BROKEN_TO - BROKEN_FROM)
    return float(GENTLE + (BROKEN - GENTLE) * min(max(share, 0.0), 1.0))


def ground_surface(
    low: FloatArray, cell: float, *, slope: float | None, largest_object_m: float
) -> tuple[FloatArray, Opening]:
    """Lowest heights of a grid with stray returns and all that stands on the ground taken out.

    Parameters
    ----------
    low
        (ny, nx) lowest height near each node, m; NaN where there is none.
    cell
        Distance between nodes, m.
    slope
        Rise over run up to which terrain is kept whatever its shape; None: found from the heights.
    largest_object_m
        Radius of the largest disc, m.

    Returns
    -------
    (ny, nx) heights of the ground's nodes, NaN elsewhere; and what was used to find them.
    """
    known = np.where(stray_cells(low, cell), np.nan, low)
    seen, z = np.isfinite(known), fill_everywhere(known)
    standing = standing_cells(z, cell, slope=slope or GENTLE, largest_m=largest_object_m)
    standing = without_remnants(z, standing, cell)
    joined = joined_cells(z, standing, cell)
    doubted = np.count_nonzero(standing & seen) + FEW * np.count_nonzero(seen)
    share = float(np.count_nonzero(joined & seen) / doubted) if doubted else 0.0
    used = slope_of_broken_ground(share) if slope is None else slope
    if used != (slope or GENTLE):
        standing = standing_cells(z, cell, slope=used, largest_m=largest_object_m)
        standing = without_remnants(z, standing, cell)
        joined = joined_cells(z, standing, cell)
    if share > BROKEN_FROM:
        standing &= ~joined
    return np.where(standing, np.nan, known), Opening(used, largest_object_m, share)
