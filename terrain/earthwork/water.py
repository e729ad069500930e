"""Water net of stone and rock: what a body holds by its level, what a pump keeps in transit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray
from terrain.earthwork.displacement import Seated
from terrain.earthwork.layered import Around
from terrain.earthwork.storage import StageStorage, stage_storage

MOST_LEVELS = 40


@dataclass(frozen=True)
class Filling:
    """Stone with voids between two surfaces, each shape (n,), m; `voids` is their share."""

    bottom: FloatArray
    top: FloatArray
    weight: FloatArray
    voids: float


def depth_levels(lowest: float, level: float, step: float) -> FloatArray:
    """The bottom, and levels at whole steps of depth under the water's, ascending, m.

    The step is doubled until there are at most `MOST_LEVELS`.
    """
    while (level - lowest) / step > MOST_LEVELS:
        step *= 2
    count = int(np.ceil((level - lowest) / step - 1e-9))
    levels = level - step * np.arange(count - 1, -1, -1)
    return np.append(lowest, levels)


def net_storage(
    finish: FloatArray,
    weight: FloatArray,
    levels: FloatArray,
    *,
    fillings: Sequence[Filling] = (),
    rock: FloatArray | None = None,
) -> StageStorage:
    """Plan area and net volume of a body of water by its level.

    Parameters
    ----------
    finish, weight
        Top of the stone, and the weights of a quadrature, shape (n,), m and m².
    levels
        Ascending, shape (k,), m.
    fillings
        Lifts under the finish, whose voids hold water too.
    rock
        Rock that keeps water out under each level, shape (k,), m³.

    Returns
    -------
    StageStorage
        `area_m2` is where water stands, open or in voids; rock in it is not taken off. `volume_m3`
        is net of stone and rock.
    """
    free = stage_storage(finish, weight, levels)
    area, volume = free.area_m2, free.volume_m3
    wet = area
    for filling in fillings:
        below = stage_storage(filling.bottom, filling.weight, levels)
        above = stage_storage(filling.top, filling.weight, levels)
        volume = volume + filling.voids * (below.volume_m3 - above.volume_m3)
        wet = wet + below.area_m2 - above.area_m2
    if rock is not None:
        volume = np.maximum(volume - rock, 0.0)
    return StageStorage(levels, wet, np.maximum.accumulate(volume))


def rock_under(rocks: Seated, around: Around, levels: FloatArray) -> FloatArray:
    """Rock between the finish and each level, shape (k,), m³; nothing where no water stands."""
    bottom = np.max(
        [rocks.below(z) for z in (around.subgrade, around.stone, around.finish)], axis=0
    )
    wet = np.isfinite(around.water)
    found: FloatArray = np.array(
        [
            np.sum(np.maximum(rocks.below(np.full(len(bottom), level)) - bottom, 0.0)[wet])
            for level in levels
        ]
    )
    return rocks.volume * found


def held_above(
    water: FloatArray, finish: FloatArray, rest: FloatArray, weight: FloatArray
) -> float:
    """Running water that drains when the pump stops, m³.

    Parameters
    ----------
    water, finish
        Running level and bed at the places of a quadrature, shape (n,), m; NaN level where dry.
    rest
        Level of the pool that stays there, −inf where none does, shape (n,), m.
    weight
        Shape (n,), m².
    """
    depth = np.nan_to_num(water - np.maximum(finish, rest))
    return float(np.sum(np.maximum(depth, 0.0) * weight))


def stream_water(length: float, width: float, depth: float) -> float:
    """Water in a channel of even width and flow depth, `length × width × depth`, m³.

    The hobby's estimate (common practice): upright sides, no pools that stay.
    """
    return length * width * depth


@dataclass(frozen=True)
class Drawdown:
    """What comes back when the pump stops, and whether there is room for it.

    Attributes
    ----------
    reservoir
        Name of the element that the pump draws from.
    running
        Running water of each element above what stays in it, m³, by name.
    heads
        Water that stands above the lip of each fall while it runs, m³, by name.
    running_level_m, spill_level_m, rest_level_m
        Of the reservoir: while the pump runs, at which it runs over, after the pump has stopped.
    room_m3
        In the reservoir between the first two.
    """

    reservoir: str
    running: dict[str, float]
    heads: dict[str, float]
    running_level_m: float
    spill_level_m: float
    rest_level_m: float
    room_m3: float

    @property
    def transit_m3(self) -> float:
        """Held in transit by streams, pools and pits, m³."""
        return sum(self.running.values()) + sum(self.heads.values())

    @property
    def taken(self) -> bool:
        """Whether the reservoir takes it without running over."""
        return self.transit_m3 <= self.room_m3 + 1e-9
