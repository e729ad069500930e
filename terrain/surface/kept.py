"""A cloud decoded once: its points in a temporary file, and where they and their classes lie."""

import math
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, NamedTuple

import numpy as np
from numpy.typing import NDArray

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.kernels import kernel
from terrain.survey.clouds import GROUND_CLASS, NOISE_CLASSES, RawChunk, RawScale, raw_chunks

UNUSED, OTHER, GROUND = 0, 1, 2  # noise and withheld points; the rest; those of class 2
_READ_BACK = 100_000  # points at a time, few enough to stay near the processor
_MOST_SQUARES = 4_000_000
_BELIEVED_SHARE = 0.01  # of the usable points
_BELIEVED_COVER = 0.5  # of the squares that hold so many usable points on average:
_POINTS_PER_SQUARE = 256


class Axis(NamedTuple):
    """Position on a lattice, or a height, from the whole numbers of a file."""

    scale: float
    shift: float


class Placement(NamedTuple):
    """Column, row (in cells from the south-west node) and height (m) of a raw point."""

    column: Axis
    row: Axis
    height: Axis


def placement(scale: RawScale, x0: float, y0: float, cell: float) -> Placement:
    """Place raw points on a lattice of `cell` m from `(x0, y0)`."""
    (sx, sy, sz), (ox, oy, oz) = scale.scale.tolist(), scale.offset.tolist()
    return Placement(
        Axis(sx / cell, (ox - x0) / cell), Axis(sy / cell, (oy - y0) / cell), Axis(sz, oz)
    )


@dataclass(frozen=True)
class Trust:
    """How much of a cloud has class 2, and whether that is believed to be its ground.

    Attributes
    ----------
    share
        Of the points that are neither noise nor withheld.
    cover
        Of the squares with points, those that have some of class 2.
    """

    share: float
    cover: float

    @property
    def believed(self) -> bool:
        """Enough of it, in enough places: a few points with class 2 are a slip, not a ground."""
        return self.share >= _BELIEVED_SHARE and self.cover >= _BELIEVED_COVER


@dataclass(frozen=True)
class KeptCloud:
    """The points of a cloud as the whole numbers of the file, in its order, outside the memory.

    Attributes
    ----------
    count
        Points, and `used` those that are neither noise nor withheld.
    covered_m2
        Plan area that they lie on.
    trust
        What the classes are worth.
    """

    points: IO[bytes]
    kinds: IO[bytes]
    count: int
    used: int
    covered_m2: float
    trust: Trust

    def __iter__(self) -> Iterator[tuple[Int32Array, NDArray[np.uint8]]]:
        """Give the points back some at a time: (n, 3) numbers and (n,) kinds."""
        self.points.seek(0)
        self.kinds.seek(0)
        while (kinds := np.fromfile(self.kinds, dtype=np.uint8, count=_READ_BACK)).size:
            points = np.fromfile(self.points, dtype=np.int32, count=3 * kinds.size)
            yield points.reshape(-1, 3), kinds


def keep_cloud(
    path: Path,
    scale: RawScale,
    bounds: tuple[float, float, float, float],
    *,
    size: int,
    stack: ExitStack,
) -> KeptCloud:
    """Decode a cloud once; its points last as long as the stack that they are entered on.

    Parameters
    ----------
    scale
        Metres from the numbers of the file.
    bounds
        `(xmin, ymin, xmax, ymax)` of the cloud, m.
    size
        Points decoded at a time.

    Raises
    ------
    SurveyError
        The cloud cannot be read to its end.
    """
    xmin, ymin, xmax, ymax = bounds
    side = max(math.sqrt((xmax - xmin) * (ymax - ymin) / _MOST_SQUARES), 0.05)
    side = max(side, (xmax - xmin) / _MOST_SQUARES, (ymax - ymin) / _MOST_SQUARES)
    place = placement(scale, xmin - side / 2, ymin - side / 2, side)
    shape = int((ymax - ymin) / side) + 2, int((xmax - xmin) / side) + 2
    seen = np.zeros(shape, dtype=np.uint8)
    points, kinds = (stack.enter_context(TemporaryFile()) for _ in range(2))  # noqa: SIM115
    count, tally = 0, np.zeros(3, dtype=np.int64)
    for chunk in _read_ahead(raw_chunks(path, size=size)):
        kind = _kinds(chunk)
        packed = np.empty((kind.size, 3), dtype=np.int32)
        _pack(chunk.x, chunk.y, chunk.z, kind, place, seen, packed)
        packed.tofile(points)
        kind.tofile(kinds)
        count += kind.size
        tally += np.bincount(kind, minlength=3)
    used = int(tally[1:].sum())
    covered, trust = _spread(seen, side, used, int(tally[GROUND]))
    return KeptCloud(points, kinds, count, used, covered, trust)


def _kinds(chunk: RawChunk) -> NDArray[np.uint8]:
    usual = np.full(256, OTHER, dtype=np.uint8)
    usual[list(NOISE_CLASSES)], usual[GROUND_CLASS] = UNUSED, GROUND
    kind: NDArray[np.uint8] = usual[chunk.classification]
    kind[chunk.withheld] = UNUSED
    return kind


def _read_ahead(chunks: Iterator[RawChunk]) -> Iterator[RawChunk]:
    """Read each chunk while the one before it is worked on."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, chunks, None)
        while (chunk := coming.result()) is not None:
            coming = pool.submit(next, chunks, None)
            yield chunk


def _spread(seen: NDArray[np.uint8], side: float, used: int, ground: int) -> tuple[float, Trust]:
    """Area that the points lie on, m²; and the spread of class 2.

    `seen` says of each square the highest kind of point in it. Squares are doubled until points
    are no rarer than squares, which gives the area, and on to `_POINTS_PER_SQUARE`.
    """
    any_point, any_ground = seen >= OTHER, seen == GROUND
    share = ground / used if used else 0.0
    area = 0.0
    while True:
        squares = np.count_nonzero(any_point)
        if not area and used >= 3 * squares:
            area = squares * side**2
        if used >= _POINTS_PER_SQUARE * squares or any_point.size == 1:
            cover = float(np.count_nonzero(any_ground) / squares) if squares else 0.0
            return area or squares * side**2, Trust(share, cover)
        any_point, any_ground, side = _doubled(any_point), _doubled(any_ground), 2 * side


def _doubled(squares: BoolArray) -> BoolArray:
    ny, nx = squares.shape
    even = np.zeros((ny + ny % 2, nx + nx % 2), dtype=np.bool_)
    even[:ny, :nx] = squares
    doubled: BoolArray = even[::2, ::2] | even[1::2, ::2] | even[::2, 1::2] | even[1::2, 1::2]
    return doubled


@kernel
def _pack(
    x: Int32Array,
    y: Int32Array,
    z: Int32Array,
    kind: NDArray[np.uint8],
    place: Placement,
    seen: NDArray[np.uint8],
    packed: Int32Array,
) -> None:
    """Put the three numbers of each point together, and note where which kinds are."""
    ny, nx = seen.shape
    for k in range(x.size):
        packed[k, 0], packed[k, 1], packed[k, 2] = x[k], y[k], z[k]
        i = min(max(int(x[k] * place.column.scale + place.column.shift), 0), nx - 1)
        j = min(max(int(y[k] * place.row.scale + place.row.shift), 0), ny - 1)
        seen[j, i] = max(seen[j, i], kind[k])


@dataclass(frozen=True)
class Lowest:
    """Lowest point near each node: its height (NaN if none), and where it is.

    All (ny, nx); `height` in m, `east` and `north` in cells from the node.
    """

    height: FloatArray
    east: NDArray[np.float32]
    north: NDArray[np.float32]


def lowest_points(kept: KeptCloud, place: Placement, shape: tuple[int, int], kind: int) -> Lowest:
    """Lowest point of at least that kind near each node of a lattice of `shape`."""
    low = np.full(shape, np.inf)
    east, north = np.zeros((2, *shape), dtype=np.float32)
    for points, kinds in kept:
        _lower(points, kinds, kind, place, low, east, north)
    low[np.isinf(low)] = np.nan
    return Lowest(low, east, north)


@kernel
def _lower(
    points: Int32Array,
    kinds: NDArray[np.uint8],
    kind: int,
    place: Placement,
    low: FloatArray,
    east: NDArray[np.float32],
    north: NDArray[np.float32],
) -> None:
    ny, nx = low.shape
    for k in range(len(points)):
        if kinds[k] < kind:
            continue
        x, y, z = points[k]
        u = x * place.column.scale + place.column.shift
        v = y * place.row.scale + place.row.shift
        i, j = min(max(int(u + 0.5), 0), nx - 1), min(max(int(v + 0.5), 0), ny - 1)
        h = z * place.height.scale + place.height.shift
        if h < low[j, i]:
            low[j, i] = h
            east[j, i] = u - i
            north[j, i] = v - j
