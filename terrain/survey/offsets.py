"""Surveys that overlap and stand a little off: the other foot, and heights."""

from collections.abc import Sequence

import numpy as np
from scipy.spatial import KDTree

from terrain.arrays import FloatArray
from terrain.survey.suspicion import (
    Heights,
    Kind,
    Known,
    Suspicion,
    middle_of,
)
from terrain.units import FOOT, FOOT_M, US_SURVEY_FOOT_M

_ENOUGH = 20  # common points from which heights can be compared
_SHIFT_M = 0.10  # smallest constant difference in height that is told
_SAME_M = 0.10  # two shots of one stake
_STEADY = 3.0  # it must be this many times its own spread
_FEET = US_SURVEY_FOOT_M / FOOT_M


def other_foot(here: FloatArray, known: Sequence[Known]) -> list[Suspicion]:
    """Two parts in a million: the shift of the other foot makes points or heights coincide."""
    middle = np.array(middle_of(here))
    shift = float(np.hypot(*middle)) * (_FEET - 1)
    if shift < 0.05:
        return []
    for other in known:
        for factor, is_in, is_read in (
            (_FEET, "US survey feet", "international feet"),
            (1 / _FEET, "international feet", "US survey feet"),
        ):
            moved = here.copy()
            moved[:, :2] += middle * (factor - 1)
            why = _points_coincide(here, moved, other, shift) or _heights_coincide(
                here, moved, other
            )
            if why:
                return [
                    Suspicion(
                        Kind.OTHER_FOOT,
                        f"a shift of {shift:.3f} m, 2 parts in a million of its place, {why}: it "
                        f"is in {is_in} and was read in {is_read}",
                        f'set unit = "{"us-ft" if factor > 1 else FOOT.key}" for this survey',
                    )
                ]
    return []


def _points_coincide(here: FloatArray, moved: FloatArray, other: Known, shift: float) -> str:
    tree = KDTree(other.xyz[:, :2])
    before = np.asarray(tree.query(here[:, :2])[0])
    after = np.asarray(tree.query(moved[:, :2])[0])
    close = after < min(0.2 * shift, _SAME_M)
    if close.sum() < max(3, 0.3 * len(here)) or np.median(before[close]) < 0.7 * shift:
        return ""
    return (
        f"brings {int(close.sum()):,} of its points to points of {other.name} "
        f"(within {np.median(after[close]):.3f} m; {np.median(before[close]):.3f} m as read)"
    )


def _heights_coincide(here: FloatArray, moved: FloatArray, other: Known) -> str:
    before, after = other.heights(here), other.heights(moved)
    back = other.heights(_other_way(here, moved))
    if before is None or after is None or back is None or after.places < 5 * _ENOUGH:
        return ""
    if after.spread > 0.4 * before.spread or after.spread > 0.4 * back.spread:
        return ""
    return (
        f"lets its heights follow {other.name} to ±{after.spread:.3f} m "
        f"(±{before.spread:.3f} m as read)"
    )


def _other_way(here: FloatArray, moved: FloatArray) -> FloatArray:
    """The same shift the other way."""
    back = here.copy()
    back[:, :2] = 2 * here[:, :2] - moved[:, :2]
    return back


def other_heights(here: FloatArray, known: Sequence[Known]) -> list[Suspicion]:
    """Find heights in another unit, or above or below another survey by a constant."""
    for other in known:
        heights = other.heights(here)
        if heights is None or abs(heights.median) < _SHIFT_M:
            continue
        found = _height_unit(here, other, heights)
        if not found and heights.spread * _STEADY <= abs(heights.median):
            above = "above" if heights.median > 0 else "below"
            found = [
                Suspicion(
                    Kind.HEIGHT_SHIFT,
                    f"its heights lie {abs(heights.median):.2f} m {above} {other.name} "
                    f"(±{heights.spread:.2f} m) at {heights.places:,} places",
                    f'check both benchmarks; raise = "{-heights.median:.2f} m" for this survey '
                    f"brings it to {other.name}",
                )
            ]
        if found:
            return found
    return []


def _height_unit(here: FloatArray, other: Known, as_read: Heights) -> list[Suspicion]:
    for factor, is_in, was in ((FOOT_M, "feet", "metres"), (1 / FOOT_M, "metres", "feet")):
        scaled = here.copy()
        scaled[:, 2] *= factor
        after = other.heights(scaled)
        if after is None or abs(as_read.median) < 2.0:
            continue
        if abs(after.median) <= max(0.5, 0.01 * abs(as_read.median)) and after.spread <= max(
            as_read.spread, 0.3
        ):
            return [
                Suspicion(
                    Kind.HEIGHT_UNIT,
                    f"its heights lie {as_read.median:+,.2f} m from {other.name} as read and "
                    f"{after.median:+.2f} m (±{after.spread:.2f} m) if they are {is_in}, at "
                    f"{after.places:,} places",
                    f"its heights are in {is_in} and were read as {was}: export them in the unit "
                    "of the plan coordinates, or give a compound crs",
                )
            ]
    return []
