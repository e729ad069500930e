"""Repair the false terraces of a ground that was digitised along contours.

Where a contour turns round a summit, a pit, a spur or a saddle, a triangulation joins it with
itself, and the ground between comes out level. Such triangles are found by their corners. Points
are added along the middle of each level patch, with heights from the contours around: a
polyharmonic spline through them that is exact wherever the ground is a quadric (J. Duchon 1977,
"Splines minimizing rotation-invariant semi-norms in Sobolev spaces"), held to less than the step
to the next contour.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import RBFInterpolator
from scipy.spatial import cKDTree

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.surface.adjacency import NONE, neighbours_of
from terrain.surface.from_points import build_tin, edges_of, merge_places
from terrain.surface.tin import Tin
from terrain.surface.trimming import edge_keys

_LEVEL = 1e-4  # m: heights of one contour differ by less
_SHARE = 0.95  # of the step to the next contour: what is higher would have that contour around it
_ROUNDS = 3
_GROUP = 24  # places that share a spline
_SAMPLE = 40  # vertices of one height that a spline goes through
_LEVELS_AROUND = 2  # heights above and below that a spline goes through


@dataclass(frozen=True)
class FlatRepair:
    """A surface without the level patches that its contours made.

    Attributes
    ----------
    tin
        The surface with the added points as its last vertices.
    flat_triangles
        Level triangles between vertices of contours that there were.
    flat_area_m2
        Their area in plan, m².
    left_triangles
        Those that are still there.
    added
        Points added, shape (k, 3), m.
    """

    tin: Tin
    flat_triangles: int
    flat_area_m2: float
    left_triangles: int
    added: FloatArray


def repair_flats(
    points: FloatArray,
    *,
    contours: Sequence[IntArray],
    breaklines: Sequence[IntArray] = (),
    soft: Sequence[IntArray] = (),
    longest_border_m: float | None = None,
) -> FlatRepair:
    """Triangulate points along contours, with heights estimated where a contour met itself.

    Only triangles with all three corners on contours of one height count as false: level ground
    between other points, such as a pond's edge or the shots of a terrace, stays as it is.

    Parameters
    ----------
    points
        Shape (n, 3), m.
    contours
        Rows of `points` in walking order, one array a contour; they become soft lines.
    breaklines, soft, longest_border_m
        As of `build_tin`.

    Raises
    ------
    SurfaceError
        As `build_tin`.
    """

    def build(added: FloatArray) -> Tin:
        return build_tin(
            np.concatenate([points, added]),
            breaklines=breaklines,
            soft=[*soft, *contours],
            longest_border_m=longest_border_m,
        )

    places = merge_places(points)
    fixed = edge_keys(edges_of([*breaklines, *soft, *contours], places.merged))
    on_contour = np.zeros(len(places.first), dtype=np.bool_)
    for contour in contours:
        on_contour[places.merged[contour]] = True
    estimate = _Estimate(points[places.first[on_contour]])
    added = np.empty((0, 3))
    tin = build(added)
    flat = _flat_triangles(tin, on_contour)
    count, area = int(flat.sum()), float(tin.areas[flat].sum())
    for _ in range(_ROUNDS):
        middle = estimate.at(_middle_places(tin, flat, fixed))
        if not len(middle):
            break
        added = np.concatenate([added, middle])
        tin = build(added)
        flat = _flat_triangles(tin, on_contour)
    return FlatRepair(tin, count, area, int(flat.sum()), added)


def _flat_triangles(tin: Tin, on_contour: BoolArray) -> BoolArray:
    """Triangles between three vertices of contours of one height, shape (m,)."""
    known = np.zeros(len(tin.points), dtype=np.bool_)
    known[: len(on_contour)] = on_contour
    span = np.ptp(tin.points[tin.triangles, 2], axis=1)
    flat: BoolArray = known[tin.triangles].all(axis=1) & (span < _LEVEL)
    return flat


def _middle_places(tin: Tin, flat: BoolArray, fixed: IntArray) -> FloatArray:
    """Places along the middle of level patches and their heights, shape (k, 3), m.

    The middles of the edges that join a contour with itself, and of triangles where patches branch.
    """
    across = neighbours_of(tin.triangles, len(tin.points))
    t, k = np.nonzero(flat[:, None] & (across != NONE))
    ends = np.stack([tin.triangles[t, k], tin.triangles[t, (k + 1) % 3]], axis=-1).astype(np.int64)
    keys = ends.min(axis=1) << 32 | ends.max(axis=1)
    chord = ~np.isin(keys, fixed)
    _, once = np.unique(keys[chord], return_index=True)
    middles = tin.points[ends[chord][once]].mean(axis=1)
    branches = np.bincount(t[chord], minlength=len(flat)) == 3
    centres = tin.points[tin.triangles[branches]].mean(axis=1)
    return np.concatenate([middles, centres])


class _Estimate:
    """Heights off the contours from the contours around."""

    def __init__(self, vertices: FloatArray) -> None:
        order = np.argsort(vertices[:, 2], kind="stable")
        z = vertices[order, 2]
        parts = np.split(order, np.flatnonzero(np.diff(z) > _LEVEL) + 1)
        self._levels = np.array([vertices[part[0], 2] for part in parts])
        self._xy = [vertices[np.sort(part), :2] for part in parts]  # in walking order
        self._trees = [cKDTree(xy) for xy in self._xy]

    def at(self, places: FloatArray) -> FloatArray:
        """Those of the places, shape (k, 3), that other contours tell a height for, with it."""
        out = places.copy()
        level = np.abs(places[:, 2, None] - self._levels).argmin(axis=1)
        for own in np.unique(level):
            rows = np.flatnonzero(level == own)
            for group in _groups(places[rows, :2]):
                out[rows[group], 2] = self._spline(places[rows[group], :2], int(own))
        return out[np.isfinite(out[:, 2])]

    def _spline(self, xy: FloatArray, own: int) -> FloatArray:
        height = self._levels[own]
        near = range(max(own - _LEVELS_AROUND, 0), min(own + _LEVELS_AROUND + 1, len(self._levels)))
        samples = [self._sample(xy, level) for level in near]
        known = np.concatenate(samples)
        z = np.repeat(self._levels[list(near)], [len(sample) for sample in samples])
        centre, size = known.mean(axis=0), np.ptp(known, axis=0).max()
        if len(near) == 1 or _too_few_for_a_quadric((known - centre) / size):
            return np.full(len(xy), np.nan)
        spline = RBFInterpolator((known - centre) / size, z - height, kernel="cubic", degree=2)
        rise: FloatArray = spline((xy - centre) / size)
        below, above = self._steps(own)
        heights: FloatArray = height + np.clip(rise, -_SHARE * below, _SHARE * above)
        return heights

    def _steps(self, own: int) -> tuple[float, float]:
        """To the next contour below and above; where there is none, as far as to the other."""
        steps = np.diff(self._levels)
        below = float(steps[max(own - 1, 0)])
        above = float(steps[min(own, len(steps) - 1)])
        return below, above

    def _sample(self, xy: FloatArray, level: int) -> FloatArray:
        """Vertices of a height around some places, evenly along the contours."""
        centre = xy.mean(axis=0)
        spread = np.hypot(*(xy - centre).T).max()
        reach = spread + 2 * np.max(self._trees[level].query(xy)[0])
        rows = np.sort(self._trees[level].query_ball_point(centre, reach))
        chosen = rows[np.linspace(0, len(rows) - 1, min(len(rows), _SAMPLE)).round().astype(int)]
        sample: FloatArray = self._xy[level][chosen]
        return sample


def _groups(xy: FloatArray) -> list[IntArray]:
    """Rows in groups of places near each other, by halving across the longer side."""
    parts, done = [np.arange(len(xy))], []
    while parts:
        rows = parts.pop()
        if len(rows) <= _GROUP:
            done.append(rows)
            continue
        axis = int(np.ptp(xy[rows], axis=0).argmax())
        half = len(rows) // 2
        order = rows[np.argsort(xy[rows, axis], kind="stable")]
        parts += [order[:half], order[half:]]
    return done


def _too_few_for_a_quadric(xy: FloatArray) -> bool:
    x, y = xy.T
    terms = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    return len(x) < 12 or np.linalg.matrix_rank(terms, tol=1e-6) < terms.shape[1]
