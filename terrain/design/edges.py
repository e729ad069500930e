"""The edge of an outline, cut into banks."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.design.profiles import Profile
from terrain.errors import Place, PlanError
from terrain.kernels import kernel
from terrain.units import METRE, Unit

_NOTHING_M = 1e-9  # an outline is not grown by less


@dataclass(frozen=True)
class Edge:
    """Pieces of an outline, each belonging to one bank.

    Attributes
    ----------
    pieces
        `x1, y1, x2, y2` of each straight piece, shape (m, 4), m; of a circle its centre, twice.
    bank
        Index of the bank of each piece, shape (m,).
    radius
        Of each circle, shape (m,), m; 0 for straight pieces.
    """

    pieces: FloatArray
    bank: IntArray
    radius: FloatArray

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """`(xmin, ymin, xmax, ymax)`, m."""
        corners = self.pieces.reshape(-1, 2, 2)
        reach = self.radius[:, None, None]
        (xmin, ymin), (xmax, ymax) = (corners - reach).min((0, 1)), (corners + reach).max((0, 1))
        return float(xmin), float(ymin), float(xmax), float(ymax)

    @property
    def lines(self) -> list[shapely.LineString]:
        """The pieces as lines; a circle as one ring."""
        lines = shapely.linestrings(self.pieces.reshape(-1, 2, 2))
        for row in np.flatnonzero(self.radius):
            centre = shapely.Point(self.pieces[row, :2])
            lines[row] = centre.buffer(self.radius[row], quad_segs=64).exterior
        return list(lines)


def straight_edge(pieces: FloatArray, bank: IntArray) -> Edge:
    """An edge of straight pieces only."""
    return Edge(np.ascontiguousarray(pieces), bank, np.zeros(len(pieces)))


def circular_edge(centre: FloatArray, radius: float) -> Edge:
    """A whole circle as one bank: its distances are exact."""
    return Edge(np.tile(centre, 2)[None, :], np.zeros(1, dtype=np.int64), np.array([radius]))


@dataclass(frozen=True)
class Stretch:
    """Part of an outline with its own bank: the shorter way round between its ends."""

    start: tuple[float, float]
    end: tuple[float, float]


def _rings(outline: shapely.Polygon | shapely.MultiPolygon) -> list[FloatArray]:
    rings = []
    for polygon in shapely.get_parts(outline):
        rings += [shapely.get_coordinates(ring) for ring in (polygon.exterior, *polygon.interiors)]
    return rings


def _pieces(ring: FloatArray) -> FloatArray:
    pieces = np.column_stack([ring[:-1], ring[1:]])
    long: FloatArray = pieces[np.any(ring[:-1] != ring[1:], axis=1)]
    return long


def cut_into_banks(
    outline: shapely.Polygon,
    stretches: Sequence[Stretch],
    *,
    reach: float = 0.5,
    unit: Unit = METRE,
) -> Edge:
    """Cut the outer ring at the ends of each stretch.

    Bank 0 is what no stretch claims (islands too); stretch k becomes bank k + 1, and where two
    claim a piece the later one has it.

    Raises
    ------
    PlanError
        An end lies farther than `reach` (m) from the outline, or both ends are at one place.
    """
    outline = shapely.geometry.polygon.orient(outline)
    ring = outline.exterior
    length = ring.length
    spans = []
    for number, stretch in enumerate(stretches, start=1):
        stations = []
        for place in (stretch.start, stretch.end):
            point = shapely.Point(place)
            away = ring.distance(point)
            if away > reach:
                raise PlanError(
                    f"bank {number} begins or ends {unit.length(away)} from the outline",
                    place=Place(key="banks"),
                    expected=f"`from` and `to` on the outline (within {unit.length(reach)})",
                    mend="use corners of the outline",
                )
            stations.append(ring.project(point))
        if stations[0] == stations[1]:
            raise PlanError(
                f"bank {number} ends where it begins",
                place=Place(key="banks"),
                expected="`from` and `to` at two places of the outline",
            )
        spans.append((stations[0], stations[1]))
    corners = shapely.get_coordinates(ring)
    at_corner = np.append(0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T)))
    cuts = np.array([station for span in spans for station in span])
    far = [s for s in cuts % length if np.abs(at_corner - s).min() > 1e-9 * length]
    stations_all = np.unique(np.concatenate([at_corner, far]))
    exact = np.isin(stations_all, at_corner)
    walked = shapely.get_coordinates(shapely.line_interpolate_point(ring, stations_all))
    walked[exact] = corners[np.searchsorted(at_corner, stations_all[exact])]
    middle = 0.5 * (stations_all[1:] + stations_all[:-1])
    bank = np.zeros(len(middle), dtype=np.int64)
    for number, (start, end) in enumerate(spans, start=1):
        onward = (end - start) % length
        first, way = (start, onward) if onward <= length / 2 else (end, length - onward)
        bank[(middle - first) % length < way] = number
    pieces = [np.column_stack([walked[:-1], walked[1:]])]
    banks = [bank]
    for island in outline.interiors:
        pieces.append(_pieces(shapely.get_coordinates(island)))
        banks.append(np.zeros(len(pieces[-1]), dtype=np.int64))
    return straight_edge(np.concatenate(pieces), np.concatenate(banks))


def grow(
    outline: shapely.Polygon, edge: Edge, sides: Sequence[float]
) -> tuple[shapely.Polygon | shapely.MultiPolygon, Edge]:
    """Move each bank outward by its side; every new piece keeps the bank that it came from."""
    sides = [side if side > _NOTHING_M else 0.0 for side in sides]
    if not any(sides):
        return outline, edge
    least = min(sides)
    grown = outline.buffer(least, join_style="mitre", mitre_limit=2.0) if least else outline
    if edge.radius.any():
        return grown, circular_edge(edge.pieces[0, :2], float(edge.radius[0]) + least)
    lines = edge.lines
    for bank, side in enumerate(sides):
        if side > least:
            shore = shapely.line_merge(
                shapely.union_all([lines[k] for k in np.flatnonzero(edge.bank == bank)])
            )
            strip = shore.buffer(side, cap_style="flat", join_style="mitre", mitre_limit=2.0)
            grown = grown.union(strip.difference(outline))
    pieces = np.concatenate([_pieces(ring) for ring in _rings(grown)])
    middle = shapely.points(0.5 * (pieces[:, :2] + pieces[:, 2:]))
    away = np.stack([shapely.distance(middle, line) for line in lines], axis=1)
    # a piece came from the bank that it lies beside at that bank's own side
    off = np.abs(away - np.array(sides)[edge.bank]) + 1e-3 * away
    return grown, straight_edge(pieces, edge.bank[off.argmin(axis=1)])


@dataclass(frozen=True)
class Reading:
    """What an edge and its profiles say at n places.

    Attributes
    ----------
    inside
        Whether the place is inside the outline, shape (n,).
    distance
        To the nearest piece of the edge, shape (n,), m.
    depth
        Inside: the minimum over banks of `f_bank(distance to that bank)`; outside 0. Shape (n,), m.
    """

    inside: BoolArray
    distance: FloatArray
    depth: FloatArray


def read_edge(xy: FloatArray, edge: Edge, profiles: Sequence[Profile]) -> Reading:
    """Distance and depth at places `xy`, shape (n, 2), under the rule of banks."""
    corners = np.array([len(profile.distance) for profile in profiles], dtype=np.int64)
    distances = np.zeros((len(profiles), corners.max()))
    depths = np.zeros_like(distances)
    for k, profile in enumerate(profiles):
        distances[k, : corners[k]] = profile.distance
        depths[k, : corners[k]] = profile.depth
    inside = np.empty(len(xy), dtype=np.bool_)
    distance, depth = np.empty(len(xy)), np.empty(len(xy))
    _read_edge(
        np.ascontiguousarray(xy), edge.pieces, edge.bank, edge.radius, corners, distances, depths,
        inside, distance, depth,
    )  # fmt: skip
    return Reading(inside, distance, depth)


def distance_to_path(xy: FloatArray, path: FloatArray) -> FloatArray:
    """Distance of places `xy`, shape (n, 2), to a polyline, shape (k, 2), m."""
    pieces = np.column_stack([path[:-1], path[1:]])
    edge = straight_edge(pieces, np.zeros(len(pieces), dtype=np.int64))
    return read_edge(xy, edge, [Profile(np.zeros(1), np.zeros(1))]).distance


@kernel
def _profile_depth(d: float, distance: FloatArray, depth: FloatArray, corners: int) -> float:
    k = corners - 1
    while k > 0 and distance[k] > d:
        k -= 1
    found: float = depth[k]
    if k < corners - 1:
        share = (d - distance[k]) / (distance[k + 1] - distance[k])
        found += share * (depth[k + 1] - found)
    return found


@kernel
def _read_edge(
    xy: FloatArray,
    pieces: FloatArray,
    bank: IntArray,
    radius: FloatArray,
    corners: IntArray,
    distances: FloatArray,
    depths: FloatArray,
    inside: BoolArray,
    distance: FloatArray,
    depth: FloatArray,
) -> None:
    to_bank = np.empty(corners.size)
    for k in range(xy.shape[0]):
        x, y = xy[k, 0], xy[k, 1]
        to_bank[:] = np.inf
        within = False
        for m in range(pieces.shape[0]):
            ax, ay, bx, by = pieces[m, 0], pieces[m, 1], pieces[m, 2], pieces[m, 3]
            if radius[m] > 0:
                from_ring = np.sqrt((x - ax) ** 2 + (y - ay) ** 2) - radius[m]
                to_bank[bank[m]] = min(to_bank[bank[m]], from_ring * from_ring)
                if from_ring < 0:
                    within = not within
                continue
            ux, uy = bx - ax, by - ay
            along = ((x - ax) * ux + (y - ay) * uy) / (ux * ux + uy * uy)
            along = min(max(along, 0.0), 1.0)
            dx, dy = x - ax - along * ux, y - ay - along * uy
            to_bank[bank[m]] = min(to_bank[bank[m]], dx * dx + dy * dy)
            if (ay > y) != (by > y) and x < ax + (y - ay) * ux / uy:
                within = not within
        inside[k] = within
        distance[k] = np.sqrt(to_bank.min())
        depth[k] = 0.0
        if within:
            shallowest = np.inf
            for b in range(corners.size):
                if to_bank[b] < np.inf:
                    d = np.sqrt(to_bank[b])
                    f = _profile_depth(d, distances[b], depths[b], corners[b])
                    shallowest = min(shallowest, f)
            depth[k] = shallowest
