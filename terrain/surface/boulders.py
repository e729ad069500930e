"""Solid things that stand on the ground and are small enough to stay with it."""

import numpy as np
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray
from terrain.surface.gaps import fill_everywhere

LEAST_NODES = 4
ROUGHEST = 0.12  # of its height: a rock is smoother from node to node, leaves are not
_EIGHT = np.ones((3, 3), dtype=np.int64)


def boulders(low: FloatArray, ground: FloatArray, cell: float, *, largest_m: float) -> BoolArray:
    """Nodes of solid things that are no longer, wider or higher than `largest_m`, (ny, nx).

    Parameters
    ----------
    low, ground
        (ny, nx) lowest heights, and those of them that are ground, m; NaN elsewhere.
    cell
        Distance between nodes, m.
    largest_m
        Largest extent in plan and height, m.
    """
    above = low - fill_everywhere(ground)
    standing = np.isnan(ground) & (above > 0)
    things, count = ndimage.label(standing, structure=_EIGHT)
    solid = np.zeros(low.shape, dtype=np.bool_)
    for number, box in enumerate(ndimage.find_objects(things), 1):
        if box is None or max(side.stop - side.start for side in box) * cell > largest_m + cell:
            continue
        inside = things[box] == number
        if np.count_nonzero(inside) < LEAST_NODES or above[box][inside].max() > largest_m:
            continue
        if _roughness(np.where(inside, above[box], np.nan)) <= ROUGHEST:
            solid[box] |= inside
    return solid if count else np.zeros_like(solid)


def _roughness(height: FloatArray) -> float:
    """Median of the second differences along rows and columns, as a share of the height."""
    bends = [np.abs(np.diff(height, 2, axis=axis)).ravel() / 2 for axis in (0, 1)]
    known = np.concatenate(bends)
    known = known[np.isfinite(known)]
    return float(np.median(known) / np.nanmax(height)) if known.size else np.inf
