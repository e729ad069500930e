"""The highest surface at a slope that comes down to the ground everywhere on a border."""

from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.surface import Surface

STEP_M = 0.1  # between the places of a border where the ground is asked
MOST_STEPS = 4_000
_STRAIGHT_M = 1e-7  # a corner that lies so near the line between its neighbours is none
_AT_ONCE = 1_000_000  # pairs of a place and a piece of the border


@dataclass(frozen=True)
class Envelope:
    """`min over p on the border of (ground(p) + slope |x - p|)`, the border in straight pieces.

    Attributes
    ----------
    start, along
        Where each piece begins and its direction in plan, shape (m, 2), m.
    length
        In plan, shape (m,), m.
    level, grade
        Of the ground at its start, m, and its rise over run from there on, shape (m,).
    slope
        Rise over run of the surface.
    """

    start: FloatArray
    along: FloatArray
    length: FloatArray
    level: FloatArray
    grade: FloatArray
    slope: float

    def at(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m."""
        rows = max(1, _AT_ONCE // len(self.length))
        parts = [self._lowest(xy[row : row + rows]) for row in range(0, len(xy), rows)]
        return np.concatenate(parts) if parts else np.empty(0)

    def _lowest(self, xy: FloatArray) -> FloatArray:
        """The nearest place of a piece, counted along the steepest way down to it.

        With u along the piece and v aside, `grade t + slope √((u - t)² + v²)` is least where
        `u - t = v grade / √(slope² - grade²)`; on a piece as steep as the slope at its lower end.
        """
        east = xy[:, :1] - self.start[:, 0]
        north = xy[:, 1:] - self.start[:, 1]
        u = east * self.along[:, 0] + north * self.along[:, 1]
        v = np.abs(north * self.along[:, 0] - east * self.along[:, 1])
        room = self.slope**2 - self.grade**2
        lean = self.grade / np.sqrt(np.maximum(room, 1e-18 * self.slope**2))
        t = np.clip(u - v * lean, 0.0, self.length)
        lowest: FloatArray = np.min(
            self.level + self.grade * t + self.slope * np.hypot(u - t, v), axis=1
        )
        return lowest


def envelope(
    ground: Surface, room: shapely.Polygon | shapely.MultiPolygon, slope: float
) -> Envelope:
    """The steepest surface over a room, whose border lies on the ground's footprint.

    The ground is asked every 0.1 m of the border, at least, and taken as straight in between.
    """
    step = max(STEP_M, room.length / MOST_STEPS)
    rings = [ring for part in shapely.get_parts(room) for ring in (part.exterior, *part.interiors)]
    starts, ends = [], []
    for ring in rings:
        xy = shapely.get_coordinates(shapely.segmentize(ring, step))[:-1]
        xyz = _corners(np.column_stack([xy, ground.elevation(xy)]))
        starts.append(xyz)
        ends.append(np.roll(xyz, -1, axis=0))
    start, end = np.concatenate(starts), np.concatenate(ends)
    run = end[:, :2] - start[:, :2]
    length = np.hypot(*run.T)
    return Envelope(
        start[:, :2],
        run / length[:, None],
        length,
        start[:, 2],
        (end[:, 2] - start[:, 2]) / length,
        slope,
    )


def _corners(ring: FloatArray) -> FloatArray:
    """The places of a closed ring, shape (n, 3), that do not lie between their neighbours."""
    before, after = np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0)
    chord = after - before
    share = np.sum((ring - before) * chord, axis=1) / np.maximum(np.sum(chord**2, axis=1), 1e-18)
    off = np.linalg.norm(ring - before - share[:, None] * chord, axis=1)
    bent = off > _STRAIGHT_M
    return ring[bent] if bent.sum() >= 3 else ring
