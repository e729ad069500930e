"""What law the heights of a piece of ground follow, learnt from the shots of one survey.

The ground is taken as an intrinsic random function of order 1 (Matheron 1973, "The intrinsic
random functions and their applications", Advances in Applied Probability 5): nothing is said of
its level and tilt, and what is left of it after any combination of heights that a plane does not
move has the variance `Σ Σ uᵢ uⱼ K(|xᵢ − xⱼ|)`. The generalised covariance is a power of distance,
`K(h) = ∓c hᵅ` with the minus below α = 2 (Chilès and Delfiner 2012, "Geostatistics", ch. 4): α near
0 is ground that differs from step to step, 1 is broken, 1.5 a fractal hillside, above 2 smooth.
Beside powers, `c` times bells `exp(−h² / 2w²)` stand for humps and hollows of one size.

Such combinations are each shot less what the triangles of its neighbours say without it. Their
likelihood is that of restricted maximum likelihood (Patterson and Thompson 1971, Biometrika 58).
Form, `c` and noise are not picked but weighed: every law counts as much as it is likely, with all
magnitudes alike beforehand and a little more belief in the exponents of natural ground, 1 to 1.5
(fractal dimensions of 2.25 to 2.5: common practice).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.surface.corners import Corners
from terrain.surface.tridiagonal import (
    between_sums,
    lower_root,
    of_multiples,
    solved,
    tridiagonal,
)

HALVES = (1, 2, 3, 5)  # powers in halves
POWERS = tuple(0.5 * halves for halves in HALVES)
WIDEST, BELL_COUNT = 6.0, 5
_BEFOREHAND = (0.5, 1.0, 1.0, *(0.25 for _ in range(1 + BELL_COUNT)))  # natural ground: 1 to 1.5
BELLS = tuple(WIDEST * 0.5 ** (0.5 * k) for k in range(BELL_COUNT))  # widths, in mean reaches
SIGNS = tuple(-1.0 if power < 2.0 else 1.0 for power in POWERS)
FEWEST = 8  # combinations that say something of a law
_MAGNITUDES = np.geomspace(1e-5, 10.0, 100)  # of the ground's variance to that of the residuals
_RATIOS = np.geomspace(1e-4, 1e4, 100)  # of the ground's variance to that of the noise
_LEAST_NOISE_M = 1e-4
_UNLIKELY = 1e-5
_USUAL_NOISE_M = 0.03  # of a shot, where nothing is stated: half normal (common practice)
_FAR = 0.2  # what shots farther off count


@dataclass(frozen=True)
class Drift:
    """An error of the shots that changes slowly from place to place.

    Attributes
    ----------
    sigma_m
        Standard error, m.
    range_m
        Distance from which two shots have nothing of it in common, m (spherical).
    """

    sigma_m: float
    range_m: float

    def covariance(self, plan: FloatArray) -> FloatArray:
        """Of shots at places of shape (n, 2), shape (n, n), m²."""
        apart = np.sqrt(((plan[:, None] - plan) ** 2).sum(axis=2))
        t = np.minimum(apart / self.range_m, 1.0)
        return np.asarray(self.sigma_m**2 * (1.0 - 1.5 * t + 0.5 * t**3), dtype=np.float64)


@dataclass(frozen=True)
class Laws:
    """Laws of the ground and of the noise, and how likely each is.

    Attributes
    ----------
    form
        Which of the forms `POWERS` and then `BELLS`, shape (g,).
    ground
        `c`, m², shape (g,).
    noise
        What the variances of the shots' noise are multiplied by, shape (g,).
    likely
        Sums to 1, shape (g,).
    unit_m
        Length that distances are counted in, m.
    """

    form: IntArray
    ground: FloatArray
    noise: FloatArray
    likely: FloatArray
    unit_m: float

    @property
    def likeliest_form(self) -> int:
        """Which of the forms has the most likelihood."""
        return int(np.argmax(np.bincount(self.form, weights=self.likely)))

    def variances(self, ground: FloatArray, noise: float) -> FloatArray:
        """Variances under each law, shape (g,).

        Parameters
        ----------
        ground
            `Σ Σ uᵢ uⱼ K` with `c` = 1 for each form, distances in `unit_m`, shape (k,).
        noise
            `Σ uᵢ² σᵢ²`.
        """
        return self.ground * ground[self.form] + self.noise * noise


def covariances(squared: FloatArray) -> Iterator[FloatArray]:
    """`K` with `c` = 1 of each form, at squared distances of any shape in units."""
    quarter = np.sqrt(np.sqrt(squared))
    for halves, sign in zip(HALVES, SIGNS, strict=True):
        yield sign * quarter**halves
    bell = np.exp(-0.5 * squared / WIDEST**2)
    for _ in range(BELL_COUNT):
        yield bell
        bell = bell * bell


@dataclass(frozen=True)
class Asked:
    """Shots that are asked what law they follow.

    Attributes
    ----------
    near
        Rows of those that count in full, shape (k,).
    wide
        Rows of all, shape (n,); those not near count a fifth.
    """

    near: IntArray
    wide: IntArray


def learn_laws(
    points: FloatArray,
    without: Corners,
    asked: Asked,
    *,
    noise_m: FloatArray | None,
    drifts: Sequence[Drift] = (),
) -> Laws | None:
    """Weigh the laws that some shots may follow; None if they are too few.

    Ground is seldom of one roughness, so that the shots nearest to where it matters count most.
    Where single shots stand out (walls, steps), as many of them say less of the variance, by
    `2 / (kurtosis − 1)` as often: the likelihood is taken to that power, and that of the near ones
    to its root. That root, and what far shots count, are what simulated grounds asked for
    (`tests/calibration`).

    Parameters
    ----------
    points
        All shots, shape (n, 3), m.
    without
        What each is interpolated from if it is not there (`corners_without`).
    asked
        Which of them; all have others all around.
    noise_m
        Standard error of each shot, shape (n,), m; None where it is not known, but the same.
    drifts
        Errors that shots have in common, on top.
    """
    if len(asked.wide) < FEWEST:
        return None
    unit = float(np.sqrt(np.mean(without.reach_m[asked.wide] ** 2)))
    wide = _Heard.of(points, without, asked.wide, unit, noise_m, drifts)
    near = _Heard.of(points, without, asked.near, unit, noise_m, drifts)
    tried = _stated(near, wide) if noise_m is not None else _free(near, wide)
    first = int(np.argmax((1.0 - _FAR) * tried.near + _FAR * tried.wide + tried.believed))
    counting = 2.0 / (wide.kurtosis(tried, first) - 1.0)
    log = (1.0 - _FAR) * tried.near + _FAR * counting * tried.wide + tried.believed
    likely = np.exp(log - log.max())
    likely /= likely.sum()
    kept: BoolArray = likely > _UNLIKELY
    return Laws(
        tried.form[kept],
        tried.ground[kept],
        tried.noise[kept],
        likely[kept] / likely[kept].sum(),
        unit,
    )


@dataclass(frozen=True)
class _Tried:
    """Laws, and the log likelihood that near and all shots give them and what is believed."""

    form: IntArray
    ground: FloatArray
    noise: FloatArray
    near: FloatArray
    wide: FloatArray
    believed: FloatArray


def _stated(near: "_Heard", wide: "_Heard") -> _Tried:
    each = []
    for k, usual in enumerate(wide.usual):
        ground = _MAGNITUDES * float(np.mean(wide.residual**2)) / usual
        logs = near.stated(k, ground), wide.stated(k, ground)
        each.append((np.full(len(ground), k), ground, np.ones_like(ground), *logs))
    form, ground, noise, of_near, of_wide = (np.concatenate(p) for p in zip(*each, strict=True))
    return _Tried(form.astype(np.int64), ground, noise, of_near, of_wide, _beforehand(form))


def _free(near: "_Heard", wide: "_Heard") -> _Tried:
    each = []
    for k, usual in enumerate(wide.usual):
        ratio = _RATIOS / usual
        noise = near.scale(k, ratio)
        logs = near.free(k, ratio), wide.free(k, ratio)
        each.append((np.full(len(ratio), k), ratio * noise, noise, *logs))
    form, ground, noise, of_near, of_wide = (np.concatenate(p) for p in zip(*each, strict=True))
    believed = _beforehand(form) - 0.5 * noise / _USUAL_NOISE_M**2
    return _Tried(form.astype(np.int64), ground, noise, of_near, of_wide, believed)


def _beforehand(form: FloatArray) -> FloatArray:
    return np.log(_BEFOREHAND)[form.astype(np.int64)]


@dataclass(frozen=True)
class _Heard:
    """What shots say, in terms in which their noise is independent and of size 1.

    The residuals, the ground's covariance of each form with `c` = 1, and both reduced.
    """

    residual: FloatArray
    ground: tuple[FloatArray, ...]
    reduced: tuple[tuple[FloatArray, FloatArray, FloatArray], ...]

    @classmethod
    def of(
        cls,
        points: FloatArray,
        without: Corners,
        rows: IntArray,
        unit: float,
        noise_m: FloatArray | None,
        drifts: Sequence[Drift],
    ) -> "_Heard":
        terms = np.column_stack([rows, without.rows[rows]])
        factors = np.column_stack([-np.ones(len(rows)), without.weights[rows]])
        used, inverse = np.unique(terms, return_inverse=True)
        places = inverse.reshape(terms.shape)
        plan, z = points[used, :2], points[used, 2]
        noise = np.eye(len(used))
        if noise_m is not None:
            noise *= np.maximum(noise_m[used], _LEAST_NOISE_M) ** 2
        for drift in drifts:
            noise += drift.covariance(plan)
        root = lower_root(between_sums(places, factors, noise))
        error = (factors * (z - z.mean())[places]).sum(axis=1)
        residual = np.ascontiguousarray(solved(root, error[:, None])[:, 0])
        squared = (((plan[:, None] - plan) / unit) ** 2).sum(axis=2)
        ground = []
        for covariance in covariances(squared):
            half = solved(root, between_sums(places, factors, covariance))
            ground.append(solved(root, np.ascontiguousarray(half.T)))
        return cls(residual, tuple(ground), tuple(tridiagonal(k, residual) for k in ground))

    def stated(self, form: int, ground: FloatArray) -> FloatArray:
        """Log likelihood of each `c` beside the stated noise."""
        logs, totals = of_multiples(*self.reduced[form], ground)
        return np.asarray(-0.5 * (logs + totals), dtype=np.float64)

    def free(self, form: int, ratio: FloatArray) -> FloatArray:
        """The same of each ratio of ground to noise, their scale integrated over."""
        logs, totals = of_multiples(*self.reduced[form], ratio)
        log = logs + len(self.residual) * np.log(totals + self._least)
        return np.asarray(-0.5 * log, dtype=np.float64)

    def scale(self, form: int, ratio: FloatArray) -> FloatArray:
        """Mean variance of the noise at each ratio."""
        totals = of_multiples(*self.reduced[form], ratio)[1]
        return np.asarray((totals + self._least) / (len(self.residual) - 2), dtype=np.float64)

    def kurtosis(self, tried: _Tried, law: int) -> float:
        """Of the residuals, made independent under a law; at least a normal law's 3."""
        ground = tried.ground[law] * self.ground[tried.form[law]]
        root = lower_root(ground + tried.noise[law] * np.eye(len(self.residual)))
        single = solved(root, self.residual[:, None])
        squared = float(np.mean(single**2))
        return max(float(np.mean(single**4)) / max(squared**2, 1e-300), 3.0)

    @property
    def usual(self) -> list[float]:
        """Mean variance of a residual by the ground of each form with `c` = 1."""
        return [float(np.mean(np.diag(ground))) for ground in self.ground]

    @property
    def _least(self) -> float:
        return len(self.residual) * _LEAST_NOISE_M**2


def covering_factor(variances: FloatArray, likely: FloatArray, *, share: float = 0.95) -> float:
    """What a share of errors stays under, in standard errors, where their variance is unsure.

    The errors are normal under each law, and so a mixture: 1.96 where the variance is sure.
    """
    sigma = np.sqrt(np.maximum(variances, 1e-300))
    whole = float(np.sqrt((likely * variances).sum()))
    low, high = 0.0, 40.0 * whole
    for _ in range(60):
        middle = 0.5 * (low + high)
        within = float((likely * (2.0 * ndtr(middle / sigma) - 1.0)).sum())
        low, high = (middle, high) if within < share else (low, middle)
    return high / max(whole, 1e-300)
