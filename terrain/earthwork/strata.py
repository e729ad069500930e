"""Where each soil stratum begins below the ground."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from terrain.arrays import BoolArray, FloatArray
from terrain.surface import Surface


@dataclass(frozen=True)
class AtDepth:
    """A top that follows the ground, m below it."""

    depth_m: float


@dataclass(frozen=True)
class AtLevel:
    """A level top, m."""

    level_m: float


@dataclass(frozen=True)
class AtSurvey:
    """A top that was probed or bored: a surface."""

    surface: Surface


Top: TypeAlias = AtDepth | AtLevel | AtSurvey


@dataclass(frozen=True)
class Strata:
    """Tops of the strata under n places, the uppermost first.

    Attributes
    ----------
    tops
        Shape (s, n), m, none above the one before; the first is the ground. Each stratum reaches
        down to the next one's top, the last without end.
    unsurveyed
        Where the survey of a stratum's top does not reach, shape (s, n). The stratum is taken to
        be absent there.
    """

    tops: FloatArray
    unsurveyed: BoolArray


def lay_strata(xy: FloatArray, ground: FloatArray, tops: Sequence[Top]) -> Strata:
    """Put strata under the ground.

    A top by depth or level lies no higher than the tops before it: topsoil keeps its depth over
    rock that is known by its level alone. A surveyed top was seen, so it prevails, up to the
    ground: the strata over it are thinner there, or have run out.

    Parameters
    ----------
    xy
        The places, shape (n, 2), m.
    ground
        Existing ground there, shape (n,), m.
    tops
        Of the second stratum and those below it; the first begins at the ground.
    """
    placed = [ground]
    unsurveyed = np.zeros((1 + len(tops), len(ground)), dtype=np.bool_)
    roof = ground
    for row, top in enumerate(tops, start=1):
        if isinstance(top, AtSurvey):
            z = np.minimum(top.surface.elevation(xy), ground)
            unsurveyed[row] = np.isnan(z)
        elif isinstance(top, AtLevel):
            z = np.minimum(top.level_m, roof)
        else:
            z = np.minimum(ground - top.depth_m, roof)
        roof = np.where(unsurveyed[row], roof, z)
        placed.append(np.where(unsurveyed[row], -np.inf, z))
    for row in range(len(placed) - 2, -1, -1):
        placed[row] = np.maximum(placed[row], placed[row + 1])
    return Strata(np.array(placed), unsurveyed)
