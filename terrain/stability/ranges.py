"""Factors of safety over the range that a soil's strength may have."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from terrain.arrays import FloatArray
from terrain.stability.search import ROUNDS, Critical, critical_circle, factors_of
from terrain.stability.section import SlopeSection
from terrain.stability.soils import SlopeSoil

SAMPLES, SEED = 120, 20_240
_KEPT = 24  # circles of each search that every sample is asked at
_ROUNDS = 10  # of the searches at the ends of the range


@dataclass(frozen=True)
class SoilRange:
    """A soil whose strength is known by its range.

    Attributes
    ----------
    soil
        At its likely strength.
    cohesion_pa, friction_deg
        Low, likely, high.
    """

    soil: SlopeSoil
    cohesion_pa: tuple[float, float, float]
    friction_deg: tuple[float, float, float]

    def at(self, which: int) -> SlopeSoil:
        """The soil at its low (0), likely (1) or high (2) strength."""
        return replace(
            self.soil, cohesion_pa=self.cohesion_pa[which], friction_deg=self.friction_deg[which]
        )


@dataclass(frozen=True)
class FactorRange:
    """The factor of a slope over the range of its soils.

    Attributes
    ----------
    likely
        The search at the likely strengths.
    worst
        The search at the low strengths.
    factors
        Least factor of each sample, shape (n,).
    strengths
        Cohesion (Pa) and tan φ of each soil in each sample, shape (n, k, 2).
    target
        What the factor should be.
    """

    likely: Critical
    worst: Critical
    factors: FloatArray
    strengths: FloatArray
    target: float


def factor_range(
    section: SlopeSection,
    soils: Sequence[SoilRange],
    *,
    target: float,
    starts: tuple[float, float] | None = None,
    ends: tuple[float, float] | None = None,
    least_depth_m: float = 0.0,
    samples: int = SAMPLES,
    seed: int = SEED,
) -> FactorRange:
    """Search at the likely, the low and the high strengths, and sample between.

    Strengths of a soil are triangular over their range, those of one soil rising and falling
    together (the cautious side), soils apart. Every sample is asked at the worst circles of the
    three searches, which hold its own worst one closely.

    Parameters
    ----------
    section
        The slope; its soils are replaced.
    soils
        The ranges, in the order of the section's soils.
    target
        What the factor should be.
    starts, ends, least_depth_m
        As of `critical_circle`.
    samples, seed
        How many are drawn, and from which seed.
    """

    def strong(which: int) -> SlopeSection:
        return replace(section, soils=tuple(soil.at(which) for soil in soils))

    def search(which: int, rounds: int, seeds: FloatArray | None = None) -> Critical:
        return critical_circle(
            strong(which),
            starts=starts,
            ends=ends,
            least_depth_m=least_depth_m,
            rounds=rounds,
            seeds=seeds,
        )

    worst, best = search(0, _ROUNDS), search(2, _ROUNDS)
    ends_found = [each.found for each in (worst, best) if each.circle is not None]
    likely = search(1, ROUNDS, np.array(ends_found) if ends_found else None)
    circles = np.concatenate([_worst(each) for each in (worst, likely, best)])
    drawn = np.random.default_rng(seed).uniform(size=(samples, len(soils)))
    strengths = np.tile(strong(1).strengths, (samples, 1, 1))
    for column, soil in enumerate(soils):
        shares = drawn[:, column]
        strengths[:, column, 0] = _triangular(soil.cohesion_pa, shares)
        strengths[:, column, 1] = np.tan(np.radians(_triangular(soil.friction_deg, shares)))
    factors = np.full(samples, np.inf)
    if len(circles):
        factors = np.array([factors_of(section, circles, strengths=row).min() for row in strengths])
    return FactorRange(likely, worst, factors, strengths[:, :, :2], target)


def _worst(search: Critical) -> FloatArray:
    """Start, end and sagitta of the worst circles of a search, shape (n, 3)."""
    if search.circle is None:
        return np.empty((0, 3))
    order = np.argsort(search.looked[:, 3], kind="stable")[:_KEPT]
    sound = order[np.isfinite(search.looked[order, 3])]
    return np.ascontiguousarray(np.vstack([search.found, search.looked[sound, :3]]))


def _triangular(span: tuple[float, float, float], share: FloatArray) -> FloatArray:
    """The values under which shares of a triangular distribution lie, shape as of `share`."""
    low, likely, high = span
    if high <= low:
        return np.full_like(share, likely)
    split = (likely - low) / (high - low)
    rising = low + np.sqrt(share * (high - low) * (likely - low))
    falling = high - np.sqrt((1.0 - share) * (high - low) * (high - likely))
    return np.where(share < split, rising, falling)
