"""Triangles that follow any surface within a stated tolerance, walls and all.

Places are added where the triangles are off the most until none is off by more than the tolerance
at any place that is looked at. A wall cannot stand upright between triangles: it leans by a few
millimetres, within which the tolerance does not hold.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.errors import SurfaceError
from terrain.surface.delaunay import triangulate
from terrain.surface.protocol import Surface
from terrain.surface.tin import Tin

LEAN_M = 0.003
"""How far to either side of a wall its top and its foot are laid, m."""

_GRID_M = 1e-5  # places of lines are rounded to it
_AIM = 0.6  # of the tolerance: what is left lies between the places that are looked at
_ROUNDS = 40
_SMALLEST_M = 0.006  # a triangle with no longer side is not divided
_LOOK = np.array(
    [[1, 1, 1], [4, 1, 1], [1, 4, 1], [1, 1, 4], [6, 6, 1], [6, 1, 6], [1, 6, 6]], dtype=np.float64
)
_LOOK /= _LOOK.sum(axis=1, keepdims=True)
_ON_EDGE = np.array([0.5, 0.2, 0.8])


@dataclass(frozen=True)
class Followed:
    """A surface as triangles.

    Attributes
    ----------
    tin
        The triangles.
    tolerance_m
        What they keep to, m.
    walls
        Strips, as wide as twice the lean, in which walls stand and the tolerance does not hold.
    """

    tin: Tin
    tolerance_m: float
    walls: shapely.Polygon | shapely.MultiPolygon


def follow(
    surface: Surface,
    region: shapely.Polygon | shapely.MultiPolygon,
    *,
    walls: Sequence[shapely.LineString] = (),
    folds: Sequence[shapely.LineString] = (),
    probes: FloatArray | None = None,
    spacing_m: float = 1.0,
    tolerance_m: float = 0.01,
) -> Followed:
    """Triangulate a surface over a region.

    Parameters
    ----------
    region
        On the surface, local m.
    walls, folds
        Lines across which the surface may jump, and along which its slope may change. Where it
        does not, they do no harm.
    probes
        Places that are looked at besides those inside every triangle, shape (n, 2).
    spacing_m
        Greatest distance of places to begin with, m.
    tolerance_m
        Greatest vertical distance to the surface, m.

    Raises
    ------
    SurfaceError
        The region holds none of the surface, or the tolerance is not positive.
    """
    if not tolerance_m > 0:
        raise SurfaceError(
            f"a tolerance of {tolerance_m:g} m",
            expected="a vertical tolerance greater than nothing",
            mend="give a length, such as 10 mm",
        )
    if region.is_empty or region.area <= 0:
        raise SurfaceError("there is no surface to follow", expected="a region with an area")
    strip = _strips(surface, walls, region, tolerance_m)
    state = _begin(surface, region, strip, folds, spacing_m)
    shapely.prepare(strip)
    looked_at = _clear_of(strip, probes, region) if probes is not None else np.empty((0, 2))
    known = surface.elevation(looked_at)
    aim = _AIM * tolerance_m
    for _ in range(_ROUNDS):
        split = state.off_edges(surface, aim)
        if split:
            continue
        if state.off_triangles(surface, strip, aim):
            continue
        if not state.off_probes(surface, looked_at, known, tolerance_m * 0.95):
            break
    return Followed(state.tin, tolerance_m, strip)


class _Mesh:
    """Places, fixed edges between them, and the triangles of the region."""

    def __init__(
        self,
        xy: FloatArray,
        edges: IntArray,
        z: FloatArray,
        region: shapely.Polygon | shapely.MultiPolygon,
    ) -> None:
        self.xy, self.edges, self.z, self.region = xy, edges, z, region
        self._settled: IntArray = np.empty(0, dtype=np.int64)
        self._settled_edges: set[tuple[int, int]] = set()
        shapely.prepare(region)
        self._triangulate()

    @property
    def tin(self) -> Tin:
        return Tin(np.column_stack([self.xy, self.z]), self.triangles)

    def _triangulate(self) -> None:
        mesh = triangulate(self.xy, self.edges)
        if len(mesh.corners) > len(self.xy):
            raise SurfaceError(
                "lines of the surface cross where they should not",
                expected="lines that meet at their ends",
                mend="say so to the makers of this program",
            )
        corners = self.xy[mesh.triangles]
        inside = shapely.contains_xy(self.region, corners.mean(axis=1))
        self.triangles: Int32Array = mesh.triangles[inside & (_doubled(corners) > 1e-12)]

    def _add(self, surface: Surface, places: FloatArray) -> None:
        z = surface.elevation(places)
        on = np.isfinite(z)
        self.xy = np.concatenate([self.xy, places[on]])
        self.z = np.concatenate([self.z, z[on]])

    def off_edges(self, surface: Surface, aim: float) -> int:
        """Divide fixed edges that are off; how many."""
        fresh = np.array(
            [tuple(edge) not in self._settled_edges for edge in self.edges.tolist()], dtype=np.bool_
        )
        rows = np.flatnonzero(fresh)
        a, b = self.xy[self.edges[rows, 0]], self.xy[self.edges[rows, 1]]
        za, zb = self.z[self.edges[rows, 0]], self.z[self.edges[rows, 1]]
        share = _ON_EDGE[:, None, None]
        places = a + share * (b - a)
        heights = surface.elevation(places.reshape(-1, 2)).reshape(len(_ON_EDGE), -1)
        off = np.abs(heights - (za + _ON_EDGE[:, None] * (zb - za)))
        off = np.where(np.isfinite(off), off, 0.0)
        worst = off.argmax(axis=0)
        bad = (off.max(axis=0) > aim) & (np.hypot(*(b - a).T) > _SMALLEST_M)
        self._settled_edges.update(map(tuple, self.edges[rows[~bad]].tolist()))
        if not bad.any():
            return 0
        number = len(self.xy) + np.arange(int(bad.sum()))
        split = self.edges[rows[bad]]
        chosen = places[worst[bad], np.flatnonzero(bad)]
        self.xy = np.concatenate([self.xy, chosen])
        self.z = np.concatenate([self.z, heights[worst[bad], np.flatnonzero(bad)]])
        self.edges = np.concatenate(
            [
                np.delete(self.edges, rows[bad], axis=0),
                np.column_stack([split[:, 0], number]),
                np.column_stack([number, split[:, 1]]),
            ]
        )
        self._triangulate()
        return int(bad.sum())

    def off_triangles(self, surface: Surface, strip: shapely.Geometry, aim: float) -> int:
        """Add a place in every triangle that is off; how many."""
        keys = _keys(self.triangles)
        fresh = self.triangles[~np.isin(keys, self._settled)]
        corners = self.xy[fresh]
        sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
        fresh, corners = (
            fresh[sides.max(axis=1) > _SMALLEST_M],
            corners[sides.max(axis=1) > _SMALLEST_M],
        )
        places = np.einsum("sk,tkd->tsd", _LOOK, corners)
        flat = places.reshape(-1, 2)
        heights = surface.elevation(flat)
        off = np.abs(heights - (self.z[fresh] @ _LOOK.T).ravel())
        off[~np.isfinite(off)] = 0.0
        suspect = np.flatnonzero(off > aim)
        off[suspect[shapely.intersects_xy(strip, flat[suspect])]] = 0.0
        off = off.reshape(-1, len(_LOOK))
        bad = off.max(axis=1) > aim
        settled = np.ones(len(keys), dtype=np.bool_)
        settled[np.isin(keys, _keys(fresh[bad]))] = False
        self._settled = keys[settled]
        if not bad.any():
            return 0
        self._add(surface, places[bad, off[bad].argmax(axis=1)])
        self._triangulate()
        return int(bad.sum())

    def off_probes(
        self, surface: Surface, places: FloatArray, known: FloatArray, aim: float
    ) -> int:
        """Add the probes that are off; how many."""
        off = np.abs(self.tin.elevation(places) - known)
        bad = np.nan_to_num(off) > aim
        near = places[bad]
        _, first = np.unique(np.round(near / 0.02), axis=0, return_index=True)
        if len(first):
            self._add(surface, near[first])
            self._triangulate()
        return len(first)


def _keys(triangles: Int32Array) -> IntArray:
    """One number for each triangle whatever its first corner, for fewer than 2²¹ places."""
    rows = np.sort(triangles.astype(np.int64), axis=1)
    keys: IntArray = rows[:, 0] << 42 | rows[:, 1] << 21 | rows[:, 2]
    return keys


def _doubled(corners: FloatArray) -> FloatArray:
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    doubled: FloatArray = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    return doubled


def _clear_of(strip: shapely.Geometry, places: FloatArray, region: shapely.Geometry) -> FloatArray:
    shapely.prepare(region)
    places = places[shapely.contains_xy(region, places)]
    clear: BoolArray = ~shapely.intersects_xy(strip, places)
    return places[clear]


def _strips(
    surface: Surface,
    walls: Sequence[shapely.LineString],
    region: shapely.Geometry,
    tolerance: float,
) -> shapely.Polygon | shapely.MultiPolygon:
    """Strips along the parts of lines where the surface does jump."""
    pieces = []
    for line in walls:
        corners = shapely.get_coordinates(shapely.segmentize(line, 0.1))
        start, end = corners[:-1], corners[1:]
        long = np.hypot(*(end - start).T) > 1e-9
        start, end = start[long], end[long]
        along = (end - start) / np.hypot(*(end - start).T)[:, None]
        left = LEAN_M * np.column_stack([-along[:, 1], along[:, 0]])
        jumps = np.zeros(len(start), dtype=np.bool_)
        for share in (0.05, 0.5, 0.95):
            middle = start + share * (end - start)
            step = surface.elevation(middle + left) - surface.elevation(middle - left)
            jumps |= np.abs(np.nan_to_num(step)) > 0.5 * tolerance
        pieces += list(shapely.linestrings(np.stack([start[jumps], end[jumps]], axis=1)))
    if not pieces:
        return shapely.Polygon()
    lines = shapely.line_merge(shapely.union_all(pieces, grid_size=_GRID_M))
    buffered = shapely.buffer(lines, LEAN_M, cap_style="flat", join_style="mitre", mitre_limit=2.0)
    strips = shapely.intersection(buffered, region)
    if strips.geom_type == "GeometryCollection":
        strips = shapely.union_all([p for p in shapely.get_parts(strips) if p.area > 0])
    return strips


def _begin(
    surface: Surface,
    region: shapely.Polygon | shapely.MultiPolygon,
    strip: shapely.Geometry,
    folds: Sequence[shapely.LineString],
    spacing: float,
) -> _Mesh:
    inner = region.difference(strip)
    lines = [
        shapely.segmentize(part, spacing)
        for part in (
            region.boundary,
            strip.boundary,
            shapely.intersection(shapely.union_all(list(folds)).simplify(1e-4), inner),
        )
    ]
    noded = shapely.get_parts(shapely.union_all(lines, grid_size=_GRID_M))
    noded = [line for line in noded if line.geom_type == "LineString"]
    ends = [shapely.get_coordinates(line) for line in noded]
    pieces = np.concatenate([np.stack([c[:-1], c[1:]], axis=1) for c in ends])
    places, rows = np.unique(
        np.round(pieces.reshape(-1, 2) / _GRID_M).astype(np.int64), axis=0, return_inverse=True
    )
    edges = np.sort(rows.reshape(-1, 2), axis=1)
    edges = np.unique(edges[edges[:, 0] != edges[:, 1]], axis=0).astype(np.int64)
    xy = np.concatenate([places * _GRID_M, _spread(inner, spacing)])
    z = surface.elevation(xy)
    on = np.isfinite(z)
    number = np.cumsum(on) - 1
    edges = number[edges[on[edges].all(axis=1)]]
    if on.sum() < 3:
        raise SurfaceError(
            "the region lies off the surface", expected="a region on the surveyed ground"
        )
    return _Mesh(xy[on], edges, z[on], region)


def _spread(region: shapely.Geometry, spacing: float) -> FloatArray:
    """Places on a square grid in a region, none near its border."""
    xmin, ymin, xmax, ymax = region.bounds
    x, y = np.meshgrid(np.arange(xmin, xmax, spacing), np.arange(ymin, ymax, spacing))
    places = np.column_stack([x.ravel(), y.ravel()])
    shapely.prepare(region)
    inside: FloatArray = places[shapely.contains_xy(region, places)]
    if len(inside):
        away = shapely.distance(shapely.points(inside), region.boundary)
        inside = inside[away > 0.1 * spacing]
    return inside
