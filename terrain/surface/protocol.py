"""What everything here means by a surface."""

from typing import Protocol

import shapely

from terrain.arrays import FloatArray


class Surface(Protocol):
    """Anything that answers: how high at (x, y)?"""

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m; NaN off the surface."""
        ...

    @property
    def footprint(self) -> shapely.Polygon | shapely.MultiPolygon:
        """The plan area where the surface has a height."""
        ...
