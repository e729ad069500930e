"""Where rocks may stand in plan: along an edge, beside a lip, at places, or spread about."""

from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray, IntArray
from terrain.design.shapes import Outline
from terrain.kernels import kernel

TRIES = 40  # candidates drawn for each rock that is spread


@dataclass(frozen=True)
class Places:
    """Middles of n rocks in plan.

    Attributes
    ----------
    xy
        Shape (n, 2), m.
    turn_deg
        Direction of each length, counter-clockwise from east, shape (n,).
    course
        0 on the ground, 1 on the first course, and so on; shape (n,).
    crowded
        How many there are more than find room beside each other.
    """

    xy: FloatArray
    turn_deg: FloatArray
    course: IntArray
    crowded: int


@dataclass(frozen=True)
class Shore:
    """Straight pieces of an edge in walking order, the element to their left.

    Attributes
    ----------
    pieces
        `x1, y1, x2, y2`, shape (m, 4), m.
    closed
        Whether the last joins the first.
    """

    pieces: FloatArray
    closed: bool

    @property
    def length(self) -> float:
        """All pieces together, m."""
        return float(self._lengths.sum())

    @property
    def _lengths(self) -> FloatArray:
        lengths: FloatArray = np.hypot(*(self.pieces[:, 2:] - self.pieces[:, :2]).T)
        return lengths

    def at(self, stations: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Place and unit direction at distances along it, each shape (n, 2)."""
        lengths = self._lengths
        ends = np.cumsum(lengths)
        row = np.minimum(np.searchsorted(ends, stations, "right"), len(lengths) - 1)
        ahead = (self.pieces[row, 2:] - self.pieces[row, :2]) / lengths[row, None]
        along = stations - (ends - lengths)[row]
        return self.pieces[row, :2] + ahead * along[:, None], ahead

    def room(self, length: float, gap: float) -> int:
        """How many rocks of a length stand on it with at least a gap between them."""
        run = self.length if self.closed else self.length + gap
        return int(run / (length + gap) + 1e-9)


def outer_shore(outline: Outline) -> Shore:
    """The outer rings, counter-clockwise."""
    rings = [
        shapely.get_coordinates(shapely.geometry.polygon.orient(part).exterior)
        for part in shapely.get_parts(outline)
    ]
    pieces = np.concatenate([np.column_stack([ring[:-1], ring[1:]]) for ring in rings])
    return Shore(pieces[(pieces[:, :2] != pieces[:, 2:]).any(axis=1)], closed=True)


def open_shore(pieces: FloatArray) -> Shore:
    """Pieces of a ring in its order, begun where they do not join."""
    joins = (pieces[:, :2] == np.roll(pieces[:, 2:], 1, axis=0)).all(axis=1)
    first = 0 if joins.all() else int(np.flatnonzero(~joins)[0])
    return Shore(np.roll(pieces, -first, axis=0), closed=bool(joins.all()))


def along_edge(
    shore: Shore,
    outline: Outline,
    count: int,
    axes: tuple[float, float, float],
    *,
    courses: int = 1,
    shift: float = 0,
) -> Places:
    """Space rocks evenly inside, their outer face on the edge, every other course between others.

    Parameters
    ----------
    count
        Of all courses together; the lower ones get what does not divide.
    axes
        Length along the edge, width across it, height; m.
    shift
        By which part of a space the first is moved on, along a closed shore.
    """
    each = [count // courses + (number < count % courses) for number in range(courses)]
    steps, course = [], []
    for number, many in enumerate(each):
        between = number % 2
        if shore.closed:
            steps.append((np.arange(many) + 0.5 + between / 2 + shift) / max(many, 1) % 1.0)
        else:
            steps.append((np.arange(many) + 0.5 + between / 2) / (many + between))
        course.append(np.full(many, number, dtype=np.int64))
    at, ahead = shore.at(np.concatenate(steps) * shore.length)
    inward = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    turn = np.degrees(np.arctan2(ahead[:, 1], ahead[:, 0]))
    crowded = sum(max(many - max(shore.room(axes[0], 0.0), 1), 0) for many in each)
    xy = _clear_of_edge(at + inward * axes[1] / 2, outline, axes[1] / 2)
    return Places(xy, turn, np.concatenate(course), crowded)


def _clear_of_edge(xy: FloatArray, outline: Outline, distance: float) -> FloatArray:
    """Places beside a corner moved in, as near as they may be, until clear of its other side."""
    inside = outline.buffer(-distance, join_style="mitre", mitre_limit=2.0)
    if inside.is_empty:
        return xy
    shapely.prepare(inside)
    points = shapely.points(xy)
    off = ~shapely.dwithin(inside, points, 1e-3 * distance)
    moved = xy.copy()
    lines = shapely.shortest_line(inside, points[off])
    moved[off] = shapely.get_coordinates(shapely.get_point(lines, 0))
    return moved


def beside_lip(
    lip: FloatArray, count: int, axes: tuple[float, float, float], *, gap: float = 0.0
) -> Places:
    """Pairs either side of a lip, shape (2, 2), m: the first touch its ends, others stand outside.

    Their length points the way the water falls, their width along the lip.
    """
    across = (lip[1] - lip[0]) / np.hypot(*(lip[1] - lip[0]))
    out = (np.arange(count // 2) + 0.5) * axes[1] + np.arange(count // 2) * gap
    xy = np.concatenate([lip[0] - np.outer(out, across), lip[1] + np.outer(out, across)])
    turn = np.full(count, np.degrees(np.arctan2(across[0], -across[1])))
    return Places(xy, turn, np.zeros(count, dtype=np.int64), 0)


def at_places(outline: Outline, places: FloatArray) -> Places:
    """Rocks at given places, shape (n, 2), m, lying along the nearest piece of the edge."""
    shore = outer_shore(outline)
    lines = shapely.STRtree(shapely.linestrings(shore.pieces.reshape(-1, 2, 2)))
    ahead = (shore.pieces[:, 2:] - shore.pieces[:, :2])[lines.nearest(shapely.points(places))]
    turn = np.degrees(np.arctan2(ahead[:, 1], ahead[:, 0]))
    return Places(places, turn, np.zeros(len(places), dtype=np.int64), 0)


def spread(
    outline: Outline,
    count: int,
    axes: tuple[float, float, float],
    *,
    gap: float,
    seed: tuple[int, ...],
    taken: FloatArray,
) -> Places:
    """Strew rocks inside an outline, none on another while there is room.

    A rock is taken as a circle of its longer side. Places are drawn at random and kept where they
    are free. What finds none in `TRIES` draws a rock is set among others and counted as crowded.

    Parameters
    ----------
    gap
        Least distance between two, m.
    seed
        Of the random places and turns.
    taken
        Middle and radius of the rocks that stand already, shape (k, 3), m.
    """
    draws = np.random.default_rng(seed)
    radius = max(axes[:2]) / 2
    inside = outline.buffer(-radius)
    inside = outline if inside.is_empty else inside
    shapely.prepare(inside)
    bounds = inside.bounds
    cells = _Cells(bounds, taken, count, radius, gap)
    left = TRIES * count
    while cells.placed < count and left > 0:
        drawn = _draw(draws, inside, min(left, 4 * count + 64))
        left -= len(drawn)
        cells.place(drawn, radius, gap)
    found = cells.xy[len(taken) : len(taken) + cells.placed]
    crowded = count - len(found)
    xy = np.concatenate([found, _draw(draws, inside, crowded)]) if crowded else found.copy()
    turn = draws.uniform(0.0, 180.0, count)
    return Places(xy, turn, np.zeros(count, dtype=np.int64), crowded)


def _draw(draws: np.random.Generator, inside: shapely.Geometry, count: int) -> FloatArray:
    """Exactly `count` even random places inside a shape."""
    xmin, ymin, xmax, ymax = inside.bounds
    share = max(inside.area / ((xmax - xmin) * (ymax - ymin)), 1e-6)
    kept = np.empty((0, 2))
    while len(kept) < count:
        many = int(min(1.1 * (count - len(kept)) / share + 16, 1_000_000))
        xy = draws.uniform((xmin, ymin), (xmax, ymax), (many, 2))
        kept = np.concatenate([kept, xy[shapely.contains_xy(inside, xy)]])
    return kept[:count]


class _Cells:
    """Circles sorted into square cells, each cell a chain, so that neighbours are found at once."""

    def __init__(
        self,
        bounds: tuple[float, float, float, float],
        taken: FloatArray,
        count: int,
        radius: float,
        gap: float,
    ) -> None:
        widest = max(radius, float(taken[:, 2].max(initial=0.0)))
        xmin, ymin, xmax, ymax = bounds
        finest = np.sqrt((xmax - xmin) * (ymax - ymin) / 1e6)
        self.corner = np.array([xmin, ymin])
        self.cell = max(2 * widest + gap, float(finest))
        shape = np.ceil((np.array([xmax, ymax]) - self.corner) / self.cell).astype(int) + 1
        self.first = np.full((int(shape[0]), int(shape[1])), -1, dtype=np.int64)
        self.next = np.full(len(taken) + count, -1, dtype=np.int64)
        self.xy = np.zeros((len(taken) + count, 2))
        self.radius = np.full(len(taken) + count, radius)
        self.used, self.taken = len(taken), len(taken)
        self.xy[: len(taken)], self.radius[: len(taken)] = taken[:, :2], taken[:, 2]
        _chain(self.xy, len(taken), self.corner, self.cell, self.first, self.next)

    @property
    def placed(self) -> int:
        return self.used - self.taken

    def place(self, drawn: FloatArray, radius: float, gap: float) -> None:
        """Keep those drawn places that are free, in the order they were drawn."""
        self.used = _keep_free(
            drawn, radius, gap, self.xy, self.radius, self.used,
            self.corner, self.cell, self.first, self.next,
        )  # fmt: skip


@kernel
def _chain(
    xy: FloatArray, used: int, corner: FloatArray, cell: float, first: IntArray, follows: IntArray
) -> None:
    for row in range(used):
        i = min(max(int((xy[row, 0] - corner[0]) / cell), 0), first.shape[0] - 1)
        j = min(max(int((xy[row, 1] - corner[1]) / cell), 0), first.shape[1] - 1)
        follows[row] = first[i, j]
        first[i, j] = row


@kernel
def _keep_free(
    drawn: FloatArray,
    radius: float,
    gap: float,
    xy: FloatArray,
    radii: FloatArray,
    used: int,
    corner: FloatArray,
    cell: float,
    first: IntArray,
    follows: IntArray,
) -> int:
    for k in range(drawn.shape[0]):
        if used == xy.shape[0]:
            break
        i, j = int((drawn[k, 0] - corner[0]) / cell), int((drawn[k, 1] - corner[1]) / cell)
        free = True
        for a in range(max(i - 1, 0), min(i + 2, first.shape[0])):
            for b in range(max(j - 1, 0), min(j + 2, first.shape[1])):
                row = first[a, b]
                while row >= 0 and free:
                    apart = np.hypot(drawn[k, 0] - xy[row, 0], drawn[k, 1] - xy[row, 1])
                    free = apart >= radius + radii[row] + gap
                    row = follows[row]
        if free:
            xy[used, 0], xy[used, 1] = drawn[k, 0], drawn[k, 1]
            follows[used] = first[i, j]
            first[i, j] = used
            used += 1
    return used
