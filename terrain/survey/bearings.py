"""Bearing and distance between places, and the way along and across a line of sight.

Everything is in the plane of the site's grid: bearings are clockwise from grid north.
"""

import math
import re

import numpy as np

from terrain.arrays import FloatArray
from terrain.errors import UnitError

_DMS = re.compile(r"\s*(\d{1,3})\s*°?\s*(\d{1,2})\s*[′'’]?\s*(\d{1,2}(?:\.\d+)?)\s*[″\"”]?\s*")
_SECONDS = 3600


def bearings(station: FloatArray, places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Bearing (degrees, 0 up to 360) and distance (m) from a station, (2,), to places, (n, 2).

    The inverse of the plane traverse: tan(bearing) = ΔE / ΔN. The bearing of the station itself
    is 0.
    """
    east, north = (places - station).T
    turned = np.degrees(np.arctan2(east, north)) % 360.0
    # a bearing a hair left of north must not round up to 360
    return np.where(turned >= 360.0, 0.0, turned), np.hypot(east, north)


def along_and_across(
    start: FloatArray, end: FloatArray, places: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Distance along a line from its start, and across it, to the right if positive, (n,), m."""
    ahead = (end - start) / math.hypot(*(end - start))
    east, north = (places - start).T
    return east * ahead[0] + north * ahead[1], east * ahead[1] - north * ahead[0]


def degrees_minutes_seconds(degrees: float, digits: int = 0) -> str:
    """Write an angle from 0 up to 360: `7°05′09″`.

    Examples
    --------
    >>> degrees_minutes_seconds(179.99999)
    '180°00′00″'
    """
    scale = 10**digits
    counts = round(degrees * _SECONDS * scale) % (360 * _SECONDS * scale)
    minutes, seconds = divmod(counts, 60 * scale)
    width = 3 + digits if digits else 2
    return f"{minutes // 60}°{minutes % 60:02d}′{seconds / scale:0{width}.{digits}f}″"


def parse_degrees_minutes_seconds(text: str) -> float:
    """Return the degrees of `7°05′09″`, `7 05 09` or `7° 5' 9.5"`.

    Raises
    ------
    UnitError
        It is no angle below 360° with minutes and seconds below 60.
    """
    parts = _DMS.fullmatch(text)
    if parts is not None:
        whole, minutes, seconds = int(parts[1]), int(parts[2]), float(parts[3])
        if whole < 360 and minutes < 60 and seconds < 60:
            return whole + minutes / 60 + seconds / _SECONDS
    raise UnitError(f"{text!r} is no bearing", expected="degrees, minutes, seconds: 127°05′09″")
