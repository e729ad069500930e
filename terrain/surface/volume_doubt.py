"""How sure the ground's volume is over regions: alone, together, by cause and by side."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import ArrayLike

from terrain.arrays import FloatArray
from terrain.surface.areal import (
    Contrast,
    VolumeError,
    contrast,
    ground_variances,
    group_covariances,
    volume_error,
)
from terrain.surface.corners import corners_at
from terrain.surface.coverage import SIDES, Region, contributions, samples, side_of
from terrain.surface.doubt import CELL_SIDES, Doubt, GridDoubt, MergedDoubt, TinDoubt
from terrain.surface.ground_law import (
    BELLS,
    POWERS,
    Asked,
    Drift,
    Laws,
    covering_factor,
    learn_laws,
)

COVER_95 = 1.96
NAMES = (*SIDES, "middle")
_NEAR, _WIDE = 40, 100  # shots that say how rough a region is
_WINDOW = 250  # shots; a region with more is asked by a piece of it
_MOST_SHOTS = 2_000  # whose errors in common are summed pair by pair
_FEW = 1.3  # times wider where there are too few shots to learn from


@dataclass(frozen=True)
class VolumeDoubt:
    """How sure the ground's volume over a region is.

    Attributes
    ----------
    area_m2
        What of the region lies on the surface.
    noise_m3, drift_m3, spacing_m3
        Standard errors from single shots' noise, from errors that shots share, and from the ground
        between the shots, m³.
    factor
        From their root sum of squares to 95 %.
    sides
        Share of each of `NAMES` in the variance of noise and spacing, shape (5,).
    """

    area_m2: float
    noise_m3: float
    drift_m3: float
    spacing_m3: float
    factor: float
    sides: FloatArray

    @property
    def pm_m3(self) -> float:
        """± (95 %), m³."""
        squares = self.noise_m3**2 + self.drift_m3**2 + self.spacing_m3**2
        return self.factor * float(np.sqrt(squares))


@dataclass(frozen=True)
class VolumeDoubts:
    """The doubt of each region's volume, by name, and of their sum."""

    each: Mapping[str, VolumeDoubt]
    together: VolumeDoubt


def volume_doubts(
    doubt: Doubt, regions: Mapping[str, Region], *, drifts: Sequence[Drift] = ()
) -> VolumeDoubts:
    """Say how sure the ground's volume over regions is.

    Of shots, by the laws that they may follow (`learn_laws`) and the triangles' own weights
    (`VolumeError`); errors of regions that share shots or lie near go together as they do. Of
    gridded and merged ground, by the places' own doubt and its range (`contributions`), regions
    apart.

    Regions off the surface are left out.

    Parameters
    ----------
    doubt
        Of the ground.
    regions
        By name, in the surface's coordinates, each with an area.
    drifts
        Errors that shots have in common, known beforehand; beside those of the doubt.
    """
    if isinstance(doubt, TinDoubt):
        drifts = (*doubt.drifts, *drifts)
        heard = {name: _hear(doubt, region, drifts) for name, region in regions.items()}
        told = {name: one for name, one in heard.items() if one is not None}
        each = {name: one.doubt for name, one in told.items()}
        return VolumeDoubts(each, _together(list(told.values()), doubt, drifts))
    if isinstance(doubt, GridDoubt):
        drifts = (*doubt.drifts, *drifts)
    each = {
        name: replace(_by_places(doubt, region), drift_m3=_drift_over([region], drifts))
        if drifts
        else _by_places(doubt, region)
        for name, region in regions.items()
    }
    together = _sum_of(list(each.values()))
    if drifts:
        together = replace(together, drift_m3=_drift_over(list(regions.values()), drifts))
    return VolumeDoubts(each, together)


def _drift_over(regions: Sequence[Region], drifts: Sequence[Drift]) -> float:
    """Standard error of the volume over regions from errors that are the same nearby, m³."""
    whole = shapely.union_all(regions)
    places, area = samples(whole)
    squares = sum(float(drift.covariance(places).sum()) for drift in drifts)
    return area * float(np.sqrt(squares))


@dataclass(frozen=True)
class _Shot:
    """A region of shot ground and what is known of it."""

    region: Region
    error: VolumeError
    parts: Contrast
    noise_per_shot: float
    form: int
    unit_m: float
    doubt: VolumeDoubt


def _hear(doubt: TinDoubt, region: Region, drifts: Sequence[Drift]) -> _Shot | None:
    """Ask the shots in and around a region; None off the surface."""
    plan = doubt.tin.points[:, :2]
    shapely.prepare(region)
    away = np.asarray(shapely.distance(region, shapely.points(plan)))
    inside = int((away == 0).sum())
    error = volume_error(doubt.tin, region, shots=inside)
    if error is None:
        return None
    parts = contrast(error, plan, side_of(region, error.places))
    drift = _drift(region, error, plan, drifts)
    laws = _laws(doubt, away, drifts)
    if laws is None:
        rough = replace(_by_places(doubt, region), drift_m3=drift)
        unit = max(float(np.sqrt(np.mean(error.corners.reach_m**2))), 1e-9)
        return _Shot(region, error, parts, 1.0, 1, unit, replace(rough, factor=_FEW * rough.factor))
    noise2 = float((error.weights**2 * _variance(doubt)[error.rows]).sum())
    ground = _ground(doubt, region, error, inside, laws)
    spacing2 = float((laws.likely * laws.ground * ground[laws.form]).sum())
    scale = float((laws.likely * laws.noise).sum())
    factor = covering_factor(laws.variances(ground, noise2) + drift**2, laws.likely)
    found = VolumeDoubt(
        error.area_m2,
        float(np.sqrt(scale * noise2)),
        drift,
        float(np.sqrt(spacing2)),
        factor,
        np.zeros(len(NAMES)),
    )
    told = _Shot(region, error, parts, scale**0.5, laws.likeliest_form, laws.unit_m, found)
    sides = _sides(told, plan, spacing2, scale * noise2)
    return replace(told, doubt=replace(found, sides=sides))


def _variance(doubt: TinDoubt) -> FloatArray:
    """Of each point's noise, m²; 1 where it is only known to be the same."""
    if doubt.noise_known:
        return np.asarray(doubt.noise_m**2, dtype=np.float64)
    return np.ones(len(doubt.tin.points))


def _laws(doubt: TinDoubt, away: FloatArray, drifts: Sequence[Drift]) -> Laws | None:
    usable = doubt.without.rows[:, 0] >= 0
    if doubt.on_lines is not None:
        usable &= ~doubt.on_lines
    rows = np.flatnonzero(usable)
    rows = rows[np.argsort(away[rows], kind="stable")]
    held = int((away[rows] == 0).sum())
    if held > _WIDE:  # evenly from all over the region
        rows = rows[np.linspace(0, held - 1, _WIDE).astype(np.int64)]
        asked = Asked(rows, rows)
    else:
        asked = Asked(rows[: max(_NEAR, held)], rows[:_WIDE])
    noise = doubt.noise_m if doubt.noise_known else None
    return learn_laws(doubt.tin.points, doubt.without, asked, noise_m=noise, drifts=drifts)


def _drift(region: Region, error: VolumeError, plan: FloatArray, drifts: Sequence[Drift]) -> float:
    return _drift_of_sum(plan[error.rows], error.weights, [region], drifts)


def _drift_of_sum(
    plan: FloatArray, weights: FloatArray, regions: Sequence[Region], drifts: Sequence[Drift]
) -> float:
    """Standard error of a weighted sum of heights, or, where they are very many, of the volume."""
    if len(plan) > _MOST_SHOTS:
        return _drift_over(regions, drifts)
    squares = sum(float(weights @ drift.covariance(plan) @ weights) for drift in drifts)
    return float(np.sqrt(max(squares, 0.0)))


def _ground(
    doubt: TinDoubt, region: Region, error: VolumeError, inside: int, laws: Laws
) -> FloatArray:
    """Variances with `c` = 1 of each form; where shots are many, by a window in their midst.

    From the window to the region they grow as the area to the power `max(1, α / 2)`: errors of
    rough ground have nothing in common a few shots on, those of smooth ground the more the
    smoother it is. A bell's grow as the area to 1.5, between the two.
    """
    plan = doubt.tin.points[:, :2]
    if inside > _WINDOW:
        half = 0.5 * float(np.sqrt(region.area * _WINDOW / inside))
        middle = region.representative_point()
        window = region.intersection(
            shapely.box(middle.x - half, middle.y - half, middle.x + half, middle.y + half)
        )
        piece = volume_error(doubt.tin, window, shots=_WINDOW)
        if piece is not None:
            growth = [max(1.0, power / 2) for power in POWERS] + [1.5 for _ in BELLS]
            larger = np.power(error.area_m2 / piece.area_m2, growth)
            return np.asarray(ground_variances(piece, plan, laws.unit_m) * larger)
    return ground_variances(error, plan, laws.unit_m)


def _sides(told: _Shot, plan: FloatArray, spacing2: float, noise2: float) -> FloatArray:
    """Share of each side in the variance of spacing and noise, shape (5,)."""
    sums = group_covariances(told.parts, told.parts, told.form, told.unit_m).sum(axis=1)
    ground = np.zeros(len(NAMES))
    ground[: len(sums)] = sums
    group = side_of(told.region, told.error.places)
    corners = told.error.corners
    whole = np.bincount(corners.rows.ravel(), weights=corners.weights.ravel(), minlength=len(plan))
    of_places = (corners.weights * whole[corners.rows]).sum(axis=1)
    noise = np.bincount(group, weights=of_places, minlength=len(NAMES))
    return _part(np.add(spacing2 * _part(ground), noise2 * _part(noise)))


def _part(sums: ArrayLike) -> FloatArray:
    kept = np.maximum(np.asarray(sums, dtype=np.float64), 0.0)
    return np.asarray(kept / max(float(kept.sum()), 1e-300), dtype=np.float64)


def _together(told: list[_Shot], doubt: TinDoubt, drifts: Sequence[Drift]) -> VolumeDoubt:
    """The sum over regions: noise and drift by their common weights, the ground by its law."""
    if not told:
        return _sum_of([])
    plan = doubt.tin.points[:, :2]
    weights, scaled = np.zeros(len(plan)), np.zeros(len(plan))
    for one in told:
        weights[one.error.rows] += one.error.weights
        scaled[one.error.rows] += one.error.weights * one.noise_per_shot
    rows = np.flatnonzero(weights)
    drift = _drift_of_sum(plan[rows], weights[rows], [one.region for one in told], drifts)
    each = _sum_of([one.doubt for one in told])
    return VolumeDoubt(
        each.area_m2,
        float(np.sqrt((scaled**2 * _variance(doubt)).sum())),
        drift,
        _spacing_together(told),
        each.factor,
        each.sides,
    )


def _spacing_together(told: list[_Shot]) -> float:
    """Near regions' errors correlate as under the likeliest form of the less sure one."""
    total = sum(one.doubt.spacing_m3**2 for one in told)
    for i, one in enumerate(told):
        for other in told[:i]:
            near = max(one.region.area, other.region.area) ** 0.5
            both = one.doubt.spacing_m3 * other.doubt.spacing_m3
            if both > 0 and one.region.distance(other.region) < near:
                total += 2.0 * both * _correlation(one, other)
    return float(np.sqrt(max(total, 0.0)))


def _correlation(one: _Shot, other: _Shot) -> float:
    law = max(one, other, key=lambda each: each.doubt.spacing_m3)
    own, its, common = (
        _covariance(a, b, law) for a, b in ((one, one), (other, other), (one, other))
    )
    return float(np.clip(common / np.sqrt(max(own * its, 1e-300)), -1.0, 1.0))


def _covariance(one: _Shot, other: _Shot, law: _Shot) -> float:
    return float(group_covariances(one.parts, other.parts, law.form, law.unit_m).sum())


def _by_places(doubt: Doubt, region: Region) -> VolumeDoubt:
    """By each place's own doubt and how far it goes together with others."""
    if isinstance(doubt, MergedDoubt):
        return _sum_of(_of_surveys(doubt, region))
    xy, area = samples(region)
    sigma = doubt.sigma(xy)
    known = np.isfinite(sigma)
    if not known.any():
        return _sum_of([])
    each = contributions(doubt, xy[known], area)
    gap = _share_of_gaps(doubt, xy[known], each)
    whole = float(each.sum())
    sides = np.bincount(side_of(region, xy[known]), weights=each, minlength=len(NAMES))
    factor = float(np.median(doubt.pm(xy[known]) / np.maximum(sigma[known], 1e-300)))
    return VolumeDoubt(
        area * int(known.sum()),
        float(np.sqrt((1.0 - gap) * whole)),
        0.0,
        float(np.sqrt(gap * whole)),
        max(factor, COVER_95),
        _part(sides),
    )


def _share_of_gaps(doubt: Doubt, xy: FloatArray, each: FloatArray) -> float:
    """Of the variance, what the ground between measured places adds."""
    if isinstance(doubt, GridDoubt):
        between = doubt.together_m(xy) > 1.5 * CELL_SIDES * doubt.grid.lattice.cell
        return float(each[between].sum() / max(each.sum(), 1e-300))
    if isinstance(doubt, TinDoubt):
        corners = corners_at(doubt.tin, xy)
        noise2, ground2 = doubt.noise(corners) ** 2, doubt.interpolation(corners) ** 2
        return float((each * ground2 / np.maximum(noise2 + ground2, 1e-300)).sum() / each.sum())
    return 1.0


def _of_surveys(doubt: MergedDoubt, region: Region) -> list[VolumeDoubt]:
    """Each survey's own, where it rules; their errors are apart."""
    left, found = region, []
    for surface, own in zip(doubt.merged.surfaces, doubt.doubts, strict=True):
        ruled = shapely.intersection(left, surface.footprint)
        pieces = [piece for piece in shapely.get_parts(ruled) if piece.area > 0]
        if pieces:
            found.append(volume_doubts(own, {"": shapely.union_all(pieces)}).together)
        left = shapely.difference(left, surface.footprint)
    return found


def _sum_of(each: list[VolumeDoubt]) -> VolumeDoubt:
    """Of errors that have nothing in common."""
    if not each:
        return VolumeDoubt(0.0, 0.0, 0.0, 0.0, COVER_95, np.zeros(len(NAMES)))
    squares = np.array([[one.noise_m3, one.drift_m3, one.spacing_m3] for one in each]) ** 2
    variance = squares.sum(axis=1)
    noise, drift, spacing = np.sqrt(squares.sum(axis=0))
    weight = _part(variance) if variance.sum() > 0 else np.full(len(each), 1.0 / len(each))
    return VolumeDoubt(
        sum(one.area_m2 for one in each),
        float(noise),
        float(drift),
        float(spacing),
        float(sum(share * one.factor for share, one in zip(weight, each, strict=True))),
        np.asarray(sum(share * one.sides for share, one in zip(weight, each, strict=True))),
    )
