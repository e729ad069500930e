"""The fewest triangles that stay within a stated vertical tolerance of what was measured."""

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.errors import SurfaceError
from terrain.kernels import kernel
from terrain.surface.adjacency import NONE, border_of, neighbours_of
from terrain.surface.collapsing import take_out_needless
from terrain.surface.delaunay import along_a_curve, triangulate
from terrain.surface.from_points import build_tin, edges_of, merge_places
from terrain.surface.grid import Grid
from terrain.surface.insertion import insert_worst, make_front, place_points, turn
from terrain.surface.tin import Tin
from terrain.surface.trimming import NO_EDGES, edge_keys

_TILE = 1024  # cells; a tile's border follows the heights by itself, so that tiles can be apart
_INNER = 1 - 1e-9  # of the tolerance: room for the rounding of heights between the vertices
_THREADS = 2


def thin_grid(grid: Grid, *, tolerance_m: float) -> Tin:
    """Triangulate few nodes of a grid so that every node lies within a tolerance of the surface.

    By greedy insertion (M. Garland and P. S. Heckbert 1995), after which vertices that have become
    needless are taken out again. The surface covers the whole cells of
    the grid, as the grid's own footprint does, to the last corner. Large grids are worked in tiles
    that share their borders' vertices.

    Parameters
    ----------
    tolerance_m
        Greatest vertical distance from a node to the surface, m, over all nodes of whole cells.

    Raises
    ------
    SurfaceError
        The grid has no whole cell, or the tolerance is not positive.
    """
    _check(tolerance_m)
    whole = grid.whole_cells
    if not whole.any():
        raise SurfaceError(
            "no cell of the grid has all four heights",
            expected="heights at neighbouring nodes",
            mend="use a larger cell, or a denser survey",
        )
    z = np.ascontiguousarray(grid.z)
    tolerance = tolerance_m * _INNER

    def thin(tile: _Tile) -> Int32Array:
        return _thin_tile(z, whole, tile, tolerance)

    with ThreadPoolExecutor(_THREADS) as pool:
        parts = list(pool.map(thin, _tiles(whole)))
    triangles = np.concatenate(parts)
    used = np.zeros(z.size, dtype=np.bool_)
    used[triangles] = True
    number = np.cumsum(used, dtype=np.int32) - np.int32(1)
    row, column = np.divmod(np.flatnonzero(used), z.shape[1])
    points = np.column_stack([grid.lattice.x[column], grid.lattice.y[row], z[row, column]])
    return Tin(points, number[triangles])


def thin_points(
    points: FloatArray,
    *,
    tolerance_m: float,
    breaklines: Sequence[IntArray] = (),
    soft: Sequence[IntArray] = (),
    longest_border_m: float | None = None,
) -> Tin:
    """Triangulate few of the points so that every point lies within a tolerance of the surface.

    The surface covers what `build_tin` covers, which takes the same points and lines. Breaklines
    stay edges with all their points; soft lines may be thinned like the ground beside them.

    Parameters
    ----------
    points
        Shape (n, 3), m.
    tolerance_m
        Greatest vertical distance from a point to the surface, m.

    Raises
    ------
    SurfaceError
        The points make no surface, or the tolerance is not positive.
    """
    tin = build_tin(points, breaklines=breaklines, soft=soft, longest_border_m=longest_border_m)
    places = merge_places(points)
    return thin_tin(tin, tolerance_m=tolerance_m, keep=edges_of(breaklines, places.merged))


def thin_tin(tin: Tin, *, tolerance_m: float, keep: IntArray = NO_EDGES) -> Tin:
    """Keep few vertices of a surface so that all of them lie within a tolerance of it.

    By greedy insertion (M. Garland and P. S. Heckbert 1995), after which vertices that have become
    needless are taken out again. The footprint stays.

    Parameters
    ----------
    tolerance_m
        Greatest vertical distance from a vertex to the thinned surface, m.
    keep
        Edges (rows of `tin.points`, shape (e, 2)) that stay edges.

    Raises
    ------
    SurfaceError
        The tolerance is not positive.
    """
    _check(tolerance_m)
    used = np.unique(tin.triangles)
    xyz = tin.points - tin.points[used[0]]
    border = _without_straight_places(
        xyz, border_of(tin.triangles, neighbours_of(tin.triangles, len(xyz))), keep
    )
    candidates = np.setdiff1d(used, np.union1d(border, keep))
    triangles = _refine(xyz, border, keep, candidates, tolerance_m * _INNER)
    rows, corners = np.unique(triangles, return_inverse=True)
    return Tin(tin.points[rows], corners.reshape(-1, 3).astype(np.int32))


def _check(tolerance_m: float) -> None:
    if not tolerance_m > 0:
        raise SurfaceError(
            f"a tolerance of {tolerance_m:g} m",
            expected="a vertical tolerance greater than nothing",
            mend="give a length, such as 10 mm",
        )


def _refine(
    xyz: FloatArray, border: IntArray, keep: IntArray, candidates: IntArray, tolerance: float
) -> Int32Array:
    """Triangles (rows of `xyz`) between a border, surface on its left, within the tolerance."""
    order = along_a_curve(np.ascontiguousarray(xyz[:, :2]))  # what is worked together lies together
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    triangles = _refine_in_order(
        xyz[order], rank[border], rank[keep], np.sort(rank[candidates]), tolerance
    )
    return order[triangles].astype(np.int32)


def _refine_in_order(
    xyz: FloatArray, border: IntArray, keep: IntArray, candidates: IntArray, tolerance: float
) -> Int32Array:
    first = np.union1d(border, keep)
    fixed = np.searchsorted(first, np.concatenate([border, keep]))
    mesh = triangulate(np.ascontiguousarray(xyz[first, :2]), np.unique(np.sort(fixed), axis=0))
    triangles: Int32Array = first[mesh.triangles].astype(np.int32)
    inside = _left_of(border, triangles, mesh.across)
    front = make_front(xyz, triangles, mesh.across, _locked(triangles, keep))
    lost = place_points(front, candidates, inside)
    if lost:
        raise SurfaceError(
            f"{lost} vertices of the surface lie off its own footprint",
            expected="triangles that lie side by side",
            mend="check the surface for folds",
        )
    shut = front.across[: len(triangles)]
    shut[(shut != NONE) & (inside[:, None] != inside[shut])] = NONE
    front.triangles[: len(triangles)][~inside] = NONE
    insert_worst(front, tolerance)
    stay = np.zeros(len(xyz), dtype=np.bool_)
    stay[first] = True
    take_out_needless(front, stay, tolerance)
    refined = front.triangles[: front.sizes[0]]
    left: Int32Array = refined[refined[:, 0] != NONE]
    return left


def _locked(triangles: Int32Array, keep: IntArray) -> BoolArray:
    keys = edge_keys(keep)
    if not len(keys):
        return np.zeros(triangles.shape, dtype=np.bool_)
    ends = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=-1).astype(np.int64)
    return np.isin(ends.min(axis=-1) << 32 | ends.max(axis=-1), keys)


def _left_of(border: IntArray, triangles: Int32Array, across: Int32Array) -> BoolArray:
    """Which triangles a border encloses: those left of its edges, and all up to the next edge."""
    forward = np.sort(border[:, 0].astype(np.int64) << 32 | border[:, 1])
    backward = np.sort(border[:, 1].astype(np.int64) << 32 | border[:, 0])
    start, end = triangles.astype(np.int64), np.roll(triangles, -1, axis=1).astype(np.int64)
    keys = start << 32 | end
    inside = np.zeros(len(triangles), dtype=np.bool_)
    _flood(across, np.isin(keys, forward), np.isin(keys, backward), inside)
    return inside


@kernel
def _flood(across: Int32Array, inward: BoolArray, outward: BoolArray, inside: BoolArray) -> None:
    stack = np.empty(inside.size, dtype=np.int64)
    top = 0
    for t in range(inside.size):
        if inward[t].any():
            inside[t] = True
            stack[top] = t
            top += 1
    while top > 0:
        top -= 1
        t = stack[top]
        for k in range(3):
            n = across[t, k]
            if n != NONE and not inside[n] and not inward[t, k] and not outward[t, k]:
                inside[n] = True
                stack[top] = n
                top += 1


def _without_straight_places(xyz: FloatArray, border: Int32Array, keep: IntArray) -> IntArray:
    """The border with the places left out at which it goes straight on; those of `keep` stay."""
    following = np.full(len(xyz), NONE, dtype=np.int64)
    following[border[:, 0]] = border[:, 1]
    leaving = np.bincount(border[:, 0], minlength=len(xyz))
    corner = leaving > 1
    corner[keep] = True
    return _straightened(xyz, border.astype(np.int64), following, corner)


@kernel
def _straightened(
    xyz: FloatArray, border: IntArray, following: IntArray, corner: BoolArray
) -> IntArray:
    for e in range(border.shape[0]):
        a, b = border[e]
        if not corner[b]:
            c = following[b]
            area = turn(xyz[a, 0], xyz[a, 1], xyz[b, 0], xyz[b, 1], xyz[c, 0], xyz[c, 1])
            ahead = (xyz[b, 0] - xyz[a, 0]) * (xyz[c, 0] - xyz[b, 0]) + (xyz[b, 1] - xyz[a, 1]) * (
                xyz[c, 1] - xyz[b, 1]
            )
            corner[b] = area != 0 or ahead <= 0
    out = np.empty(border.shape, dtype=np.int64)
    count = 0
    for e in range(border.shape[0]):
        a, b = border[e]
        if corner[a]:
            while not corner[b]:
                b = following[b]
            out[count, 0], out[count, 1] = a, b
            count += 1
    return out[:count].copy()


@dataclass(frozen=True)
class _Tile:
    """Cells of a grid, from a row and a column up to others that are left out."""

    south: int
    north: int
    west: int
    east: int


def _tiles(whole: BoolArray) -> Iterator[_Tile]:
    ny, nx = whole.shape
    rows = np.linspace(0, ny, max(1, round(ny / _TILE)) + 1).astype(int)
    columns = np.linspace(0, nx, max(1, round(nx / _TILE)) + 1).astype(int)
    for south, north in pairwise(rows):
        for west, east in pairwise(columns):
            if whole[south:north, west:east].any():
                yield _Tile(int(south), int(north), int(west), int(east))


def _thin_tile(z: FloatArray, whole: BoolArray, tile: _Tile, tolerance: float) -> Int32Array:
    """Triangles of a tile between nodes of the grid, counted row by row from the south-west."""
    nx = z.shape[1]
    border, status = _tile_border(z, whole, tile.south, tile.north, tile.west, tile.east, tolerance)
    rows, columns = np.mgrid[tile.south : tile.north + 1, tile.west : tile.east + 1]
    heights = z[tile.south : tile.north + 1, tile.west : tile.east + 1]
    # whole numbers of cells: turns and circles are exact
    xyz = np.column_stack(
        [(columns - tile.west).ravel(), (rows - tile.south).ravel(), heights.ravel()]
    )
    triangles = _refine(xyz, border, NO_EDGES, np.flatnonzero(status), tolerance)
    row, column = np.divmod(triangles, tile.east - tile.west + 1)
    nodes: Int32Array = ((row + tile.south) * nx + column + tile.west).astype(np.int32)
    return nodes


@kernel
def _cell(whole: BoolArray, j: int, i: int) -> bool:
    return bool(0 <= j < whole.shape[0] and 0 <= i < whole.shape[1] and whole[j, i])


@kernel
def _inner_nodes(whole: BoolArray, south: int, north: int, west: int, east: int) -> BoolArray:
    """Nodes of a tile that have whole cells of it all around, row by row."""
    inner = np.zeros((north - south + 1, east - west + 1), dtype=np.bool_)
    for j in range(south + 1, north):
        for i in range(west + 1, east):
            inner[j - south, i - west] = (
                whole[j, i] and whole[j - 1, i] and whole[j, i - 1] and whole[j - 1, i - 1]
            )
    return inner.ravel()


@kernel
def _next_stop(heights: FloatArray, breaks: BoolArray, start: int, tolerance: float) -> int:
    """Farthest node of a line that a straight edge reaches within the tolerance of all between."""
    low, high = -np.inf, np.inf
    stop = start + 1
    for k in range(start + 1, heights.size):
        rise, run = heights[k] - heights[start], k - start
        if low <= rise / run <= high:
            stop = k
        low = max(low, (rise - tolerance) / run)
        high = min(high, (rise + tolerance) / run)
        if breaks[k] or low > high:
            break
    return stop


@kernel
def _line(
    heights: FloatArray,
    breaks: BoolArray,
    near: BoolArray,
    far: BoolArray,
    node: int,
    step: int,
    tolerance: float,
    edges: IntArray,
    count: int,
) -> int:
    """Add the edges of one line of nodes, which go with the surface on their left.

    `near` and `far` say where there is surface left and right of each piece, looking along the
    line; `node` is the line's first and `step` leads from each to the next.
    """
    k = 0
    while k < near.size:
        if near[k] == far[k]:
            k += 1
            continue
        stop = _next_stop(heights, breaks, k, tolerance)
        first, last = (k, stop) if near[k] else (stop, k)
        edges[count, 0], edges[count, 1] = node + first * step, node + last * step
        count += 1
        k = stop
    return count


@kernel
def _tile_border(
    z: FloatArray,
    whole: BoolArray,
    south: int,
    north: int,
    west: int,
    east: int,
    tolerance: float,
) -> tuple[IntArray, BoolArray]:
    """Edges around the surface of a tile, (e, 2) nodes of the tile; and which nodes are inner.

    Along a straight piece the stops depend on the grid alone, so that the tile beside has the same.
    """
    ny, nx = north - south, east - west
    part = whole[south:north, west:east]
    edges = np.empty((2 * (ny + 1) * (nx + 1), 2), dtype=np.int64)
    count = 0
    nothing_x, nothing_y = np.zeros(nx, dtype=np.bool_), np.zeros(ny, dtype=np.bool_)
    breaks = np.empty(nx + 1, dtype=np.bool_)
    for j in range(south, north + 1):
        for i in range(west, east + 1):
            breaks[i - west] = _cell(whole, j, i - 1) != _cell(whole, j, i) or _cell(
                whole, j - 1, i - 1
            ) != _cell(whole, j - 1, i)
        above = part[j - south] if j < north else nothing_x
        below = part[j - south - 1] if j > south else nothing_x
        heights, node = z[j, west : east + 1], (j - south) * (nx + 1)
        count = _line(heights, breaks, above, below, node, 1, tolerance, edges, count)
    breaks = np.empty(ny + 1, dtype=np.bool_)
    for i in range(west, east + 1):
        for j in range(south, north + 1):
            breaks[j - south] = _cell(whole, j - 1, i) != _cell(whole, j, i) or _cell(
                whole, j - 1, i - 1
            ) != _cell(whole, j, i - 1)
        left = part[:, i - west - 1] if i > west else nothing_y
        right = part[:, i - west] if i < east else nothing_y
        heights, node = z[south : north + 1, i], i - west
        count = _line(
            heights, breaks, left.copy(), right.copy(), node, nx + 1, tolerance, edges, count
        )
    return edges[:count].copy(), _inner_nodes(whole, south, north, west, east)
