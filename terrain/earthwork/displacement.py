"""What a rock pushes aside: soil by its embedded part, water by what stands under the level."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray


@dataclass(frozen=True)
class Displacement:
    """Volumes of rock, each shape (n,), m³; `soil + water + dry = whole`."""

    whole: FloatArray
    soil: FloatArray
    water: FloatArray


def ellipsoid_volumes(axes: FloatArray) -> FloatArray:
    """`π a b c / 6` of ellipsoids with full axes, shape (n, 3) → (n,), m³."""
    volumes: FloatArray = np.pi / 6 * np.prod(axes, axis=1)
    return volumes


def share_below(level: FloatArray, centre_z: FloatArray, heights: FloatArray) -> FloatArray:
    """Share of an ellipsoid's volume below a level: `t² (3 − 2t)`, t the relative height.

    Integral of the section area of an ellipsoid over its upright axis; closed form.
    """
    t = np.clip((level - centre_z) / heights + 0.5, 0.0, 1.0)
    share: FloatArray = t * t * (3 - 2 * t)
    return share


def displacement(
    centre_z: FloatArray, axes: FloatArray, embedded: FloatArray, water_level: FloatArray
) -> Displacement:
    """Split the volume of seated ellipsoids between soil, water and air.

    Parameters
    ----------
    centre_z
        Elevation of the middles, shape (n,), m.
    axes
        Full axes, the third upright, shape (n, 3), m.
    embedded
        Share of each volume below the finish, shape (n,).
    water_level
        Level of the water around each, NaN where none, shape (n,), m.
    """
    whole = ellipsoid_volumes(axes)
    below_water = np.nan_to_num(share_below(water_level, centre_z, axes[:, 2]))
    wet = np.maximum(below_water - embedded, 0.0)
    return Displacement(whole, whole * embedded, whole * wet)
