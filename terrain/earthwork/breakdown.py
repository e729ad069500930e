"""One dug volume in parts: by element, stratum, depth below the ground and zone.

Each upright column of soil is walked from its top down and cut at every boundary it meets, and each
slice is given to one cell. The cells of a `Breakdown` therefore hold the whole once, however they
are summed.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.kernels import kernel


class Axis(IntEnum):
    """What a volume is split by."""

    ELEMENT = 0
    STRATUM = 1
    BAND = 2
    ZONE = 3


@dataclass(frozen=True)
class Columns:
    """Upright columns of soil in place under n places.

    Attributes
    ----------
    ground
        Existing ground that depths count from, shape (n,), m.
    top, bottom
        Ends of the column, neither above the ground, shape (n,), m; no soil where `bottom` is not
        below `top`.
    weight
        Plan area of each place, shape (n,), m².
    element, zone
        The row that each place is counted for, shape (n,).
    tops
        Tops of the strata, shape (s, n), m, as `terrain.earthwork.strata.Strata` has them.
    stratified
        False where a column belongs to no stratum, shape (n,).
    """

    ground: FloatArray
    top: FloatArray
    bottom: FloatArray
    weight: FloatArray
    element: Int32Array
    zone: Int32Array
    tops: FloatArray
    stratified: BoolArray


@dataclass(frozen=True)
class Breakdown:
    """Bank volumes by element, stratum, depth band and zone.

    Attributes
    ----------
    bank_m3
        Shape (elements, strata + 1, bands, zones), m³; the last stratum holds what belongs to none.
    band_m
        Height of a depth band; the first begins at the existing ground.
    """

    bank_m3: FloatArray
    band_m: float

    @property
    def whole_m3(self) -> float:
        """The sum of all parts."""
        return float(self.bank_m3.sum())

    def by(self, *kept: Axis) -> FloatArray:
        """Volumes by some of the axes, in the order of `Axis`, summed over the others, m³."""
        summed: FloatArray = self.bank_m3.sum(axis=tuple(set(Axis) - set(kept)))
        return summed


def break_down(columns: Columns, *, elements: int, zones: int, band_m: float) -> Breakdown:
    """Cut columns at the strata's tops and at the depth bands, and sum the slices.

    Parameters
    ----------
    elements, zones
        How many rows `columns.element` and `columns.zone` count.
    band_m
        Height of a depth band, more than 0.
    """
    full = columns.bottom < columns.top
    deepest = float(np.max((columns.ground - columns.bottom)[full], initial=0.0))
    bands = max(1, int(np.ceil(deepest / band_m - 1e-9)))
    bank = np.zeros((elements, len(columns.tops) + 1, bands, zones))
    _sum_slices(
        columns.ground, columns.top, columns.bottom, columns.weight, columns.element, columns.zone,
        columns.tops, columns.stratified, band_m, bank,
    )  # fmt: skip
    return Breakdown(bank, band_m)


@kernel
def _sum_slices(
    ground: FloatArray,
    top: FloatArray,
    bottom: FloatArray,
    weight: FloatArray,
    element: Int32Array,
    zone: Int32Array,
    tops: FloatArray,
    stratified: BoolArray,
    band_m: float,
    bank: FloatArray,
) -> None:
    strata, bands = tops.shape[0], bank.shape[2]
    for k in range(top.size):
        upper = top[k]
        stratum = 0 if stratified[k] else strata
        band = 0
        while upper > bottom[k]:
            while stratum + 1 < strata and tops[stratum + 1, k] >= upper:
                stratum += 1
            while band + 1 < bands and ground[k] - (band + 1) * band_m >= upper:
                band += 1
            lower = bottom[k]
            if stratum + 1 < strata:
                lower = max(lower, tops[stratum + 1, k])
            if band + 1 < bands:
                lower = max(lower, ground[k] - (band + 1) * band_m)
            bank[element[k], stratum, band, zone[k]] += (upper - lower) * weight[k]
            upper = lower
