"""The simplest surface: one plane over one region."""

from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray


@dataclass(frozen=True)
class Plane:
    """`z = level + east_grade * x + north_grade * y`, everywhere inside `footprint`."""

    level: float
    footprint: shapely.Polygon | shapely.MultiPolygon
    east_grade: float = 0.0
    north_grade: float = 0.0

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m; NaN outside the footprint."""
        z = self.level + self.east_grade * xy[:, 0] + self.north_grade * xy[:, 1]
        inside = shapely.intersects_xy(self.footprint, xy[:, 0], xy[:, 1])
        return np.where(inside, z, np.nan)
