"""Spoil laid on the real ground: height, toe and volume solved together."""

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any, Literal, TypeAlias, cast

import numpy as np
import shapely
from contourpy import FillType, contour_generator
from scipy.optimize import brentq

from terrain.arrays import FloatArray
from terrain.earthwork.adaptive import refined_volume
from terrain.haul.envelope import Envelope, envelope
from terrain.surface import Lattice, Surface

Region: TypeAlias = shapely.Polygon | shapely.MultiPolygon
HeapShape = Literal["cone", "ridge", "flat"]
SHAPES: tuple[HeapShape, ...] = ("cone", "ridge", "flat")

USUAL_BATTER = 1.5  # run over rise of moist common earth at rest, about 34° (common practice)
TOLERANCE = 5e-3  # of the heap's volume: the bound to reach
LEAST_TOLERANCE_M3 = 1e-4
MOST_NODES = 8_000
FINEST_CELL_M = 0.01
BORDER_M = 1e-3  # kept from the border of the survey, where the ground may not be known
NOTHING = shapely.Polygon()
_CREST_LEVELS = 24  # among which the ridge of most volume is looked for


@dataclass(frozen=True)
class HeapSurface:
    """The ground with a heap on it.

    Attributes
    ----------
    ground
        What the heap lies on.
    room
        Where the heap may lie; nothing is added elsewhere.
    slope
        Rise over run of its sides.
    top_m
        Elevation of its crest or its level top, m; −inf for no heap.
    crest
        Its apex or the line of its ridge; None where its sides start from the room's border.
    sides
        The highest sides that keep to the room.
    """

    ground: Surface
    room: Region
    slope: float
    top_m: float
    crest: shapely.Point | shapely.LineString | None
    sides: Envelope

    def thickness(self, xy: FloatArray) -> FloatArray:
        """Loose soil above the ground at `xy`, shape (n, 2) → (n,), m; 0 where none is."""
        thick = np.zeros(len(xy))
        at = np.flatnonzero(shapely.intersects_xy(self.room, xy[:, 0], xy[:, 1]))
        if self.top_m > -math.inf and len(at):
            inside = xy[at]
            thick[at] = np.fmax(self._face(inside) - self.ground.elevation(inside), 0.0)
        return thick

    def _face(self, xy: FloatArray) -> FloatArray:
        if self.crest is None:
            return np.minimum(self.sides.at(xy), self.top_m)
        return self.top_m - self.slope * _away(xy, self.crest)

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m; NaN off the ground."""
        return self.ground.elevation(xy) + self.thickness(xy)

    @property
    def footprint(self) -> Region:
        """The ground's."""
        return self.ground.footprint


@dataclass(frozen=True)
class Heap:
    """A heap of loose soil on the ground.

    Attributes
    ----------
    shape
        What it is.
    asked_m3
        Loose volume that was to be laid.
    volume_loose_m3
        Loose volume that is laid: all, or what fits.
    bound_m3
        How far the heap as drawn may be off that volume.
    height_m
        Greatest thickness, upright from the ground.
    toe
        Where it meets the ground; empty without a heap.
    top
        Its apex, the line of its ridge, or the edge of its level top; empty where it has none.
    surface
        The ground with the heap on it.
    """

    shape: HeapShape
    asked_m3: float
    volume_loose_m3: float
    bound_m3: float
    height_m: float
    toe: Region
    top: shapely.Geometry
    surface: HeapSurface

    @property
    def left_over_m3(self) -> float:
        """Loose volume that does not fit."""
        return max(self.asked_m3 - self.volume_loose_m3, 0.0)

    @property
    def fits(self) -> bool:
        """Whether all of it is laid."""
        return self.left_over_m3 == 0


def lay_heap(
    ground: Surface,
    room: Region,
    volume_loose_m3: float,
    *,
    batter: float = USUAL_BATTER,
    shape: HeapShape | None = None,
    highest_m: float = math.inf,
    crest: shapely.Point | shapely.LineString | None = None,
) -> Heap:
    """Lay loose soil inside a room, with its sides at rest and its toe where they meet the ground.

    The sides can nowhere stand higher than `H(x) = min over p on the border of
    (ground(p) + slope |x - p|)`. A cone of apex a and elevation z, `z - slope |x - a|`, keeps to
    the room just while `z <= H(a)`; a ridge while that holds along its level crest; a flat-topped
    heap is `min(H, z)`, of all heaps under a level z the one of most volume. So each has one
    number z, the volume grows with it, and z is solved for the volume.

    Parameters
    ----------
    ground
        What it lies on.
    room
        Where it may lie.
    volume_loose_m3
        What is to be laid; what does not fit is left over.
    batter
        Run over rise of its sides, more than 0.
    shape
        By default the first of cone, ridge and flat top that holds it.
    highest_m
        Greatest thickness, upright from the ground.
    crest
        Apex of the cone or line of the ridge. By default the apex is where a cone may stand
        highest over the ground; the ridge runs through it along the room, as long as holds most.
    """
    place = _Place.of(ground, room, 1 / batter, highest_m)
    shapes: tuple[HeapShape, ...] = SHAPES if shape is None else (shape,)
    if place is None:
        return _none(ground, shapes[-1], volume_loose_m3, 1 / batter)
    largest: tuple[HeapShape, _Form] | None = None
    for each in shapes:
        form = place.form(each, crest)
        if form is not None and (largest is None or form.most_m3 > largest[1].most_m3):
            largest = each, form
            if form.most_m3 >= volume_loose_m3:
                break
    if largest is None:
        return _none(ground, shapes[-1], volume_loose_m3, 1 / batter)
    return _laid(place, largest[1], largest[0], volume_loose_m3)


def _none(ground: Surface, shape: HeapShape, asked: float, slope: float) -> Heap:
    surface = HeapSurface(ground, NOTHING, slope, -math.inf, None, _NOWHERE)
    return Heap(shape, asked, 0.0, 0.0, 0.0, NOTHING, NOTHING, surface)


_NOWHERE = Envelope(
    np.zeros((1, 2)), np.array([[1.0, 0.0]]), np.ones(1), np.full(1, -np.inf), np.zeros(1), 1.0
)


@dataclass(frozen=True)
class _Place:
    """A room on its ground, asked at the nodes of a lattice that lie in it.

    `xy` (n, 2) are those nodes, `row` their rows in the lattice; `ground` and `sides` (n,) are
    the elevations there of the ground and of the highest sides.
    """

    surface: Surface
    room: Region
    envelope: Envelope
    highest_m: float
    lattice: Lattice
    row: np.ndarray
    xy: FloatArray
    ground: FloatArray
    sides: FloatArray

    @classmethod
    def of(cls, ground: Surface, room: Region, slope: float, highest_m: float) -> "_Place | None":
        """None where the room is empty."""
        inside = room.intersection(ground.footprint.buffer(-BORDER_M))
        kept = [p for p in shapely.get_parts(inside) if p.geom_type == "Polygon" and p.area > 1e-4]
        if not kept:
            return None
        region = shapely.union_all(kept)
        west, south, east, north = region.bounds
        cell = max(math.sqrt((east - west) * (north - south) / MOST_NODES), FINEST_CELL_M)
        lattice = Lattice.covering(
            (west - cell, south - cell, east + cell, north + cell), cell=cell
        )
        nodes = lattice.nodes
        row = np.flatnonzero(shapely.contains_xy(region, nodes[:, 0], nodes[:, 1]))
        if not len(row):
            return None
        sides = envelope(ground, region, slope)
        xy = nodes[row]
        at = ground.elevation(xy)
        return cls(ground, region, sides, highest_m, lattice, row, xy, at, sides.at(xy))

    @property
    def slope(self) -> float:
        return self.envelope.slope

    def form(
        self, shape: HeapShape, crest: shapely.Point | shapely.LineString | None
    ) -> "_Form | None":
        """The family of heaps of a shape; None where its crest lies outside the room."""
        if shape == "flat":
            return _Form(None, self.sides, self.ground, self)
        if crest is None:
            line = self.apex if shape == "cone" else self._longest_ridge()
        else:
            line = _within(crest, self.room)
        return None if line is None else self.crested(line)

    def crested(self, line: shapely.Point | shapely.LineString) -> "_Form":
        """Heaps with a level crest along a line, or an apex."""
        face = -self.slope * _away(self.xy, line)
        step = self.lattice.cell / 10
        along = shapely.get_coordinates(
            line if line.length == 0 else shapely.segmentize(line, step)
        )
        lowest = float(self.envelope.at(along).min())
        return _Form(
            line, face, self.ground, self, lowest - self.slope * min(line.length, step) / 2
        )

    @cached_property
    def apex(self) -> shapely.Point:
        """Where a cone may stand highest over the ground."""
        best = self.xy[int(np.argmax(self.sides - self.ground))]
        reach = self.lattice.cell
        for _ in range(3):
            steps = np.linspace(-reach, reach, 11)
            near = best + np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
            near = near[shapely.contains_xy(self.room, near[:, 0], near[:, 1])]
            rise = self.envelope.at(near) - self.surface.elevation(near)
            best = near[int(np.argmax(rise))] if len(near) else best
            reach /= 5
        return shapely.Point(best)

    def _longest_ridge(self) -> shapely.Point | shapely.LineString:
        """Through the apex along the room: of all level crests there, that which holds most."""
        part = next(p for p in shapely.get_parts(self.room) if p.intersects(self.apex))
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(part))
        sides = np.diff(box[:3], axis=0)
        way = sides[int(np.argmax(np.hypot(*sides.T)))]
        way = way / np.hypot(*way)
        apex = np.array(self.apex.coords[0])
        reach = np.arange(0.0, np.hypot(*np.ptp(box, axis=0)), self.lattice.cell / 2)
        arms = [apex + np.outer(reach, sense * way) for sense in (-1.0, 1.0)]
        heights = [np.minimum.accumulate(self.envelope.at(arm)) for arm in arms]
        for arm, height in zip(arms, heights, strict=True):
            out = ~shapely.contains_xy(part, arm[:, 0], arm[:, 1])
            height[np.maximum.accumulate(out)] = -np.inf
        best: shapely.Point | shapely.LineString = self.apex
        most = self.crested(best).most_m3
        top = float(heights[0][0])
        for level in np.linspace(top, top - self._tallest, _CREST_LEVELS)[1:-1]:
            ends = [arm[int((h >= level).sum()) - 1] for arm, h in zip(arms, heights, strict=True)]
            if np.hypot(*(ends[1] - ends[0])) < self.lattice.cell:
                continue
            line = shapely.LineString(ends)
            held = self.crested(line).most_m3
            if held > most:
                best, most = line, held
        return best

    @property
    def _tallest(self) -> float:
        return max(float(np.max(self.sides - self.ground)), 1e-6)


@dataclass(frozen=True)
class _Form:
    """Heaps of one shape in a place: `z + face` for a crest, `min(z, face)` for a flat top."""

    crest: shapely.Point | shapely.LineString | None
    face: FloatArray
    ground: FloatArray
    place: _Place
    crest_highest: float = math.inf

    def thickness(self, top: float) -> FloatArray:
        """Over the ground at the place's nodes, (n,), m."""
        face = np.minimum(top, self.face) if self.crest is None else top + self.face
        thick: FloatArray = np.maximum(face - self.ground, 0.0)
        return thick

    def volume(self, top: float) -> float:
        """By the nodes of the lattice: the heap runs out to nothing at its toe, m³."""
        return float(self.thickness(top).sum()) * self.place.lattice.cell**2

    @cached_property
    def lowest(self) -> float:
        """Elevation of the top of a heap of nothing."""
        return float(np.min(self.ground if self.crest is None else self.ground - self.face))

    @cached_property
    def highest(self) -> float:
        """Elevation of the top of the largest heap."""
        if self.crest is not None:
            under = float(self.place.surface.elevation(self._along_crest).min())
            thickest = min(self.lowest, under) + self.place.highest_m
            return max(min(self.crest_highest, thickest), self.lowest)
        over = self.face - self.ground > self.place.highest_m
        thickest = float(np.min(self.ground[over])) + self.place.highest_m if over.any() else np.inf
        return max(min(float(self.face.max()), thickest), self.lowest)

    @property
    def _along_crest(self) -> FloatArray:
        """Places of the crest no farther apart than the nodes, shape (k, 2)."""
        at: FloatArray = shapely.get_coordinates(
            shapely.segmentize(self.crest, self.place.lattice.cell)
        )
        return at

    def height(self, top: float) -> float:
        """Greatest thickness at the nodes and along the crest, m."""
        height = float(self.thickness(top).max())
        if self.crest is None:
            return height
        return max(height, float(np.max(top - self.place.surface.elevation(self._along_crest))))

    @cached_property
    def most_m3(self) -> float:
        """Volume of the largest heap."""
        return self.volume(self.highest)

    def top_of(self, volume: float) -> float:
        """Elevation of the top at which the nodes tell a volume."""
        if volume >= self.most_m3:
            return self.highest
        if volume <= 0:
            return self.lowest
        top: float = brentq(
            lambda z: self.volume(z) - volume, self.lowest, self.highest, xtol=1e-9, rtol=1e-12
        )
        return top

    def at(self, top: float) -> HeapSurface:
        """The heap with its top at an elevation."""
        place = self.place
        return HeapSurface(place.surface, place.room, place.slope, top, self.crest, place.envelope)


@dataclass(frozen=True)
class _Level:
    """Height 0 everywhere."""

    footprint: Region

    def elevation(self, xy: FloatArray) -> FloatArray:
        return np.zeros(len(xy))


@dataclass(frozen=True)
class _Thickness:
    """Thickness of a heap, 0 beside it."""

    heap: HeapSurface

    @property
    def footprint(self) -> Region:
        return shapely.box(*self.heap.room.bounds)

    def elevation(self, xy: FloatArray) -> FloatArray:
        return self.heap.thickness(xy)


def _laid(place: _Place, form: _Form, shape: HeapShape, asked: float) -> Heap:
    """Solve the top by the nodes, and again until the measured volume is the one asked for."""
    fits = form.most_m3 >= asked
    top, aim = form.top_of(asked), asked
    volume, bound = _measured(place, form.at(top))
    for _ in range(3):
        if not fits or abs(volume - asked) <= bound / 4 or volume <= 0:
            break
        aim += asked - volume
        top = form.top_of(aim)
        volume, bound = _measured(place, form.at(top))
    fits = fits or volume >= asked
    return Heap(
        shape=shape,
        asked_m3=asked,
        volume_loose_m3=asked if fits else min(volume, asked),
        bound_m3=bound + abs(volume - asked) if fits else bound,
        height_m=form.height(top),
        toe=_toe(place, form, top),
        top=_top(place, form, top),
        surface=form.at(top),
    )


def _measured(place: _Place, heap: HeapSurface) -> tuple[float, float]:
    """Volume and its bound, m³, by the refined prism method."""
    thick = _Thickness(heap)
    lattice = Lattice.covering(place.lattice.bounds, cell=2 * place.lattice.cell)
    rough = float(thick.elevation(place.xy).sum()) * place.lattice.cell**2
    tolerance = max(TOLERANCE * rough, LEAST_TOLERANCE_M3)
    found = refined_volume(_Level(thick.footprint), thick, lattice, tolerance_m3=tolerance)
    return found.fill_m3, found.bound_m3


def _toe(place: _Place, form: _Form, top: float) -> Region:
    """Where the heap stands on the ground, cut along straight lines between the nodes."""
    face = np.minimum(form.face, top) if form.crest is None else top + form.face
    return _above(place, face - form.ground)


def _top(place: _Place, form: _Form, top: float) -> shapely.Geometry:
    if form.crest is not None:
        return form.crest
    return _above(place, np.where(form.ground < top, form.face - top, -1.0))


def _above(place: _Place, rise: FloatArray) -> Region:
    """The part of the room where `rise`, known at the nodes in it, is above 0."""
    field = np.full(place.lattice.nx * place.lattice.ny, np.nan)
    field[place.row] = rise
    beside = np.flatnonzero(np.isnan(field))
    nearest = shapely.STRtree(shapely.points(place.xy))
    near = nearest.query_nearest(shapely.points(place.lattice.nodes[beside]), all_matches=False)[1]
    field[beside] = rise[near]  # the room's border cuts it
    lines = contour_generator(
        place.lattice.x,
        place.lattice.y,
        field.reshape(place.lattice.shape),
        fill_type=FillType.OuterOffset,
    )
    points, offsets = cast("tuple[Any, Any]", lines.filled(1e-9, np.inf))
    rings = [
        shapely.Polygon(p[o[0] : o[1]], [p[a:b] for a, b in pairwise(o[1:])])
        for p, o in zip(points, offsets, strict=True)
        if len(p) >= 4
    ]
    found = shapely.intersection(shapely.union_all(shapely.make_valid(rings)), place.room)
    kept = [part for part in shapely.get_parts(found) if part.geom_type == "Polygon"]
    return shapely.union_all(kept) if kept else NOTHING


def _away(xy: FloatArray, line: shapely.Geometry) -> FloatArray:
    away: FloatArray = shapely.distance(shapely.points(xy), line)
    return away


def _within(
    crest: shapely.Point | shapely.LineString, room: Region
) -> shapely.Point | shapely.LineString | None:
    """The longest part of a crest inside the room."""
    parts = [
        part
        for part in shapely.get_parts(shapely.intersection(crest, room))
        if part.geom_type == crest.geom_type
    ]
    return max(parts, key=shapely.length, default=None)
