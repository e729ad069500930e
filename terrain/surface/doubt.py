"""How sure a surface is of its own height, at any place.

The error of an interpolated height has two parts (Kraus, Karel, Briese and Mandlburger 2006,
"Local accuracy measures for digital terrain models", Photogrammetric Record 21(116)): the noise of
the shots around, carried through the weights of the interpolation, `√Σ wᵢ² σᵢ²`, and what the
ground does between them, which grows with the distance to them and with its roughness. The first
is exact for independent noise. The second is empirical: what cross-validation finds on this site
(`ErrorModel`), scaled by the errors of the shots near the place. So is the factor that takes a
standard error to 95 %: the errors' own quantile rather than 1.96, since the ground is seldom
normal. An error that all shots share (a benchmark, a datum) shows in none of this.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.surface.corners import Corners, corners_at, corners_without
from terrain.surface.crossvalidation import (
    SEED,
    CrossValidation,
    ErrorModel,
    Residuals,
    cross_validate,
    cross_validate_grid,
)
from terrain.surface.grid import Grid
from terrain.surface.ground_law import Drift
from terrain.surface.merge import Merged
from terrain.surface.tin import Tin

COVER_95 = 1.96
NOISE_SIDES = 1.66
CELL_SIDES = 1.89
NEIGHBOURS = 24  # whose errors say how rough the ground is around a place
PRIOR = 8.0  # errors' worth of belief that it is as rough as the rest of the site
_SAME_M = 1e-6
_MOST_SITES = 20_000
_WILDEST = 3.0  # standardised errors count no more than this for the roughness
_ROUNDS = 3
_ROUGHNESS = (0.05, 20.0)
_FACTORS = (1.7, 3.5)
_FACTOR_PRIOR = 40.0  # errors' worth of belief that they are normal


class Doubt(Protocol):
    """Anything that answers: how sure is the height at (x, y)?"""

    def sigma(self, xy: FloatArray) -> FloatArray:
        """Standard errors at `xy`, shape (n, 2) → (n,), m; NaN off the surface."""
        ...

    def pm(self, xy: FloatArray) -> FloatArray:
        """± (95 %) at `xy`, shape (n, 2) → (n,), m; NaN off the surface."""
        ...

    def together_m(self, xy: FloatArray) -> FloatArray:
        """Range of the spherical correlation of errors around `xy`, shape (n, 2) → (n,), m."""
        ...


@dataclass(frozen=True)
class TinDoubt:
    """What a triangulated survey does not know of its ground.

    Attributes
    ----------
    tin
        The surface.
    noise_m
        Standard error of each of its points, shape (n,), m.
    crossed
        The cross-validation that it rests on.
    roughness
        Error of interpolation near each point, as a multiple of the site's, shape (n,).
    factor
        From a standard error to 95 %.
    noise_known
        The noise was stated, not found by cross-validation.
    on_lines
        Points on breaklines, which say nothing of the ground beside them, shape (n,); None if
        there are none.
    drifts
        Errors that shots have in common, known beforehand; in none of the figures below.
    """

    tin: Tin
    noise_m: FloatArray
    crossed: CrossValidation
    roughness: FloatArray
    factor: float
    noise_known: bool = True
    on_lines: BoolArray | None = None
    drifts: tuple[Drift, ...] = ()

    @cached_property
    def without(self) -> Corners:
        """What each point would be interpolated from if it were not there."""
        return corners_without(self.tin)

    @property
    def model(self) -> ErrorModel:
        """The growth of errors with reach."""
        return self.crossed.model

    def sigma(self, xy: FloatArray) -> FloatArray:
        """Standard errors at `xy`, shape (n, 2) → (n,), m; NaN off the surface."""
        corners = corners_at(self.tin, xy)
        return np.hypot(self.noise(corners), self.interpolation(corners))

    def pm(self, xy: FloatArray) -> FloatArray:
        """± (95 %) at `xy`, shape (n, 2) → (n,), m; NaN off the surface."""
        return self.factor * self.sigma(xy)

    def together_m(self, xy: FloatArray) -> FloatArray:
        """Range of the spherical correlation of errors around `xy`, shape (n, 2) → (n,), m."""
        return self.together(corners_at(self.tin, xy))

    def together(self, corners: Corners) -> FloatArray:
        """The same for places whose corners are known, shape (n,), m.

        In mean sides of the triangle. For noise 1.66, which gives n independent shots in an area A
        their exact `A σ / √n`: interpolated heights keep half the variance, a spherical law covers
        `π range² / 5` (Rolstad et al. 2009), a shot of a triangular lattice `(√3 / 2) side²`. For
        the ground between shots it is empirical, from simulated grounds: the smoother, the longer.
        """
        plan = self.tin.points[corners.rows, :2]
        sides = np.hypot(*np.moveaxis(plan - np.roll(plan, -1, axis=1), 2, 0)).mean(axis=1)
        noise2, ground2 = self.noise(corners) ** 2, self.interpolation(corners) ** 2
        total = np.maximum(noise2 + ground2, 1e-300)
        mixed = (noise2 * NOISE_SIDES**2 + ground2 * _ground_sides(self.model) ** 2) / total
        return np.where(corners.rows[:, 0] >= 0, sides * np.sqrt(mixed), np.nan)

    def noise(self, corners: Corners) -> FloatArray:
        """Standard errors from the noise of the shots, shape (n,), m."""
        variance = (corners.weights**2 * self.noise_m[corners.rows] ** 2).sum(axis=1)
        return np.asarray(np.sqrt(variance), dtype=np.float64)

    def interpolation(self, corners: Corners) -> FloatArray:
        """Standard errors from the ground between the shots, shape (n,), m."""
        shares = np.maximum(corners.weights, 0.0)
        roughness: FloatArray = (shares * self.roughness[corners.rows]).sum(axis=1)
        return roughness * self.model.interpolation(corners.reach_m)


def _ground_sides(model: ErrorModel) -> float:
    return 0.65 + 0.82 * model.exponent


def doubt_of_tin(
    tin: Tin, *, noise_m: float | FloatArray | None = None, on_lines: BoolArray | None = None
) -> TinDoubt:
    """Learn from a survey's own shots how sure their surface is.

    Parameters
    ----------
    tin
        The surface; its points are the shots.
    noise_m
        Standard error of a shot, m: one number, or one a point of the tin (`noise_at_points`); by
        default what cross-validation finds.
    on_lines
        Points on breaklines, shape (n,) (`points_at`).
    """
    stated = None if noise_m is None else float(np.sqrt(np.mean(np.square(noise_m))))
    crossed = cross_validate(tin, noise_m=stated)
    noise = np.broadcast_to(
        np.asarray(crossed.model.noise_m if noise_m is None else noise_m, dtype=np.float64),
        len(tin.points),
    )
    at_points, at_left_out = _roughness(crossed, tin.points[:, :2])
    return TinDoubt(
        tin,
        noise,
        crossed,
        at_points,
        _factor(crossed.left_out, crossed.model, at_left_out),
        noise_m is not None,
        on_lines,
    )


def noise_at_points(tin: Tin, shots: FloatArray, noise_m: FloatArray) -> FloatArray:
    """Noise of each point of a tin, from that of the shots it was made of, shape (m,), m.

    Parameters
    ----------
    tin
        The surface.
    shots
        Places of the shots, shape (n, 2) or (n, 3), m.
    noise_m
        Standard error of each, shape (n,), m. A point that was no shot takes its nearest one's.
    """
    nearest = np.asarray(cKDTree(shots[:, :2]).query(tin.points[:, :2])[1])
    return noise_m[nearest]


def points_at(tin: Tin, shots: FloatArray) -> BoolArray:
    """Which points of a tin are some of its shots, shape (k, 2) or (k, 3), by place, shape (n,)."""
    if not len(shots):
        return np.zeros(len(tin.points), dtype=bool)
    away = np.asarray(cKDTree(shots[:, :2]).query(tin.points[:, :2])[0])
    return np.asarray(away < _SAME_M)


def _roughness(crossed: CrossValidation, points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Roughness at points, and at the places of the left-out errors without their own error.

    In rounds, since errors that count no more than `_WILDEST` say only by steps how much rougher
    or smoother than the rest a place is.
    """
    left, model = crossed.left_out, crossed.model
    if len(left) < 2:
        return np.ones(len(points)), np.ones(len(left))
    rows = np.arange(len(left))
    if len(left) > _MOST_SITES:
        rows = np.sort(np.random.default_rng(SEED).choice(len(left), _MOST_SITES, replace=False))
    error = left.error_m[rows]
    noise = model.noise_m * np.sqrt(1.0 + left.noise_shares[rows])
    between = model.interpolation(left.reach_m[rows])
    tree = cKDTree(left.xy[rows])
    count = min(NEIGHBOURS + 1, len(rows))
    near = np.asarray(tree.query(left.xy[rows], k=count)[1])  # the nearest is itself
    with_own, without_own = np.ones(len(rows)), np.ones(len(rows))
    for _ in range(_ROUNDS):
        sigma = np.maximum(np.hypot(noise, with_own * between), 1e-9)
        squared = np.minimum((error / sigma) ** 2, _WILDEST**2)
        without_own = with_own * _pooled(squared[near[:, 1:]])
        with_own = np.clip(with_own * _pooled(squared[near[:, : count - 1]]), *_ROUGHNESS)
    return (
        with_own[np.asarray(tree.query(points)[1])],
        without_own[np.asarray(tree.query(left.xy)[1])],
    )


def _pooled(squared: FloatArray) -> FloatArray:
    """Root mean of each row's squares, drawn towards 1."""
    mean = (PRIOR + squared.sum(axis=1)) / (PRIOR + squared.shape[1])
    return np.asarray(np.sqrt(mean), dtype=np.float64)


def _factor(left: Residuals, model: ErrorModel, roughness: FloatArray) -> float:
    """What the errors of 95 % of the ground stay under, in standard errors.

    Each left-out error speaks for an area that grows as its reach squared.
    """
    noise2 = model.noise_m**2 * (1.0 + left.noise_shares)
    sigma = np.sqrt(noise2 + (roughness * model.interpolation(left.reach_m)) ** 2)
    sound = sigma > 0
    if not sound.any():
        return COVER_95
    size = np.abs(left.error_m[sound]) / sigma[sound]
    order = np.argsort(size)
    area = np.cumsum(left.reach_m[sound][order] ** 2)
    quantile = float(size[order][np.searchsorted(area, 0.95 * area[-1])])
    count = int(sound.sum())
    drawn = (count * quantile + _FACTOR_PRIOR * COVER_95) / (count + _FACTOR_PRIOR)
    return float(np.clip(drawn, *_FACTORS))


@dataclass(frozen=True)
class GridDoubt:
    """What ground gridded from a cloud does not know.

    A measured node has the noise of one point over the root of their number; a node that was
    filled in has the error that cross-validation finds at its distance from the measured ones.
    Neighbouring points of a scan share errors, so that the first is the least it can be.

    Attributes
    ----------
    grid
        The surface.
    counts
        Ground points at each node, shape (ny, nx); 0 where it was filled in.
    noise_m
        Standard error of one point, m.
    crossed
        The cross-validation that it rests on.
    factor
        From a standard error to 95 %.
    drifts
        Errors that points have in common, known beforehand; in none of the figures below.
    """

    grid: Grid
    counts: IntArray
    noise_m: float
    crossed: CrossValidation
    factor: float
    drifts: tuple[Drift, ...] = ()

    @property
    def model(self) -> ErrorModel:
        """The growth of errors with reach."""
        return self.crossed.model

    @cached_property
    def _gap(self) -> FloatArray:
        """Distance of each node to the nearest measured one, shape (ny, nx), m."""
        gap = np.asarray(ndimage.distance_transform_edt(self.counts == 0), dtype=np.float64)
        return gap * self.grid.lattice.cell

    @cached_property
    def _variance(self) -> FloatArray:
        """Variance of each node's noise, shape (ny, nx), m²."""
        variance = self.noise_m**2 / np.maximum(self.counts, 1)
        return np.where(np.isfinite(self.grid.z), variance, np.nan)

    def sigma(self, xy: FloatArray) -> FloatArray:
        """Standard errors at `xy`, shape (n, 2) → (n,), m; NaN off the surface."""
        lattice = self.grid.lattice
        column, row = (xy[:, 0] - lattice.x0) / lattice.cell, (xy[:, 1] - lattice.y0) / lattice.cell
        i = np.clip(np.nan_to_num(column), 0, lattice.nx - 2).astype(np.int64)
        j = np.clip(np.nan_to_num(row), 0, lattice.ny - 2).astype(np.int64)
        u, v = np.clip(column - i, 0, 1), np.clip(row - j, 0, 1)
        variance, squared = np.zeros(len(xy)), np.zeros(len(xy))
        for dj, di in ((0, 0), (0, 1), (1, 0), (1, 1)):
            weight = (u if di else 1 - u) * (v if dj else 1 - v)
            used = weight > 1e-9
            node = np.where(used, self._variance[j + dj, i + di], 0.0)
            variance += weight**2 * node
            away = ((u - di) ** 2 + (v - dj) ** 2) * lattice.cell**2
            squared += weight * (away + self._gap[j + dj, i + di] ** 2)
        sigma = np.sqrt(variance + self.model.interpolation(np.sqrt(squared)) ** 2)
        return np.where(np.isfinite(self.grid.elevation(xy)), sigma, np.nan)

    def pm(self, xy: FloatArray) -> FloatArray:
        """± (95 %) at `xy`, shape (n, 2) → (n,), m; NaN off the surface."""
        return self.factor * self.sigma(xy)

    def together_m(self, xy: FloatArray) -> FloatArray:
        """Range of the spherical correlation of errors around `xy`, shape (n, 2) → (n,), m.

        So much that n independent nodes in an area A give their exact `A σ / √n`: a bilinear
        height keeps 4/9 of the variance, so `4/9 π range² / 5 = cell²`. A gap goes together.
        """
        cell = self.grid.lattice.cell
        gap = Grid(self.grid.lattice, self._gap).elevation(xy)
        together = CELL_SIDES * cell + 2.0 * _ground_sides(self.model) * gap
        return np.where(np.isfinite(self.grid.elevation(xy)), together, np.nan)


def doubt_of_grid(grid: Grid, counts: IntArray, *, noise_m: float) -> GridDoubt:
    """Learn from gridded ground how sure it is.

    Parameters
    ----------
    grid
        The surface.
    counts
        Ground points at each node, shape (ny, nx); 0 where it was filled in.
    noise_m
        Standard error of one point, m.
    """
    measured: BoolArray = (counts > 0) & np.isfinite(grid.z)
    share = float(np.mean(1.0 / counts[measured])) if measured.any() else 1.0
    crossed = cross_validate_grid(grid, measured, noise_m=noise_m * share**0.5)
    left = crossed.left_out
    factor = _factor(left, crossed.model, np.ones(len(left)))
    return GridDoubt(grid, np.where(measured, counts, 0), noise_m, crossed, factor)


@dataclass(frozen=True)
class MergedDoubt:
    """The doubt of merged surfaces: each has its share in it, as it has in the height.

    The errors of two surveys are added as if they went together, so that a seam is never surer
    than the surer of the two.

    Attributes
    ----------
    merged
        The surface.
    doubts
        One a surface, in the same order.
    """

    merged: Merged
    doubts: tuple[Doubt, ...]

    def sigma(self, xy: FloatArray) -> FloatArray:
        """Standard errors at `xy`, shape (n, 2) → (n,), m; NaN off the surface."""
        return self._mixed(xy, [doubt.sigma(xy) for doubt in self.doubts])

    def pm(self, xy: FloatArray) -> FloatArray:
        """± (95 %) at `xy`, shape (n, 2) → (n,), m; NaN off the surface."""
        return self._mixed(xy, [doubt.pm(xy) for doubt in self.doubts])

    def together_m(self, xy: FloatArray) -> FloatArray:
        """Range of the spherical correlation of errors around `xy`, shape (n, 2) → (n,), m."""
        return self._mixed(xy, [doubt.together_m(xy) for doubt in self.doubts])

    def _mixed(self, xy: FloatArray, each: list[FloatArray]) -> FloatArray:
        shares = self.merged.shares(xy)
        used = np.where(shares > 0, np.column_stack(each) * shares, 0.0).sum(axis=1)
        return np.where(shares.sum(axis=1) > 0, used, np.nan)
