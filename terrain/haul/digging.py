"""How much an excavator digs in an hour.

The tables are those of a textbook (Nunnally, *Construction Methods and Management*, ch. 3, from
memory): a bucket's fill and passes an hour by soil, and what swing and depth make of them.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from terrain.design.soil_tables import Digging

_YARD_M3 = 0.9144**3


class _Hardness(NamedTuple):
    """Fill of a heaped bucket (low, likely, high), and passes an hour by size of machine."""

    fill: tuple[float, float, float]
    passes_h: tuple[float, float, float]


_BY_SOIL: dict[Digging, _Hardness] = {
    "easy": _Hardness((0.90, 0.95, 1.00), (250, 200, 150)),  # sand and gravel, loam
    "medium": _Hardness((0.80, 0.90, 1.10), (200, 160, 120)),  # common earth, soft clay
    "hard": _Hardness((0.65, 0.80, 0.95), (160, 130, 100)),  # tough clay
    "rock": _Hardness((0.70, 0.80, 0.90), (160, 130, 100)),  # well broken first
}
_LARGER_THAN_M3 = (1.125 * _YARD_M3, 2.375 * _YARD_M3)  # between the table's sizes
_SWING_DEG = np.array([45.0, 60.0, 75.0, 90.0, 120.0, 180.0])
_DEPTH = np.array([0.3, 0.5, 0.7, 0.9])  # of the machine's reach
_SWING_DEPTH = np.array(
    [
        [1.33, 1.26, 1.21, 1.15, 1.08, 0.95],
        [1.28, 1.21, 1.16, 1.10, 1.03, 0.91],
        [1.16, 1.10, 1.05, 1.00, 0.94, 0.83],
        [1.04, 1.00, 0.95, 0.90, 0.85, 0.75],
    ]
)


@dataclass(frozen=True)
class Digger:
    """An excavator in one soil.

    Attributes
    ----------
    pass_m3
        Loose soil that one pass moves.
    cycle_s
        Time of one pass.
    efficiency
        Share of an hour that is worked.
    """

    pass_m3: float
    cycle_s: float
    efficiency: float

    @property
    def loose_m3_per_h(self) -> float:
        """What it digs, if nothing keeps it waiting: 3600 / cycle × pass × efficiency."""
        return 3600 / self.cycle_s * self.pass_m3 * self.efficiency


def bucket_fill(digging: Digging) -> tuple[float, float, float]:
    """Share of a heaped bucket that is filled: low, likely, high."""
    return _BY_SOIL[digging].fill


def cycle_time(bucket_m3: float, digging: Digging) -> float:
    """Time of a pass at a swing of 90° and seven tenths of the reach, s."""
    size = sum(bucket_m3 > limit for limit in _LARGER_THAN_M3)
    return 3600 / _BY_SOIL[digging].passes_h[size]


def swing_depth(swing_deg: float, depth_share: float) -> float:
    """What the passes an hour are multiplied by for swing and depth.

    Linear between the places of the table, and as at its border outside it.

    Parameters
    ----------
    swing_deg
        Angle between digging and dumping.
    depth_share
        Mean depth of the dig over the greatest that the machine can dig.
    """
    at_depth = [float(np.interp(swing_deg, _SWING_DEG, row)) for row in _SWING_DEPTH]
    return float(np.interp(depth_share, _DEPTH, at_depth))
