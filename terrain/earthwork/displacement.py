"""What a rock pushes aside: soil and gravel by its embedded part, water by what stands in it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray
from terrain.earthwork.layered import Around

ShareBelow = Callable[[FloatArray], FloatArray]
"""Share of a rock's volume below heights, counted from its underside as a part of its height."""


@dataclass(frozen=True)
class Seated:
    """Rocks of one form: underside of each, shape (n,), m; height of all, m; volume of each, m³."""

    underside: FloatArray
    height: float
    volume: float
    share_below: ShareBelow

    def below(self, level: FloatArray) -> FloatArray:
        """Share of each rock's volume below a level, shape (n,), m; NaN where the level is NaN."""
        return self.share_below((level - self.underside) / self.height)


@dataclass(frozen=True)
class Displacement:
    """Volumes of rock, each shape (n,), m³; `soil + gravel + water + dry = whole`."""

    whole: FloatArray
    soil: FloatArray
    gravel: FloatArray
    water: FloatArray
    dry: FloatArray


def ellipsoid_volumes(axes: FloatArray) -> FloatArray:
    """`π a b c / 6` of ellipsoids with full axes, shape (n, 3) → (n,), m³."""
    volumes: FloatArray = np.pi / 6 * np.prod(axes, axis=1)
    return volumes


def ellipsoid_share(height: FloatArray) -> FloatArray:
    """Share of an ellipsoid's volume below a relative height t: `t² (3 − 2t)`.

    Integral of the section area of an ellipsoid over its upright axis; closed form.
    """
    t = np.clip(height, 0.0, 1.0)
    share: FloatArray = t * t * (3 - 2 * t)
    return share


def share_below(level: FloatArray, centre_z: FloatArray, heights: FloatArray) -> FloatArray:
    """Share of an ellipsoid's volume below a level, from its middle and height, m."""
    return ellipsoid_share((level - centre_z) / heights + 0.5)


def displacement(rocks: Seated, around: Around) -> Displacement:
    """Split rocks between the soil, the gravel, the water and the air around them.

    Each surface is taken as level at its height in the middle of the rock. Under the finish the
    rock takes the place of drapes and lifts between `subgrade` and `stone`, of soil below and
    above them; over the finish of water up to its level, and of nothing above.
    """
    to_soil = rocks.below(around.subgrade)
    to_stone = np.maximum(rocks.below(around.stone), to_soil)
    to_finish = np.maximum(rocks.below(around.finish), to_stone)
    to_water = np.fmax(rocks.below(around.water), to_finish)
    whole = np.full(len(to_soil), rocks.volume)
    return Displacement(
        whole=whole,
        soil=whole * (to_soil + (to_finish - to_stone)),
        gravel=whole * (to_stone - to_soil),
        water=whole * (to_water - to_finish),
        dry=whole * (1 - to_water),
    )


def displaced_pores(
    rocks: Seated, around: Around, tops: FloatArray, voids: FloatArray, level: float
) -> FloatArray:
    """Water that the rocks keep out of the voids of a pit's lifts, shape (n,), m³.

    Parameters
    ----------
    tops, voids
        Elevation of the top of each lift, bottom up, m, and the share of it that is voids.
    level
        Of the water that fills the voids, m; NaN for none.
    """
    kept_out = np.zeros(len(rocks.underside))
    if np.isnan(level):
        return kept_out
    reach = np.minimum(around.stone, level)
    under = np.minimum(around.bed, reach)
    for top, void in zip(tops, voids, strict=True):
        over = np.clip(top, under, reach)
        kept_out += rocks.volume * void * (rocks.below(over) - rocks.below(under))
        under = over
    return kept_out
