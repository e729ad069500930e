"""Along what sections are taken: straight legs, one circular arc, or the long axis of a change."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray
from terrain.surface import Surface

Region: TypeAlias = shapely.Polygon | shapely.MultiPolygon

_LOOKS = 120  # along the longer side of a region, to see where anything changes
_CHANGE = 1e-4  # of the greatest change: less than that is none
_CORNER = np.cos(np.radians(10))  # a region's border that turns by more than this has a corner
MOST_CORNERS = 100  # that get stations of their own; more of them are a curve


@dataclass(frozen=True)
class Arc:
    """A circular baseline.

    Attributes
    ----------
    centre
        (x, y), m.
    radius
        m.
    start
        Direction from the centre to where it begins, radians from east, counter-clockwise.
    sweep
        How far it turns, radians; counter-clockwise if positive. At most a full turn.
    """

    centre: tuple[float, float]
    radius: float
    start: float
    sweep: float

    @property
    def length(self) -> float:
        """Along the arc, m."""
        return self.radius * abs(self.sweep)


def arc_through(corners: FloatArray) -> Arc:
    """The arc from the first of three places through the second to the third, (3, 2), m.

    Its centre is as far from all three (Euclid, *Elements*, III.1); they are not in line.
    """
    first, way, last = corners
    chords = 2 * np.array([way - first, last - first])
    squares = np.array([way @ way - first @ first, last @ last - first @ first])
    centre = np.linalg.solve(chords, squares)
    angles = np.arctan2(*(corners - centre).T[::-1])
    on_the_way, sweep = (angles[1:] - angles[0]) % (2 * np.pi)
    if on_the_way > sweep:
        sweep -= 2 * np.pi
    radius = float(np.linalg.norm(first - centre))
    return Arc((float(centre[0]), float(centre[1])), radius, float(angles[0]), float(sweep))


@dataclass(frozen=True)
class Leg:
    """One straight or evenly curved part of a baseline, and the part of the plan it measures.

    Attributes
    ----------
    piece
        Where its sections count.
    origin
        (x, y) of its beginning, shape (2,), m.
    ahead
        Unit vector along it there, shape (2,).
    chainage
        Station of its beginning, m.
    length
        m.
    curvature
        1 / radius, positive where it bends to the left, 0 where it is straight, 1/m.
    """

    piece: Region
    origin: FloatArray
    ahead: FloatArray
    chainage: float
    length: float
    curvature: float = 0.0

    def lines(self, stations: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Where sections cross the leg, (k, 2), and the unit vectors to its left there, (k, 2)."""
        s = (stations - self.chainage)[:, None]
        left = np.array([-self.ahead[1], self.ahead[0]])
        if self.curvature == 0:
            return self.origin + s * self.ahead, np.broadcast_to(left, (len(s), 2)).copy()
        turn = s * self.curvature
        across = np.cos(turn) * left - np.sin(turn) * self.ahead
        return self.origin + (left - across) / self.curvature, across

    def stations_of(self, xy: FloatArray) -> FloatArray:
        """Stations of places (n, 2) → (n,), m."""
        if self.curvature == 0:
            return self.chainage + (xy - self.origin) @ self.ahead
        left = np.array([-self.ahead[1], self.ahead[0]])
        away = xy - self.origin - left / self.curvature
        turn = np.arctan2(away @ self.ahead, -np.sign(self.curvature) * (away @ left))
        middle = self.length * abs(self.curvature) / 2
        turn = (turn - middle + np.pi) % (2 * np.pi) - np.pi + middle
        stations: FloatArray = self.chainage + turn / abs(self.curvature)
        return stations

    def offsets_of(self, xy: FloatArray) -> FloatArray:
        """Offsets to the left of places (n, 2) → (n,), m."""
        left = np.array([-self.ahead[1], self.ahead[0]])
        if self.curvature == 0:
            return np.asarray((xy - self.origin) @ left)
        from_centre = np.linalg.norm(xy - self.origin - left / self.curvature, axis=1)
        offsets: FloatArray = (1 / abs(self.curvature) - from_centre) * np.sign(self.curvature)
        return offsets

    @property
    def breaks(self) -> FloatArray:
        """Stations where the leg and what it measures begin, turn a corner and end, ascending."""
        corners, sharp = _corners(self.piece)
        stations = self.stations_of(corners)
        if self.curvature == 0:
            low, high = float(stations.min()), float(stations.max())
        else:
            centre = self.origin + np.array([-self.ahead[1], self.ahead[0]]) / self.curvature
            sharp &= np.linalg.norm(corners - centre, axis=1) > 1e-9 / abs(self.curvature)
            low, high = self.chainage, self.chainage + self.length
            if not shapely.intersects_xy(self.piece, *centre):
                low, high = max(low, float(stations.min())), min(high, float(stations.max()))
        own = np.array([self.chainage, self.chainage + self.length])
        found = np.concatenate([stations[sharp], own]) if sharp.sum() <= MOST_CORNERS else own
        least = 1e-6 * (high - low)
        found = np.sort(found[(found > low + least) & (found < high - least)])
        found = found[np.append(True, np.diff(found) > least)] if len(found) else found
        return np.concatenate([[low], found, [high]])


def _corners(region: Region) -> tuple[FloatArray, BoolArray]:
    """Every vertex of a region's border, (n, 2), and whether the border has a corner there."""
    vertices, sharp = [], []
    for ring in shapely.get_rings(shapely.get_parts(region)):
        xy = shapely.get_coordinates(ring)[:-1]
        to = np.roll(xy, -1, axis=0) - xy
        to /= np.maximum(np.linalg.norm(to, axis=1), 1e-300)[:, None]
        vertices.append(xy)
        sharp.append((to * np.roll(to, 1, axis=0)).sum(axis=1) < _CORNER)
    return np.concatenate(vertices), np.concatenate(sharp)


def legs_along(baseline: FloatArray | Arc, region: Region) -> tuple[Leg, ...]:
    """Share a region out among the legs of a baseline, each place to exactly one of them.

    The first and the last leg go on straight beyond the baseline's ends. Neighbouring legs meet on
    the line that halves the angle between them: outside a bend the sections of both reach on to
    that line, inside they stop at it, so that the wedge there is neither missed nor counted twice.
    Walking along the baseline, every place lies before the first of these lines or passes from
    beyond one to before the next at least once; it belongs to the first leg where it does.
    An arc measures the sector it spans, and what lies outside goes to straight legs at its ends.

    Parameters
    ----------
    baseline
        An arc, or corners of straight legs, shape (n, 2), n ≥ 2, m.
    region
        What is to be measured.
    """
    if isinstance(baseline, Arc):
        return _arc_legs(baseline, region)
    to = np.diff(baseline, axis=0)
    lengths = np.linalg.norm(to, axis=1)
    ahead = to / lengths[:, None]
    chainage = np.concatenate([[0.0], np.cumsum(lengths)])
    beyond = ahead[:-1] + ahead[1:]  # square to the line that halves the angle
    back = np.linalg.norm(beyond, axis=1) < 1e-9
    beyond[back] = ahead[:-1][back]
    legs, left = [], region
    for i in range(len(to)):
        piece = left
        if i > 0:
            piece = _side(piece, baseline[i], beyond[i - 1])
        if i < len(to) - 1:
            piece = _side(piece, baseline[i + 1], -beyond[i])
        left = _areal(shapely.difference(left, piece)) if i < len(to) - 1 else left
        legs.append(Leg(piece, baseline[i], ahead[i], float(chainage[i]), float(lengths[i])))
    return tuple(leg for leg in legs if not leg.piece.is_empty)


def _arc_legs(arc: Arc, region: Region) -> tuple[Leg, ...]:
    centre, turning = np.array(arc.centre), float(np.sign(arc.sweep))
    angles = arc.start + np.array([0.0, arc.sweep])
    out = np.column_stack([np.cos(angles), np.sin(angles)])
    ahead = turning * np.column_stack([-out[:, 1], out[:, 0]])
    ends = centre + arc.radius * out
    if abs(arc.sweep) < np.pi:
        sector = _side(_side(region, centre, ahead[0]), centre, -ahead[1])
    else:
        outside = _side(_side(region, centre, -ahead[0]), centre, ahead[1])
        sector = _areal(shapely.difference(region, outside))
    rest = _areal(shapely.difference(region, sector))
    behind = _side(rest, centre, -ahead[0])
    onward = _areal(shapely.difference(rest, behind))
    legs = (
        Leg(behind, ends[0], ahead[0], 0.0, 0.0),
        Leg(sector, ends[0], ahead[0], 0.0, arc.length, turning / arc.radius),
        Leg(onward, ends[1], ahead[1], arc.length, 0.0),
    )
    return tuple(leg for leg in legs if not leg.piece.is_empty)


def _side(region: Region, at: FloatArray, facing: FloatArray) -> Region:
    """What of a region lies on the side of a line through `at` that `facing` points to."""
    if region.is_empty:
        return region
    west, south, east, north = region.bounds
    reach = 2 * (np.hypot(east - west, north - south) + np.hypot(*(at - [west, south])))
    facing = facing / np.linalg.norm(facing) * reach
    along = np.array([-facing[1], facing[0]])
    half = shapely.Polygon([at - along, at + along, at + along + facing, at - along + facing])
    return _areal(shapely.intersection(region, half))


def _areal(shape: shapely.Geometry) -> Region:
    """The polygons of a shape."""
    parts = shapely.get_parts(shape)
    areas = parts[shapely.get_dimensions(parts) == 2]
    found: Region = areas[0] if len(areas) == 1 else shapely.MultiPolygon(list(areas))
    return found


@dataclass(frozen=True)
class Change:
    """A rough look at where two surfaces differ.

    Attributes
    ----------
    places
        Of an even raster, where they differ; every place of the region if nowhere, (n, 2), m.
    gross_m3
        About how much cut and fill there is together.
    """

    places: FloatArray
    gross_m3: float


def look(before: Surface, after: Surface, region: Region) -> Change:
    """Look at two surfaces over a region, at places of an even raster."""
    west, south, east, north = region.bounds
    step = max(east - west, north - south) / _LOOKS
    x = np.arange(west + step / 2, east, step)
    y = np.arange(south + step / 2, north, step)
    xy = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    shapely.prepare(region)
    xy = xy[shapely.intersects_xy(region, xy[:, 0], xy[:, 1])]
    if not len(xy):
        return Change(shapely.get_coordinates(region), 0.0)
    rise = np.abs(np.nan_to_num(after.elevation(xy) - before.elevation(xy)))
    changed = rise > _CHANGE * rise.max()
    return Change(xy[changed] if changed.any() else xy, float(rise.sum()) * step**2)


def long_axis(places: FloatArray) -> FloatArray:
    """The line through the middle of places (n, 2) along which they spread most, (2, 2), m.

    From end to end of the places, and from west to east, or south to north.
    """
    middle = places.mean(axis=0)
    away = places - middle
    _, vectors = np.linalg.eigh(away.T @ away)
    axis = np.asarray(vectors[:, 1])
    axis = axis if axis[int(np.argmax(np.abs(axis)))] > 0 else -axis
    reach = away @ axis
    return np.asarray(middle + np.array([reach.min(), reach.max()])[:, None] * axis)
