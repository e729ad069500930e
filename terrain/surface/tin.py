"""A triangulated surface: constrained Delaunay over survey points and breaklines."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pythoncdt
import shapely

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.errors import SurfaceError
from terrain.kernels import kernel
from terrain.surface.grid import Grid
from terrain.surface.lattice import Lattice

_SLACK = 1e-9  # barycentric: a point on an edge belongs to the triangle despite rounding
_FAR = 6.0  # times the spacing: an edge this long bridges ground that nobody measured
_THIN = 1e-9  # height over longest side below which a triangle is a rounded line, and no ground


@dataclass(frozen=True)
class Tin:
    """Plane triangles between points.

    Attributes
    ----------
    points
        Vertices, shape (n, 3), m.
    triangles
        Rows of `points`, counter-clockwise seen from above, shape (m, 3).
    """

    points: FloatArray
    triangles: Int32Array

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m; NaN outside every triangle."""
        x0, y0, cell, starts, members = self._buckets
        return _heights_at(self.points, self.triangles, x0, y0, cell, starts, members, xy)

    def on_lattice(self, lattice: Lattice) -> Grid:
        """Heights at every node of `lattice`: each triangle writes the nodes inside it."""
        z = np.full(lattice.shape, np.nan)
        _write_triangles(self.points, self.triangles, lattice.x0, lattice.y0, lattice.cell, z)
        return Grid(lattice, z)

    @cached_property
    def areas(self) -> FloatArray:
        """Plan area of each triangle, shape (m,), m²."""
        return _plan_areas(self.points, self.triangles)

    @cached_property
    def footprint(self) -> shapely.Polygon | shapely.MultiPolygon:
        """What the triangles cover in plan."""
        edges = _border_edges(self.triangles)
        return shapely.build_area(shapely.multilinestrings(self.points[edges][:, :, :2]))

    @cached_property
    def _buckets(self) -> tuple[float, float, float, IntArray, Int32Array]:
        """A coarse lattice over the triangles: which may hold a point of each bucket."""
        low, high = self.points[:, :2].min(axis=0), self.points[:, :2].max(axis=0)
        size = np.maximum(high - low, 1e-9)
        cell = float(np.sqrt(size[0] * size[1] / max(len(self.triangles), 1)) * 1.5)
        cell = max(cell, float(size.max()) / 4096)
        nx, ny = int(size[0] / cell) + 1, int(size[1] / cell) + 1
        starts, members = _fill_buckets(
            self.points, self.triangles, float(low[0]), float(low[1]), cell, nx, ny
        )
        return float(low[0]), float(low[1]), cell, starts.reshape(ny, nx + 1), members


def build_tin(
    points: FloatArray,
    *,
    breaklines: Sequence[IntArray] = (),
    longest_border_m: float | None = None,
) -> Tin:
    """Triangulate points so that no triangle crosses a breakline.

    Points that share a plan position are merged (the first one's height stays). Where breaklines
    cross, a vertex is added at the crossing with the mean of their heights there. Long thin
    triangles along the border, which only bridge ground that nobody measured, are trimmed.

    Parameters
    ----------
    points
        Shape (n, 3), m.
    breaklines
        Rows of `points` in walking order, one array a line.
    longest_border_m
        Triangles are trimmed from the border inward while their outer edge is longer than this; by
        default longer than 6 times the spacing around it (the median edge at its ends, the larger
        of the two). Edges of breaklines are never trimmed away.

    Raises
    ------
    SurfaceError
        Fewer than three distinct points, or all of them in one line.
    """
    rows = _first_of_each_place(points)
    kept = points[rows.first]
    if len(kept) < 3:
        raise SurfaceError(
            f"{len(kept)} distinct point(s) make no surface",
            expected="at least 3 points that do not lie in one line",
            mend="check that the file holds ground shots, and that their codes are not ignored",
        )
    low = kept[:, :2].min(axis=0)
    plan = np.ascontiguousarray(kept[:, :2] - low)
    if _all_in_one_line(plan):
        raise SurfaceError(
            f"all {len(kept)} points lie in one line",
            expected="points spread over the ground",
            mend="check which columns hold the northing and the easting",
        )
    fixed = _fixed_edges(breaklines, rows.merged)
    corners, triangles, neighbours = _triangulate(plan, fixed)
    z = kept[:, 2]
    if len(corners) > len(kept):
        z = np.concatenate([z, _crossing_heights(corners[len(kept) :], plan, z, fixed)])
    xyz = np.column_stack([corners + low, z])
    doubled_area, squared_length = _measure(corners, triangles)
    if longest_border_m is None:
        longest = _FAR * _spacing(len(xyz), triangles, squared_length)
    else:
        longest = np.full(len(xyz), longest_border_m)
    stays = doubled_area > _THIN * squared_length.max(axis=1)
    _peel(neighbours, _peelable(triangles, squared_length, fixed, longest), stays)
    if not stays.any():
        raise SurfaceError(
            f"no triangle has a border of {longest.max():.2f} m or less",
            expected="a longest border greater than the distance between the points",
            mend="raise longest_border of this survey, or leave it out",
        )
    return Tin(xyz, triangles[stays])


@dataclass(frozen=True)
class _Places:
    first: IntArray  # row of the first point at each place
    merged: IntArray  # for each point, its place


def _first_of_each_place(points: FloatArray) -> _Places:
    order = np.lexsort((points[:, 1], points[:, 0]))
    x, y = points[order, 0], points[order, 1]
    new = np.ones(len(points), dtype=bool)
    new[1:] = (np.diff(x) != 0) | (np.diff(y) != 0)
    first = np.minimum.reduceat(order, np.flatnonzero(new)) if len(points) else order
    rank = np.argsort(first)
    place_of_sorted = np.empty(len(first), dtype=np.int64)
    place_of_sorted[rank] = np.arange(len(first))
    merged = np.empty(len(points), dtype=np.int64)
    merged[order] = place_of_sorted[np.cumsum(new) - 1]
    return _Places(first[rank], merged)


def _all_in_one_line(plan: FloatArray) -> bool:
    spread = np.linalg.svd(plan - plan.mean(axis=0), compute_uv=False)
    return bool(spread[1] <= 1e-9 * spread[0])


def _fixed_edges(breaklines: Sequence[IntArray], merged: IntArray) -> IntArray:
    pairs = [np.column_stack([merged[line[:-1]], merged[line[1:]]]) for line in breaklines]
    edges = np.concatenate(pairs) if pairs else np.empty((0, 2), dtype=np.int64)
    edges = np.sort(edges[edges[:, 0] != edges[:, 1]], axis=1)
    return np.unique(edges, axis=0)


def _triangulate(plan: FloatArray, fixed: IntArray) -> tuple[FloatArray, Int32Array, IntArray]:
    """Corners, triangles, and across each edge (corner k to k + 1) the neighbour."""
    mesh: Any = pythoncdt.Triangulation(
        pythoncdt.VertexInsertionOrder.AUTO, pythoncdt.IntersectingConstraintEdges.TRY_RESOLVE, 0.0
    )
    mesh.insert_vertices(plan)
    if len(fixed):
        mesh.insert_edges(fixed.astype(np.uint32))
    mesh.erase_super_triangle()
    vertices, triangles = mesh.vertices_array(), mesh.triangles_array()
    return (
        np.column_stack([vertices["x"], vertices["y"]]),
        triangles["vertices"].astype(np.int32),
        triangles["neighbors"].astype(np.int64),
    )


def _crossing_heights(
    crossings: FloatArray, plan: FloatArray, z: FloatArray, fixed: IntArray
) -> FloatArray:
    """Mean of the heights that the crossing breaklines have at their crossing."""
    a, b = plan[fixed[:, 0]], plan[fixed[:, 1]]
    lines = shapely.linestrings(np.stack([a, b], axis=1))
    heights = np.empty(len(crossings))
    for k, crossing in enumerate(crossings):
        nearest = np.argsort(shapely.distance(lines, shapely.Point(crossing)))
        # lines that meet at a vertex beside the crossing are pieces of one breakline
        apart = ~np.isin(fixed[nearest], fixed[nearest[0]]).any(axis=1)
        on = np.array([nearest[0], nearest[apart][0] if apart.any() else nearest[1]])
        along = b[on] - a[on]
        share = ((crossing - a[on]) * along).sum(axis=1) / (along**2).sum(axis=1)
        heights[k] = np.mean(z[fixed[on, 0]] * (1 - share) + z[fixed[on, 1]] * share)
    return heights


def _plan_areas(points: FloatArray, triangles: Int32Array) -> FloatArray:
    a, b, c = (points[triangles[:, k], :2] for k in range(3))
    doubled = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    areas: FloatArray = 0.5 * doubled
    return areas


def _edge_keys(edges: Int32Array | IntArray) -> IntArray:
    low, high = edges.min(axis=-1), edges.max(axis=-1)
    keys: IntArray = low.astype(np.int64) << 32 | high.astype(np.int64)
    return keys


def _sides(triangles: Int32Array) -> Int32Array:
    """The three edges of every triangle, shape (m, 3, 2)."""
    return np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=-1)


def _border_edges(triangles: Int32Array) -> Int32Array:
    sides = _sides(triangles).reshape(-1, 2)
    _, first, count = np.unique(_edge_keys(sides), return_index=True, return_counts=True)
    border: Int32Array = sides[first[count == 1]]
    return border


def _peelable(
    triangles: Int32Array, squared_length: FloatArray, fixed: IntArray, longest: FloatArray
) -> BoolArray:
    """Which edges are too long to be a border, shape (m, 3); breaklines never are.

    An edge may be as long as the longer of its ends' limits, `longest`, shape (n,).
    """
    limit = longest[triangles]
    long: BoolArray = squared_length > np.maximum(limit, np.roll(limit, -1, axis=1)) ** 2
    row, k = np.nonzero(long)
    edges = np.stack([triangles[row, k], triangles[row, (k + 1) % 3]], axis=-1)
    if len(fixed) and len(edges):
        long[row, k] = ~np.isin(_edge_keys(edges), _edge_keys(fixed))
    return long


@kernel
def _measure(plan: FloatArray, triangles: Int32Array) -> tuple[FloatArray, FloatArray]:
    """Twice the plan area, and the squared length of the edge from each corner to the next."""
    doubled, squared = np.empty(triangles.shape[0]), np.empty(triangles.shape)
    for t in range(triangles.shape[0]):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        ux, uy = plan[b, 0] - plan[a, 0], plan[b, 1] - plan[a, 1]
        vx, vy = plan[c, 0] - plan[a, 0], plan[c, 1] - plan[a, 1]
        doubled[t] = ux * vy - uy * vx
        squared[t, 0] = ux * ux + uy * uy
        squared[t, 1] = (vx - ux) ** 2 + (vy - uy) ** 2
        squared[t, 2] = vx * vx + vy * vy
    return doubled, squared


@kernel
def _spacing(count: int, triangles: Int32Array, squared_length: FloatArray) -> FloatArray:
    """Median length of the edges at each of `count` points; edges inside count twice."""
    starts = np.zeros(count + 1, dtype=np.int64)
    for t in range(triangles.shape[0]):
        for k in range(3):
            starts[triangles[t, k] + 1] += 2
    starts = np.cumsum(starts)
    lengths, cursor = np.empty(starts[-1]), starts[:-1].copy()
    for t in range(triangles.shape[0]):
        for k in range(3):
            for end in (triangles[t, k], triangles[t, (k + 1) % 3]):
                lengths[cursor[end]] = squared_length[t, k]
                cursor[end] += 1
    spacing = np.zeros(count)
    for v in range(count):
        if starts[v + 1] > starts[v]:
            spacing[v] = np.sqrt(np.median(lengths[starts[v] : starts[v + 1]]))
    return spacing


@kernel
def _peel(neighbours: IntArray, peelable: BoolArray, stays: BoolArray) -> None:
    """Take away what has a peelable edge on the border, until nothing has."""
    count = stays.size
    stack = np.empty(count, dtype=np.int64)
    top = 0
    for t in range(count):
        for k in range(3):
            n = neighbours[t, k]
            if stays[t] and peelable[t, k] and (n >= count or not stays[n]):
                stack[top] = t
                top += 1
                break
    for s in range(top):
        stays[stack[s]] = False
    while top > 0:
        top -= 1
        t = stack[top]
        for k in range(3):
            n = neighbours[t, k]
            if n >= count or not stays[n]:
                continue
            for j in range(3):
                if neighbours[n, j] == t and peelable[n, j]:
                    stays[n] = False
                    stack[top] = n
                    top += 1
                    break


@kernel
def _fill_buckets(
    points: FloatArray,
    triangles: Int32Array,
    x0: float,
    y0: float,
    cell: float,
    nx: int,
    ny: int,
) -> tuple[IntArray, Int32Array]:
    starts = np.zeros(ny * (nx + 1), dtype=np.int64)
    for fill in range(2):
        if fill == 1:
            total = 0
            for k in range(starts.size):
                count = starts[k]
                starts[k] = total
                total += count
            members = np.empty(total, dtype=np.int32)
            cursor = starts.copy()
        for t in range(triangles.shape[0]):
            xa, ya = points[triangles[t, 0], 0], points[triangles[t, 0], 1]
            xb, yb = points[triangles[t, 1], 0], points[triangles[t, 1], 1]
            xc, yc = points[triangles[t, 2], 0], points[triangles[t, 2], 1]
            i0 = max(int((min(xa, xb, xc) - x0) / cell - _SLACK), 0)
            i1 = min(int((max(xa, xb, xc) - x0) / cell + _SLACK), nx - 1)
            j0 = max(int((min(ya, yb, yc) - y0) / cell - _SLACK), 0)
            j1 = min(int((max(ya, yb, yc) - y0) / cell + _SLACK), ny - 1)
            for j in range(j0, j1 + 1):
                for i in range(i0, i1 + 1):
                    bucket = j * (nx + 1) + i
                    if fill == 0:
                        starts[bucket] += 1
                    else:
                        members[cursor[bucket]] = t
                        cursor[bucket] += 1
    return starts, members


@kernel
def _heights_at(
    points: FloatArray,
    triangles: Int32Array,
    x0: float,
    y0: float,
    cell: float,
    starts: IntArray,
    members: Int32Array,
    xy: FloatArray,
) -> FloatArray:
    ny, nx = starts.shape[0], starts.shape[1] - 1
    out = np.full(xy.shape[0], np.nan)
    for k in range(xy.shape[0]):
        x, y = xy[k, 0], xy[k, 1]
        if not (x0 - cell <= x <= x0 + (nx + 1) * cell and y0 - cell <= y <= y0 + (ny + 1) * cell):
            continue
        i = min(max(int((x - x0) / cell), 0), nx - 1)
        j = min(max(int((y - y0) / cell), 0), ny - 1)
        for m in range(starts[j, i], starts[j, i + 1]):
            t = triangles[members[m]]
            xa, ya = points[t[0], 0], points[t[0], 1]
            ux, uy = points[t[1], 0] - xa, points[t[1], 1] - ya
            vx, vy = points[t[2], 0] - xa, points[t[2], 1] - ya
            det = ux * vy - uy * vx
            b = ((x - xa) * vy - (y - ya) * vx) / det
            c = (ux * (y - ya) - uy * (x - xa)) / det
            if b >= -_SLACK and c >= -_SLACK and b + c <= 1 + _SLACK:
                za = points[t[0], 2]
                out[k] = za + b * (points[t[1], 2] - za) + c * (points[t[2], 2] - za)
                break
    return out


@kernel
def _write_triangles(
    points: FloatArray, triangles: Int32Array, x0: float, y0: float, cell: float, z: FloatArray
) -> None:
    ny, nx = z.shape
    for t in range(triangles.shape[0]):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        xa, ya, za = (points[a, 0] - x0) / cell, (points[a, 1] - y0) / cell, points[a, 2]
        xb, yb = (points[b, 0] - x0) / cell, (points[b, 1] - y0) / cell
        xc, yc = (points[c, 0] - x0) / cell, (points[c, 1] - y0) / cell
        ux, uy, vx, vy = xb - xa, yb - ya, xc - xa, yc - ya
        det = ux * vy - uy * vx
        dzb, dzc = points[b, 2] - za, points[c, 2] - za
        east = (dzb * vy - dzc * uy) / det
        north = (dzc * ux - dzb * vx) / det
        j0 = max(int(np.ceil(min(ya, yb, yc) - _SLACK)), 0)
        j1 = min(int(np.floor(max(ya, yb, yc) + _SLACK)), ny - 1)
        for j in range(j0, j1 + 1):
            # b- and c-coordinates are linear in x along a row: clip x where each is in [0, 1]
            low, high = min(xa, xb, xc), max(xa, xb, xc)
            dy = j - ya
            for slope, at_a in (
                (vy / det, -dy * vx / det),
                (-uy / det, dy * ux / det),
                ((uy - vy) / det, 1.0 - dy * (ux - vx) / det),
            ):
                if slope > 0:
                    low = max(low, xa - (at_a + _SLACK) / slope)
                elif slope < 0:
                    high = min(high, xa - (at_a + _SLACK) / slope)
                elif at_a < -_SLACK:
                    high = low - 2.0
            i0 = max(int(np.ceil(low - _SLACK)), 0)
            i1 = min(int(np.floor(high + _SLACK)), nx - 1)
            for i in range(i0, i1 + 1):
                z[j, i] = za + east * (i - xa) + north * dy
