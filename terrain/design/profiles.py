"""Depth against distance inward from a bank."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray
from terrain.errors import PlanError
from terrain.units import METRE, Unit


@dataclass(frozen=True)
class Profile:
    """Depth `f(d)` that never decreases with the distance `d` inward from a bank.

    Attributes
    ----------
    distance, depth
        Corners of a polyline, shape (k,), m; both never decrease, and two corners at one distance
        make a vertical face. Beyond the last corner the depth stays.
    """

    distance: FloatArray
    depth: FloatArray

    @property
    def floor(self) -> float:
        """The greatest depth, m."""
        return float(self.depth[-1])


@dataclass(frozen=True)
class Step:
    """One shelf of a bank: its depth, its width, and the batter of the riser down to it."""

    depth: float
    width: float
    riser: float


def stepped_profile(
    steps: Sequence[Step], floor: float, batter: float, *, unit: Unit = METRE
) -> Profile:
    """Shelves from the edge inward, then one face at `batter` down to the floor.

    Messages are written in `unit`.

    Raises
    ------
    PlanError
        A shelf or the floor is shallower than what lies before it.
    """
    corners = [(0.0, 0.0)]
    for number, step in enumerate(steps, start=1):
        distance, depth = corners[-1]
        if step.depth < depth:
            raise PlanError(
                f"shelf {number} is {unit.length(step.depth, 3)} deep, shallower than the "
                f"{unit.length(depth, 3)} before it",
                expected="depths that grow inward from the edge",
                mend="list the shelves from the edge inward; a raised place is a mound",
            )
        foot = distance + (step.depth - depth) * step.riser
        corners += [(foot, step.depth), (foot + step.width, step.depth)]
    distance, depth = corners[-1]
    if floor < depth:
        raise PlanError(
            f"the floor is {unit.length(floor, 3)} deep, shallower than the "
            f"{unit.length(depth, 3)} before it",
            expected="a floor at least as deep as the last shelf",
            mend="make the floor deeper or the shelf shallower",
        )
    corners.append((distance + (floor - depth) * batter, floor))
    return polyline_profile(corners, unit=unit)


def polyline_profile(corners: Sequence[tuple[float, float]], *, unit: Unit = METRE) -> Profile:
    """The profile through `(distance, depth)` corners; messages are written in `unit`.

    Raises
    ------
    PlanError
        A distance or a depth decreases, or is negative.
    """
    distance, depth = np.array(corners, dtype=np.float64).reshape(-1, 2).T
    for name, values in (("distance", distance), ("depth", depth)):
        wrong = np.flatnonzero(np.diff(values, prepend=0.0) < 0)
        if wrong.size:
            k = int(wrong[0])
            before = values[k - 1] if k else 0.0
            raise PlanError(
                f"corner {k + 1} of the profile has {name} {unit.length(values[k], 3)} after "
                f"{unit.length(before, 3)}",
                expected=f"a {name} that never decreases inward from the bank",
                mend="list the corners from the edge inward, depths measured downward",
            )
    return Profile(np.ascontiguousarray(distance), np.ascontiguousarray(depth))


def bowl_profile(depth: float, inradius: float, *, corners: int = 96) -> Profile:
    """A spherical bowl as deep as `depth` at the `inradius` of its outline.

    The sphere has radius (R² + D²) / 2D; the polyline's corners lie on it, and are closer together
    where it is steep.
    """
    sphere = (inradius**2 + depth**2) / (2 * depth)
    from_middle = inradius * np.cos(np.linspace(0, np.pi / 2, corners))
    # a bowl deeper than its radius has its widest place below the edge; its wall is kept vertical
    below_edge = np.sqrt(np.maximum(sphere**2 - from_middle**2, 0)) - (sphere - depth)
    return Profile(inradius - from_middle, np.maximum.accumulate(np.maximum(below_edge, 0)))
