"""Sections of two surfaces: heights along lines, with a breakpoint wherever either one bends."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.earthwork.baselines import Leg
from terrain.earthwork.crossings import border_crossings, edge_crossings
from terrain.surface import Surface, Tin

SETTLED_SHARE = 0.25  # of what an error may still be, given to the intervals that gain least
SPARSE = 4.0  # times as far apart where nothing was seen to change
MOST_PLACES = 20_000_000  # asked of each surface in one call, before the bound is given as it is
_INSIDE = 1e-6  # of an interval: how far within its ends it is asked, so that a jump has two sides
_SHORTEST = 1e-10  # m
_ROUNDINGS = 64 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True)
class Profile:
    """Two surfaces along one section line, straight between breakpoints.

    Attributes
    ----------
    offset
        To the left of the baseline, ascending, shape (k,), m; twice in a row at an upright step.
    before, after
        Heights, shape (k,), m; NaN between stretches that the section does not count.
    """

    offset: FloatArray
    before: FloatArray
    after: FloatArray


@dataclass(frozen=True)
class Sections:
    """Sections across a leg of a baseline.

    Attributes
    ----------
    areas
        Of cut and fill, shape (k, 2), m².
    moments
        Area times the offset of its centroid, of cut and fill, shape (k, 2), m³.
    bounds
        How far an area may be off, shape (k,), m².
    profiles
        What they are the areas of.
    """

    areas: FloatArray
    moments: FloatArray
    bounds: FloatArray
    profiles: tuple[Profile, ...]


@dataclass(frozen=True)
class _Intervals:
    """Stretches of section lines.

    Line, start and length, (n,); heights before and after at both ends and the middle, (n, 3).
    """

    row: IntArray
    start: FloatArray
    length: FloatArray
    before: FloatArray
    after: FloatArray

    def take(self, rows: IntArray | BoolArray) -> "_Intervals":
        return _Intervals(
            self.row[rows], self.start[rows], self.length[rows], self.before[rows], self.after[rows]
        )

    @property
    def gain(self) -> FloatArray:
        """How far the two trapezoids of each may be off, (n,), m².

        A quarter of the length times the difference to one trapezoid: the error is never more,
        whether one bend or one step hides in the stretch. Where only some heights are known, all.
        """
        rise = self.after - self.before
        known = np.isfinite(rise)
        bent = np.abs(rise[:, 0] - 2 * rise[:, 1] + rise[:, 2]) / 4
        count = known.sum(axis=1)
        part = np.where(known, np.abs(rise), 0).sum(axis=1) / np.maximum(count, 1)
        gain = self.length * np.where(count == 3, bent, part)
        return np.where(gain > _ROUNDINGS * self.gross, gain, 0.0)

    @property
    def gross(self) -> FloatArray:
        """Heights without sign, added over each, (n,), m²."""
        total = np.nan_to_num(np.abs(self.before) + np.abs(self.after))
        return np.asarray(self.length * total.max(axis=1))


def sections(
    before: Surface,
    after: Surface,
    leg: Leg,
    stations: FloatArray,
    *,
    step: float,
    within: tuple[float, float],
    tolerance_m2: float,
) -> Sections:
    """Sections square to a leg, inside the piece of the plan that it measures.

    A triangulated surface gives the exact places where a line crosses its edges. Between two such
    surfaces the difference is straight from one place to the next; otherwise stretches of at most
    `step` are halved until two trapezoids say what one says. Where the difference changes its sign
    the profile has a breakpoint, so cut and fill are exact for what is straight between them.

    Parameters
    ----------
    stations
        Shape (k,), m.
    step
        Nothing narrower than this may be lost, m.
    within
        Offsets between which to look that closely; beyond them, `SPARSE` times the step.
    tolerance_m2
        What a section's area may be off, m².
    """
    places, across = leg.lines(stations)
    ends = _counted(before, after, leg, places, across, within)
    if not (isinstance(before, Tin) and isinstance(after, Tin)):
        ends = _divided(*ends, step, within)
    asked = _Asked(before, after, places, across)
    row, start, length = ends
    at = start[:, None] + length[:, None] * np.array([_INSIDE, 0.5, 1 - _INSIDE])
    found = _Intervals(row, start, length, *(_to_the_ends(z) for z in asked(row, at)))
    kept, bounds = [found.take(found.row < 0)], np.zeros(len(stations))
    while len(found.row):
        gain = found.gain
        split = _worth_splitting(found.row, gain, tolerance_m2 - bounds)
        split &= found.length > _SHORTEST
        if asked.count + 2 * split.sum() > MOST_PLACES:
            split[:] = False
        kept.append(found.take(~split))
        bounds += np.bincount(found.row[~split], gain[~split], len(stations))
        found = _halved(found.take(split), asked)
    return _measured(_joined(kept), bounds)


class _Asked:
    """Two surfaces along section lines, and how often they were asked."""

    def __init__(
        self, before: Surface, after: Surface, places: FloatArray, across: FloatArray
    ) -> None:
        self.before, self.after = before, after
        self.places, self.across = places, across
        self.count = 0

    def __call__(self, row: IntArray, offsets: FloatArray) -> tuple[FloatArray, FloatArray]:
        xy = self.places[row][:, None, :] + offsets[:, :, None] * self.across[row][:, None, :]
        xy = xy.reshape(-1, 2)
        self.count += len(xy)
        before, after = self.before.elevation(xy), self.after.elevation(xy)
        return before.reshape(offsets.shape), after.reshape(offsets.shape)


def _to_the_ends(z: FloatArray) -> FloatArray:
    """Heights asked just within the ends, (n, 3), carried on to them where they run straight."""
    climb = z[:, 2] - z[:, 0]
    straight = np.abs(z[:, 0] - 2 * z[:, 1] + z[:, 2]) < 1e-9 * np.abs(climb)
    share = np.where(straight, _INSIDE / (1 - 2 * _INSIDE) * climb, 0.0)
    return np.column_stack([z[:, 0] - share, z[:, 1], z[:, 2] + share])


def _counted(
    before: Surface,
    after: Surface,
    leg: Leg,
    places: FloatArray,
    across: FloatArray,
    within: tuple[float, float],
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Stretches between breakpoints: line (n,), start (n,), length (n,)."""
    row, offset = border_crossings(leg.piece, places, across)
    if leg.curvature > 0:  # a section ends in the centre of the arc
        offset = np.minimum(offset, 1 / leg.curvature)
    elif leg.curvature < 0:
        offset = np.maximum(offset, 1 / leg.curvature)
    opens = np.where(np.arange(len(row)) % 2 == 0, 1, -1)
    lines = [(row, offset, opens)]
    for edge in within:  # stretches end there, so that each is looked at in one way
        count = len(places)
        lines.append((np.arange(count), np.full(count, edge), np.zeros(count, dtype=np.int64)))
    for surface in (before, after):
        if isinstance(surface, Tin):
            at, along = edge_crossings(surface, places, across)
            lines.append((at, along, np.zeros(len(at), dtype=np.int64)))
    row, offset, opens = (np.concatenate(part) for part in zip(*lines, strict=True))
    order = np.lexsort((offset, row))
    row, offset = row[order], offset[order]
    inside = np.cumsum(opens[order])[:-1] > 0
    length = np.diff(offset)
    good = inside & (row[1:] == row[:-1]) & (length > _SHORTEST)
    return row[:-1][good], offset[:-1][good], length[good]


def _divided(
    row: IntArray, start: FloatArray, length: FloatArray, step: float, within: tuple[float, float]
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Each stretch in equal parts of at most `step`, or `SPARSE` times that outside `within`."""
    beyond = (start >= within[1]) | (start + length <= within[0])
    parts = np.ceil(length / np.where(beyond, SPARSE * step, step)).astype(np.int64)
    place = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    short = np.repeat(length / parts, parts)
    return np.repeat(row, parts), np.repeat(start, parts) + place * short, short


def _worth_splitting(row: IntArray, gain: FloatArray, left: FloatArray) -> BoolArray:
    """None of a line if all its gains are what is left for it or less, else all but small ones."""
    total = np.bincount(row, gain, len(left))
    order = np.lexsort((gain, row))
    running = np.cumsum(gain[order])
    before_line = np.concatenate([[0.0], np.cumsum(total)])[row[order]]
    small = running - before_line <= SETTLED_SHARE * np.maximum(left, 0)[row[order]]
    split = np.zeros(len(row), dtype=np.bool_)
    split[order] = ~small
    return split & (total > left)[row] & (gain > 0)


def _halved(found: _Intervals, asked: _Asked) -> _Intervals:
    quarters = found.start[:, None] + found.length[:, None] * np.array([0.25, 0.75])
    thirds = []
    for known, new in zip((found.before, found.after), asked(found.row, quarters), strict=True):
        first = np.column_stack([known[:, 0], new[:, 0], known[:, 1]])
        second = np.column_stack([known[:, 1], new[:, 1], known[:, 2]])
        thirds.append(np.concatenate([first, second]))
    half = found.length / 2
    start = np.concatenate([found.start, found.start + half])
    return _Intervals(np.tile(found.row, 2), start, np.tile(half, 2), *thirds)


def _joined(parts: list[_Intervals]) -> _Intervals:
    """All stretches, line by line and in order."""
    names = ("row", "start", "length", "before", "after")
    found = _Intervals(*(np.concatenate([getattr(part, n) for part in parts]) for n in names))
    return found.take(np.lexsort((found.start, found.row)))


def _measured(found: _Intervals, bounds: FloatArray) -> Sections:
    row, *ends = _pieces(found)
    row, offset, before, after = _split_at_zero(row, *ends)
    count = len(bounds)
    areas, moments = np.zeros((count, 2)), np.zeros((count, 2))
    length = offset[:, 1] - offset[:, 0]
    for k, sign in enumerate((-1.0, 1.0)):
        d = np.maximum(np.nan_to_num(sign * (after - before)), 0.0)
        d[np.isnan((after - before).sum(axis=1))] = 0.0
        turned = offset[:, ::-1] + 2 * offset
        areas[:, k] = np.bincount(row, length * d.sum(axis=1) / 2, count)
        moments[:, k] = np.bincount(row, length * (d * turned).sum(axis=1) / 6, count)
    gross = np.bincount(found.row, found.gross, count)
    drawn = _drawn(row, offset, before, after, count)
    return Sections(areas, moments, bounds + _ROUNDINGS * gross, drawn)


def _pieces(found: _Intervals) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Straight pieces by their two ends: line (n,), offsets, heights before and after, (n, 2).

    A stretch is two pieces that meet in its middle, or one where both surfaces run straight on.
    """
    middle, end = found.start + found.length / 2, found.start + found.length
    whole = np.column_stack([found.start, middle, end])
    bent = np.zeros(len(found.row), dtype=np.bool_)
    for z in (found.before, found.after):
        straight = np.abs(z[:, 0] - 2 * z[:, 1] + z[:, 2]) <= _ROUNDINGS * np.abs(z).max(axis=1)
        bent |= ~straight
    times = 1 + bent.astype(np.int64)
    first = np.cumsum(times) - times
    out = []
    for z in (whole, found.before, found.after):
        both = np.repeat(z[:, [0, 2]], times, axis=0)
        both[first[bent], 1] = z[bent, 1]
        both[first[bent] + 1, 0] = z[bent, 1]
        out.append(both)
    return np.repeat(found.row, times), out[0], out[1], out[2]


def _split_at_zero(
    row: IntArray, offset: FloatArray, before: FloatArray, after: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Stretches by their two ends, (n, 2) each, cut in two where the difference changes sign."""
    rise = after - before
    turns = rise[:, 0] * rise[:, 1] < 0
    share = np.divide(rise[:, 0], rise[:, 0] - rise[:, 1], where=turns, out=np.ones(len(rise)))
    times = 1 + turns.astype(np.int64)
    first = np.cumsum(times) - times
    out = []
    for z in (offset, before, after):
        middle = np.where(turns, z[:, 0] + share * (z[:, 1] - z[:, 0]), z[:, 1])
        both = np.repeat(z, times, axis=0)
        both[first, 1] = middle
        both[first[turns] + 1, 0] = middle[turns]
        out.append(both)
    at_zero = first[turns]
    out[2][at_zero, 1] = out[1][at_zero, 1]
    out[2][at_zero + 1, 0] = out[1][at_zero + 1, 0]
    return np.repeat(row, times), out[0], out[1], out[2]


def _drawn(
    row: IntArray, offset: FloatArray, before: FloatArray, after: FloatArray, count: int
) -> tuple[Profile, ...]:
    """One broken line a section; points that repeat the last one are left out."""
    if not len(row):
        return (Profile(*np.zeros((3, 0))),) * count
    rows = np.repeat(row, 2)
    points = np.column_stack([offset.ravel(), before.ravel(), after.ravel()])
    points[np.isnan(points[:, 1] + points[:, 2]), 1:] = np.nan
    near = np.append(False, np.abs(np.diff(points, axis=0)).max(axis=1) < 1e-7)
    unknown = np.isnan(points[:, 1])
    both = np.append(False, unknown[1:] & unknown[:-1])
    same = np.append(False, rows[1:] == rows[:-1])
    keep = ~(same & (near | both))
    apart = np.append(False, (np.diff(points[:, 0]) > 1e-9) & same[1:])
    apart &= np.arange(len(rows)) % 2 == 0  # a gap before the beginning of a stretch
    rows, points, apart = rows[keep], points[keep], apart[keep]
    gaps = np.flatnonzero(apart)
    hole = np.column_stack([points[gaps, 0], np.full((len(gaps), 2), np.nan)])
    points, rows = np.insert(points, gaps, hole, axis=0), np.insert(rows, gaps, rows[gaps])
    parts = np.split(points, np.searchsorted(rows, np.arange(1, count)))
    return tuple(Profile(*part.T) for part in parts)
