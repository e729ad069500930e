"""Fill holes in gridded heights from the heights around them."""

import numpy as np
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.kernels import kernel

_SWEEPS = 60
_OVER_RELAXATION = 1.7


def fill_everywhere(z: FloatArray) -> FloatArray:
    """Heights with every NaN replaced by a mean of the heights near it, (ny, nx).

    Means over ever larger squares of four reach every hole; each hole takes the smallest square
    that has heights. A rough surface for filters, not one to measure on.
    """
    known = np.isfinite(z)
    if known.all() or not known.any():
        return z
    ny, nx = z.shape
    weight = np.pad(known.astype(np.float64), ((0, ny % 2), (0, nx % 2)))
    height = np.pad(np.where(known, z, 0.0), ((0, ny % 2), (0, nx % 2)))
    total, count = _sum_of_four(height), _sum_of_four(weight)
    with np.errstate(invalid="ignore", divide="ignore"):
        coarse = fill_everywhere(np.where(count > 0, total / count, np.nan))
    rows, columns = np.nonzero(~known)
    filled = z.copy()
    filled[rows, columns] = ndimage.map_coordinates(
        coarse, [(rows - 0.5) / 2, (columns - 0.5) / 2], order=1, mode="nearest"
    )
    return filled


def _sum_of_four(a: FloatArray) -> FloatArray:
    total: FloatArray = a[::2, ::2] + a[1::2, ::2] + a[::2, 1::2] + a[1::2, 1::2]
    return total


def small_gaps(known: BoolArray, *, widest: float) -> BoolArray:
    """Unknown nodes in gaps and bays at most `widest` nodes across, (ny, nx).

    The closing of the known nodes by a disc: what a disc of that width cannot enter is small.
    """
    reach = widest / 2
    margin = int(np.ceil(reach)) + 1
    padded = np.pad(known, margin)
    if not known.any():
        return np.zeros_like(known)
    far = ndimage.distance_transform_edt(~padded) > reach
    closed = ndimage.distance_transform_edt(~far) > reach
    inner: BoolArray = closed[margin:-margin, margin:-margin] & ~known
    return inner


def fill_small_gaps(z: FloatArray, *, widest: float) -> FloatArray:
    """Heights with small gaps closed by a membrane, (ny, nx); larger ones stay NaN.

    The membrane is the solution of Laplace's equation with the known heights as its border, by
    successive over-relaxation: a hole in a plane is closed by that plane.
    """
    holes = small_gaps(np.isfinite(z), widest=widest)
    if not holes.any():
        return z
    filled = np.where(holes, fill_everywhere(z), z)
    rows, columns = np.nonzero(holes)
    _relax(filled, rows, columns)
    return filled


@kernel
def _relax(z: FloatArray, rows: IntArray, columns: IntArray) -> None:
    ny, nx = z.shape
    for _ in range(_SWEEPS):
        for k in range(rows.size):
            j, i = rows[k], columns[k]
            total, count = 0.0, 0
            for dj, di in ((-1, 0), (1, 0), (0, -1), (0, 1)):
                a, b = j + dj, i + di
                if 0 <= a < ny and 0 <= b < nx and not np.isnan(z[a, b]):
                    total += z[a, b]
                    count += 1
            if count:
                z[j, i] += _OVER_RELAXATION * (total / count - z[j, i])
