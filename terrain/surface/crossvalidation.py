"""How wrong a surface is between its points: ask it for points that it was not told of."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.surface.corners import Corners, corners_at, corners_without
from terrain.surface.from_points import build_tin
from terrain.surface.grid import Grid
from terrain.surface.tin import Tin

MOST_ASKED = 4000  # residuals of one density; more say nothing new of their spread
MOST_POINTS = 60_000  # that thinned surfaces are made from
FEWEST_POINTS = 8  # of a thinned surface
FEWEST_RESIDUALS = 12
SEED = 20_000
NOISE_SHARE = 0.5  # mean of Σ wᵢ² over a triangle
_EXPONENTS = (0.4, 2.0)  # of the interpolation error: rougher than noise, or smooth
_BINS = 14
_RELATED = 2.0  # residuals of thinned surveys share shots: how many count as one
_ONE_SIGMA = 68.27


@dataclass(frozen=True)
class Residuals:
    """Heights that were interpolated, without their own shot, minus those that were shot.

    Attributes
    ----------
    xy
        Places, shape (k, 2), m.
    error_m
        Interpolated minus shot, shape (k,), m.
    reach_m
        How far the shots lie that it was interpolated from, shape (k,), m (see `Corners`).
    noise_shares
        `Σ wᵢ²` of the interpolation, shape (k,).
    """

    xy: FloatArray
    error_m: FloatArray
    reach_m: FloatArray
    noise_shares: FloatArray

    def __len__(self) -> int:
        return len(self.error_m)


@dataclass(frozen=True)
class ReachBin:
    """Residuals of one range of reach.

    Attributes
    ----------
    from_m, to_m
        The range, m.
    count
        How many.
    rms_reach_m, noise_share
        Their root mean squared reach, m, and mean `Σ wᵢ²`.
    median_m, nmad_m
        Median of the errors, and 1.4826 × the median distance from it (NMAD), m.
    q68_m, q95_m
        What 68.3 % and 95 % of the errors stay under, whatever their sign, m.
    """

    from_m: float
    to_m: float
    count: int
    rms_reach_m: float
    noise_share: float
    median_m: float
    nmad_m: float
    q68_m: float
    q95_m: float


@dataclass(frozen=True)
class ErrorModel:
    """Standard error of an interpolated height against its reach.

    `σ²(d) = noise² Σ wᵢ² + f²`, `1/f² = 1/(growth · d^exponent)² + 1/ceiling²`. The form is that
    of a random surface whose height differences grow with a power of distance up to a sill; an
    exponent of 2 is smooth ground, under 1 is broken ground. That its parameters are fitted to
    robust spreads makes it empirical.

    Attributes
    ----------
    noise_m
        Standard error of one shot, m.
    growth
        Interpolation error at a reach of 1 m, m.
    exponent
        Power of reach with which it grows.
    ceiling_m
        What it never exceeds, m.
    """

    noise_m: float
    growth: float
    exponent: float
    ceiling_m: float

    def interpolation(self, reach_m: FloatArray) -> FloatArray:
        """Standard error from the ground between shots alone, shape (n,), m."""
        free = self.growth * np.power(reach_m, self.exponent)
        bound: FloatArray = free / np.sqrt(1.0 + (free / self.ceiling_m) ** 2)
        return bound

    def sigma_at(
        self, reach_m: FloatArray, noise_shares: FloatArray | float = NOISE_SHARE
    ) -> FloatArray:
        """Standard error of heights interpolated from that reach, shape (n,), m."""
        variance = self.noise_m**2 * noise_shares + self.interpolation(reach_m) ** 2
        return np.asarray(np.sqrt(variance), dtype=np.float64)


@dataclass(frozen=True)
class CrossValidation:
    """What a surface gets wrong at places that it was not told of.

    Attributes
    ----------
    left_out
        One residual a shot that has others all around, each interpolated without it.
    bins
        Those and the residuals of ever thinner surveys, by reach.
    model
        The errors' growth with reach, fitted to the bins.
    """

    left_out: Residuals
    bins: tuple[ReachBin, ...]
    model: ErrorModel

    def sigma_at(self, reach_m: FloatArray) -> FloatArray:
        """Standard error of the ground at places with shots at that reach, shape (n,), m."""
        return self.model.sigma_at(reach_m)


def cross_validate(tin: Tin, *, noise_m: float | None = None, seed: int = SEED) -> CrossValidation:
    """Leave out each shot, then every second, three of four and so on, and ask for them.

    Parameters
    ----------
    tin
        The surface; its points are the shots.
    noise_m
        Standard error of a shot where it is known, m; by default it is what is left of the errors
        as the reach goes to nothing.
    seed
        Of the choice which shots are left out.
    """
    left_out = leave_one_out(tin)
    parts = [_some(left_out, seed), *_thinned(tin, seed)]
    every = Residuals(*(np.concatenate([getattr(part, name) for part in parts])
                        for name in ("xy", "error_m", "reach_m", "noise_shares")))  # fmt: skip
    bins = bin_by_reach(every)
    if len(every) < FEWEST_RESIDUALS:
        return CrossValidation(left_out, bins, _coarse_model(tin, noise_m))
    return CrossValidation(left_out, bins, fit_model(bins, noise_m=noise_m))


def leave_one_out(tin: Tin) -> Residuals:
    """Residuals of the shots that have others all around, each left out alone."""
    return _residuals(tin.points, tin.points, corners_without(tin))


def _residuals(asked: FloatArray, points: FloatArray, corners: Corners) -> Residuals:
    found = corners.rows[:, 0] >= 0
    rows, weights = corners.rows[found], corners.weights[found]
    error = (weights * points[rows, 2]).sum(axis=1) - asked[found, 2]
    return Residuals(asked[found, :2], error, corners.reach_m[found], corners.noise_shares[found])


def _some(residuals: Residuals, seed: int) -> Residuals:
    if len(residuals) <= MOST_ASKED:
        return residuals
    rows = np.random.default_rng(seed).choice(len(residuals), MOST_ASKED, replace=False)
    return Residuals(
        residuals.xy[rows], residuals.error_m[rows], residuals.reach_m[rows],
        residuals.noise_shares[rows],
    )  # fmt: skip


def _thinned(tin: Tin, seed: int) -> list[Residuals]:
    """Residuals of surveys of a half, a quarter, an eighth … of the shots."""
    rng = np.random.default_rng(seed)
    points = tin.points
    if len(points) > MOST_POINTS:  # one patch of it in full, so that the spacing stays
        near = np.abs(points[:, :2] - np.median(points[:, :2], axis=0)).max(axis=1)
        points = points[np.argsort(near)[:MOST_POINTS]]
    parts = []
    for _ in range(int(np.clip(1000 // max(len(points), 1), 1, 6))):
        order = rng.permutation(len(points))
        count = len(points) // 2
        while count >= FEWEST_POINTS:
            kept, left = points[order[:count]], points[order[count:][:MOST_ASKED]]
            thin = build_tin(kept, longest_border_m=np.inf)
            parts.append(_residuals(left, thin.points, corners_at(thin, left[:, :2])))
            count //= 2
    return parts


def cross_validate_grid(grid: Grid, measured: BoolArray, *, noise_m: float) -> CrossValidation:
    """The same for gridded heights: nodes against the mean of two others at 1, 2, 4 … cells.

    Parameters
    ----------
    grid
        The surface.
    measured
        Nodes whose heights were measured, not filled in, shape (ny, nx).
    noise_m
        Standard error of a measured node, m.
    """
    z = np.where(measured, grid.z, np.nan)
    nodes = grid.lattice.nodes.reshape(*grid.lattice.shape, 2)
    parts = [_middles(z, nodes, step, axis) for step in _steps(z) for axis in (0, 1)]
    reach = np.repeat([step * grid.lattice.cell for step in _steps(z) for _ in range(2)],
                      [len(error) for _, error in parts])  # fmt: skip
    xy = np.concatenate([places for places, _ in parts])
    error = np.concatenate([error for _, error in parts])
    every = Residuals(xy, error, reach, np.full(len(error), 0.5))
    bins = bin_by_reach(every)
    nearest = every.reach_m == grid.lattice.cell
    left_out = Residuals(xy[nearest], error[nearest], reach[nearest], every.noise_shares[nearest])
    if len(every) < FEWEST_RESIDUALS:
        return CrossValidation(left_out, bins, ErrorModel(noise_m, np.nan, 1.0, np.nan))
    return CrossValidation(left_out, bins, fit_model(bins, noise_m=noise_m))


def _steps(z: FloatArray) -> list[int]:
    return [2**k for k in range(12) if 2 ** (k + 1) < max(z.shape)]


def _middles(
    z: FloatArray, nodes: FloatArray, step: int, axis: int
) -> tuple[FloatArray, FloatArray]:
    """Mean of the two nodes `step` aside minus the node between, where all three are known."""
    if z.shape[axis] <= 2 * step:
        return np.empty((0, 2)), np.empty(0)
    index = np.arange(step, z.shape[axis] - step)
    middle = np.take(z, index, axis)
    error = 0.5 * (np.take(z, index - step, axis) + np.take(z, index + step, axis)) - middle
    places, flat = np.take(nodes, index, axis).reshape(-1, 2), error.ravel()
    known = np.flatnonzero(np.isfinite(flat))
    if known.size > MOST_ASKED:
        known = np.random.default_rng(SEED).choice(known, MOST_ASKED, replace=False)
    return places[known], flat[known]


def bin_by_reach(residuals: Residuals) -> tuple[ReachBin, ...]:
    """Sort residuals into ranges of reach that each grow by the same factor."""
    if not len(residuals):
        return ()
    reach = np.maximum(residuals.reach_m, 1e-9)
    low, high = np.percentile(reach, [1, 99.5])
    edges = np.geomspace(low, max(high, low * 1.0001), _BINS + 1)
    place = np.clip(np.searchsorted(edges, reach, side="right") - 1, 0, _BINS - 1)
    rows = (np.flatnonzero(place == k) for k in range(_BINS))
    return tuple(
        _reach_bin(residuals, row, float(edges[k]), float(edges[k + 1]))
        for k, row in enumerate(rows)
        if row.size
    )


def _reach_bin(residuals: Residuals, rows: IntArray, low: float, high: float) -> ReachBin:
    error = residuals.error_m[rows]
    median = float(np.median(error))
    size = np.abs(error)
    return ReachBin(
        low,
        high,
        rows.size,
        float(np.sqrt(np.mean(residuals.reach_m[rows] ** 2))),
        float(np.mean(residuals.noise_shares[rows])),
        median,
        1.4826 * float(np.median(np.abs(error - median))),
        float(np.percentile(size, _ONE_SIGMA)),
        float(np.percentile(size, 95)),
    )


def fit_model(bins: tuple[ReachBin, ...], *, noise_m: float | None = None) -> ErrorModel:
    """Fit the growth of errors to what 68.3 % of them stay under in each bin.

    That quantile about zero is the standard error of a normal law; unlike a spread about the
    median it keeps the one-sided error of hollows and humps. Bins weigh as the root of their
    count; a bin that lies off counts less (soft L1).

    Noise and ground that is rough between neighbouring shots look alike in the errors, but not at
    new places, where only half of the noise is left and all of the roughness. Where the noise is
    not known it is therefore not the best fit's: of all noises, each weighed by how well it fits,
    the mean less their spread.
    """
    full = _Spreads.of([b for b in bins if b.count >= 5] or list(bins))
    if noise_m is not None:
        return _fit_growth(full, noise_m)[0]
    top = full.spread[:3].max()
    tried = np.concatenate([[0.0], np.linspace(0.2, 1.0, 9) * top])
    cost = np.array([_fit_growth(full, float(noise))[1] for noise in tried])
    likely = np.exp(-(cost - cost.min()) / _RELATED)
    likely /= likely.sum()
    mean = (likely * tried).sum()
    spread = np.sqrt((likely * (tried - mean) ** 2).sum())
    return _fit_growth(full, float(max(mean - spread, 0.0)))[0]


@dataclass(frozen=True)
class _Spreads:
    """The bins as arrays: what a model is fitted to."""

    reach: FloatArray
    share: FloatArray
    spread: FloatArray
    weight: FloatArray

    @classmethod
    def of(cls, bins: list[ReachBin]) -> "_Spreads":
        return cls(
            np.array([max(b.rms_reach_m, 1e-9) for b in bins]),
            np.array([1.0 + b.noise_share for b in bins]),
            np.array([max(b.q68_m, 1e-6) for b in bins]),
            np.sqrt([min(b.count, 1000.0) for b in bins]),
        )


def _fit_growth(to: _Spreads, noise: float) -> tuple[ErrorModel, float]:
    """Growth, exponent and ceiling for a noise, and the misfit that is left.

    The ceiling is not reached before the mean reach: errors that are flat from there inward are
    noise.
    """
    middle = float(np.exp(np.average(np.log(to.reach), weights=to.weight)))
    top = float(to.spread.max())

    def model(fitted: FloatArray) -> ErrorModel:
        growth, exponent = float(np.exp(fitted[0])), float(fitted[1])
        ceiling = growth * float(np.exp(exponent * fitted[2]))
        return ErrorModel(noise, growth / middle**exponent, exponent, ceiling)

    def misfit(fitted: FloatArray) -> FloatArray:
        sigma = model(fitted).sigma_at(to.reach, to.share)
        off: FloatArray = to.weight * np.log(sigma / to.spread)
        return off

    lower = np.array([np.log(1e-4 * top), _EXPONENTS[0], 0.0])
    upper = np.array([np.log(10 * top), _EXPONENTS[1], np.log(1e2 * to.reach.max() / middle)])
    fits = [
        least_squares(
            misfit,
            [np.log(0.5 * top), exponent, 1.0],
            bounds=(lower, upper),
            loss="soft_l1",
            max_nfev=60,
        )
        for exponent in (0.5, 1.7)
    ]
    best = min(fits, key=lambda fit: float(fit.cost))
    return model(best.x), float(best.cost)


def _coarse_model(tin: Tin, noise_m: float | None) -> ErrorModel:
    """Too few shots to ask: as rough as the whole site is high."""
    relief = float(np.std(tin.points[:, 2]))
    extent = float(np.ptp(tin.points[:, :2], axis=0).max())
    return ErrorModel(noise_m or 0.0, 2 * relief / max(extent, 1e-9), 1.0, max(relief, 1e-9))
