"""Which points of a cloud lie on a surface, and the surface that is their mean."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.kernels import kernel
from terrain.surface.gaps import fill_everywhere
from terrain.surface.kept import OTHER, KeptCloud, Placement

BAND_SCALES = 3.0  # half width of the band of ground points, in standard deviations
BAND_SHARE = 0.35  # of a cell: between points the ground is not known better
THINNEST_BAND_M, WIDEST_BAND_M = 0.05, 0.5  # the latter from Pingel et al.
TILT_SHARE = 1.25  # of the ground's rise over a cell (1 m at most), added to it; same source
_ENOUGH = 3  # points to a node, for the surface to be smoothed between passes
_STRIDE = 3  # of the points that are counted
_REACH_M, _BINS = 1.0, 1000  # histogram of heights above the lowest: ±1 m in 2 mm


@dataclass(frozen=True)
class Band:
    """Heights above a surface that are taken as ground: `centre` ± `half`, m."""

    centre: float
    half: float

    @classmethod
    def everything(cls) -> "Band":
        """All heights."""
        return cls(0.0, math.inf)


@dataclass(frozen=True)
class MeanGround:
    """Mean ground near each node, (ny, nx) m, NaN where there is none; and of what it is made."""

    height: FloatArray
    counts: Int32Array
    points: int
    noise: float
    packed: NDArray[np.uint8]


def tilt_allowance(surface: FloatArray, cell: float) -> FloatArray:
    """What is added to a band where a surface of that cell is steep, (ny, nx) m."""
    rise: FloatArray = np.hypot(*np.gradient(surface))
    return TILT_SHARE * min(cell, 1.0) / cell * rise


def ground_bands(kept: KeptCloud, place: Placement, ground: FloatArray, cell: float) -> list[Band]:
    """Where the ground points lie above the surface of the lowest ones, then about their mean.

    The mode of the heights above it, and a spread from the share below the mode, where nothing
    grows: 68.27 % of that half lie within one standard deviation. Before the mean is drawn the
    ground is not known better than a share of a cell, after that of the distance between points.
    """
    counts = np.zeros(_BINS, dtype=np.int64)
    reference, known = fill_everywhere(ground), np.isfinite(ground)
    for points, kinds in kept:
        _count_heights(points, kinds, place, reference, known, counts)
    smooth = ndimage.gaussian_filter1d(counts.astype(np.float64), 3, mode="constant")
    mode = int(np.argmax(smooth))
    below = np.cumsum(counts[: mode + 1])
    one_sigma = mode - int(np.searchsorted(below, (1 - 0.6827) * below[-1]))
    width = 2 * _REACH_M / _BINS
    noise, spacing = BAND_SCALES * one_sigma * width, math.sqrt(kept.covered_m2 / kept.used)
    first, last = (
        min(max(noise, BAND_SHARE * length, THINNEST_BAND_M), WIDEST_BAND_M)
        for length in (cell, min(cell, spacing))
    )
    return [Band((mode + 0.5) * width - _REACH_M, first), Band(0.0, last)]


def _smoothed(z: FloatArray) -> FloatArray:
    """Binomial mean of three by three nodes: the noise of the nodes must not enter the means."""
    for axis in (0, 1):
        z = ndimage.correlate1d(z, [0.25, 0.5, 0.25], axis=axis, mode="nearest")
    return z


def mean_ground(
    kept: KeptCloud,
    kind: int,
    place: Placement,
    ground: FloatArray,
    band: Band,
    cell: float,
) -> MeanGround:
    """Mean, near each node, of the points in a band about a surface."""
    reference = fill_everywhere(ground)
    if kept.used > _ENOUGH * np.count_nonzero(np.isfinite(ground)):
        reference = _smoothed(reference)
    total, count = np.zeros(ground.shape), np.zeros(ground.shape, dtype=np.int32)
    half = band.half + tilt_allowance(reference, cell)
    squares, packed = 0.0, np.empty(-(-kept.count // 8), dtype=np.uint8)
    done = 0
    for points, kinds in kept:
        taken = np.zeros(len(points), dtype=np.bool_)
        squares += _add_band(
            points, kinds, kind, place, reference, half, band.centre, total, count, taken
        )
        bits = np.packbits(taken)
        packed[done : done + bits.size] = bits
        done += bits.size
    with np.errstate(invalid="ignore"):
        height = reference + total / count
    n = int(count.sum())
    noise = math.sqrt(squares / n) if n else math.nan
    return MeanGround(height, count, n, noise, packed)


@kernel
def _above(reference: FloatArray, u: float, v: float, h: float) -> float:
    """Height above a complete surface, bilinear between nodes."""
    ny, nx = reference.shape
    i, j = min(max(int(u), 0), nx - 2), min(max(int(v), 0), ny - 2)
    s, t = u - i, v - j
    south = reference[j, i] + s * (reference[j, i + 1] - reference[j, i])
    north = reference[j + 1, i] + s * (reference[j + 1, i + 1] - reference[j + 1, i])
    return float(h - south - t * (north - south))


@kernel
def _count_heights(
    points: Int32Array,
    kinds: NDArray[np.uint8],
    place: Placement,
    reference: FloatArray,
    known: BoolArray,
    counts: IntArray,
) -> None:
    ny, nx = reference.shape
    for k in range(0, len(points), _STRIDE):
        if kinds[k] < OTHER:
            continue
        x, y, z = points[k]
        u = x * place.column.scale + place.column.shift
        v = y * place.row.scale + place.row.shift
        i, j = min(max(int(u + 0.5), 0), nx - 1), min(max(int(v + 0.5), 0), ny - 1)
        if known[j, i]:
            h = z * place.height.scale + place.height.shift
            b = (_above(reference, u, v, h) + _REACH_M) * counts.size / (2 * _REACH_M)
            if 0 <= b < counts.size:
                counts[int(b)] += 1


@kernel
def _add_band(
    points: Int32Array,
    kinds: NDArray[np.uint8],
    kind: int,
    place: Placement,
    reference: FloatArray,
    half: FloatArray,
    centre: float,
    total: FloatArray,
    count: Int32Array,
    taken: BoolArray,
) -> float:
    ny, nx = reference.shape
    squares = 0.0
    for k in range(len(points)):
        if kinds[k] < kind:
            continue
        x, y, z = points[k]
        u = x * place.column.scale + place.column.shift
        v = y * place.row.scale + place.row.shift
        h = z * place.height.scale + place.height.shift
        r = _above(reference, u, v, h)
        i, j = min(max(int(u + 0.5), 0), nx - 1), min(max(int(v + 0.5), 0), ny - 1)
        if abs(r - centre) <= half[j, i]:
            total[j, i] += r
            count[j, i] += 1
            squares += r * r
            taken[k] = True
    return squares
