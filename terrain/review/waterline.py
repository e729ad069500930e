"""Where the water's face ends."""

import numpy as np
from scipy import ndimage

from terrain.arrays import FloatArray
from terrain.review.relief import without_gaps


def water_sheet(finish: FloatArray, water: FloatArray) -> FloatArray:
    """Water level at each node, let run two nodes under the bank so that the shore is a clean line.

    It only spreads to nodes whose ground is higher than the water, never over an open edge.
    """
    sheet = water.copy()
    for _ in range(2):
        known = np.isfinite(sheet)
        if not known.any():
            return sheet
        grown = ndimage.binary_dilation(known, np.ones((3, 3), dtype=np.bool_)) & ~known
        near = without_gaps(sheet)
        sheet = np.where(grown & (finish >= near), near, sheet)
    return sheet
