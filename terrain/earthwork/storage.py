"""Area and volume of water by its level."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray


@dataclass(frozen=True)
class StageStorage:
    """The curve of a vessel.

    Attributes
    ----------
    level_m
        Ascending, shape (k,).
    area_m2
        Of the water's surface at each level, shape (k,).
    volume_m3
        Under each level, shape (k,).
    """

    level_m: FloatArray
    area_m2: FloatArray
    volume_m3: FloatArray

    def volume_at(self, level: float) -> float:
        """Volume under a level between the curve's ends, linear between its points, m³."""
        return float(np.interp(level, self.level_m, self.volume_m3))


def stage_storage(bottom: FloatArray, weight: FloatArray, levels: FloatArray) -> StageStorage:
    """Area and volume of water over a bottom.

    Parameters
    ----------
    bottom
        Elevation of the vessel's bottom at the places of a quadrature, shape (n,), m.
    weight
        Of the places, shape (n,), m².
    levels
        Where the curve is wanted, ascending, shape (k,), m.
    """
    order = np.argsort(bottom)
    datum = levels[-1]  # heights are counted from the top, so that none is lost to rounding
    z, w = bottom[order] - datum, weight[order]
    heights = levels - datum
    below = np.searchsorted(z, heights, side="left")
    area = np.append(0.0, np.cumsum(w))[below]
    moment = np.append(0.0, np.cumsum(w * z))[below]
    return StageStorage(levels, area, area * heights - moment)
