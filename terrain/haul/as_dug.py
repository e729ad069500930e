"""How far a dig is: levels as dug against the existing ground and the dig, place by place.

A place of the dig is down once it lies within the tolerance of the dig; all that is to be dug there
is dug then. Above it, what is dug is what lies between the existing ground and the level as dug; a
level up to the tolerance above the ground counts against it, so that the noise of a survey averages
out over ground that nobody touched. Dug and left are the whole dig, whatever the survey says.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from terrain.arrays import BoolArray, FloatArray, Int32Array


@dataclass(frozen=True)
class Dig:
    """What is to be dug and raised at n places.

    Attributes
    ----------
    existing, dig, subgrade
        Elevations, shape (n,), m.
    dig_owner, fill_owner
        Row of the element that digs or raises each place, −1 for none, shape (n,).
    weight
        Plan area of each place, shape (n,), m².
    elements
        How many there are.
    """

    existing: FloatArray
    dig: FloatArray
    subgrade: FloatArray
    dig_owner: Int32Array
    fill_owner: Int32Array
    weight: FloatArray
    elements: int

    @property
    def planned(self) -> FloatArray:
        """Depth to dig, shape (n,), m."""
        return np.where(self.dig_owner >= 0, np.maximum(self.existing - self.dig, 0.0), 0.0)

    @property
    def raised(self) -> FloatArray:
        """Height to fill, shape (n,), m."""
        return np.where(self.fill_owner >= 0, np.maximum(self.subgrade - self.existing, 0.0), 0.0)

    def by_digger(self, each: FloatArray) -> FloatArray:
        """Sum over the places that each element digs, (n,) → (e,)."""
        return self._summed(each, self.dig_owner)

    def by_filler(self, each: FloatArray) -> FloatArray:
        """Sum over the places that each element raises, (n,) → (e,)."""
        return self._summed(each, self.fill_owner)

    def _summed(self, each: FloatArray, owner: Int32Array) -> FloatArray:
        mine = owner >= 0
        sums = np.bincount(owner[mine], (each * self.weight)[mine], minlength=self.elements)
        return np.asarray(sums, dtype=np.float64)


@dataclass(frozen=True)
class AsDug:
    """What a level says of the dig at n places, each shape (n,), m.

    Attributes
    ----------
    reached
        Whether the level is known there.
    dug, left
        Of the dig; together the whole of it.
    taken
        What came out of the ground, within the dig or not.
    too_deep
        Dug under the dig by more than the tolerance.
    outside
        Dug where nothing is to be dug.
    too_high
        Still above the dig by more than the tolerance, as far as the level is known.
    placed
        Filled so far, of what is to be raised.
    """

    reached: BoolArray
    dug: FloatArray
    left: FloatArray
    taken: FloatArray
    too_deep: FloatArray
    outside: FloatArray
    too_high: FloatArray
    placed: FloatArray


def hold_against(
    dig: Dig, level: FloatArray, *, tolerance_m: float, outside_m: FloatArray | float
) -> AsDug:
    """Hold a level against the dig.

    Parameters
    ----------
    level
        Elevations as dug, shape (n,), m; NaN where the survey does not reach: nothing is said
        to be dug there.
    tolerance_m
        How truly is dug. A dig shallower than twice as much is down from half its depth.
    outside_m
        Depth from which ground beside the dig counts as dug, m.
    """
    reached = np.isfinite(level)
    known = np.where(reached, level, dig.existing)
    planned, raised = dig.planned, dig.raised
    depth = dig.existing - known
    to_dig = planned > 0
    above = planned - depth
    untouched = ~to_dig | ~reached | (depth < -tolerance_m)
    down = ~untouched & (above <= np.minimum(tolerance_m, planned / 2))
    dug = np.where(down, planned, np.where(untouched, 0.0, depth))
    too_deep = np.where(to_dig & (-above > tolerance_m), -above, 0.0)
    beside = ~to_dig & (raised == 0) & (depth > outside_m)
    outside = np.where(beside, depth, 0.0)
    return AsDug(
        reached=reached,
        dug=dug,
        left=planned - dug,
        taken=np.where(untouched, 0.0, depth) + outside,
        too_deep=too_deep,
        outside=outside,
        too_high=np.where(to_dig & reached & ~down, above, 0.0),
        placed=np.clip(known - dig.existing, 0.0, raised),
    )


def latest_levels(surveyed: Sequence[FloatArray]) -> tuple[FloatArray, ...]:
    """The level at each date: of the last survey up to then that reaches a place.

    Parameters
    ----------
    surveyed
        Elevations of each survey in the order of dates, shape (n,), m; NaN off it.
    """
    levels: list[FloatArray] = []
    for each in surveyed:
        before = levels[-1] if levels else np.full_like(each, np.nan)
        levels.append(np.where(np.isfinite(each), each, before))
    return tuple(levels)


def came_back(levels: Sequence[FloatArray], dig: Dig, *, tolerance_m: float) -> FloatArray:
    """How much higher places of the dig lie now than they once did, shape (n,), m.

    Soil that fell back in or was put there; less than the tolerance is nothing.
    """
    lowest = np.fmin.reduce(np.stack(levels))
    ceiling = np.fmin(levels[-1], dig.existing)
    risen = np.nan_to_num(ceiling - np.fmax(lowest, dig.dig))
    return np.where((dig.planned > 0) & (risen > tolerance_m), risen, 0.0)
