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
magnitudes alike beforehand but for the large ones, which count less as their root (few residuals
overrate them), and a little more belief in the exponents of natural ground, 1 to 1.5 (fractal
dimensions of 2.25 to 2.5: common practice).
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
_LARGE = 0.1  # of `_MAGNITUDES` and `_RATIOS`
_FAR = 0.03  # what all shots count for at least beside the near ones


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
        Rows of those that count most, shape (k,).
    wide
        Rows of all, shape (n,).
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

    Ground is seldom of one roughness. The shots nearest to where it matters therefore count in
    full, and all together as far as the near ones agree: by how much less likely these are under
    the law that all ask for than under their own, `exp(−½ gain)`, and a little whatever they say.
    Where single shots stand out (walls, steps), as many of them say less of the variance: the share
    that a sample variance is then sure by is `2 / (kurtosis − 1)`, and all together count by its
    square. How little, and which forms, is what simulated grounds asked for (`tests/calibration`).

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
    trial = _Trial.of(near, wide, stated=noise_m is not None)
    by_near, by_wide = trial.laws(0.0)[2], trial.laws(1.0)
    alone = int(np.argmax(by_wide[2]))
    gain = float(by_near.max() - by_near[alone])
    peaked = wide.kurtosis(trial.form[alone], by_wide[0][alone], by_wide[1][alone])
    far = (2.0 / (peaked - 1.0)) ** 2 * max(_FAR, float(np.exp(-0.5 * gain)))
    ground, noise, log = trial.laws(far)
    likely = np.exp(log - log.max())
    likely /= likely.sum()
    kept: BoolArray = likely > _UNLIKELY
    return Laws(
        trial.form[kept], ground[kept], noise[kept], likely[kept] / likely[kept].sum(), unit
    )


@dataclass(frozen=True)
class _Trial:
    """Laws on trial, and the sums that near and all shots give under each.

    Attributes
    ----------
    form
        Shape (g,).
    multiple
        Of the ground's covariance to the noise's, shape (g,).
    before
        Log of how much each is believed beforehand, shape (g,).
    logs, totals
        `log det` and `rᵀ Σ⁻¹ r` of the near ones and of all, each shape (2, g).
    counts
        How many residuals those are, shape (2,).
    stated
        The noise is known.
    """

    form: IntArray
    multiple: FloatArray
    before: FloatArray
    logs: FloatArray
    totals: FloatArray
    counts: FloatArray
    stated: bool

    @classmethod
    def of(cls, near: "_Heard", wide: "_Heard", *, stated: bool) -> "_Trial":
        usual = max(float(np.mean(wide.residual**2)), 1e-12) if stated else 1.0
        span = usual * _MAGNITUDES if stated else _RATIOS
        multiples = [span / float(np.mean(np.diag(ground))) for ground in wide.ground]
        sums = [
            [of_multiples(*form, m) for form, m in zip(heard.reduced, multiples, strict=True)]
            for heard in (near, wide)
        ]
        return cls(
            np.repeat(np.arange(len(multiples)), len(span)),
            np.concatenate(multiples),
            np.add.outer(
                np.log(_BEFOREHAND), -0.5 * np.log(np.maximum(span / usual, _LARGE))
            ).ravel(),
            np.array([np.concatenate([one[0] for one in each]) for each in sums]),
            np.array([np.concatenate([one[1] for one in each]) for each in sums]),
            np.array([len(near.residual), len(wide.residual)], dtype=np.float64),
            stated,
        )

    def laws(self, far: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The ground's `c`, the noise's multiple and the log likelihood of each, shapes (g,).

        All shots count as much as `far` says, the near ones the rest. Where the noise is not
        stated, the common scale of noise and ground is integrated over, all magnitudes alike.
        """
        shares = np.array([1.0 - far, far])
        logs, totals = shares @ self.logs, shares @ self.totals
        if self.stated:
            return self.multiple, np.ones_like(logs), self.before - 0.5 * (logs + totals)
        count = float(shares @ self.counts)
        totals = totals + count * _LEAST_NOISE_M**2
        noise = totals / max(count - 2.0, 1.0)
        log = self.before - 0.5 * (logs + count * np.log(totals) + noise / _USUAL_NOISE_M**2)
        return self.multiple * noise, noise, log


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

    def kurtosis(self, form: int, ground: float, noise: float) -> float:
        """Of the residuals, made independent under a law; at least a normal law's 3."""
        root = lower_root(ground * self.ground[form] + noise * np.eye(len(self.residual)))
        single = solved(root, self.residual[:, None])
        squared = float(np.mean(single**2))
        return max(float(np.mean(single**4)) / max(squared**2, 1e-300), 3.0)


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
