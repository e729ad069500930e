"""The higher of two surfaces."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.surface.protocol import Surface


@dataclass(frozen=True)
class Higher:
    """At each place the higher of two surfaces, where both are known."""

    one: Surface
    other: Surface

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m; NaN where either is unknown."""
        return np.maximum(self.one.elevation(xy), self.other.elevation(xy))

    @cached_property
    def footprint(self) -> shapely.Polygon | shapely.MultiPolygon:
        """Where both are."""
        if self.one.footprint is self.other.footprint:
            return self.one.footprint
        return shapely.intersection(self.one.footprint, self.other.footprint)
