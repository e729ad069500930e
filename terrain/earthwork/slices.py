"""Stage and storage by level slices: areas at levels, and the rules that make volumes of them."""

from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.earthwork.baselines import Region
from terrain.earthwork.sections import conical
from terrain.earthwork.storage import StageStorage
from terrain.earthwork.triangles import above_zero
from terrain.kernels import kernel
from terrain.surface import Tin
from terrain.surface.regions import triangles_of


@dataclass(frozen=True)
class LevelSlices:
    """A basin in level slices.

    Attributes
    ----------
    level_m
        Ascending, shape (k,).
    area_m2
        That lies below each level, shape (k,).
    mid_area_m2
        Half-way between the levels, shape (k − 1,).
    exact_m3
        Under each level, counted from the bottom of the basin, shape (k,).
    """

    level_m: FloatArray
    area_m2: FloatArray
    mid_area_m2: FloatArray
    exact_m3: FloatArray

    @property
    def end_area_m3(self) -> FloatArray:
        """Under each level above the lowest one, by the trapezoidal rule between slices, (k,)."""
        return self._running(np.diff(self.level_m) * (self.area_m2[:-1] + self.area_m2[1:]) / 2)

    @property
    def prismoidal_m3(self) -> FloatArray:
        """The same by the prismoidal formula with the true areas half-way, (k,)."""
        sums = self.area_m2[:-1] + 4 * self.mid_area_m2 + self.area_m2[1:]
        return self._running(np.diff(self.level_m) * sums / 6)

    @property
    def conical_m3(self) -> FloatArray:
        """The same by frustums of cones, (k,)."""
        slices = [conical(self.level_m[i : i + 2], self.area_m2[i : i + 2])
                  for i in range(len(self.level_m) - 1)]  # fmt: skip
        return self._running(np.array(slices))

    @property
    def curve(self) -> StageStorage:
        """Exact at the levels."""
        return StageStorage(self.level_m, self.area_m2, self.exact_m3)

    @staticmethod
    def _running(slices: FloatArray) -> FloatArray:
        return np.concatenate([[0.0], np.cumsum(slices)])


def level_slices(bottom: Tin, levels: FloatArray, *, region: Region | None = None) -> LevelSlices:
    """Slice what lies above a triangulated bottom at levels; areas and volumes exact to rounding.

    A triangle's part below a level is a polygon, and the water on it a prism: nothing is sampled.

    Parameters
    ----------
    bottom
        The basin's bottom and sides. Everything below a level counts, connected or not.
    levels
        Ascending, shape (k,), m.
    region
        Count only inside this, such as the basin's outline; everywhere by default.
    """
    if region is not None:
        bottom = clipped(bottom, region)
    middles = (levels[:-1] + levels[1:]) / 2
    corners = bottom.points[bottom.triangles][:, :, 2]
    areas, volumes = _below(corners, bottom.areas, levels)
    mid_areas, _ = _below(corners, bottom.areas, middles)
    return LevelSlices(levels, areas, mid_areas, volumes)


@kernel
def _below(
    corners: FloatArray, plan: FloatArray, levels: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Area below and volume under each level, over triangles with corner heights (n, 3)."""
    areas, volumes = np.zeros(len(levels)), np.zeros(len(levels))
    for t in range(len(plan)):
        for k in range(len(levels)):
            a, b, c = (
                levels[k] - corners[t, 0],
                levels[k] - corners[t, 1],
                levels[k] - corners[t, 2],
            )
            low, high = min(a, b, c), max(a, b, c)
            middle = a + b + c - low - high
            if low >= 0:
                areas[k] += plan[t]
            elif middle > 0:
                areas[k] += plan[t] * (1 - low * low / ((low - middle) * (low - high)))
            elif high > 0:
                areas[k] += plan[t] * high * high / ((high - middle) * (high - low))
            volumes[k] += plan[t] * above_zero(a, b, c)
    return areas, volumes


def clipped(tin: Tin, region: Region) -> Tin:
    """The part of a triangulated surface inside a region, exact: border triangles are cut."""
    corners = tin.points[tin.triangles]
    shapes = shapely.polygons(corners[:, :, :2])
    shapely.prepare(region)
    whole: BoolArray = shapely.contains(region, shapes)
    border = np.flatnonzero(~whole & shapely.intersects(region, shapes))
    parts = triangles_of(region)
    pieces = shapely.polygons(parts.points[parts.triangles][:, :, :2])
    cut, by = shapely.STRtree(pieces).query(shapes[border], predicate="intersects")
    overlap = shapely.intersection(shapes[border][cut], pieces[by])
    solid = shapely.get_type_id(overlap) == shapely.GeometryType.POLYGON
    rings = shapely.normalize(overlap[solid])
    xy, owner = shapely.get_coordinates(rings, return_index=True)
    z = _on_planes(corners[border][cut[solid]], xy, owner)
    fans = _fans(owner, len(tin.points))
    triangles = np.concatenate([tin.triangles[whole], fans])
    return Tin(np.concatenate([tin.points, np.column_stack([xy, z])]), _facing_up(
        np.concatenate([tin.points[:, :2], xy]), triangles))  # fmt: skip


def _on_planes(corners: FloatArray, xy: FloatArray, owner: IntArray) -> FloatArray:
    """Heights of places (m, 2) on the planes of the triangles (n, 3, 3) that own them, (m,)."""
    a, b, c = (corners[owner, k] for k in range(3))
    u, v, p = b - a, c - a, xy - a[:, :2]
    det = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    s = (p[:, 0] * v[:, 1] - p[:, 1] * v[:, 0]) / det
    t = (u[:, 0] * p[:, 1] - u[:, 1] * p[:, 0]) / det
    z: FloatArray = a[:, 2] + s * u[:, 2] + t * v[:, 2]
    return z


def _fans(owner: IntArray, first: int) -> Int32Array:
    """Triangles of convex rings that lie one after the other, rows counted from `first`."""
    rows = np.arange(len(owner))
    start = np.searchsorted(owner, owner)
    last = np.append(owner[1:] != owner[:-1], True)
    inner = np.flatnonzero((rows > start) & ~last)
    inner = inner[~last[np.minimum(inner + 1, len(rows) - 1)]]  # the ring's end is its beginning
    return (first + np.column_stack([start[inner], inner, inner + 1])).astype(np.int32)


def _facing_up(xy: FloatArray, triangles: Int32Array) -> Int32Array:
    """The same triangles, all counter-clockwise."""
    a, b, c = (xy[triangles[:, k]] for k in range(3))
    turned = (b - a)[:, 0] * (c - a)[:, 1] < (b - a)[:, 1] * (c - a)[:, 0]
    out = triangles.copy()
    out[turned, 1], out[turned, 2] = triangles[turned, 2], triangles[turned, 1]
    return out
