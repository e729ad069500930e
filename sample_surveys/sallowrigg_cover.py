"""What stands on the ground of Sallowrigg and gets in the way of a drone: all of it made up.

Each thing is a crown over a plan: `top(e, n)` says how high its upper side is above its foot,
and NaN where it does not stand. A beam from above meets it with a certain chance, else it goes on
to the ground.
"""

from dataclasses import dataclass

import numpy as np

from sample_surveys.draws import Draws
from sample_surveys.sallowrigg_hill import ground, to_grid, to_hill
from terrain.arrays import BoolArray, FloatArray


@dataclass(frozen=True)
class Dome:
    """Half an ellipsoid of a radius and height, `lift` above the ground at its middle.

    Attributes
    ----------
    chance
        Share of the beams that it stops.
    depth
        Beams that it stops go into it by up to this share of its thickness.
    ragged
        Share of the radius by which its rim goes in and out.
    """

    e: float
    n: float
    radius: float
    height: float
    chance: float = 1.0
    depth: float = 0.0
    lift: float = 0.0
    ragged: float = 0.0

    def near(self, e: FloatArray, n: FloatArray) -> BoolArray:
        """Beams that could meet it."""
        return (np.abs(e - self.e) < self.radius) & (np.abs(n - self.n) < self.radius)

    def thickness(self, e: FloatArray, n: FloatArray) -> FloatArray:
        """Height of the dome's upper side above its base, NaN beside it."""
        x, y = e - self.e, n - self.n
        lobes = np.cos(3.0 * np.arctan2(y, x) + 7.0 * self.e) * np.cos(2.0 * self.n)
        rim = self.radius * (1.0 - self.ragged * 0.5 * (1.0 + lobes))
        inside = 1.0 - (x**2 + y**2) / rim**2
        return self.height * np.sqrt(np.where(inside > 0, inside, np.nan))

    def returns(self, e: FloatArray, n: FloatArray, draws: Draws) -> FloatArray:
        """Elevations that beams at (e, n) bring back, NaN where they go on to the ground."""
        thickness = self.thickness(e, n)
        into = draws.uniform(0.0, self.depth, e.size)
        stopped = draws.uniform(0.0, 1.0, e.size) < self.chance
        foot = float(ground(np.array(self.e), np.array(self.n))) + self.lift
        return np.where(stopped, foot + thickness * (1.0 - into), np.nan)


@dataclass(frozen=True)
class Machine:
    """An excavator, parked: boxes and a bent boom, in its own axes (a ahead, b to the left)."""

    s: float
    t: float

    def axes(self, e: FloatArray, n: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Metres ahead of its turntable and to its left; it looks downhill."""
        s, t = to_hill(e, n)
        return s - self.s, t - self.t

    def covers(self, e: FloatArray, n: FloatArray) -> BoolArray:
        """Whether nobody can stand there with a pole."""
        a, b = self.axes(e, n)
        return (a > -2.6) & (a < 6.2) & (np.abs(b) < 1.7)

    near = covers

    @property
    def foot(self) -> float:
        """Elevation of the ground under its turntable."""
        return float(ground(*to_grid(np.array(self.s), np.array(self.t))))

    def top(self, e: FloatArray, n: FloatArray) -> FloatArray:
        """Height of its upper side above the ground under its turntable, NaN beside it."""
        a, b = self.axes(e, n)
        aside = np.abs(b)
        top = np.full(a.shape, np.nan)
        boom = np.interp(a, [0.9, 3.0, 4.9, 5.2, 5.6], [1.9, 3.4, 1.7, 0.7, 0.35])
        parts = (
            ((np.abs(a) < 1.9) & (aside > 0.75) & (aside < 1.20), 0.70),  # tracks
            ((np.abs(a) < 1.0) & (aside <= 0.75), 0.90),  # undercarriage
            ((a > -1.9) & (a < 0.9) & (aside < 1.15), 1.85),  # engine house
            ((a > -0.3) & (a < 1.0) & (b > 0.10) & (b < 1.10), 2.75),  # cab
            ((a > 0.9) & (a < 5.2) & (np.abs(b + 0.25) < 0.19), boom),
            ((a > 4.8) & (a < 5.6) & (np.abs(b + 0.25) < 0.50), 0.75),  # bucket
        )
        for inside, height in parts:
            top = np.where(inside, np.fmax(top, height), top)
        return top

    def returns(self, e: FloatArray, n: FloatArray, draws: Draws) -> FloatArray:
        """Elevations that beams at (e, n) bring back, NaN where they go on to the ground."""
        return self.foot + self.top(e, n) + draws.normal(0.015, e.size)

    def sides(self, draws: Draws, count: int) -> FloatArray:
        """Points on the upright faces of its engine house, seen aslant, shape (count, 3)."""
        ahead, aside, height = 1.9, 1.15, 1.85
        around = draws.uniform(0.0, 4.0, count)
        along = 2.0 * (around % 1.0) - 1.0
        face = around.astype(np.int64)
        a = np.choose(face, [along * ahead, np.full(count, ahead - 1.0), along * ahead, -ahead])
        b = np.choose(face, [np.full(count, -aside), along * aside, aside, along * aside])
        e, n = to_grid(self.s + a, self.t + b)
        up = draws.uniform(0.7, height, count)
        return np.column_stack([e, n, self.foot + up])


MACHINE = Machine(s=17.6, t=11.9)

BOULDERS = tuple(
    Dome(e, n, radius, height, ragged=0.25)
    for e, n, radius, height in (
        (5006.2, 12021.4, 0.55, 0.45),
        (5009.3, 12026.7, 0.80, 0.70),
        (5010.6, 12017.9, 0.60, 0.50),
        (5008.1, 12013.2, 0.70, 0.60),
        (5011.2, 12011.0, 0.45, 0.35),
        (5003.4, 12008.8, 0.65, 0.50),
        (5014.9, 12010.6, 0.50, 0.45),
        (5016.8, 12019.6, 0.60, 0.40),
        (5027.6, 12013.8, 0.75, 0.65),
        (5028.8, 12021.5, 0.55, 0.45),
        (5025.6, 12004.6, 0.60, 0.55),
        (5038.5, 12026.6, 0.50, 0.40),
    )
)

TREES = tuple(
    Dome(e, n, radius, height, chance=0.6, depth=0.9, lift=lift, ragged=0.2)
    for e, n, radius, height, lift in (
        (5003.2, 12004.0, 2.3, 2.6, 1.5),
        (5005.0, 12025.4, 2.6, 2.9, 1.8),
        (5037.0, 12003.6, 2.2, 2.4, 1.4),
        (5036.9, 12016.6, 1.9, 2.2, 1.3),
    )
)

SHRUBS = tuple(
    Dome(e, n, radius, height, chance=0.92, depth=0.25, ragged=0.3)
    for e, n, radius, height in (
        (5001.8, 12013.6, 0.9, 1.1),
        (5002.6, 12018.2, 0.7, 0.8),
        (5004.1, 12012.4, 1.1, 1.4),
        (5007.0, 12009.3, 0.8, 0.9),
        (5007.9, 12018.6, 0.6, 0.7),
        (5008.6, 12003.1, 1.0, 1.2),
        (5011.8, 12023.8, 0.9, 1.0),
        (5014.2, 12027.8, 1.2, 1.5),
        (5012.6, 12002.4, 0.7, 0.8),
        (5019.0, 12002.0, 0.8, 1.0),
        (5023.9, 12006.4, 0.6, 0.6),
        (5027.3, 12009.8, 0.9, 1.0),
        (5029.4, 12017.2, 1.0, 1.1),
        (5028.9, 12024.9, 0.8, 0.9),
        (5031.6, 12020.4, 0.7, 0.7),
        (5032.9, 12004.9, 1.0, 1.2),
        (5037.6, 12012.0, 0.9, 1.0),
        (5038.3, 12020.9, 1.1, 1.3),
        (5034.2, 12028.2, 0.8, 0.9),
    )
)


def rush_tussocks(draws: Draws, count: int = 90) -> tuple[Dome, ...]:
    """Tufts of rush, thick where the terrace is wet."""
    e, n = to_grid(19.5 + draws.normal(4.0, count), draws.normal(5.5, count))
    radius = draws.uniform(0.12, 0.30, count)
    height = draws.uniform(0.15, 0.45, count)
    return tuple(
        Dome(float(e[k]), float(n[k]), float(radius[k]), float(height[k]), chance=0.75, depth=0.8)
        for k in range(count)
    )
