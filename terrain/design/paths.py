"""Places beside a path whose level, width and depth change from corner to corner."""

from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray
from terrain.kernels import kernel


@dataclass(frozen=True)
class Reach:
    """A path in straight pieces with values at both ends of each.

    Attributes
    ----------
    pieces
        `x1, y1, x2, y2`, shape (m, 4), m.
    start, end
        Level, half width and depth at the ends of each piece, shape (m, 3), m. The level at a
        corner may differ between the piece that ends there and the one that begins.
    """

    pieces: FloatArray
    start: FloatArray
    end: FloatArray

    @property
    def line(self) -> shapely.LineString:
        """The path."""
        return shapely.LineString(np.vstack([self.pieces[:1, :2], self.pieces[:, 2:]]))

    @property
    def length(self) -> float:
        """Along the path, m."""
        return float(self.line.length)

    def outline(self, side: float = 0.0) -> shapely.Polygon:
        """What lies within the half width plus `side` of the path, ends cut square."""
        quads = []
        for (x1, y1, x2, y2), start, end in zip(self.pieces, self.start, self.end, strict=True):
            along = np.array([x2 - x1, y2 - y1]) / np.hypot(x2 - x1, y2 - y1)
            left = np.array([-along[1], along[0]])
            a, b = np.array([x1, y1]), np.array([x2, y2])
            wa, wb = (start[1] + side) * left, (end[1] + side) * left
            quads.append(shapely.Polygon([a - wa, b - wb, b + wb, a + wa]))
        joints = [
            shapely.Point(piece[2:]).buffer(end[1] + side, quad_segs=16)
            for piece, end in zip(self.pieces[:-1], self.end[:-1], strict=True)
        ]
        strip = shapely.union_all([*quads, *joints])
        ends = self._beyond_ends(side)
        whole = strip.difference(ends) if not ends.is_empty else strip
        return max(shapely.get_parts(whole), key=lambda part: part.area)

    def _beyond_ends(self, side: float) -> shapely.Geometry:
        """Half discs past the two ends, where joints of a short piece would stick out."""
        parts = []
        for piece, sign, width in (
            (self.pieces[0, :2], self.pieces[0, :2] - self.pieces[0, 2:], self.start[0, 1]),
            (self.pieces[-1, 2:], self.pieces[-1, 2:] - self.pieces[-1, :2], self.end[-1, 1]),
        ):
            out = sign / np.hypot(*sign)
            left = np.array([-out[1], out[0]])
            far = 2 * (width + side)
            parts.append(
                shapely.Polygon(
                    [piece - far * left, piece + far * left,
                     piece + far * (left + out), piece + far * (out - left)]
                )
            )  # fmt: skip
        return shapely.union_all(parts)


def reach(corners: FloatArray, values: FloatArray, later: FloatArray | None = None) -> Reach:
    """Make a reach from corners, shape (k, 2), and level, half width, depth, shape (k, 3).

    `later` gives the values with which the next piece begins where they differ (a fall).
    """
    begins = values if later is None else later
    return Reach(
        np.column_stack([corners[:-1], corners[1:]]), begins[:-1].copy(), values[1:].copy()
    )


@dataclass(frozen=True)
class Beside:
    """What a reach says at n places, each shape (n,), m.

    Attributes
    ----------
    inset
        Distance inward from the water's edge; negative outside.
    past
        Beyond one of the two ends, which are cut square.
    level, depth
        Of the nearest place on the path.
    """

    inset: FloatArray
    past: BoolArray
    level: FloatArray
    depth: FloatArray


def read_reach(xy: FloatArray, reach: Reach) -> Beside:
    """Ask a reach at places `xy`, shape (n, 2). Its ends are cut square."""
    inset, level, depth = (np.empty(len(xy)) for _ in range(3))
    past = np.empty(len(xy), dtype=np.bool_)
    _read_reach(
        np.ascontiguousarray(xy), reach.pieces, reach.start, reach.end, inset, past, level, depth
    )
    return Beside(inset, past, level, depth)


@kernel
def _read_reach(
    xy: FloatArray,
    pieces: FloatArray,
    start: FloatArray,
    end: FloatArray,
    inset: FloatArray,
    past: BoolArray,
    level: FloatArray,
    depth: FloatArray,
) -> None:
    last = pieces.shape[0] - 1
    for k in range(xy.shape[0]):
        nearest = np.inf
        for m in range(last + 1):
            ax, ay = pieces[m, 0], pieces[m, 1]
            ux, uy = pieces[m, 2] - ax, pieces[m, 3] - ay
            length = np.sqrt(ux * ux + uy * uy)
            dx, dy = xy[k, 0] - ax, xy[k, 1] - ay
            along = (dx * ux + dy * uy) / length
            across = abs(dx * uy - dy * ux) / length
            share = min(max(along / length, 0.0), 1.0)
            over = max(-along, along - length, 0.0)
            distance = np.sqrt(across * across + over * over)
            # on the outer side of a bend two pieces are equally near: the first one has it
            if distance >= nearest - 1e-9:
                continue
            nearest = distance
            half = start[m, 1] + share * (end[m, 1] - start[m, 1])
            level[k] = start[m, 0] + share * (end[m, 0] - start[m, 0])
            depth[k] = start[m, 2] + share * (end[m, 2] - start[m, 2])
            past[k] = (m == 0 and along < 0) or (m == last and along > length)
            if past[k]:
                aside = max(across - half, 0.0)
                inset[k] = -np.sqrt(over * over + aside * aside)
            else:
                inset[k] = half - distance
