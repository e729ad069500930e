"""From a point cloud to the ground: one grid, read in pieces, whatever the size of the cloud."""

import math
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.errors import Place, SurfaceError, SurveyError
from terrain.surface.bands import (
    BAND_SHARE,
    THINNEST_BAND_M,
    TILT_SHARE,
    Band,
    ground_bands,
    mean_ground,
)
from terrain.surface.boulders import boulders
from terrain.surface.gaps import fill_everywhere, fill_small_gaps
from terrain.surface.grid import Grid
from terrain.surface.kept import (
    GROUND,
    OTHER,
    KeptCloud,
    Lowest,
    Trust,
    keep_cloud,
    lowest_points,
    placement,
)
from terrain.surface.lattice import Lattice
from terrain.surface.openings import Opening, ground_surface, standing_cells
from terrain.survey.clouds import cloud_header, raw_scale
from terrain.units import Unit

POINTS_PER_CELL = 6
SMALLEST_CELL_M, COARSEST_CELL_M = 0.1, 1.0
MOST_NODES = 40_000_000  # of a cell that is asked for
MOST_CHOSEN_NODES = 3_000_000  # of a cell chosen here: memory stays below 800 MB
FILTER_CELL_M = 0.45  # below it several nodes share one of the filter's: large discs are dear
SMALL_THINGS = 2  # radius of the discs for small cells, in the filter's
MOST_FILTER_NODES = 1_000_000
LARGEST_OBJECT_M = 18.0  # radius of the largest disc (Pingel, Clarke and McBride 2013)
LARGEST_GAP_M = 5.0


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
    trust
        How much of the file has class 2, and how far that is spread.
    opening
        What the ground was found with; None if the classes were believed.
    tolerance_m
        How far from level ground a point may lie and still be of it, m; infinite for classes.
    counts
        Ground points near each node, shape (ny, nx); 0 where it was filled in.
    packed
        One bit for each point in the order of the file, eight to a byte: is it ground?
    """

    grid: Grid
    n_points: int
    n_ground_points: int
    n_ground_cells: int
    n_filled_cells: int
    cell: float
    used_classes: bool
    noise_m: float
    trust: Trust
    opening: Opening | None
    tolerance_m: float
    counts: Int32Array
    packed: NDArray[np.uint8]

    @property
    def is_ground(self) -> BoolArray:
        """Which points are ground, (n_points,), in the order of the file."""
        return np.unpackbits(self.packed, count=self.n_points).astype(np.bool_)


def ground_from_cloud(
    path: Path,
    *,
    unit: Unit,
    cell: float | None = None,
    slope: float | None = None,
    largest_object_m: float = LARGEST_OBJECT_M,
    step_m: float | None = None,
    keep_boulders_m: float = 0.0,
    largest_gap_m: float = LARGEST_GAP_M,
    size: int = 1_000_000,
) -> CloudGround:
    """Grid the ground of a cloud, and tell its points from the others.

    Where points of class 2 lie all over the file, those are the ground. Otherwise the lowest
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
        Distance between nodes, m; by default as wide as six points need, 0.1 m at least.
    slope
        Rise over run up to which terrain is kept whatever its shape; by default 0.1 to 0.3, the
        more the terrain is broken by banks and terraces.
    largest_object_m
        Radius of the largest disc, m: what it does not fit into is removed.
    step_m
        How far from level ground a point may lie and still be of it, m; by default 0.35 of the
        distance between points or three standard deviations, within 0.05–0.5 m.
    keep_boulders_m
        Solid things no longer, wider or higher than this stay with the ground, m; by default all
        that stands is removed.
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
    wish = _Wish(cell, slope, largest_object_m, step_m, keep_boulders_m, largest_gap_m)
    return _ground(path, unit, wish, size, may_believe=True)


def ground_by_filter(
    path: Path,
    *,
    unit: Unit,
    cell: float | None = None,
    slope: float | None = None,
    largest_object_m: float = LARGEST_OBJECT_M,
    step_m: float | None = None,
    keep_boulders_m: float = 0.0,
    largest_gap_m: float = LARGEST_GAP_M,
    size: int = 1_000_000,
) -> CloudGround:
    """Grid the ground of a cloud without believing what the file says is ground.

    As `ground_from_cloud`, class 2 taken like any other. Points that the file says are noise are
    left out all the same.
    """
    wish = _Wish(cell, slope, largest_object_m, step_m, keep_boulders_m, largest_gap_m)
    return _ground(path, unit, wish, size, may_believe=False)


@dataclass(frozen=True)
class _Wish:
    cell: float | None
    slope: float | None
    largest_object_m: float
    step_m: float | None
    keep_boulders_m: float
    largest_gap_m: float


def _ground(path: Path, unit: Unit, wish: _Wish, size: int, *, may_believe: bool) -> CloudGround:
    header, scale = cloud_header(path), raw_scale(path, unit=unit)
    metres = 1.0 if header.unit else unit.metres
    lower, upper = np.array(header.lower) * metres, np.array(header.upper) * metres
    xmin, ymin, xmax, ymax = bounds = (*lower[:2].tolist(), *upper[:2].tolist())
    _check_box(path, lower, upper)
    if wish.cell is not None:
        _check_cell(path, bounds, wish.cell)
    with ExitStack() as stack:
        kept = keep_cloud(path, scale, bounds, size=size, stack=stack)
        cell = wish.cell or _suited_cell(kept, (xmax - xmin) * (ymax - ymin))
        lattice = Lattice.covering(bounds, cell=cell)
        place = placement(scale, lattice.x0, lattice.y0, cell)
        believed = may_believe and kept.trust.believed
        kind = GROUND if believed else OTHER
        lowest = lowest_points(kept, place, lattice.shape, kind)
        first, opening = lowest.height, None
        if not believed:
            first, opening = _bare(first, cell, wish)
            if wish.keep_boulders_m > 0:
                kept_too = boulders(lowest.height, first, cell, largest_m=wish.keep_boulders_m)
                first = np.where(kept_too, lowest.height, first)
        if not np.isfinite(first).any():
            raise SurfaceError(
                "no ground is left in the cloud",
                place=Place(path),
                expected="points on the ground",
                mend="choose a larger cell, or a larger slope",
            )
        first = first - _rise_from_node(lowest, first)
        bands = [Band.everything()] * 2 if believed else ground_bands(kept, place, first, cell)
        if not believed and wish.step_m is not None:
            bands = [replace(band, half=wish.step_m) for band in bands]
        for band in bands:
            mean = mean_ground(kept, kind, place, first, band, cell)
            first = mean.height
    z = mean.height
    filled = fill_small_gaps(z, widest=wish.largest_gap_m / cell)
    return CloudGround(
        grid=Grid(lattice, filled),
        n_points=header.count,
        n_ground_points=mean.points,
        n_ground_cells=int(np.isfinite(z).sum()),
        n_filled_cells=int(np.isfinite(filled).sum() - np.isfinite(z).sum()),
        cell=cell,
        used_classes=believed,
        noise_m=mean.noise,
        trust=kept.trust,
        opening=opening,
        tolerance_m=band.half,
        counts=mean.counts,
        packed=mean.packed,
    )


def _rise_from_node(lowest: Lowest, ground: FloatArray) -> FloatArray:
    """How much higher than at the node the ground is where its lowest point lies, m."""
    north, east = np.gradient(ndimage.uniform_filter(fill_everywhere(ground), 3))
    rise: FloatArray = east * lowest.east + north * lowest.north
    return rise


def _suited_cell(kept: KeptCloud, box_m2: float) -> float:
    """Cell that holds six points, within limits, in two digits, m.

    Limits: 0.1 m; 1 m, or the distance between points where that is more; and the memory.
    """
    each = max(kept.covered_m2, SMALLEST_CELL_M**2) / max(kept.used, 1)
    widest = max(COARSEST_CELL_M, math.sqrt(each))
    cell = min(max(math.sqrt(POINTS_PER_CELL * each), SMALLEST_CELL_M), widest)
    return float(f"{max(cell, math.sqrt(box_m2 / MOST_CHOSEN_NODES)):.2g}")


def _check_box(path: Path, lower: FloatArray, upper: FloatArray) -> None:
    if not (np.isfinite([lower, upper]).all() and (lower <= upper).all()):
        raise SurveyError(
            f"its header says that the points lie between {lower.tolist()} and {upper.tolist()} m",
            place=Place(path),
            expected="smallest coordinates first, then the largest",
            mend="export the cloud again",
        )


def _check_cell(path: Path, bounds: tuple[float, float, float, float], cell: float) -> None:
    if not (math.isfinite(cell) and cell > 0):
        raise SurfaceError(
            f"a cell of {cell} m",
            place=Place(path),
            expected="a positive length",
            mend="correct the cell, or leave it out",
        )
    width, height = bounds[2] - bounds[0], bounds[3] - bounds[1]
    nodes = (width / cell + 2) * (height / cell + 2)
    if nodes > MOST_NODES:
        raise SurfaceError(
            f"a cell of {cell:g} m makes {nodes:,.0f} nodes over {width:,.0f} m × {height:,.0f} m",
            place=Place(path),
            expected=f"at most {MOST_NODES:,} nodes",
            mend="choose a larger cell, or cut the cloud to the site",
        )


def _bare(low: FloatArray, cell: float, wish: _Wish) -> tuple[FloatArray, Opening]:
    """Lowest heights without strays and what stands, (ny, nx), NaN elsewhere.

    Small cells are filtered by the lowest of several; those near the ground thus found stay, less
    what is too small to show in the lowest of several.
    """
    least = max(FILTER_CELL_M / cell, math.sqrt(low.size / MOST_FILTER_NODES))
    share = max(1, math.ceil(least - 1e-9))
    if max(low.shape) < 4 * share:
        share = 1
    coarse, wide = _lowest_of_blocks(low, share), share * cell
    bare, opening = ground_surface(
        coarse, wide, slope=wish.slope, largest_object_m=wish.largest_object_m
    )
    if share == 1:
        return bare, opening
    reference = _between_blocks(fill_everywhere(bare), share, low.shape)
    tilt = TILT_SHARE * min(wide, 1.0) / cell * np.hypot(*np.gradient(reference))
    near = np.abs(low - reference) <= max(BAND_SHARE * wide, 2 * THINNEST_BAND_M) + tilt
    fine = np.where(near, low, np.nan)
    small = standing_cells(
        fill_everywhere(fine), cell, slope=opening.slope, largest_m=SMALL_THINGS * wide
    )
    return np.where(small, np.nan, fine), opening


def _lowest_of_blocks(low: FloatArray, share: int) -> FloatArray:
    ny, nx = (-(-length // share) for length in low.shape)
    padded = np.full((ny * share, nx * share), np.inf)
    padded[: low.shape[0], : low.shape[1]] = np.where(np.isnan(low), np.inf, low)
    lowest: FloatArray = padded.reshape(ny, share, nx, share).min(axis=(1, 3))
    return np.where(np.isinf(lowest), np.nan, lowest)


def _between_blocks(coarse: FloatArray, share: int, shape: tuple[int, int]) -> FloatArray:
    """Heights of the middles of blocks, interpolated to the nodes."""
    fine = coarse
    for axis, length in enumerate(shape):
        at = np.clip((np.arange(length) - (share - 1) / 2) / share, 0, fine.shape[axis] - 1)
        first = np.minimum(at.astype(np.int64), max(fine.shape[axis] - 2, 0))
        weight = (at - first)[:, None] if axis == 0 else at - first
        then = np.minimum(first + 1, fine.shape[axis] - 1)
        fine = (1 - weight) * fine.take(first, axis) + weight * fine.take(then, axis)
    return fine
