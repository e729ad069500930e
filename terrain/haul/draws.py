"""Loads and days over what is not known: seeded draws of the soil's factors and of the dig."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray
from terrain.earthwork.soil import Soil

DRAWS = 1000
_TWO_SIDED_95 = 1.959964  # standard deviations in a ± of 95 %
Range = tuple[float, float, float]


@dataclass(frozen=True)
class SoilRange:
    """What a soil's factors may be: low, likely and high of each."""

    name: str
    swell: Range
    shrink: Range
    fill: Range
    bank_density: float


@dataclass(frozen=True)
class Draw:
    """One way that it may turn out.

    Attributes
    ----------
    soils
        With the factors drawn, in the order of the ranges.
    fills
        Share of the bucket that each fills.
    scale
        What is dug, over what is likely to be dug.
    """

    soils: tuple[Soil, ...]
    fills: tuple[float, ...]
    scale: float


@dataclass(frozen=True)
class Spread:
    """A number that is exceeded in nine draws of ten, in five, and in one."""

    low: float
    middle: float
    high: float


def draw(ranges: Sequence[SoilRange], dug_pm: float, *, seed: int) -> tuple[Draw, ...]:
    """Draw every factor from a triangle over its range, and the dig from a normal distribution.

    Factors of different soils, and swell, shrink and fill of one, are drawn on their own.

    Parameters
    ----------
    dug_pm
        The ± (95 %) of the dig over the dig.
    seed
        The same seed draws the same.
    """
    random = np.random.default_rng(seed)
    scales = np.maximum(1 + random.standard_normal(DRAWS) * dug_pm / _TWO_SIDED_95, 0.0)
    drawn = [
        [_triangular(random, factor) for factor in (each.swell, each.shrink, each.fill)]
        for each in ranges
    ]
    return tuple(
        Draw(
            soils=tuple(
                Soil(each.name, float(swell[k]), float(shrink[k]), each.bank_density)
                for each, (swell, shrink, _) in zip(ranges, drawn, strict=True)
            ),
            fills=tuple(float(fill[k]) for _, _, fill in drawn),
            scale=float(scales[k]),
        )
        for k in range(DRAWS)
    )


def _triangular(random: np.random.Generator, factor: Range) -> FloatArray:
    low, likely, high = factor
    if low == high:
        return np.full(DRAWS, likely)
    return random.triangular(low, likely, high, DRAWS)


def spread(values: Sequence[float]) -> Spread:
    """The tenth, fiftieth and ninetieth percentile: numbers that were drawn, so counts stay whole.

    Parameters
    ----------
    values
        At least one.
    """
    low, middle, high = np.percentile(values, (10, 50, 90), method="inverted_cdf")
    return Spread(float(low), float(middle), float(high))
