"""Where a region stands on ground that is poorly measured, and where more shots would help."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import shapely
from scipy.spatial import cKDTree

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.kernels import kernel
from terrain.surface.corners import corners_at
from terrain.surface.doubt import Doubt, TinDoubt
from terrain.surface.from_points import build_tin

COVER_95 = 1.96
SIDES = ("east", "north", "west", "south")
_SAMPLES = 1500  # places that stand for a region
_CENTRE = 0.5  # of the way out: what lies nearer is the middle and no side
_EVENINGS = 12
_BATCH = 8  # shots are placed in rounds that each add an eighth

Region: TypeAlias = shapely.Polygon | shapely.MultiPolygon


@dataclass(frozen=True)
class PartCoverage:
    """How well one side of a region, or its middle, is measured.

    Attributes
    ----------
    name
        "north", "east", "south", "west" or "middle".
    area_m2
        Its area.
    shots
        How many lie in it.
    mean_pm_m
        Mean ± (95 %) of the ground, m.
    share
        Of the variance of the region's volume.
    """

    name: str
    area_m2: float
    shots: int
    mean_pm_m: float
    share: float


@dataclass(frozen=True)
class RegionCoverage:
    """How well the ground of a region is measured.

    Attributes
    ----------
    name
        The region's.
    area_m2, unmeasured_m2
        All of it, and what lies off the surface.
    shots
        How many lie in it.
    mean_pm_m, largest_pm_m
        ± (95 %) of the ground, m; NaN where all of it lies off the surface.
    worst
        Where it is largest.
    poor_share
        Share of the area with a ± over the limit, or off the surface.
    volume_pm_m3
        ± (95 %) of the ground's volume over the region, m³.
    share
        Of the variance of all regions' volumes.
    parts
        Its sides and middle, the largest share first.
    """

    name: str
    area_m2: float
    unmeasured_m2: float
    shots: int
    mean_pm_m: float
    largest_pm_m: float
    worst: tuple[float, float]
    poor_share: float
    volume_pm_m3: float
    share: float
    parts: tuple[PartCoverage, ...]


@dataclass(frozen=True)
class Suggestion:
    """Where more shots would make a volume surer.

    Attributes
    ----------
    places
        Shape (k, 2), m, the most needed first.
    pm_before_m3, pm_after_m3
        ± (95 %) of the ground's volume over the region without and with them, m³.
    reached
        The wanted share was reached with as many shots as were allowed.
    """

    places: FloatArray
    pm_before_m3: float
    pm_after_m3: float
    reached: bool


def coverage(
    doubt: Doubt, regions: Mapping[str, Region], *, shots: FloatArray, limit_m: float
) -> tuple[RegionCoverage, ...]:
    """Say how well the ground of each region is measured.

    Parameters
    ----------
    doubt
        Of the ground.
    regions
        Polygons by name, in the surface's coordinates.
    shots
        Places that were measured, shape (n, 2) or (n, 3), m; they are only counted.
    limit_m
        ± (95 %) over which ground counts as poorly measured, m.
    """
    found = [_region(doubt, name, region, shots, limit_m) for name, region in regions.items()]
    variance = np.nan_to_num([one.volume_pm_m3 for one in found]) ** 2
    shares = variance / max(float(variance.sum()), 1e-300)
    return tuple(replace(one, share=float(share)) for one, share in zip(found, shares, strict=True))


def _region(
    doubt: Doubt, name: str, region: Region, shots: FloatArray, limit_m: float
) -> RegionCoverage:
    xy, area = samples(region)
    pm = doubt.pm(xy)
    known = np.isfinite(pm)
    poor = ~known | (np.nan_to_num(pm) > limit_m)
    inside = shots[shapely.intersects_xy(region, shots[:, 0], shots[:, 1]), :2]
    if not known.any():
        nan = float("nan")
        worst = (float(xy[0, 0]), float(xy[0, 1]))
        return RegionCoverage(
            name, region.area, region.area, len(inside), nan, nan, worst, 1.0, nan, 0.0, ()
        )
    each = contributions(doubt, xy[known], area)
    at = int(np.nanargmax(pm))
    parts = _parts(region, xy[known], pm[known], each, inside, area)
    return RegionCoverage(
        name,
        region.area,
        float(np.mean(~known)) * region.area,
        len(inside),
        float(pm[known].mean()),
        float(pm[at]),
        (float(xy[at, 0]), float(xy[at, 1])),
        float(poor.mean()),
        COVER_95 * float(np.sqrt(each.sum())),
        0.0,
        parts,
    )


def _parts(
    region: Region,
    xy: FloatArray,
    pm: FloatArray,
    each: FloatArray,
    shots: FloatArray,
    area: float,
) -> tuple[PartCoverage, ...]:
    names = (*SIDES, "middle")
    side, shot_side = side_of(region, xy), side_of(region, shots)
    parts = [
        PartCoverage(
            name,
            area * int((side == k).sum()),
            int((shot_side == k).sum()),
            float(pm[side == k].mean()),
            float(each[side == k].sum() / max(each.sum(), 1e-300)),
        )
        for k, name in enumerate(names)
        if (side == k).any()
    ]
    return tuple(sorted(parts, key=lambda part: -part.share))


def side_of(region: Region, xy: FloatArray) -> IntArray:
    """Which side each place lies on: 0 east, 1 north, 2 west, 3 south, 4 the middle."""
    xmin, ymin, xmax, ymax = region.bounds
    half = 0.5 * np.array([max(xmax - xmin, 1e-9), max(ymax - ymin, 1e-9)])
    out = (xy - np.array([xmin, ymin])) / half - 1.0
    angle = np.arctan2(out[:, 1], out[:, 0])
    side = np.round(angle / (0.5 * np.pi)).astype(np.int64) % 4
    return np.where(np.hypot(out[:, 0], out[:, 1]) < _CENTRE, 4, side)


def samples(region: Region, *, count: int = _SAMPLES) -> tuple[FloatArray, float]:
    """Some evenly spaced places inside a region, shape (n, 2), and the area of each, m²."""
    xmin, ymin, xmax, ymax = region.bounds
    cell = float(np.sqrt(region.area / count))
    x, y = np.arange(xmin + 0.5 * cell, xmax, cell), np.arange(ymin + 0.5 * cell, ymax, cell)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    inside = places[shapely.contains_xy(region, places[:, 0], places[:, 1])]
    if not len(inside):
        inside = np.array([region.representative_point().coords[0]])
    return inside, float(region.area / len(inside))


def contributions(doubt: Doubt, xy: FloatArray, area_m2: float) -> FloatArray:
    """What each place adds to the variance of the volume over all of them, shape (n,), m⁶."""
    return _row_sums(xy, area_m2, doubt.sigma(xy), doubt.together_m(xy))


def volume_sigma(doubt: Doubt, region: Region) -> float:
    """Standard error of the ground's volume over a region, m³, of what lies on the surface.

    Errors at two places are taken as correlated by a spherical law, as in Rolstad et al. (2009),
    with the geometric mean of the two places' `together_m` as its range.
    """
    xy, area = samples(region)
    known = np.isfinite(doubt.sigma(xy))
    if not known.any():
        return float("nan")
    return float(np.sqrt(contributions(doubt, xy[known], area).sum()))


@kernel
def _row_sums(xy: FloatArray, area: float, sigma: FloatArray, span: FloatArray) -> FloatArray:
    """Sums over all places of `area² σᵢ σⱼ ρᵢⱼ`; errors shorter than a place's own area average."""
    count = xy.shape[0]
    out, weight = np.empty(count), area * sigma
    for i in range(count):
        out[i] = weight[i] ** 2 * min(1.0, np.pi * span[i] ** 2 / (5.0 * area))
    for i in range(count):
        for j in range(i):
            dx, dy = xy[i, 0] - xy[j, 0], xy[i, 1] - xy[j, 1]
            squared, limit = dx * dx + dy * dy, span[i] * span[j]
            if squared < limit:
                t = np.sqrt(squared / limit)
                both = weight[i] * weight[j] * (1.0 - 1.5 * t + 0.5 * t * t * t)
                out[i] += both
                out[j] += both
    return out


@dataclass(frozen=True)
class _Layout:
    """A survey that may still grow: shots with noise and roughness, triangulated freely."""

    doubt: TinDoubt
    xy: FloatArray
    noise_m: FloatArray
    roughness: FloatArray

    def with_shots(self, places: FloatArray) -> "_Layout":
        """The layout with shots as noisy as the middle one, on ground as rough as around them."""
        nearest = np.asarray(cKDTree(self.xy).query(places)[1])
        return _Layout(
            self.doubt,
            np.vstack([self.xy, places]),
            np.append(self.noise_m, np.full(len(places), np.median(self.noise_m))),
            np.append(self.roughness, self.roughness[nearest]),
        )

    def state(self, xy: FloatArray, area_m2: float) -> "_State":
        flat = np.column_stack([self.xy, np.zeros(len(self.xy))])
        tin = build_tin(flat, longest_border_m=np.inf)
        rows = np.asarray(cKDTree(self.xy).query(tin.points[:, :2])[1])
        whole = TinDoubt(
            tin, self.noise_m[rows], self.doubt.crossed, self.roughness[rows], self.doubt.factor
        )
        corners = corners_at(tin, xy)
        sigma = np.hypot(whole.noise(corners), whole.interpolation(corners))
        together, reach = whole.together(corners), corners.reach_m
        off = corners.rows[:, 0] < 0
        if off.any():
            away, nearest = (np.asarray(found) for found in cKDTree(self.xy).query(xy[off]))
            free = self.roughness[nearest] * self.doubt.model.interpolation(2.0 * away)
            sigma[off] = np.hypot(self.noise_m[nearest], free)
            together[off], reach[off] = 2.0 * away, away
        return _State(corners.rows, _row_sums(xy, area_m2, sigma, together), reach)


@dataclass(frozen=True)
class _State:
    rows: IntArray
    each: FloatArray
    reach_m: FloatArray

    def next_places(self, xy: FloatArray, most: int) -> FloatArray:
        """Where the most variance is, no two within their reach, shape (k, 2)."""
        _, triangle = np.unique(np.sort(self.rows, axis=1), axis=0, return_inverse=True)
        triangle = triangle.ravel()
        total = np.bincount(triangle, weights=self.each)
        order = np.lexsort((-self.reach_m, triangle))
        _, first = np.unique(triangle[order], return_index=True)
        farthest = order[first]  # of each triangle, the place with the largest reach
        chosen: list[int] = []
        for t in np.argsort(-total):
            k = int(farthest[t])
            apart = np.hypot(*(xy[chosen] - xy[k]).T) if chosen else np.array([np.inf])
            if self.reach_m[k] > 1e-9 and (apart > 2.0 * self.reach_m[k]).all():
                chosen.append(k)
            if len(chosen) == most:
                break
        return xy[chosen]


def more_shots(
    doubt: TinDoubt, region: Region, *, share: float = 0.5, most: int = 1000
) -> Suggestion:
    """Place shots where they take most off the volume's variance, until its ± is down to `share`.

    Round by round each new shot goes to the place farthest from the shots around it, in the
    triangle that adds most to the variance; then all is triangulated again. Once that is enough,
    as many as can be are spared by spreading the others evenly. Breaklines and
    trimmed borders are not asked: the layout before and after is the free triangulation.

    Parameters
    ----------
    doubt
        Of the survey so far.
    region
        Over which the volume is wanted.
    share
        Wanted ± as a share of the present one, under 1.
    most
        Shots at most.
    """
    xy, area = samples(region)
    present = _near(doubt, region)
    before = float(present.state(xy, area).each.sum())
    placed, after = _grow(present, xy, area, share**2 * before, most)
    reached = after <= share**2 * before
    if reached:
        placed, after = _spread(present, placed, xy, area, share**2 * before, after)
    return Suggestion(
        placed,
        COVER_95 * float(np.sqrt(before)),
        COVER_95 * float(np.sqrt(after)),
        reached,
    )


def _grow(
    layout: _Layout, xy: FloatArray, area: float, wanted: float, most: int
) -> tuple[FloatArray, float]:
    """Add shots round by round until the variance is down to what is wanted."""
    placed = np.empty((0, 2))
    state = layout.state(xy, area)
    while state.each.sum() > wanted and len(placed) < most:
        new = state.next_places(xy, min(max(1, len(placed) // _BATCH), most - len(placed)))
        if not len(new):
            break
        placed = np.vstack([placed, new])
        layout = layout.with_shots(new)
        state = layout.state(xy, area)
    return placed, float(state.each.sum())


def _spread(
    present: _Layout, placed: FloatArray, xy: FloatArray, area: float, wanted: float, after: float
) -> tuple[FloatArray, float]:
    """Fewer shots that do as much when they are spread more evenly; found by halving."""
    few, enough = 0, len(placed)
    while enough - few > 1:
        count = (few + enough) // 2
        trial = _evened(present, placed[:count], xy)
        variance = float(present.with_shots(trial).state(xy, area).each.sum())
        if variance <= wanted:
            enough, placed, after = count, np.vstack([trial, placed[count:]]), variance
        else:
            few = count
    return placed[:enough], after


def _evened(present: _Layout, placed: FloatArray, xy: FloatArray) -> FloatArray:
    """Move new shots to the middle of the ground that is nearest to them (Lloyd 1982).

    Rougher ground weighs more, as the square of its roughness; the shots that there are stay.
    """
    weight = present.roughness[np.asarray(cKDTree(present.xy).query(xy)[1])] ** 2
    fixed = len(present.xy)
    for _ in range(_EVENINGS):
        nearest = np.asarray(cKDTree(np.vstack([present.xy, placed])).query(xy)[1]) - fixed
        own = nearest >= 0
        mass, east, north = (
            np.bincount(nearest[own], weights=weight[own] * value, minlength=len(placed))
            for value in (np.ones(int(own.sum())), xy[own, 0], xy[own, 1])
        )
        middle = np.column_stack([east, north]) / np.maximum(mass, 1e-300)[:, None]
        placed = np.where(mass[:, None] > 0, middle, placed)
    return placed


def _near(doubt: TinDoubt, region: Region) -> _Layout:
    """The shots in and around a region: all whose triangles can matter to it."""
    points = doubt.tin.points[:, :2]
    xmin, ymin, xmax, ymax = region.bounds
    margin = max(xmax - xmin, ymax - ymin)
    near: BoolArray = (
        (points[:, 0] > xmin - margin) & (points[:, 0] < xmax + margin)
        & (points[:, 1] > ymin - margin) & (points[:, 1] < ymax + margin)
    )  # fmt: skip
    if near.sum() < 3:
        near = np.ones(len(points), dtype=bool)
    return _Layout(doubt, points[near], doubt.noise_m[near], doubt.roughness[near])
