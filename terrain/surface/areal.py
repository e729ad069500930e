"""What a survey does not know of the volume of its ground over a region.

The volume of a triangulated ground is a sum of its shots' heights, `Σ wᵢ zᵢ`, and its error
`Σ wᵢ zᵢ − ∫ z` one that no plane moves. Its variance under a law of the ground is therefore exact
(Matheron's estimation variance), with the triangles' own weights: nothing is assumed of how errors
of interpolated heights average.
"""

from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray, IntArray
from terrain.kernels import kernel
from terrain.surface.corners import Corners, corners_at
from terrain.surface.coverage import Region, samples
from terrain.surface.ground_law import BELL_COUNT, BELLS, HALVES, POWERS, SIGNS, WIDEST
from terrain.surface.tin import Tin

_PER_SHOT = 6  # places that stand for the ground around a shot
_PLACES = (300, 1500)


@dataclass(frozen=True)
class VolumeError:
    """The error of a ground's volume over a region as a sum of heights.

    Attributes
    ----------
    rows
        Rows of the tin's points, shape (k,).
    weights
        What each one's height is multiplied by, shape (k,), m².
    places
        Evenly spaced over the region, shape (n, 2), m.
    corners
        Those of the places.
    place_m2
        What each stands for.
    """

    rows: IntArray
    weights: FloatArray
    places: FloatArray
    corners: Corners
    place_m2: float

    @property
    def area_m2(self) -> float:
        """Area of the region that lies on the surface."""
        return float(self.weights.sum())


def volume_error(tin: Tin, region: Region, *, shots: int) -> VolumeError | None:
    """Write the error of the volume over a region that holds so many shots; None off the tin."""
    places, place_m2 = samples(region, count=int(np.clip(_PER_SHOT * shots, *_PLACES)))
    corners = corners_at(tin, places)
    found = corners.rows[:, 0] >= 0
    if not found.any():
        return None
    corners = Corners(corners.rows[found], corners.weights[found], corners.reach_m[found])
    weights = _shot_weights(tin, region)
    rows = np.flatnonzero(weights > 0)
    return VolumeError(rows, weights[rows], places[found], corners, place_m2)


def _shot_weights(tin: Tin, region: Region) -> FloatArray:
    """`∂V/∂z` of every point, shape (n,), m²: a triangle's area at its middle, by its corners."""
    plan = tin.points[:, :2]
    xmin, ymin, xmax, ymax = region.bounds
    corner = plan[tin.triangles]
    low, high = corner.min(axis=1), corner.max(axis=1)
    near = np.flatnonzero(
        (low[:, 0] < xmax) & (high[:, 0] > xmin) & (low[:, 1] < ymax) & (high[:, 1] > ymin)
    )
    ring = np.concatenate([corner[near], corner[near, :1]], axis=1)
    cut = shapely.intersection(shapely.polygons(ring), region)
    area, middle = shapely.area(cut), shapely.get_coordinates(shapely.centroid(cut))
    real = area > 0
    share = _barycentric(corner[near[real]], middle[shapely.area(cut)[~shapely.is_empty(cut)] > 0])
    weights = np.zeros(len(plan))
    np.add.at(weights, tin.triangles[near[real]], area[real, None] * share)
    return weights


def _barycentric(corner: FloatArray, place: FloatArray) -> FloatArray:
    u, v, p = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0], place - corner[:, 0]
    det = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    b = (p[:, 0] * v[:, 1] - p[:, 1] * v[:, 0]) / det
    c = (u[:, 0] * p[:, 1] - u[:, 1] * p[:, 0]) / det
    return np.column_stack([1.0 - b - c, b, c])


@dataclass(frozen=True)
class Contrast:
    """Heights times factors, in groups, each a sum that no plane moves.

    Attributes
    ----------
    xy
        Places, shape (n, 2), m.
    factor
        Shape (n,), m².
    group
        Shape (n,).
    """

    xy: FloatArray
    factor: FloatArray
    group: IntArray


def contrast(error: VolumeError, plan: FloatArray, group: IntArray) -> Contrast:
    """The error as interpolated less true heights of its places, which are in groups, shape (n,).

    The shots have the factors of the same places: the exact `weights` would let planes move it.
    """
    count = len(plan)
    key = group[:, None] * count + error.corners.rows
    found, inverse = np.unique(key, return_inverse=True)
    by_shot = np.bincount(inverse.ravel(), weights=error.corners.weights.ravel())
    return Contrast(
        np.vstack([plan[found % count], error.places]),
        error.place_m2 * np.concatenate([by_shot, -np.ones(len(error.places))]),
        np.concatenate([found // count, group]),
    )


def ground_variances(error: VolumeError, plan: FloatArray, unit_m: float) -> FloatArray:
    """`Σ Σ uᵢ uⱼ K` with `c` = 1 for each form, shape (k,), m⁴.

    Parameters
    ----------
    error
        The sum.
    plan
        All points of the tin, shape (n, 2), m.
    unit_m
        Length that distances are counted in, m.
    """
    whole = contrast(error, plan, np.zeros(len(error.places), dtype=np.int64))
    sums = _sums_of_forms(
        (whole.xy - whole.xy.mean(axis=0)) / unit_m,
        whole.factor,
        np.array(HALVES),
        1.0 / WIDEST**2,
        BELL_COUNT,
    )
    sums[: len(POWERS)] *= np.array(SIGNS)
    return np.asarray(np.maximum(sums, 0.0), dtype=np.float64)


def group_covariances(one: Contrast, other: Contrast, form: int, unit_m: float) -> FloatArray:
    """`Σ Σ uᵢ uⱼ K` of one form between groups, shape (groups of one, groups of the other), m⁴."""
    bell = form >= len(POWERS)
    sums = _sums_of_groups(
        one.xy / unit_m, one.factor, one.group, other.xy / unit_m, other.factor, other.group,
        int(one.group.max()) + 1,
        int(other.group.max()) + 1,
        0.0 if bell else POWERS[form],
        1.0 / BELLS[form - len(POWERS)] if bell else 0.0,
    )  # fmt: skip
    return np.asarray(sums if bell else SIGNS[form] * sums, dtype=np.float64)


@kernel
def _sums_of_groups(
    xy: FloatArray,
    factor: FloatArray,
    group: IntArray,
    others: FloatArray,
    other_factor: FloatArray,
    other_group: IntArray,
    groups: int,
    other_groups: int,
    power: float,
    narrowness: float,
) -> FloatArray:
    out = np.zeros((groups, other_groups))
    for i in range(xy.shape[0]):
        for j in range(others.shape[0]):
            dx, dy = xy[i, 0] - others[j, 0], xy[i, 1] - others[j, 1]
            squared = dx * dx + dy * dy
            if power > 0.0:
                value = np.exp(0.5 * power * np.log(max(squared, 1e-300)))
            else:
                value = np.exp(-0.5 * squared * narrowness * narrowness)
            out[group[i], other_group[j]] += factor[i] * other_factor[j] * value
    return out


@kernel
def _sums_of_forms(
    xy: FloatArray, factor: FloatArray, halves: IntArray, narrowness: float, bells: int
) -> FloatArray:
    powers = halves.shape[0]
    out = np.zeros(powers + bells)
    for i in range(xy.shape[0]):
        for k in range(bells):
            out[powers + k] += factor[i] * factor[i]
        for j in range(i):
            dx, dy = xy[i, 0] - xy[j, 0], xy[i, 1] - xy[j, 1]
            squared = dx * dx + dy * dy
            both, quarter = 2.0 * factor[i] * factor[j], np.sqrt(np.sqrt(squared))
            for k in range(powers):
                out[k] += both * quarter ** halves[k]
            bell = np.exp(-0.5 * squared * narrowness)
            for k in range(bells):
                out[powers + k] += both * bell
                bell *= bell
    return out
