"""In which coordinates a file is written: those of the site's system, or the site's own grid."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from terrain.arrays import FloatArray
from terrain.errors import OutputError, Place
from terrain.units import METRE, UNITS, Unit

if TYPE_CHECKING:
    from pyproj.crs import CRS


@dataclass(frozen=True)
class Coordinates:
    """What the numbers of a file mean.

    Attributes
    ----------
    crs
        Code or well-known text of the coordinate system in plan; None for the site's own grid.
    metres
        Length of one number, m.
    unit
        Their unit; heights are in it too.
    """

    crs: str | None
    metres: float
    unit: Unit

    def numbers(self, xy: FloatArray) -> FloatArray:
        """True coordinates, m, as they stand in the file."""
        return xy / self.metres


def coordinates_of(crs: str | None, unit: Unit) -> Coordinates:
    """Choose the unit of the coordinate system, or without one that of the site."""
    if crs is None:
        return Coordinates(None, unit.metres, unit)
    from terrain.survey.place import plan_crs, site_crs  # noqa: PLC0415 - loads pyproj

    flat = plan_crs(site_crs(crs))
    metres = float(flat.axis_info[0].unit_conversion_factor)
    own = next((each for each in UNITS.values() if abs(metres / each.metres - 1) < 1e-7), METRE)
    return Coordinates(_named(flat), metres, own)


def to_degrees(xy: FloatArray, crs: str) -> FloatArray:
    """Longitude and latitude in WGS 84 of true coordinates, shape (n, 2), m.

    Raises
    ------
    OutputError
        A place has none.
    """
    import pyproj  # noqa: PLC0415 - slow to load

    from terrain.survey.place import plan_crs, site_crs  # noqa: PLC0415

    flat = plan_crs(site_crs(crs))
    pyproj.network.set_network_enabled(active=False)  # type: ignore[attr-defined]
    way = pyproj.Transformer.from_crs(flat, "EPSG:4326", always_xy=True)
    numbers = xy / flat.axis_info[0].unit_conversion_factor
    degrees = np.column_stack(way.transform(numbers[:, 0], numbers[:, 1]))
    if not np.isfinite(degrees).all():
        raise OutputError(
            f"a point of the site cannot lie in {flat.name}",
            place=Place(key="site, crs"),
            expected="coordinates of the site's own system",
            mend="check crs and unit in [site]",
        )
    return degrees


def _named(crs: "CRS") -> str:
    code = crs.to_epsg(min_confidence=100)
    return f"EPSG:{code}" if code else str(crs.to_wkt())
