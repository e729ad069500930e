"""Faces of a surface: where it stands steep, how high, how steep, and for how long."""

from collections.abc import Callable
from dataclasses import dataclass

import contourpy
import numpy as np
import shapely

from terrain.arrays import FloatArray, IntArray
from terrain.surface import Lattice

Elevation = Callable[[FloatArray], FloatArray]

STEP_M = 0.05  # of a profile
SPACING_M = 0.5  # of the profiles along an edge
LEAST_M = 0.3  # lower faces are steps
_FLAT = np.tan(np.radians(20.0))  # flatter ground is a bench or a floor
_BENCH_M = 0.3  # shorter flats are part of the face
_FLOOR_M = 1.5  # a flat as wide as this, and as the face is high, ends it
_REACH_M = 15.0
_TURN = np.cos(np.radians(50.0))
_ALIKE_DEG, _ALIKE = 12.0, 1.6  # in angle, and in height, of one face
_NEARLY = 0.95
_HAIR = 0.01  # of run over rise
_FEW = 3  # profiles that make no face of their own
_AWAY_M = 0.3  # ground that falls behind a crest, or rises before a toe, by more
_LEVEL = 0.02  # of the height of a line's rise
_NO_RISE_M = 1e-6  # the height of a level line, as a face
_MOVED_M = 0.02  # what differs by less is not touched


@dataclass(frozen=True)
class Face:
    """A face: profiles across it, side by side.

    Attributes
    ----------
    row
        Of the element it belongs to; −1 for none.
    raised
        It is the side of what is raised, not of what is dug.
    edge
        Where each profile crosses the edge between touched and untouched ground, shape (k, 2), m.
    inward
        Direction of each profile from there, shape (k, 2).
    height_m
        From crest to toe of each, shape (k,).
    run_m
        Between them in plan, shape (k,).
    steepest
        Steepest rise over run within each, shape (k,).
    benches
        Flats between steep pieces of each, shape (k,).
    highest_piece_m
        Height of the highest piece without a bench of each, shape (k,).
    length_m
        Along the edge.
    """

    row: int
    raised: bool
    edge: FloatArray
    inward: FloatArray
    height_m: FloatArray
    run_m: FloatArray
    steepest: FloatArray
    benches: IntArray
    highest_piece_m: FloatArray
    length_m: float

    @property
    def worst(self) -> int:
        """The middle one of those that are nearly as high as the highest and as steep as any."""
        slope = self.run_m / self.height_m
        high = self.height_m >= _NEARLY * self.height_m.max()
        alike = np.flatnonzero(high & (slope <= slope[high].min() / _NEARLY + _HAIR))
        return int(alike[len(alike) // 2])

    @property
    def slope(self) -> float:
        """Run over rise from crest to toe at the worst profile."""
        return float(self.run_m[self.worst] / self.height_m[self.worst])

    @property
    def angle_deg(self) -> float:
        """Angle from crest to toe at the worst profile."""
        return float(np.degrees(np.arctan2(1.0, self.slope)))

    @property
    def steepest_deg(self) -> float:
        """Angle of the steepest piece anywhere in the face."""
        return float(np.degrees(np.arctan(self.steepest.max())))

    @property
    def height(self) -> float:
        """Height at the worst profile, m."""
        return float(self.height_m[self.worst])

    @property
    def place(self) -> tuple[float, float]:
        """Where the worst profile crosses the edge."""
        x, y = self.edge[self.worst].tolist()
        return x, y


@dataclass(frozen=True)
class _Profile:
    height_m: float
    run_m: float
    steepest: float
    benches: int
    highest_piece_m: float


def find_faces(
    surface: Elevation,
    change_m: FloatArray,
    owner: IntArray,
    lattice: Lattice,
    *,
    raised: bool = False,
    spacing_m: float = SPACING_M,
    least_m: float = LEAST_M,
) -> tuple[Face, ...]:
    """Find the faces of what is dug (or raised), the worst first.

    From the edge of what is touched profiles run inward, across each face down to its floor (up to
    its crest). Neighbouring profiles of one element, height, angle and direction are one face.

    Parameters
    ----------
    surface
        Elevation of the surface at places, shape (n, 2) → (n,).
    change_m
        Depth dug (height raised) at the nodes of the lattice, shape (ny, nx), m.
    owner
        Row of the element at each node, shape (ny, nx).
    lattice
        The nodes.
    raised
        The profiles rise inward.
    spacing_m
        Between profiles.
    least_m
        Lower faces are left out.
    """
    found: list[Face] = []
    for ring in _edges(change_m, lattice):
        edge, inward = _stations(ring, spacing_m)
        profiles = _profiles(surface, edge, inward, change_m, lattice, rising=raised)
        rows = _at_nodes(owner, lattice, edge + 0.3 * inward).astype(np.int64)
        usable = np.array([profile.height_m >= least_m for profile in profiles], dtype=bool)
        for group in _groups(profiles, inward, rows, usable):
            picked = [profiles[k] for k in group]
            found.append(
                Face(
                    int(rows[group[0]]),
                    raised,
                    edge[group],
                    inward[group],
                    np.array([p.height_m for p in picked]),
                    np.array([p.run_m for p in picked]),
                    np.array([p.steepest for p in picked]),
                    np.array([p.benches for p in picked], dtype=np.int64),
                    np.array([p.highest_piece_m for p in picked]),
                    spacing_m * len(group),
                )
            )
    return tuple(sorted(found, key=lambda face: -face.height / max(face.slope, 0.05) ** 0.5))


def profile_of(
    surface: Elevation, place: FloatArray, inward: FloatArray, *, back_m: float, ahead_m: float
) -> FloatArray:
    """Distance from a place (growing inward) and elevation there, shape (n, 2); known ones only."""
    along = np.arange(-back_m, ahead_m + 0.5 * STEP_M, STEP_M)
    z = surface(place + along[:, None] * inward)
    known = np.isfinite(z)
    return np.column_stack([along[known], z[known]])


def whole_rise(
    along: FloatArray, z: FloatArray, start: FloatArray, inward: FloatArray
) -> tuple[Face, int, int, int]:
    """A line's fall from its highest to its lowest place as a face of one profile.

    Parameters
    ----------
    along, z
        Even distances and elevations, the highest before the lowest, shape (n,).
    start, inward
        Where the line starts and its direction, shape (2,).

    Returns
    -------
    Face, int, int, int
        The face, whose edge is its crest; the crest, and the first and the last place of the line
        that belong to its slope: on either side as far as the ground neither falls away behind
        the crest nor rises before the toe.
    """
    height = float(z.max() - z.min())
    # level ground behind the crest and before the toe is none of the slope
    crest = int(np.flatnonzero(z[: np.argmin(z) + 1] >= z.max() - _LEVEL * height)[-1])
    toe = crest + int(np.argmax(z[crest:] <= z.min() + _LEVEL * height))
    before, after = np.flatnonzero(z[:crest] < z[crest] - _AWAY_M), z[toe:] > z[toe] + _AWAY_M
    first = int(before[-1]) + 1 if len(before) else 0
    last = toe + (int(np.argmax(after)) - 1 if after.any() else len(after) - 1)
    step = float(along[1] - along[0])
    fall = -np.diff(z[crest : toe + 1]) / step
    pieces = _pieces(fall > _FLAT) if (fall > _FLAT).any() else [(0, toe - crest)]
    heights = [float(z[crest + a] - z[crest + b]) for a, b in pieces]
    face = Face(
        -1,
        False,
        (start + along[crest] * inward)[None],
        inward[None],
        np.array([max(height, _NO_RISE_M)]),
        np.array([max(toe - crest, 1) * step]),
        np.array([float(fall.max(initial=0.0))]),
        np.array([len(pieces) - 1], dtype=np.int64),
        np.array([max(heights)]),
        step,
    )
    return face, crest, first, max(last, toe)


def _edges(change_m: FloatArray, lattice: Lattice) -> list[FloatArray]:
    """Closed lines around what is touched, what is touched to their left, each shape (n, 2)."""
    touched = np.pad(np.nan_to_num(change_m), 1)
    cell = lattice.cell
    x = lattice.x0 + cell * np.arange(-1, lattice.nx + 1)
    y = lattice.y0 + cell * np.arange(-1, lattice.ny + 1)
    lines = contourpy.contour_generator(x, y, touched).lines(_MOVED_M)
    rings = []
    for line in lines:
        ring = shapely.simplify(shapely.LinearRing(line), 0.25 * cell) if len(line) > 3 else None
        if ring is not None and ring.length > 4 * cell:
            rings.append(np.asarray(ring.coords)[:, :2])
    return rings


def _stations(ring: FloatArray, spacing_m: float) -> tuple[FloatArray, FloatArray]:
    """Places evenly along a closed line, and the direction to its left there, smoothed."""
    line = shapely.LineString(ring)
    count = max(round(line.length / spacing_m), 4)
    at = (np.arange(count) + 0.5) * line.length / count
    reach = 0.5 * min(spacing_m, line.length / 8)

    def places(distance: FloatArray) -> FloatArray:
        inside = np.mod(distance, line.length)
        return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(line, inside)))

    along = places(at + reach) - places(at - reach)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)[:, None]
    return places(at), np.column_stack([-along[:, 1], along[:, 0]])


def _profiles(
    surface: Elevation,
    edge: FloatArray,
    inward: FloatArray,
    change_m: FloatArray,
    lattice: Lattice,
    *,
    rising: bool,
) -> list[_Profile]:
    """Measure profiles inward as far as the ground is touched.

    They begin a cell outside, since an upright wall may stand anywhere within the cell in which
    touched ground begins.
    """
    along = np.arange(-lattice.cell, _REACH_M, STEP_M)
    places = (edge[:, None] + along[None, :, None] * inward[:, None]).reshape(-1, 2)
    touched = _at_nodes(change_m, lattice, places).reshape(len(edge), -1) > 0
    touched[:, : int(3 * lattice.cell / STEP_M)] = True
    z = surface(places).reshape(len(edge), -1)
    z = np.where(np.logical_and.accumulate(touched, axis=1), z, np.nan)
    return [_measure(-row if rising else row) for row in z]


def _measure(z: FloatArray) -> _Profile:
    """Measure the face that falls from the first place of a profile."""
    known = len(z) if np.isfinite(z).all() else int(np.argmin(np.isfinite(z)))
    fall = -np.diff(z[:known]) / STEP_M
    steep = fall > _FLAT
    toe = last = 0
    start = None
    for k in range(len(fall)):
        flat_m = (k - last) * STEP_M
        height = z[0] - z[last]
        if start is not None and flat_m > max(_FLOOR_M, height):
            break
        if steep[k]:
            start = k if start is None else start
            last = toe = k + 1
    if start is None or toe <= start:
        return _Profile(0.0, 0.0, 0.0, 0, 0.0)
    # what is flat in the midst of a face, but short, belongs to the steep piece
    pieces = _pieces(steep[start:toe])
    heights = [float(z[start + a] - z[start + b]) for a, b in pieces]
    return _Profile(
        float(z[start] - z[start:toe + 1].min()),
        (toe - start) * STEP_M,
        float(fall[start:toe].max()),
        len(pieces) - 1,
        max(heights),
    )  # fmt: skip


def _pieces(steep: FloatArray) -> list[tuple[int, int]]:
    """Steep pieces from first to last place; flats shorter than a bench part none."""
    turns = np.flatnonzero(np.diff(np.concatenate([[0], steep.astype(np.int8), [0]])))
    pieces: list[tuple[int, int]] = []
    for first, last in turns.reshape(-1, 2).tolist():
        if pieces and (first - pieces[-1][1]) * STEP_M < _BENCH_M:
            pieces[-1] = (pieces[-1][0], last)
        else:
            pieces.append((first, last))
    return pieces


def _at_nodes(values: FloatArray | IntArray, lattice: Lattice, xy: FloatArray) -> FloatArray:
    """Values at the nodes nearest to places, shape (n,)."""
    row, column = lattice.nearest(xy)
    inside = values[np.clip(row, 0, lattice.ny - 1), np.clip(column, 0, lattice.nx - 1)]
    return np.asarray(inside, dtype=np.float64)


def _groups(
    profiles: list[_Profile], inward: FloatArray, rows: IntArray, usable: FloatArray
) -> list[IntArray]:
    """Runs of neighbouring profiles that make one face; the ring closes on itself."""
    count = len(profiles)
    alike = np.array(
        [
            bool(usable[k] and usable[k - 1])
            and rows[k] == rows[k - 1]
            and _same(profiles[k], profiles[k - 1])
            for k in range(count)
        ]
    )
    start = int(np.argmin(alike)) if not alike.all() else 0
    groups: list[list[int]] = []
    for k in (np.arange(count) + start) % count:
        first = groups[-1][0] if groups else k
        if groups and alike[k] and k != start and inward[k] @ inward[first] > _TURN:
            groups[-1].append(int(k))
        elif usable[k]:
            groups.append([int(k)])
    return [np.array(group, dtype=np.int64) for group in _joined(groups, rows, inward)]


def _joined(groups: list[list[int]], rows: IntArray, inward: FloatArray) -> list[list[int]]:
    """Groups of a few profiles go with the one before them of the same element."""
    count, joined = len(rows), list[list[int]]()
    for group in groups:
        before = joined[-1] if joined else None
        if (
            before is not None
            and min(len(group), len(before)) < _FEW
            and (before[-1] + 1) % count == group[0]
            and rows[before[-1]] == rows[group[0]]
            and inward[before[0]] @ inward[group[-1]] > _TURN
        ):
            before.extend(group)
        else:
            joined.append(list(group))
    return joined


def _same(one: _Profile, other: _Profile) -> bool:
    angles = [np.degrees(np.arctan2(p.height_m, max(p.run_m, STEP_M))) for p in (one, other)]
    heights = sorted((one.height_m, other.height_m))
    return abs(angles[0] - angles[1]) < _ALIKE_DEG and heights[1] < _ALIKE * heights[0]
