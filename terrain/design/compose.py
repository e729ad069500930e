"""All elements on one ground: the surfaces that are dug, lined and seen.

Elements compose in file order, cuts by minimum and fills by maximum, and every place remembers
which element decided it: where its soil face is the lowest, what lies on that face is its own
too. Where the ground inside an outline is lower than the element's bed, the
bed is laid on fill, unless an earlier element is dug there.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Protocol

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.design.shapes import Element
from terrain.design.stamps import Stamp, reach, stamps
from terrain.kernels import kernel
from terrain.surface import Grid, Lattice, Surface

Bounds = tuple[float, float, float, float]
Window = IntArray | tuple[slice, slice]


@dataclass(frozen=True)
class Composed:
    """Surfaces of a plan at n places; NaN off the survey.

    Attributes
    ----------
    existing, dig, subgrade, bed, stone, finish
        Elevations, shape (n,), m. `bed` is the top of the drapes, `stone` of a pit's lifts above
        them; over a trench soil goes back on top of it, up to the finish.
    water
        Level of the water that stands there, NaN where none does, shape (n,), m.
    dig_owner, fill_owner, finish_owner, water_owner
        Row of the element that decided the dig, raised the ground, decided what lies on the soil,
        holds the water; −1 where none did. Shape (n,).
    """

    existing: FloatArray
    dig: FloatArray
    subgrade: FloatArray
    bed: FloatArray
    stone: FloatArray
    finish: FloatArray
    water: FloatArray
    dig_owner: Int32Array
    fill_owner: Int32Array
    finish_owner: Int32Array
    water_owner: Int32Array


@dataclass(frozen=True)
class Composition:
    """The same surfaces at the nodes of a lattice, each shape (ny, nx)."""

    lattice: Lattice
    existing: FloatArray
    dig: FloatArray
    subgrade: FloatArray
    bed: FloatArray
    stone: FloatArray
    finish: FloatArray
    water: FloatArray
    owner: Int32Array
    fill_owner: Int32Array
    finish_owner: Int32Array
    water_owner: Int32Array

    def grid(self, name: str) -> Grid:
        """One of the surfaces by name, as a `Grid`."""
        return Grid(self.lattice, getattr(self, name))


@dataclass(frozen=True)
class DesignSurface:
    """One of the composed surfaces, asked anywhere: it is computed, not interpolated."""

    name: str
    elements: tuple[Element, ...]
    existing: Surface

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m; NaN off the survey."""
        z: FloatArray = getattr(compose_at(xy, self.elements, self.existing), self.name)
        return z

    @property
    def footprint(self) -> shapely.Polygon | shapely.MultiPolygon:
        """That of the survey."""
        return self.existing.footprint


def compose_at(xy: FloatArray, elements: Sequence[Element], existing: Surface) -> Composed:
    """Compose the elements at places `xy`, shape (n, 2)."""
    return compose_over(xy, existing.elevation(xy), elements)


def compose_over(xy: FloatArray, ground: FloatArray, elements: Sequence[Element]) -> Composed:
    """Compose the elements at places `xy` where the ground's heights are known already."""
    result = _bare(ground)
    _lay_all(result, _Places(xy), elements)
    return result


def compose(lattice: Lattice, elements: Sequence[Element], ground: Grid) -> Composition:
    """Compose the elements at every node of a lattice; `ground` has that lattice."""
    return lay(lattice, elements, ground).composition


@dataclass(frozen=True)
class Laid:
    """A composition with each element's own stamps, so that a change need not redo the others."""

    composition: Composition
    elements: tuple[Element, ...]
    stamped: "tuple[Stamped, ...]"


@dataclass(frozen=True)
class Stamped:
    """One element's stamps and the window of the lattice that they are for."""

    window: tuple[slice, slice]
    stamps: tuple[Stamp, ...]


def lay(lattice: Lattice, elements: Sequence[Element], ground: Grid) -> Laid:
    """Compose the elements on a lattice and keep what each of them wants."""
    at = _bare(ground.z)
    nodes = _Nodes(lattice)
    stamped = tuple(_stamp_on(element, nodes, ground.z) for element in elements)
    _lay_within(at, stamped, (slice(0, lattice.ny), slice(0, lattice.nx)))
    return Laid(_composition(lattice, at), tuple(elements), stamped)


def relay(laid: Laid, elements: Sequence[Element]) -> Laid:
    """Compose again after some elements were exchanged for others, in the same order.

    Only the part of the lattice is redone that an exchanged element can touch, before or after.
    An element counts as exchanged when it is another object.
    """
    before = laid.composition
    if len(elements) != len(laid.elements):
        return lay(before.lattice, elements, Grid(before.lattice, before.existing))
    nodes = _Nodes(before.lattice)
    stamped, touched = list(laid.stamped), []
    for row, (old, new) in enumerate(zip(laid.elements, elements, strict=True)):
        if new is not old:
            stamped[row] = _stamp_on(new, nodes, before.existing)
            touched += [laid.stamped[row].window, stamped[row].window]
    if not touched:
        return laid
    part = (
        slice(min(w[0].start for w in touched), max(w[0].stop for w in touched)),
        slice(min(w[1].start for w in touched), max(w[1].stop for w in touched)),
    )
    at = Composed(
        existing=before.existing,
        dig=before.dig.copy(),
        subgrade=before.subgrade.copy(),
        bed=before.bed.copy(),
        stone=before.stone.copy(),
        finish=before.finish.copy(),
        water=before.water.copy(),
        dig_owner=before.owner.copy(),
        fill_owner=before.fill_owner.copy(),
        finish_owner=before.finish_owner.copy(),
        water_owner=before.water_owner.copy(),
    )
    ground = before.existing[part]
    for surface in (at.dig, at.subgrade, at.bed, at.stone, at.finish):
        surface[part] = ground
    at.water[part] = np.nan
    for owner in (at.dig_owner, at.fill_owner, at.finish_owner, at.water_owner):
        owner[part] = -1
    _lay_within(at, stamped, part)
    return Laid(_composition(before.lattice, at), tuple(elements), tuple(stamped))


def _composition(lattice: Lattice, at: Composed) -> Composition:
    return Composition(
        lattice=lattice,
        existing=at.existing,
        dig=at.dig,
        subgrade=at.subgrade,
        bed=at.bed,
        stone=at.stone,
        finish=at.finish,
        water=at.water,
        owner=at.dig_owner,
        fill_owner=at.fill_owner,
        finish_owner=at.finish_owner,
        water_owner=at.water_owner,
    )


def _stamp_on(element: Element, nodes: "_Nodes", ground: FloatArray) -> Stamped:
    if not element.shapes:
        return Stamped((slice(0, 0), slice(0, 0)), ())
    window = _window(element, nodes, ground)
    assert isinstance(window, tuple)
    return Stamped(window, tuple(stamps(element, nodes.xy(window), ground[window].ravel())))


def _lay_within(at: Composed, stamped: Sequence[Stamped], part: tuple[slice, slice]) -> None:
    """Lay every stamp on the part of the lattice that it shares with `part`."""
    shared = [(row, _overlap(one.window, part), one) for row, one in enumerate(stamped)]
    shared = [(row, window, one) for row, window, one in shared if window is not None]
    covers = np.zeros(at.existing.shape, dtype=np.bool_)
    pieces = []
    for row, window, one in shared:
        assert window is not None
        for whole in one.stamps:
            piece = _cut_stamp(whole, one.window, window)
            pieces.append((row, window, piece))
            covers[window] |= piece.inside.reshape(covers[window].shape)
    for row, window, piece in pieces:
        _lay(at, window, piece, covers, row)


def _overlap(window: tuple[slice, slice], part: tuple[slice, slice]) -> tuple[slice, slice] | None:
    rows = slice(max(window[0].start, part[0].start), min(window[0].stop, part[0].stop))
    columns = slice(max(window[1].start, part[1].start), min(window[1].stop, part[1].stop))
    return (rows, columns) if rows.start < rows.stop and columns.start < columns.stop else None


def _cut_stamp(one: Stamp, window: tuple[slice, slice], part: tuple[slice, slice]) -> Stamp:
    """The part of a stamp that lies in a smaller window."""
    if window == part:
        return one
    shape = (window[0].stop - window[0].start, window[1].stop - window[1].start)
    inner = (
        slice(part[0].start - window[0].start, part[0].stop - window[0].start),
        slice(part[1].start - window[1].start, part[1].stop - window[1].start),
    )
    return Stamp(*(getattr(one, f.name).reshape(shape)[inner].ravel() for f in fields(Stamp)))


class _Asked(Protocol):
    """Places that can be picked by a box around them."""

    def near(self, box: Bounds) -> Window: ...

    def xy(self, window: Window) -> FloatArray: ...


@dataclass(frozen=True)
class _Places:
    """Scattered places, picked by row."""

    places: FloatArray

    def near(self, box: Bounds) -> Window:
        x, y = self.places[:, 0], self.places[:, 1]
        within = (x >= box[0]) & (y >= box[1]) & (x <= box[2]) & (y <= box[3])
        rows: IntArray = np.flatnonzero(within).astype(np.int64)
        return rows

    def xy(self, window: Window) -> FloatArray:
        picked: FloatArray = self.places[window]
        return picked


@dataclass(frozen=True)
class _Nodes:
    """The nodes of a lattice, picked by rows and columns."""

    lattice: Lattice

    def near(self, box: Bounds) -> Window:
        x, y = self.lattice.x, self.lattice.y
        rows = slice(int(np.searchsorted(y, box[1])), int(np.searchsorted(y, box[3], "right")))
        columns = slice(int(np.searchsorted(x, box[0])), int(np.searchsorted(x, box[2], "right")))
        return rows, columns

    def xy(self, window: Window) -> FloatArray:
        assert isinstance(window, tuple)
        x, y = np.meshgrid(self.lattice.x[window[1]], self.lattice.y[window[0]])
        return np.column_stack([x.ravel(), y.ravel()])


def _bare(ground: FloatArray) -> Composed:
    unowned = np.full(ground.shape, -1, dtype=np.int32)
    return Composed(
        existing=ground,
        dig=ground.copy(),
        subgrade=ground.copy(),
        bed=ground.copy(),
        stone=ground.copy(),
        finish=ground.copy(),
        water=np.full(ground.shape, np.nan),
        dig_owner=unowned,
        fill_owner=unowned.copy(),
        finish_owner=unowned.copy(),
        water_owner=unowned.copy(),
    )


def _lay_all(result: Composed, asked: _Asked, elements: Sequence[Element]) -> None:
    if not np.isfinite(result.existing).any():
        return
    stamped: list[tuple[int, Window, Stamp]] = []
    covers = np.zeros(result.existing.shape, dtype=np.bool_)
    for row, element in enumerate(elements):
        if not element.shapes:
            continue
        window = _window(element, asked, result.existing)
        ground = result.existing[window].ravel()
        for one in stamps(element, asked.xy(window), ground):
            stamped.append((row, window, one))
            covers[window] |= one.inside.reshape(covers[window].shape)
    for row, window, one in stamped:
        _lay(result, window, one, covers, row)


def _window(element: Element, asked: _Asked, ground: FloatArray) -> Window:
    """The places that an element may change: a box drawn in while the ground in it allows."""
    xmin, ymin, xmax, ymax = element.grown.bounds
    far = reach(element, float(np.nanmin(ground)), float(np.nanmax(ground)))
    while True:
        window = asked.near((xmin - far, ymin - far, xmax + far, ymax + far))
        known = ground[window][np.isfinite(ground[window])]
        nearer = reach(element, known.min(), known.max()) if known.size else 0.0
        if nearer >= 0.9 * far:
            return window
        far = nearer


def _lay(result: Composed, window: Window, one: Stamp, covers: BoolArray, row: int) -> None:
    surfaces: tuple[Any, ...] = (
        result.dig, result.subgrade, result.bed, result.stone, result.finish, result.water,
        result.dig_owner, result.fill_owner, result.finish_owner, result.water_owner,
    )  # fmt: skip
    parts: list[Any] = [surface[window].ravel() for surface in surfaces]
    _lay_stamp(
        row, one.inside, one.soil, one.bed, one.stone, one.finish, one.dig, one.crest, one.water,
        covers[window].ravel(), result.existing[window].ravel(), *parts,
    )  # fmt: skip
    for surface, part in zip(surfaces, parts, strict=True):
        surface[window] = part.reshape(surface[window].shape)


@kernel
def _lay_stamp(
    row: int,
    inside: BoolArray,
    soil: FloatArray,
    bed: FloatArray,
    stone: FloatArray,
    finish: FloatArray,
    dig: FloatArray,
    crest: FloatArray,
    water: FloatArray,
    covered: BoolArray,
    existing: FloatArray,
    now_dig: FloatArray,
    now_subgrade: FloatArray,
    now_bed: FloatArray,
    now_stone: FloatArray,
    now_finish: FloatArray,
    now_water: FloatArray,
    dig_owner: Int32Array,
    fill_owner: Int32Array,
    finish_owner: Int32Array,
    water_owner: Int32Array,
) -> None:
    for k in range(existing.size):
        if np.isnan(existing[k]):
            continue
        if dig[k] < now_dig[k]:
            now_dig[k] = dig[k]
            dig_owner[k] = row
        laid = inside[k] and finish_owner[k] < 0 and soil[k] > existing[k]
        if laid:
            fill_owner[k] = row
        if laid or soil[k] < now_subgrade[k]:
            now_subgrade[k] = soil[k]
            now_bed[k] = bed[k]
            finish_owner[k] = row
            if inside[k]:
                now_finish[k] = finish[k]
                now_water[k] = water[k]
                water_owner[k] = row
            else:
                now_finish[k] = min(finish[k], now_finish[k])
            now_stone[k] = min(stone[k], now_finish[k])
            if fill_owner[k] >= 0:
                fill_owner[k] = row if soil[k] > existing[k] else -1
        # a rim or mound is placed around what is dug, never in it
        if crest[k] > now_subgrade[k] and not (covered[k] and not inside[k]):
            fill_owner[k] = row
            now_subgrade[k] = crest[k]
            now_bed[k] = max(now_bed[k], crest[k])
            now_stone[k] = max(now_stone[k], crest[k])
            now_finish[k] = max(now_finish[k], crest[k])
            if now_finish[k] >= now_water[k]:
                now_water[k] = np.nan
