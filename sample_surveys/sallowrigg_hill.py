"""The ground of Sallowrigg in closed form, and the lines on it that a surveyor would walk.

The garden falls to the east-south-east: rough hillside, an upper bank, a wet terrace, a lower bank,
a ditch along its foot, then a lawn crossed by a path. Two hill coordinates describe it, both in
metres: `s` runs downhill and `t` along the contour to the north, and the middle of the garden is
at s = 20, t = 0.
"""

import math
from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray

WEST, SOUTH = 5000.0, 12000.0
LENGTH, WIDTH = 40.0, 30.0  # east-west and north-south, m
_ASIDE = math.radians(15.0)  # downhill is this far to the south of east
_COS, _SIN = math.cos(_ASIDE), math.sin(_ASIDE)


def to_hill(e: FloatArray, n: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Hill coordinates (s, t) of eastings and northings."""
    x, y = np.asarray(e) - WEST - LENGTH / 2, np.asarray(n) - SOUTH - WIDTH / 2
    return 20.0 + _COS * x - _SIN * y, _SIN * x + _COS * y


def to_grid(s: FloatArray, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Eastings and northings of hill coordinates (s, t)."""
    s, t = np.asarray(s) - 20.0, np.asarray(t)
    return WEST + LENGTH / 2 + _COS * s + _SIN * t, SOUTH + WIDTH / 2 - _SIN * s + _COS * t


@dataclass(frozen=True)
class Crease:
    """A line along the contour where the slope of the hill changes.

    Attributes
    ----------
    code
        Code under which the surveyor shoots it.
    s, swing, turn, phase
        It runs at `s + swing·sin(turn·t + phase)`.
    slope
        Fall per metre below it, down to the next crease.
    """

    code: str
    s: float
    swing: float
    turn: float
    phase: float
    slope: float

    def at(self, t: FloatArray) -> FloatArray:
        """Where the crease runs: s for every t."""
        return self.s + self.swing * np.sin(self.turn * t + self.phase)


CREASES = (
    Crease("TB1", 8.5, 1.1, 0.24, 0.4, slope=0.49),
    Crease("TOE1", 13.0, 0.9, 0.29, 1.1, slope=0.06),
    Crease("TB2", 27.6, 0.8, 0.27, 2.6, slope=0.42),
    Crease("TOE2", 30.8, 0.7, 0.23, 2.1, slope=0.09),
    Crease("PE1", 36.4, 0.7, 0.16, 1.2, slope=0.02),
    Crease("PE2", 37.6, 0.7, 0.16, 1.2, slope=0.09),
)
_BROW = 243.80  # elevation where the first crease would run if it were straight
_HILLSIDE = 0.13  # fall per metre above the first crease
_TO_SOUTH = 0.012  # fall per metre along the contour
_WEAR = 0.12  # a crease is rounded over about this distance, m

DITCH = Crease("DB1", 33.3, 0.5, 0.25, 0.8, slope=0.0)
DITCH_HALF_WIDTH = 0.65


def _bend(x: FloatArray, wear: float) -> FloatArray:
    """The larger of x and 0, rounded over about `wear` (a branch of a hyperbola)."""
    return 0.5 * (x + np.sqrt(x * x + wear * wear))


def _ditch_depth(s: FloatArray, t: FloatArray) -> FloatArray:
    """V-shaped, deeper to the south so that it drains."""
    deepest = 0.40 - 0.006 * t
    aside = np.sqrt((s - DITCH.at(t)) ** 2 + 0.05**2)
    return deepest * _bend(1.0 - aside / DITCH_HALF_WIDTH, 0.06)


def _swells(s: FloatArray, t: FloatArray) -> FloatArray:
    """Old humps and hollows, and the wet hollow in the terrace."""
    drift = 0.9 * np.sin(0.23 * s - 0.17 * t) + 0.7 * np.sin(0.31 * t + 0.6)
    humps = (
        0.050 * np.sin(0.52 * s + 0.31 * t + drift + 1.0)
        + 0.030 * np.sin(0.74 * t - 0.36 * s + 1.6 * drift + 2.0)
        + 0.014 * np.sin(1.25 * s + 0.85 * t - 1.3 * drift)
    )
    return humps - 0.14 * np.exp(-((s - 21.5) ** 2 + (0.8 * t) ** 2) / 3.6**2)


def ground(e: FloatArray, n: FloatArray) -> FloatArray:
    """Elevation of the bare ground of Sallowrigg, m.

    ::

        z = brow − 0.13·(s − 8.5) + 0.012·t − Σ Δslope_i · bend(s − crease_i(t)) − ditch + swells

    Parameters
    ----------
    e, n
        Eastings and northings of the local grid, m, any shape.

    Returns
    -------
    Elevation above the local datum, m, same shape.
    """
    s, t = to_hill(e, n)
    z = _BROW - _HILLSIDE * (s - CREASES[0].s) + _TO_SOUTH * t
    above = _HILLSIDE
    for crease in CREASES:
        z = z - (crease.slope - above) * _bend(s - crease.at(t), _WEAR)
        above = crease.slope
    return z - _ditch_depth(s, t) + _swells(s, t)


def _loop(
    s: float, t: float, radii: tuple[float, ...], count: int
) -> tuple[FloatArray, FloatArray]:
    """Closed loop around (s, t) through `radii` at even angles, smooth in between.

    The points run counter-clockwise from the downhill side; the first is not repeated.
    """
    angle = 2.0 * np.pi * np.arange(count) / count
    waves = np.fft.rfft(np.asarray(radii)) / len(radii)
    waves[1 : (len(radii) + 1) // 2] *= 2.0
    radius = sum(
        wave.real * np.cos(order * angle) - wave.imag * np.sin(order * angle)
        for order, wave in enumerate(waves)
    )
    return to_grid(s + radius * np.cos(angle), t + radius * np.sin(angle))


def pond_edge(count: int = 38) -> tuple[FloatArray, FloatArray]:
    """The pond's edge as pegged on the terrace: two bays, and a waist where the water comes in."""
    radii = (3.4, 3.9, 4.8, 5.1, 4.0, 2.8, 2.35, 3.0, 4.7, 5.3, 4.5, 3.6)
    return _loop(21.6, 0.0, radii, count)


def plunge_pool_edge(count: int = 14) -> tuple[FloatArray, FloatArray]:
    """The plunge pool's edge, at the foot of the upper bank."""
    return _loop(13.9, -0.6, (1.45, 1.6, 1.75, 1.35, 1.2, 1.7, 1.6, 1.3), count)


def filter_pit_edge(count: int = 12) -> tuple[FloatArray, FloatArray]:
    """The filter pit's edge: nearly a rectangle, its sides a little bowed."""
    angle = 2.0 * np.pi * (np.arange(count) + 0.5) / count
    square = (np.cos(angle) ** 6 + np.sin(angle) ** 6) ** (-1 / 6)
    uneven = square * (1.0 + 0.03 * np.cos(3 * angle - 1.0))
    return to_grid(18.6 + 2.15 * uneven * np.cos(angle), 8.0 + 1.22 * uneven * np.sin(angle))
