"""From a point cloud to the ground: one grid, read in pieces, whatever the size of the cloud."""

import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, NamedTuple

import numpy as np
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.errors import Place, SurfaceError
from terrain.kernels import kernel
from terrain.surface.gaps import fill_everywhere, fill_small_gaps
from terrain.surface.grid import Grid
from terrain.surface.lattice import Lattice
from terrain.surface.openings import Opening, ground_surface
from terrain.survey.clouds import (
    GROUND_CLASS,
    NOISE_CLASSES,
    RawChunk,
    RawScale,
    cloud_header,
    raw_chunks,
    raw_scale,
)
from terrain.units import Unit

POINTS_PER_CELL = 8
SMALLEST_CELL_M, COARSEST_CELL_M = 0.1, 1.0
MOST_NODES = 40_000_000
SLOPE = 0.10  # 0.15 in Pingel, Clarke and McBride (2013); less, for low growth on dense clouds
LARGEST_OBJECT_M = 18.0  # across: machines and sheds; Pingel et al. take 18 m as the radius
LARGEST_GAP_M = 5.0
BAND_SCALES = 3.0  # half width of the band of ground points, in standard deviations
TILT_SHARE = 0.5  # of the ground's rise over one cell, added to the band
_STRIDE = 3  # of the points that are counted
_KEPT = 100_000  # points read back at a time, few enough to stay near the processor
_REACH_M, _BINS = 1.0, 1000  # histogram of heights above the lowest: ±1 m in 2 mm


@dataclass(frozen=True)
class CloudGround:
    """Ground made from a cloud.

    Attributes
    ----------
    grid
        Its heights, NaN where no ground was seen nor could be filled in.
    n_points
        Points in the file.
    n_ground_points
        Points that made the heights.
    n_ground_cells
        Nodes with ground points of their own.
    n_filled_cells
        Nodes filled in from around.
    cell
        Distance between nodes, m.
    used_classes
        The file says which points are ground, and that was believed.
    noise_m
        Standard deviation of the ground points about the ground, m.
    """

    grid: Grid
    n_points: int
    n_ground_points: int
    n_ground_cells: int
    n_filled_cells: int
    cell: float
    used_classes: bool
    noise_m: float


def ground_from_cloud(
    path: Path,
    *,
    unit: Unit,
    cell: float | None = None,
    slope: float = SLOPE,
    largest_object_m: float = LARGEST_OBJECT_M,
    step_m: float | None = None,
    largest_gap_m: float = LARGEST_GAP_M,
    size: int = 1_000_000,
) -> CloudGround:
    """Grid the ground of a cloud.

    Where any point of the file has class 2 those points are the ground. Otherwise the lowest
    heights near each node are freed of stray returns and of what stands on the ground by
    progressive openings. In both cases a node's height is then the mean of the ground points near
    it, about a surface first drawn through the lowest ones: the lowest points alone lie below
    noisy ground.

    Parameters
    ----------
    path
        LAS or LAZ file.
    unit
        Unit of its coordinates.
    cell
        Distance between nodes, m; by default as wide as eight points need, 0.1 m at least.
    slope
        Rise over run up to which terrain is kept whatever its shape.
    largest_object_m
        Widest thing to remove, m.
    step_m
        Height that is never taken for a thing, m; by default 0.4 of a cell within 0.1–0.5 m.
    largest_gap_m
        Widest hole in the ground that is filled in from around it, m.
    size
        Points read at a time.

    Raises
    ------
    SurveyError, UnitError
        The cloud cannot be read, or is in another unit.
    SurfaceError
        The grid would be too large, or no ground is left.
    """
    header, scale = cloud_header(path), raw_scale(path, unit=unit)
    metres = 1.0 if header.unit else unit.metres
    lower, upper = np.array(header.lower) * metres, np.array(header.upper) * metres
    if cell is None:
        cell = _suited_cell(header.count, lower, upper)
    lattice = _lattice(path, lower, upper, cell)
    place = _placement(scale, lattice)
    with ExitStack() as stack:
        kept = KeptPoints(stack.enter_context(TemporaryFile()))
        lowest, used_classes = _lowest(path, place, lattice, kept, size)
        step = min(max(0.4 * cell, 0.1), 0.5) if step_m is None else step_m
        first = lowest.height
        if not used_classes:
            first = ground_surface(first, cell, Opening(slope, largest_object_m, step))
        if not np.isfinite(first).any():
            raise SurfaceError(
                "no ground is left in the cloud",
                place=Place(path),
                expected="points on the ground",
                mend="choose a larger cell, or a larger slope",
            )
        first = first - lowest.rise_from_node(first)
        band = Band.everything() if used_classes else _ground_band(kept, place, first, step)
        for centre in (band.centre, 0.0):
            mean = _mean_ground(kept, place, first, replace(band, centre=centre))
            first = mean.height
    z = mean.height
    filled = fill_small_gaps(z, widest=largest_gap_m / cell)
    return CloudGround(
        grid=Grid(lattice, filled),
        n_points=header.count,
        n_ground_points=mean.points,
        n_ground_cells=int(np.isfinite(z).sum()),
        n_filled_cells=int(np.isfinite(filled).sum() - np.isfinite(z).sum()),
        cell=cell,
        used_classes=used_classes,
        noise_m=mean.noise,
    )


class Axis(NamedTuple):
    """Position on a lattice, or a height, from the whole numbers of a file."""

    scale: float
    shift: float


class Placement(NamedTuple):
    """Column, row (in cells from the south-west node) and height (m) of a raw point."""

    column: Axis
    row: Axis
    height: Axis


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
class Lowest:
    """Lowest point near each node: its height (NaN if none), and where it is.

    All (ny, nx); `height` in m, `east` and `north` in cells from the node.
    """

    height: FloatArray
    east: FloatArray
    north: FloatArray

    def rise_from_node(self, ground: FloatArray) -> FloatArray:
        """How much higher than at the node the ground is where its lowest point lies, m."""
        north, east = np.gradient(ndimage.uniform_filter(fill_everywhere(ground), 3))
        rise: FloatArray = east * self.east + north * self.north
        return rise


@dataclass(frozen=True)
class MeanGround:
    """Mean ground near each node, (ny, nx) m, NaN where there is none; and of what it is made."""

    height: FloatArray
    points: int
    noise: float


class KeptPoints:
    """Raw points in a temporary file: cheaper than decoding the cloud again, and not in memory."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file

    def clear(self) -> None:
        """Forget all points."""
        self._file.seek(0)
        self._file.truncate()

    def add(self, points: Int32Array) -> None:
        """Keep the x, y, z of some points, (n, 3)."""
        points.tofile(self._file)

    def __iter__(self) -> Iterator[Int32Array]:
        """Give the points back as they came, some at a time, (n, 3)."""
        self._file.seek(0)
        while (numbers := np.fromfile(self._file, dtype=np.int32, count=3 * _KEPT)).size:
            yield numbers.reshape(-1, 3)


def _suited_cell(count: int, lower: FloatArray, upper: FloatArray) -> float:
    """Cell that holds eight points, within limits, in two digits, m."""
    area = max(float(np.prod((upper - lower)[:2])), SMALLEST_CELL_M**2)
    coarsest = max(COARSEST_CELL_M, math.sqrt(area / count))
    cell = min(max(math.sqrt(POINTS_PER_CELL * area / count), SMALLEST_CELL_M), coarsest)
    return float(f"{cell:.2g}")


def _lattice(path: Path, lower: FloatArray, upper: FloatArray, cell: float) -> Lattice:
    """Nodes over the cloud, as many as memory is meant for."""
    if not (math.isfinite(cell) and cell > 0):
        raise SurfaceError(
            f"a cell of {cell} m",
            place=Place(path),
            expected="a positive length",
            mend="correct the cell, or leave it out",
        )
    width, height = (float(value) for value in (upper - lower)[:2])
    nodes = (width / cell + 2) * (height / cell + 2)
    if nodes > MOST_NODES:
        raise SurfaceError(
            f"a cell of {cell:g} m makes {nodes:,.0f} nodes over {width:,.0f} m × {height:,.0f} m",
            place=Place(path),
            expected=f"at most {MOST_NODES:,} nodes",
            mend="choose a larger cell, or cut the cloud to the site",
        )
    xmin, ymin, xmax, ymax = (float(value) for value in (*lower[:2], *upper[:2]))
    return Lattice.covering((xmin, ymin, xmax, ymax), cell=cell)


def _placement(scale: RawScale, lattice: Lattice) -> Placement:
    (sx, sy, sz), (ox, oy, oz) = scale.scale.tolist(), scale.offset.tolist()
    return Placement(
        Axis(sx / lattice.cell, (ox - lattice.x0) / lattice.cell),
        Axis(sy / lattice.cell, (oy - lattice.y0) / lattice.cell),
        Axis(sz, oz),
    )


def _lowest(
    path: Path, place: Placement, lattice: Lattice, kept: KeptPoints, size: int
) -> tuple[Lowest, bool]:
    """Read the cloud once: lowest points, and whether they are those of class 2.

    From the first chunk that has class 2 on, all else is forgotten.
    """
    low = np.full(lattice.shape, np.inf)
    east, north = np.zeros((2, *lattice.shape))
    used_classes = False
    for chunk in _read_ahead(raw_chunks(path, size=size)):
        kind = chunk.classification
        use = (kind == GROUND_CLASS) & ~chunk.withheld
        if not used_classes and use.any():
            used_classes = True
            low.fill(np.inf)
            kept.clear()
        if not used_classes:
            use = ~(np.isin(kind, NOISE_CLASSES) | chunk.withheld)
        used = np.empty((use.sum(), 3), dtype=np.int32)
        _keep_lowest(chunk.x, chunk.y, chunk.z, use, place, low, east, north, used)
        kept.add(used)
    low[np.isinf(low)] = np.nan
    return Lowest(low, east, north), used_classes


def _read_ahead(chunks: Iterator[RawChunk]) -> Iterator[RawChunk]:
    """Read each chunk while the one before it is worked on."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, chunks, None)
        while (chunk := coming.result()) is not None:
            coming = pool.submit(next, chunks, None)
            yield chunk


def _ground_band(kept: KeptPoints, place: Placement, ground: FloatArray, step: float) -> Band:
    """Where the ground points lie above the surface of the lowest ones.

    The mode of the heights above it, and a spread from the share below the mode, where nothing
    grows: 68.27 % of that half lie within one standard deviation.
    """
    counts = np.zeros(_BINS, dtype=np.int64)
    reference, known = fill_everywhere(ground), np.isfinite(ground)
    for points in kept:
        _count_heights(points, place, reference, known, counts)
    smooth = ndimage.gaussian_filter1d(counts.astype(np.float64), 3, mode="constant")
    mode = int(np.argmax(smooth))
    below = np.cumsum(counts[: mode + 1])
    one_sigma = mode - int(np.searchsorted(below, (1 - 0.6827) * below[-1]))
    width = 2 * _REACH_M / _BINS
    half = max(BAND_SCALES * one_sigma * width, step / 2)
    return Band((mode + 0.5) * width - _REACH_M, half)


def _smoothed(z: FloatArray) -> FloatArray:
    """Binomial mean of three by three nodes: the noise of the nodes must not enter the means."""
    for axis in (0, 1):
        z = ndimage.correlate1d(z, [0.25, 0.5, 0.25], axis=axis, mode="nearest")
    return z


def _mean_ground(kept: KeptPoints, place: Placement, ground: FloatArray, band: Band) -> MeanGround:
    """Mean, near each node, of the points in a band about a surface."""
    reference = _smoothed(fill_everywhere(ground))
    total, count = np.zeros(ground.shape), np.zeros(ground.shape, dtype=np.int64)
    half = band.half + TILT_SHARE * np.hypot(*np.gradient(reference))
    squares = 0.0
    for points in kept:
        squares += _add_band(points, place, reference, half, band.centre, total, count)
    with np.errstate(invalid="ignore"):
        height = reference + total / count
    n = int(count.sum())
    return MeanGround(height, n, math.sqrt(squares / n) if n else math.nan)


@kernel
def _keep_lowest(
    x: Int32Array,
    y: Int32Array,
    z: Int32Array,
    use: BoolArray,
    place: Placement,
    low: FloatArray,
    east: FloatArray,
    north: FloatArray,
    used: Int32Array,
) -> None:
    """Lower the lowest heights to the points to use, and copy these to `used`, (n, 3)."""
    ny, nx = low.shape
    n = 0
    for k in range(x.size):
        if not use[k]:
            continue
        used[n, 0], used[n, 1], used[n, 2] = x[k], y[k], z[k]
        n += 1
        u = x[k] * place.column.scale + place.column.shift
        v = y[k] * place.row.scale + place.row.shift
        i, j = min(max(int(u + 0.5), 0), nx - 1), min(max(int(v + 0.5), 0), ny - 1)
        h = z[k] * place.height.scale + place.height.shift
        if h < low[j, i]:
            low[j, i] = h
            east[j, i] = u - i
            north[j, i] = v - j


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
    place: Placement,
    reference: FloatArray,
    known: BoolArray,
    counts: IntArray,
) -> None:
    ny, nx = reference.shape
    for k in range(0, len(points), _STRIDE):
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
    place: Placement,
    reference: FloatArray,
    half: FloatArray,
    centre: float,
    total: FloatArray,
    count: IntArray,
) -> float:
    ny, nx = reference.shape
    squares = 0.0
    for k in range(len(points)):
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
    return squares
