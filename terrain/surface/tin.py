"""A surface of plane triangles between points."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from terrain.arrays import FloatArray, Int32Array, IntArray
from terrain.kernels import kernel
from terrain.surface.adjacency import border_of, neighbours_of
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
        places = np.ascontiguousarray(xy)
        return _heights_at(self.points, self.triangles, x0, y0, cell, starts, members, places)

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
        edges = border_of(self.triangles, neighbours_of(self.triangles, len(self.points)))
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


def _plan_areas(points: FloatArray, triangles: Int32Array) -> FloatArray:
    a, b, c = (points[triangles[:, k], :2] for k in range(3))
    doubled = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    areas: FloatArray = 0.5 * doubled
    return areas


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
        deepest = -_SLACK
        for m in range(starts[j, i], starts[j, i + 1]):
            t = triangles[members[m]]
            xa, ya = points[t[0], 0], points[t[0], 1]
            ux, uy = points[t[1], 0] - xa, points[t[1], 1] - ya
            vx, vy = points[t[2], 0] - xa, points[t[2], 1] - ya
            det = ux * vy - uy * vx
            if det == 0:
                continue
            b = ((x - xa) * vy - (y - ya) * vx) / det
            c = (ux * (y - ya) - uy * (x - xa)) / det
            depth = min(b, c, 1 - b - c)
            if depth > deepest:  # within the slack of several, the one it is farthest inside
                deepest = depth
                za = points[t[0], 2]
                out[k] = za + b * (points[t[1], 2] - za) + c * (points[t[2], 2] - za)
                if depth >= 0:
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
        if det == 0:  # a triangle that is a line covers nothing
            continue
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
