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
        Triangles are trimmed from the border inward while their outer edge is longer than this;
        by default 6 times the median edge. Edges of breaklines are never trimmed away.

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
    corners, triangles = _triangulate(plan, fixed)
    z = kept[:, 2]
    if len(corners) > len(kept):
        z = np.concatenate([z, _crossing_heights(corners[len(kept) :], plan, z, fixed)])
    xyz = np.column_stack([corners + low, z])
    triangles = triangles[_plan_areas(xyz, triangles) > 0]
    if longest_border_m is None:
        longest_border_m = 6 * _median_edge(xyz, triangles)
    return Tin(xyz, triangles[_border_trimmed(xyz, triangles, fixed, longest_border_m)])


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


def _triangulate(plan: FloatArray, fixed: IntArray) -> tuple[FloatArray, Int32Array]:
    mesh: Any = pythoncdt.Triangulation(
        pythoncdt.VertexInsertionOrder.AUTO, pythoncdt.IntersectingConstraintEdges.TRY_RESOLVE, 0.0
    )
    mesh.insert_vertices(plan)
    if len(fixed):
        mesh.insert_edges(fixed.astype(np.uint32))
    mesh.erase_super_triangle()
    vertices = mesh.vertices_array()
    corners = np.column_stack([vertices["x"], vertices["y"]])
    return corners, mesh.triangles_array()["vertices"].astype(np.int32)


def _crossing_heights(
    crossings: FloatArray, plan: FloatArray, z: FloatArray, fixed: IntArray
) -> FloatArray:
    """Mean of the heights that the crossing breaklines have at their crossing."""
    a, b = plan[fixed[:, 0]], plan[fixed[:, 1]]
    lines = shapely.linestrings(np.stack([a, b], axis=1))
    heights = np.empty(len(crossings))
    for k, crossing in enumerate(crossings):
        distance = shapely.distance(lines, shapely.Point(crossing))
        on = np.argsort(distance)[:2]
        along = b[on] - a[on]
        share = ((crossing - a[on]) * along).sum(axis=1) / (along**2).sum(axis=1)
        heights[k] = np.mean(z[fixed[on, 0]] * (1 - share) + z[fixed[on, 1]] * share)
    return heights


def _plan_areas(points: FloatArray, triangles: Int32Array) -> FloatArray:
    a, b, c = (points[triangles[:, k], :2] for k in range(3))
    doubled = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    areas: FloatArray = 0.5 * doubled
    return areas


def _median_edge(points: FloatArray, triangles: Int32Array) -> float:
    sides = points[triangles][:, :, :2] - points[np.roll(triangles, -1, axis=1)][:, :, :2]
    return float(np.median(np.hypot(sides[..., 0], sides[..., 1])))


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


def _border_trimmed(
    points: FloatArray, triangles: Int32Array, fixed: IntArray, longest: float
) -> BoolArray:
    """Which triangles stay after long border triangles are peeled off, layer by layer."""
    keys = _edge_keys(_sides(triangles))
    sides = points[triangles][:, :, :2] - points[np.roll(triangles, -1, axis=1)][:, :, :2]
    long = (np.hypot(sides[..., 0], sides[..., 1]) > longest) & ~np.isin(keys, _edge_keys(fixed))
    _, edge = np.unique(keys, return_inverse=True)
    edge = edge.reshape(keys.shape)
    stays = np.ones(len(triangles), dtype=bool)
    while True:
        users = np.bincount(edge[stays].ravel(), minlength=edge.max() + 1)
        peel = stays & (long & (users[edge] == 1)).any(axis=1)
        if not peel.any() or peel.sum() == stays.sum():
            return stays
        stays &= ~peel


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
