"""A TIN from survey points and the lines that join some of them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.errors import SurfaceError
from terrain.kernels import kernel
from terrain.surface.delaunay import triangulate
from terrain.surface.tin import Tin
from terrain.surface.trimming import NO_EDGES, peel_long

_THIN = 1e-9  # height over longest side below which a triangle is a rounded line, and no ground


def build_tin(
    points: FloatArray,
    *,
    breaklines: Sequence[IntArray] = (),
    soft: Sequence[IntArray] = (),
    longest_border_m: float | None = None,
) -> Tin:
    """Triangulate points so that no triangle crosses a breakline, hard or soft.

    Points that share a plan position are merged (the first one's height stays). Where breaklines
    cross, a vertex is added at the crossing with the mean of their heights there. Long thin
    triangles along the border, which only bridge ground that nobody measured, are trimmed.

    Parameters
    ----------
    points
        Shape (n, 3), m.
    breaklines
        Rows of `points` in walking order, one array a line, where the slope breaks.
    soft
        The same for lines across which the slope goes on, such as contours: triangles follow them,
        but thinning and the repair of flats may look across.
    longest_border_m
        Triangles are trimmed from the border inward while their outer edge is longer than this; by
        default longer than 6 times the spacing around it (`trim_by_length`). Edges of breaklines
        are never trimmed away.

    Raises
    ------
    SurfaceError
        Fewer than three distinct points, or all of them in one line.
    """
    places = merge_places(points)
    kept = points[places.first]
    if len(kept) < 3:
        raise SurfaceError(
            f"{len(kept)} distinct point(s) make no surface",
            expected="at least 3 points that do not lie in one line",
            mend="check that the file holds ground shots, and that their codes are not ignored",
        )
    middle = np.median(kept[:, :2], axis=0)  # one place typed wrong does not move it
    plan = np.ascontiguousarray(kept[:, :2] - middle)
    if _all_in_one_line(plan):
        raise SurfaceError(
            f"all {len(kept)} points lie in one line",
            expected="points spread over the ground",
            mend="check which columns hold the northing and the easting",
        )
    fixed = edges_of([*breaklines, *soft], places.merged)
    mesh = triangulate(plan, fixed)
    z = kept[:, 2]
    if len(mesh.corners) > len(kept):
        z = np.concatenate([z, _crossing_heights(mesh.corners[len(kept) :], plan, z, fixed)])
    xyz = np.column_stack([mesh.corners, z])
    stays = _is_ground(xyz, mesh.triangles)
    local = Tin(xyz, mesh.triangles)
    peel_long(local, mesh.across, stays, longest_border_m=longest_border_m, keep=fixed)
    xyz[:, :2] += middle
    xyz[: len(kept), :2] = kept[:, :2]
    return Tin(xyz, mesh.triangles[stays])


@dataclass(frozen=True)
class Places:
    """Distinct plan positions of points.

    Attributes
    ----------
    first
        Row of the first point at each place, rising, shape (p,).
    merged
        For each point its place, shape (n,).
    """

    first: IntArray
    merged: IntArray


def merge_places(points: FloatArray) -> Places:
    """Find the points that share an easting and a northing to the last bit."""
    xy = np.ascontiguousarray(points[:, :2]) + 0.0  # -0.0 is 0.0
    return Places(*_first_of_each_place(xy.view(np.int64)))


def edges_of(lines: Sequence[IntArray], merged: IntArray) -> IntArray:
    """Distinct edges between the places that lines pass, lower row first, shape (e, 2)."""
    pairs = [np.column_stack([merged[line[:-1]], merged[line[1:]]]) for line in lines]
    edges = np.concatenate(pairs) if pairs else NO_EDGES
    edges = np.sort(edges[edges[:, 0] != edges[:, 1]], axis=1)
    return np.unique(edges, axis=0)


@kernel
def _first_of_each_place(bits: IntArray) -> tuple[IntArray, IntArray]:
    """Rows of first occurrences, and the place of each row, by an open hash table."""
    count = bits.shape[0]
    size = 16
    while size < 2 * count:
        size *= 2
    table = np.full(size, -1, dtype=np.int32)
    first, merged = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    places = 0
    for row in range(count):
        x, y = np.uint64(bits[row, 0]), np.uint64(bits[row, 1])
        mixed = (x ^ (y * np.uint64(0x9E3779B97F4A7C15))) * np.uint64(0xD6E8FEB86659FD93)
        slot = np.int64((mixed ^ (mixed >> np.uint64(32))) & np.uint64(size - 1))
        while table[slot] >= 0:
            other = first[table[slot]]
            if bits[other, 0] == bits[row, 0] and bits[other, 1] == bits[row, 1]:
                break
            slot = (slot + 1) % size
        if table[slot] < 0:
            table[slot] = places
            first[places] = row
            places += 1
        merged[row] = table[slot]
    return first[:places].copy(), merged


@kernel
def _all_in_one_line(plan: FloatArray) -> bool:
    """Whether no place is off the line between two far ones by more than rounding."""
    start = 0
    for _ in range(2):  # the place farthest from any place, then the farthest from that
        end, farthest = start, 0.0
        for k in range(plan.shape[0]):
            away = np.hypot(plan[k, 0] - plan[start, 0], plan[k, 1] - plan[start, 1])
            if away > farthest:
                end, farthest = k, away
        start, end = end, start
    ux, uy = plan[end, 0] - plan[start, 0], plan[end, 1] - plan[start, 1]
    length = np.hypot(ux, uy)
    for k in range(plan.shape[0]):
        vx, vy = plan[k, 0] - plan[start, 0], plan[k, 1] - plan[start, 1]
        if abs(ux * vy - uy * vx) > 1e-9 * length * length:
            return False
    return True


@kernel
def _is_ground(plan: FloatArray, triangles: Int32Array) -> BoolArray:
    """Which triangles are more than a line that rounding has opened."""
    ground = np.empty(triangles.shape[0], dtype=np.bool_)
    for t in range(triangles.shape[0]):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        ux, uy = plan[b, 0] - plan[a, 0], plan[b, 1] - plan[a, 1]
        vx, vy = plan[c, 0] - plan[a, 0], plan[c, 1] - plan[a, 1]
        longest = max(ux * ux + uy * uy, vx * vx + vy * vy, (vx - ux) ** 2 + (vy - uy) ** 2)
        ground[t] = ux * vy - uy * vx > _THIN * longest
    return ground


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
