"""Places along and inside an element that are worth a peg."""

from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from scipy.spatial import KDTree

from terrain.arrays import BoolArray, FloatArray

_CORNER = np.cos(np.radians(35.0))  # a line that turns more has a corner
_STRAIGHT_M = 0.002  # a corner that stands out less is none
_BESIDE_M = 0.01  # where the way of a line is read from, to both sides


def along_rings(
    area: shapely.Polygon | shapely.MultiPolygon, every: float
) -> tuple[FloatArray, FloatArray]:
    """Places along the rings of an area with the outward direction there, each shape (n, 2), m.

    Corners have a place of their own; between them places are even, no farther apart than `every`.
    The first is the northernmost, and they go clockwise around the outside.
    """
    places, outward = [np.empty((0, 2))], [np.empty((0, 2))]
    for part in shapely.get_parts(shapely.normalize(area)):
        turned = shapely.geometry.polygon.orient(part, sign=-1.0)
        for ring in (turned.exterior, *turned.interiors):
            line = _from_the_north(ring.simplify(_STRAIGHT_M))
            at = _stations(line, every, closed=True)
            places.append(shapely.get_coordinates(shapely.line_interpolate_point(line, at)))
            ahead = _way(line, at, closed=True)
            outward.append(np.column_stack([-ahead[:, 1], ahead[:, 0]]))
    stays = spaced(np.concatenate(places), every / 10)
    return np.concatenate(places)[stays], np.concatenate(outward)[stays]


def along_line(line: shapely.LineString, every: float) -> FloatArray:
    """Places along a line, its ends and corners among them, shape (n, 2), m."""
    closed = bool(line.is_ring)
    at = _stations(line, every, closed=closed)
    places: FloatArray = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
    return places


def on_grid(
    bounds: tuple[float, float, float, float], every: float, origin: FloatArray
) -> FloatArray:
    """Places whose true easting and northing are whole numbers of `every`, row by row from north.

    Parameters
    ----------
    bounds
        `(xmin, ymin, xmax, ymax)`, local m.
    origin
        True coordinates less local ones, shape (2,), m.
    """
    low = np.ceil((np.array(bounds[:2]) + origin) / every)
    high = np.floor((np.array(bounds[2:]) + origin) / every)
    x = np.arange(low[0], high[0] + 1) * every - origin[0]
    y = np.arange(low[1], high[1] + 1)[::-1] * every - origin[1]
    east, north = np.meshgrid(x, y)
    return np.column_stack([east.ravel(), north.ravel()])


def thinned(places: FloatArray, apart: float, *, beside: FloatArray) -> BoolArray:
    """Which places lie at least `apart` from every one of `beside`, shape (n,)."""
    if not len(places) or not len(beside):
        return np.ones(len(places), dtype=np.bool_)
    cloud = shapely.multipoints(beside)
    away: BoolArray = shapely.distance(shapely.points(places), cloud) >= apart
    return away


def spaced(places: FloatArray, apart: float) -> BoolArray:
    """Which places are not nearer than `apart` to an earlier one that stays, shape (n,)."""
    if not len(places):
        return np.empty(0, dtype=np.bool_)
    near: Any = KDTree(places).query_ball_point(places, apart * (1 - 1e-9))
    stays = np.ones(len(places), dtype=np.bool_)
    for row, others in enumerate(near):
        if stays[row]:
            stays[[other for other in others if other > row]] = False
    return stays


def _from_the_north(ring: shapely.LinearRing) -> shapely.LinearRing:
    corners = shapely.get_coordinates(ring)[:-1]
    first = int(np.lexsort([corners[:, 0], -corners[:, 1]])[0])
    return shapely.LinearRing(np.roll(corners, -first, axis=0))


def _stations(line: shapely.LineString, every: float, *, closed: bool) -> FloatArray:
    corners = shapely.get_coordinates(line)
    legs = np.diff(corners, axis=0)
    length = np.hypot(*legs.T)
    ways = legs[length > 0] / length[length > 0][:, None]
    at = np.append(0.0, np.cumsum(length[length > 0]))
    turns = (ways[1:] * ways[:-1]).sum(axis=1) < _CORNER
    stops = [0.0, *at[1:-1][turns], at[-1]]
    if closed and (ways[0] * ways[-1]).sum() >= _CORNER and len(stops) > 2:
        # the ring's first place is no corner: what lies before the first corner joins the end
        stops = [*stops[1:-1], at[-1] + stops[1]]
    stations = [
        np.linspace(a, b, max(1, int(np.ceil((b - a) / every - 1e-9))), endpoint=False)
        for a, b in pairwise(stops)
    ]
    if not closed:
        return np.append(np.concatenate(stations), at[-1])
    return np.sort(np.concatenate(stations) % at[-1])


def _way(line: shapely.LineString, at: FloatArray, *, closed: bool) -> FloatArray:
    """Direction of a line at stations, shape (n, 2); at a corner that of its bisector."""
    length = line.length
    before, after = at - _BESIDE_M, at + _BESIDE_M
    if closed:
        before, after = before % length, after % length
    start, end = (
        shapely.get_coordinates(shapely.line_interpolate_point(line, s)) for s in (before, after)
    )
    ahead = end - start
    ways: FloatArray = ahead / np.maximum(np.hypot(*ahead.T), 1e-12)[:, None]
    return ways
