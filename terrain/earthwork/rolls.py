"""What to cut from rolls so that strips side by side cover a hollow."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.earthwork.liner import Hollow, mixed_length
from terrain.kernels import kernel

_CELL = 0.03  # m
_MOST_NODES = 50_000
_SLACK = 1e-4  # m


@dataclass(frozen=True)
class Piece:
    """A length cut from a roll, m; `footprint` is the ground that it alone lies over, local m."""

    width: float
    length: float
    footprint: shapely.Geometry

    @property
    def area(self) -> float:
        """Width times length, m²."""
        return self.width * self.length


@dataclass(frozen=True)
class Drape:
    """Lines laid over a hollow both ways, along and across the smallest rectangle around it.

    Attributes
    ----------
    covered
        The hollow with its edge allowance, turned so that the rectangle's sides are the axes, m.
    s, t
        Where the lines cross, in turned coordinates; shape (ns,), (nt,), m.
    along_s, along_t
        Length of sheet from the first crossing, along each line of one t and of one s; shape
        (nt, ns), m.
    turn
        Angle of the s axis, radians; the turned coordinates are about the origin.
    depth
        Greatest depth below the water's edge, m.
    """

    covered: shapely.Polygon
    s: FloatArray
    t: FloatArray
    along_s: FloatArray
    along_t: FloatArray
    turn: float
    depth: float

    @cached_property
    def crossed(self) -> "Drape":
        """The same lines with the two directions exchanged (the turned plan is mirrored)."""
        flip = shapely.transform(self.covered, lambda xy: xy[:, ::-1])
        return Drape(flip, self.t, self.s, self.along_t.T, self.along_s.T, self.turn, self.depth)


def drape(hollow: Hollow, allowance: float) -> Drape:
    """Lay lines over a hollow and the allowance beyond its edge.

    They are 30 mm apart, and farther where the rectangle is over 45 m²: 80 mm for one of 20 by 16
    m. A face that begins and ends within one step may count for up to a step too little.
    """
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(hollow.outline))
    side = corners[1] - corners[0]
    turn = math.atan2(side[1], side[0])
    cos, sin = math.cos(turn), math.sin(turn)
    back = np.array([[cos, sin], [-sin, cos]])  # rows: the s and t axes
    grown = hollow.outline.buffer(allowance + 1e-6, quad_segs=16)
    covered = shapely.transform(grown, lambda xy: xy @ back.T)
    smin, tmin, smax, tmax = covered.bounds
    cell = max(_CELL, math.sqrt((smax - smin) * (tmax - tmin) / _MOST_NODES))
    s, t = (
        np.linspace(low, high, max(2, math.ceil((high - low) / cell) + 1))
        for low, high in ((smin, smax), (tmin, tmax))
    )
    places = np.column_stack([np.tile(s, len(t)), np.repeat(t, len(s))]) @ back
    heights, inside = hollow.sheet(places)
    z = heights.reshape(len(t), len(s))
    along_s = _lengths(z, float(s[1] - s[0]))
    along_t = np.ascontiguousarray(_lengths(np.ascontiguousarray(z.T), float(t[1] - t[0])).T)
    deep = hollow.edge.elevation(places[inside]) - heights[inside]
    return Drape(covered, s, t, along_s, along_t, turn, float(np.max(deep, initial=0.0)))


def lay_strips(drape: Drape, roll_width: float, overlap: float) -> tuple[Piece, ...]:
    """Strips of roll width over a hollow, in the direction that takes less of them.

    Side by side, each but the first less the overlap, they take up the longest line across. Each
    is as long as the longest of the lines that it comes to lie over; where the hollow leaves a gap
    between two parts under a strip, it is cut in two.
    """
    ways = [
        [_turned_back(piece, drape.turn, mirrored=mirrored) for piece in strips]
        for strips, mirrored in (
            (_strips(drape, roll_width, overlap), False),
            (_strips(drape.crossed, roll_width, overlap), True),
        )
    ]
    best = min(ways, key=lambda pieces: (round(sum(p.area for p in pieces), 6), len(pieces)))
    return tuple(best)


def _strips(drape: Drape, roll_width: float, overlap: float) -> list[Piece]:
    """Strips along s, stacked along t, in turned coordinates."""
    net = roll_width - overlap
    count = 1 + max(0, math.ceil((float(drape.along_t[-1].max()) - roll_width - _SLACK) / net))
    seams = roll_width + net * np.arange(-1, count)
    begins, ends = seams[:-1].copy(), seams[1:]
    begins[0] = 0.0
    pieces = []
    for begin, end in zip(begins, ends, strict=True):
        area = _between(drape, begin, end)
        lapped = _between(drape, begin - overlap, end)
        for part in shapely.get_parts(drape.covered.intersection(_rows(lapped))):
            laid = part.intersection(area)
            if laid.area > 0:
                pieces.append(Piece(roll_width, _longest(drape, part), laid))
    return pieces


def _between(drape: Drape, begin: float, end: float) -> shapely.Geometry:
    """What of the covered plan is between two lengths of sheet from its first row, across."""
    curves = [
        np.column_stack([drape.s, _places(np.ascontiguousarray(drape.along_t), drape.t, length)])
        for length in (begin, end)
    ]
    strip = shapely.Polygon(np.concatenate([curves[0], curves[1][::-1]]))
    return drape.covered.intersection(strip)


def _rows(area: shapely.Geometry) -> shapely.Polygon:
    """The rows that an area is in, whole."""
    smin, tmin, smax, tmax = area.bounds
    wide = smax - smin + tmax - tmin + 1e3
    return shapely.box(smin - wide, tmin, smax + wide, tmax)


def _longest(drape: Drape, part: shapely.Geometry) -> float:
    """Length of the longest line along a part of the covered plan, from end to end, m."""
    smin, tmin, smax, tmax = part.bounds
    rows = slice(
        max(int(np.searchsorted(drape.t, tmin, "right")) - 1, 0),
        int(np.searchsorted(drape.t, tmax, "left")) + 1,
    )
    ends = [_interpolated(drape.along_s[rows], drape.s, place) for place in (smin, smax)]
    return float((ends[1] - ends[0]).max())


def _interpolated(lengths: FloatArray, s: FloatArray, place: float) -> FloatArray:
    k = min(max(int(np.searchsorted(s, place, "right")) - 1, 0), len(s) - 2)
    share = (place - s[k]) / (s[k + 1] - s[k])
    found: FloatArray = lengths[:, k] + share * (lengths[:, k + 1] - lengths[:, k])
    return found


def _turned_back(piece: Piece, turn: float, *, mirrored: bool) -> Piece:
    cos, sin = math.cos(turn), math.sin(turn)
    axes = np.array([[cos, sin], [-sin, cos]])

    def back(xy: FloatArray) -> FloatArray:
        turned: FloatArray = (xy[:, ::-1] if mirrored else xy) @ axes
        return turned

    return Piece(piece.width, piece.length, shapely.transform(piece.footprint, back))


def joined_lengths(length: float, roll_length: float, overlap: float) -> list[float]:
    """Lengths to cut where a strip is longer than a roll: whole rolls and a rest, lapped."""
    if length <= roll_length:
        return [length]
    count = math.ceil((length - overlap) / (roll_length - overlap) - 1e-9)
    rest = length + (count - 1) * (overlap - roll_length)
    return [roll_length] * (count - 1) + [rest]


def rolls_needed(lengths: Sequence[float], roll_length: float) -> int:
    """Rolls to buy, each length taken from the first roll that still holds it, longest first.

    First-fit decreasing: never over 11/9 of the least number plus 6/9 (Dósa 2007, from memory).
    """
    left: list[float] = []
    for length in sorted(lengths, reverse=True):
        for k, rest in enumerate(left):
            if length <= rest + 1e-9:
                left[k] = rest - length
                break
        else:
            left.append(roll_length - length)
    return len(left)


@kernel
def _places(along_t: FloatArray, t: FloatArray, length: float) -> FloatArray:
    """Where each line across has taken up a length of sheet; beyond its ends it lies flat."""
    places = np.empty(along_t.shape[1])
    last = t.size - 1
    for i in range(places.size):
        if length <= 0:
            places[i] = t[0] + length
            continue
        k = 0
        while k < last and along_t[k + 1, i] < length:
            k += 1
        if k == last:
            places[i] = t[last] + length - along_t[last, i]
        else:
            share = (length - along_t[k, i]) / (along_t[k + 1, i] - along_t[k, i])
            places[i] = t[k] + share * (t[k + 1] - t[k])
    return places


@kernel
def _lengths(z: FloatArray, step: float) -> FloatArray:
    """Length of sheet from the first node, along every row of heights; shape of `z`."""
    length = np.zeros(z.shape)
    last = z.shape[1] - 1
    for j in range(z.shape[0]):
        for i in range(last):
            up = z[j, i + 1] - z[j, i]
            before = z[j, i] - z[j, i - 1] if i > 0 else 0.0
            after = z[j, i + 2] - z[j, i + 1] if i + 1 < last else 0.0
            earlier = z[j, i - 1] - z[j, i - 2] if i > 1 else 0.0
            later = z[j, i + 3] - z[j, i + 2] if i + 2 < last else 0.0
            if _goes_on(before, earlier) and _goes_on(after, later) and before * after < 0:
                added = _turned_length(up, before, after, step)
            else:
                way = 1.0 if up >= 0 else -1.0
                low, high = max(way * before, 0.0), max(way * after, 0.0)
                added = mixed_length(way * up, min(low, high), max(low, high), step)
            length[j, i + 1] = length[j, i] + added
    return length


@kernel
def _goes_on(rise: float, farther: float) -> bool:
    """Whether a rise is of a face that is at least two steps long, not of a wall."""
    return rise * farther > 0.5 * rise * rise


@kernel
def _turned_length(up: float, before: float, after: float, step: float) -> float:
    """Length over a step in which one face ends at the foot, or the top, of the other."""
    share = min(max((up - after) / (before - after), 0.0), 1.0)
    length: float = share * np.hypot(step, before) + (1 - share) * np.hypot(step, after)
    return length
