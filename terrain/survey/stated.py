"""What a file's coordinate system says of its lengths."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from terrain.units import FOOT, METRE, US_SURVEY_FOOT, Unit

if TYPE_CHECKING:
    from pyproj.crs import CRS


@dataclass(frozen=True)
class Stated:
    """The coordinate system of a file.

    Attributes
    ----------
    crs
        Code such as "EPSG:26915" if it has one, else its WKT; pyproj reads both.
    name
        Its name in words.
    degrees
        Its coordinates are degrees, not lengths.
    metres
        Length of one unit of easting and northing, m; of no meaning for degrees.
    height_metres
        Length of one unit of its heights, m; None if it says nothing of heights.
    """

    crs: str
    name: str
    degrees: bool
    metres: float
    height_metres: float | None

    @property
    def unit(self) -> Unit | None:
        """The unit of easting and northing, if it is one that plans know."""
        return None if self.degrees else unit_of(self.metres)


def unit_of(metres: float) -> Unit | None:
    """The unit of this length in metres; None if it is none that plans know."""
    for unit in (METRE, FOOT, US_SURVEY_FOOT):
        if abs(metres / unit.metres - 1) < 1e-7:  # the two feet differ by 2e-6
            return unit
    return None


def stated_by(text: str) -> Stated | None:
    """Read a coordinate system from its code, URN or WKT; None if pyproj does not know it."""
    import pyproj  # noqa: PLC0415 - slow to import, and few outlines name a system

    try:
        crs: CRS = pyproj.CRS.from_user_input(text)
        authority = crs.to_authority(min_confidence=100)
    except (pyproj.exceptions.CRSError, ValueError):
        return None
    plan = [axis for axis in crs.axis_info if axis.direction.lower() not in ("up", "down")]
    heights = [axis for axis in crs.axis_info if axis.direction.lower() == "up"]
    if not plan:
        return None
    return Stated(
        crs=":".join(authority) if authority else crs.to_wkt(),
        name=crs.name,
        degrees=bool(crs.is_geographic),
        metres=float(plan[0].unit_conversion_factor),
        height_metres=float(heights[0].unit_conversion_factor) if heights else None,
    )
