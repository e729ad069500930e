"""How far a place is from the border of a region, as far as that matters."""

from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray, IntArray
from terrain.kernels import kernel

_MOST_BUCKETS = 4096  # along one side


@dataclass(frozen=True)
class Border:
    """The border of a region, its holes included, sorted for quick asking.

    Attributes
    ----------
    segments
        Straight pieces `x0, y0, x1, y1`, shape (m, 4), m.
    reach_m
        Distances are told up to this.
    corner
        South-west corner of the buckets.
    bucket_m
        Size of a bucket; a place asks its own bucket only.
    starts, members
        Segments within `reach_m` of each bucket: `members[starts[b]:starts[b + 1]]`.
    shape
        Buckets northward and eastward.
    """

    segments: FloatArray
    reach_m: float
    corner: tuple[float, float]
    bucket_m: float
    starts: IntArray
    members: IntArray
    shape: tuple[int, int]

    def distance(self, xy: FloatArray) -> FloatArray:
        """Distance of places to the border, shape (n, 2) → (n,), m; at most `reach_m`."""
        ny, nx = self.shape
        return _nearest(
            self.segments, self.reach_m, *self.corner, self.bucket_m, nx, ny,
            self.starts, self.members, xy,
        )  # fmt: skip


def border_of(region: shapely.Polygon | shapely.MultiPolygon, *, reach_m: float) -> Border:
    """Sort the border of `region` so that distances up to `reach_m` are quick to tell."""
    coordinates, line = shapely.get_coordinates(
        shapely.get_rings(shapely.get_parts(region)), return_index=True
    )
    same = line[1:] == line[:-1]
    segments = np.column_stack([coordinates[:-1][same], coordinates[1:][same]])
    low = np.minimum(segments[:, :2], segments[:, 2:]).min(axis=0, initial=np.inf) - reach_m
    high = np.maximum(segments[:, :2], segments[:, 2:]).max(axis=0, initial=-np.inf) + reach_m
    if not len(segments):
        low, high = np.zeros(2), np.zeros(2)
    bucket = max(reach_m, float((high - low).max()) / _MOST_BUCKETS, 1e-9)
    nx, ny = (int(size / bucket) + 1 for size in high - low)
    starts, members = _sort_segments(
        segments, reach_m, float(low[0]), float(low[1]), bucket, nx, ny
    )
    corner = (float(low[0]), float(low[1]))
    return Border(segments, reach_m, corner, bucket, starts, members, (ny, nx))


@kernel
def _sort_segments(
    segments: FloatArray, reach: float, x0: float, y0: float, bucket: float, nx: int, ny: int
) -> tuple[IntArray, IntArray]:
    starts = np.zeros(ny * nx + 1, dtype=np.int64)
    members = np.empty(0, dtype=np.int64)
    cursor = starts
    half = 0.5 * bucket * np.sqrt(2.0) + reach
    for fill in range(2):
        if fill == 1:
            starts = np.cumsum(starts)
            members = np.empty(starts[-1], dtype=np.int64)
            cursor = starts[:-1].copy()
        for s in range(segments.shape[0]):
            ax, ay, bx, by = segments[s]
            i0 = max(int((min(ax, bx) - reach - x0) / bucket), 0)
            i1 = min(int((max(ax, bx) + reach - x0) / bucket), nx - 1)
            j0 = max(int((min(ay, by) - reach - y0) / bucket), 0)
            j1 = min(int((max(ay, by) + reach - y0) / bucket), ny - 1)
            for j in range(j0, j1 + 1):
                for i in range(i0, i1 + 1):
                    x, y = x0 + (i + 0.5) * bucket, y0 + (j + 0.5) * bucket
                    if _to_segment(ax, ay, bx, by, x, y) > half * (1 + 1e-9):
                        continue
                    if fill == 0:
                        starts[j * nx + i + 1] += 1
                    else:
                        members[cursor[j * nx + i]] = s
                        cursor[j * nx + i] += 1
    return starts, members


@kernel
def _to_segment(ax: float, ay: float, bx: float, by: float, x: float, y: float) -> float:
    ux, uy = bx - ax, by - ay
    length2 = ux * ux + uy * uy
    along = 0.0
    if length2 > 0:
        along = min(max(((x - ax) * ux + (y - ay) * uy) / length2, 0.0), 1.0)
    return float(np.hypot(x - ax - along * ux, y - ay - along * uy))


@kernel
def _nearest(
    segments: FloatArray,
    reach: float,
    x0: float,
    y0: float,
    bucket: float,
    nx: int,
    ny: int,
    starts: IntArray,
    members: IntArray,
    xy: FloatArray,
) -> FloatArray:
    out = np.full(xy.shape[0], reach)
    for k in range(xy.shape[0]):
        i, j = int(np.floor((xy[k, 0] - x0) / bucket)), int(np.floor((xy[k, 1] - y0) / bucket))
        if not (0 <= i < nx and 0 <= j < ny):
            continue
        for m in range(starts[j * nx + i], starts[j * nx + i + 1]):
            ax, ay, bx, by = segments[members[m]]
            out[k] = min(out[k], _to_segment(ax, ay, bx, by, xy[k, 0], xy[k, 1]))
    return out
