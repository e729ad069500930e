"""Openings of gridded heights by discs: what is narrower than the disc is taken down."""

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from terrain.arrays import Int32Array
from terrain.kernels import kernel

Float32Array: TypeAlias = NDArray[np.float32]

_TILE = 128, 512  # rows and columns worked on at a time: they stay near the processor


def open_disc(z: Float32Array, radius: int) -> Float32Array:
    """Opening of complete heights (ny, nx) by a disc of `radius` nodes.

    Beyond the border the nearest height goes on: a slope is not cut at its upper end, and a thing
    that the border cuts is taken down unless it is as wide as the disc along the border.
    """
    padded = np.pad(z, 2 * radius, mode="edge")
    eroded = _lowest_in_disc(padded, radius)
    np.negative(eroded, out=eroded)
    opened = _lowest_in_disc(eroded, radius)
    return np.negative(opened, out=opened)


def half_widths(radius: int) -> Int32Array:
    """Half the width of a disc in its rows 0 to `radius` from the middle, in nodes."""
    row = np.arange(radius + 1)
    return np.floor(np.sqrt(radius**2 - row**2) + 1e-9).astype(np.int32)


def _lowest_in_disc(z: Float32Array, radius: int) -> Float32Array:
    """Lowest height in every disc that fits in the grid, (ny - 2 radius, nx - 2 radius)."""
    ny, nx = (length - 2 * radius for length in z.shape)
    lowest = np.empty((ny, nx), dtype=np.float32)
    widths = half_widths(radius)

    def tile(row: int, column: int) -> None:
        rows, columns = min(row + _TILE[0], ny), min(column + _TILE[1], nx)
        within = z[row : rows + 2 * radius, column : columns + 2 * radius]
        _erode(within.copy(), widths, lowest[row:rows, column:columns])

    corners = [(j, i) for j in range(0, ny, _TILE[0]) for i in range(0, nx, _TILE[1])]
    with ThreadPoolExecutor(min(os.cpu_count() or 1, len(corners))) as pool:
        for done in [pool.submit(tile, *corner) for corner in corners]:
            done.result()
    return lowest


@kernel
def _erode(z: Float32Array, widths: Int32Array, out: Float32Array) -> None:
    """Lowest in every disc: of its rows, from the shortest on, each row's lowest widened in place.

    `z` is lost. The lowest of a wider window is the lowest of a narrower one and of the two beside
    it, as long as the three leave no gap.
    """
    ny, nx = out.shape
    radius = len(widths) - 1
    row = np.empty(z.shape[1], dtype=np.float32)
    out[:] = np.inf
    wide = 0
    for offset in range(radius, -1, -1):
        while wide < widths[offset]:
            more = min(widths[offset] - wide, 2 * wide + 1)
            for j in range(z.shape[0]):
                for i in range(row.size):
                    row[i] = z[j, i]
                middle = z[j, more : row.size - more]
                _lower(middle, row[: row.size - 2 * more], middle)
                _lower(middle, row[2 * more :], middle)
            wide += more
        for j in range(ny):
            _lower(out[j], z[radius + j - offset, radius : radius + nx], out[j])
            _lower(out[j], z[radius + j + offset, radius : radius + nx], out[j])


@kernel
def _lower(a: Float32Array, b: Float32Array, out: Float32Array) -> None:
    for i in range(out.size):
        out[i] = min(a[i], b[i])
