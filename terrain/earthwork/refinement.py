"""The prism method between triangulated surfaces: every overlap of two triangles is one prism."""

from typing import NamedTuple

import numpy as np
import shapely

from terrain.arrays import FloatArray, Int32Array, IntArray
from terrain.earthwork.cutfill import CutFill
from terrain.earthwork.triangles import above_zero
from terrain.kernels import kernel
from terrain.surface import Tin
from terrain.surface.regions import triangles_of

_MOST_CORNERS = 16  # of a triangle cut by two others: nine, and what rounding may add
_ROUNDINGS = 64.0  # in one prism, generously


def tin_volume(
    before: Tin, after: Tin, *, region: shapely.Polygon | shapely.MultiPolygon | None = None
) -> CutFill:
    """Cut and fill between two triangulated surfaces, exact to rounding.

    Where triangles of the two surfaces overlap, both are planes: the overlap is a convex polygon
    on which the difference is linear. It is split on the line where cut turns to fill, and each
    part is a prism, `A (d₁ + d₂ + d₃) / 3`. Where only one of the surfaces is, there is neither.

    Parameters
    ----------
    before, after
        Cut is where `after` is below `before`.
    region
        Count only inside this; everywhere by default.
    """
    centre = before.points.mean(axis=0)
    below = _Mesh.of(Tin(before.points - centre, before.triangles))
    above = _Mesh.of(Tin(after.points - centre, after.triangles))
    sums = np.zeros(3)
    if region is None:
        _add_overlaps(below, above, sums)
    else:
        part = triangles_of(region)
        _add_overlaps_within(part.points - centre, part.triangles, below, above, sums)
    cut, fill, gross = (float(value) for value in sums)
    return CutFill(cut, fill, _ROUNDINGS * float(np.finfo(np.float64).eps) * gross)


class _Mesh(NamedTuple):
    """A triangulated surface as kernels take it: with the buckets that its triangles lie in."""

    points: FloatArray
    triangles: Int32Array
    x0: float
    y0: float
    cell: float
    starts: IntArray
    members: Int32Array

    @classmethod
    def of(cls, tin: Tin) -> "_Mesh":
        return cls(tin.points, tin.triangles, *tin._buckets)


@kernel
def _corner(mesh: _Mesh, t: int, polygon: FloatArray) -> None:
    """Write the three corners of a triangle, x and y."""
    for k in range(3):
        p = mesh.triangles[t, k]
        polygon[k, 0], polygon[k, 1] = mesh.points[p, 0], mesh.points[p, 1]


@kernel
def _clip(polygon: FloatArray, n: int, mesh: _Mesh, t: int, work: FloatArray) -> int:
    """Cut a convex polygon of n corners down to a triangle of a mesh; how many corners are left.

    Sutherland and Hodgman (1974), edge by edge.
    """
    for k in range(3):
        a, b = mesh.triangles[t, k], mesh.triangles[t, (k + 1) % 3]
        ax, ay = mesh.points[a, 0], mesh.points[a, 1]
        ex, ey = mesh.points[b, 0] - ax, mesh.points[b, 1] - ay
        m = 0
        for i in range(n):
            px, py = polygon[i, 0], polygon[i, 1]
            qx, qy = polygon[(i + 1) % n, 0], polygon[(i + 1) % n, 1]
            p = ex * (py - ay) - ey * (px - ax)
            q = ex * (qy - ay) - ey * (qx - ax)
            if p >= 0:
                work[m, 0], work[m, 1] = px, py
                m += 1
            if p * q < 0:
                share = p / (p - q)
                work[m, 0], work[m, 1] = px + share * (qx - px), py + share * (qy - py)
                m += 1
        n = m
        for i in range(n):
            polygon[i, 0], polygon[i, 1] = work[i, 0], work[i, 1]
        if n < 3:
            return 0
    return n


@kernel
def _plane(mesh: _Mesh, t: int) -> tuple[float, float, float]:
    """Height of a triangle's plane at (0, 0), and its rise per metre east and north."""
    a, b, c = mesh.triangles[t, 0], mesh.triangles[t, 1], mesh.triangles[t, 2]
    ux, uy = mesh.points[b, 0] - mesh.points[a, 0], mesh.points[b, 1] - mesh.points[a, 1]
    vx, vy = mesh.points[c, 0] - mesh.points[a, 0], mesh.points[c, 1] - mesh.points[a, 1]
    ub, vc = mesh.points[b, 2] - mesh.points[a, 2], mesh.points[c, 2] - mesh.points[a, 2]
    det = ux * vy - uy * vx
    east, north = (ub * vy - vc * uy) / det, (vc * ux - ub * vx) / det
    return mesh.points[a, 2] - east * mesh.points[a, 0] - north * mesh.points[a, 1], east, north


@kernel
def _range(polygon: FloatArray, n: int, axis: int) -> tuple[float, float]:
    low = high = polygon[0, axis]
    for k in range(1, n):
        low, high = min(low, polygon[k, axis]), max(high, polygon[k, axis])
    return low, high


@kernel
def _bucket(value: float, start: float, cell: float, count: int) -> int:
    return min(max(int((value - start) / cell), 0), count - 1)


@kernel
def _lowest(mesh: _Mesh, t: int, axis: int) -> float:
    return float(
        min(
            mesh.points[mesh.triangles[t, 0], axis],
            mesh.points[mesh.triangles[t, 1], axis],
            mesh.points[mesh.triangles[t, 2], axis],
        )
    )


@kernel
def _add_polygon(
    polygon: FloatArray,
    n: int,
    below: tuple[float, float, float],
    above: _Mesh,
    piece: FloatArray,
    work: FloatArray,
    sums: FloatArray,
) -> None:
    """Add the prisms between a plane over a convex polygon and a mesh: cut, fill, gross."""
    x_low, x_high = _range(polygon, n, 0)
    y_low, y_high = _range(polygon, n, 1)
    ny, nx = above.starts.shape[0], above.starts.shape[1] - 1
    i0, i1 = _bucket(x_low, above.x0, above.cell, nx), _bucket(x_high, above.x0, above.cell, nx)
    j0, j1 = _bucket(y_low, above.y0, above.cell, ny), _bucket(y_high, above.y0, above.cell, ny)
    for j in range(j0, j1 + 1):
        for i in range(i0, i1 + 1):
            for m in range(above.starts[j, i], above.starts[j, i + 1]):
                t = above.members[m]
                # a pair that meets in several buckets is taken in the first of them
                first_i = _bucket(max(x_low, _lowest(above, t, 0)), above.x0, above.cell, nx)
                first_j = _bucket(max(y_low, _lowest(above, t, 1)), above.y0, above.cell, ny)
                if first_i != i or first_j != j:
                    continue
                for k in range(n):
                    piece[k, 0], piece[k, 1] = polygon[k, 0], polygon[k, 1]
                left = _clip(piece, n, above, t, work)
                if left:
                    _add_prisms(piece, left, below, _plane(above, t), sums)


@kernel
def _add_prisms(
    piece: FloatArray,
    n: int,
    below: tuple[float, float, float],
    above: tuple[float, float, float],
    sums: FloatArray,
) -> None:
    """Add what lies between two planes over a convex polygon."""
    level, east, north = above[0] - below[0], above[1] - below[1], above[2] - below[2]
    x0, y0 = piece[0, 0], piece[0, 1]
    d0 = level + east * x0 + north * y0
    for k in range(1, n - 1):
        xa, ya, xb, yb = piece[k, 0], piece[k, 1], piece[k + 1, 0], piece[k + 1, 1]
        area = ((xa - x0) * (yb - y0) - (xb - x0) * (ya - y0)) / 2
        da, db = level + east * xa + north * ya, level + east * xb + north * yb
        sums[0] += area * above_zero(-d0, -da, -db)
        sums[1] += area * above_zero(d0, da, db)
        steep = (abs(below[1]) + abs(above[1])) * abs(x0) + (abs(below[2]) + abs(above[2])) * abs(
            y0
        )
        sums[2] += area * (abs(below[0]) + abs(above[0]) + steep)


@kernel
def _add_overlaps(below: _Mesh, above: _Mesh, sums: FloatArray) -> None:
    polygon, piece, work = np.empty((3, _MOST_CORNERS, 2))
    for t in range(below.triangles.shape[0]):
        _corner(below, t, polygon)
        _add_polygon(polygon, 3, _plane(below, t), above, piece, work, sums)


@kernel
def _add_overlaps_within(
    points: FloatArray, triangles: Int32Array, below: _Mesh, above: _Mesh, sums: FloatArray
) -> None:
    """The same inside the triangles of a region."""
    polygon, piece, work = np.empty((3, _MOST_CORNERS, 2))
    ny, nx = below.starts.shape[0], below.starts.shape[1] - 1
    for r in range(triangles.shape[0]):
        x_low = min(
            points[triangles[r, 0], 0], points[triangles[r, 1], 0], points[triangles[r, 2], 0]
        )
        x_high = max(
            points[triangles[r, 0], 0], points[triangles[r, 1], 0], points[triangles[r, 2], 0]
        )
        y_low = min(
            points[triangles[r, 0], 1], points[triangles[r, 1], 1], points[triangles[r, 2], 1]
        )
        y_high = max(
            points[triangles[r, 0], 1], points[triangles[r, 1], 1], points[triangles[r, 2], 1]
        )
        for j in range(
            _bucket(y_low, below.y0, below.cell, ny), _bucket(y_high, below.y0, below.cell, ny) + 1
        ):
            for i in range(
                _bucket(x_low, below.x0, below.cell, nx),
                _bucket(x_high, below.x0, below.cell, nx) + 1,
            ):
                for m in range(below.starts[j, i], below.starts[j, i + 1]):
                    t = below.members[m]
                    first_i = _bucket(max(x_low, _lowest(below, t, 0)), below.x0, below.cell, nx)
                    first_j = _bucket(max(y_low, _lowest(below, t, 1)), below.y0, below.cell, ny)
                    if first_i != i or first_j != j:
                        continue
                    for k in range(3):
                        p = triangles[r, k]
                        polygon[k, 0], polygon[k, 1] = points[p, 0], points[p, 1]
                    left = _clip(polygon, 3, below, t, work)
                    if left:
                        _add_polygon(polygon, left, _plane(below, t), above, piece, work, sums)
