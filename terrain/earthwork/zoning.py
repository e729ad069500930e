"""Which part of each place lies in which region."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray, Int32Array, IntArray


@dataclass(frozen=True)
class Shares:
    """Places shared out to regions, a row for each place and region that meet.

    Attributes
    ----------
    place
        Row of the place, shape (k,).
    region
        Row of the region, or how many there are for what lies in none, shape (k,).
    weight
        Plan area that they share, shape (k,), m²; over the regions it sums to the place's own.
    """

    place: IntArray
    region: Int32Array
    weight: FloatArray


def share_out(xy: FloatArray, weight: FloatArray, regions: Sequence[shapely.Polygon]) -> Shares:
    """Share each place's plan area out to regions; where two overlap the first has it.

    Parameters
    ----------
    xy, weight
        Places and their plan areas, shape (n, 2) and (n,), m and m². Each stands for an upright
        square about itself.
    """
    left = weight.copy()
    earlier: shapely.Geometry = shapely.Polygon()
    found = []
    for row, region in enumerate(regions):
        own = shapely.difference(region, earlier)
        earlier = shapely.union(earlier, region)
        area = np.minimum(_areas_within(own, xy, weight), left)
        left -= area
        found.append((row, area))
    found.append((len(regions), left))
    met = [np.flatnonzero(area > 0) for _, area in found]
    return Shares(
        np.concatenate(met).astype(np.int64),
        np.repeat([row for row, _ in found], [len(rows) for rows in met]).astype(np.int32),
        np.concatenate([area[rows] for rows, (_, area) in zip(met, found, strict=True)]),
    )


def _areas_within(region: shapely.Geometry, xy: FloatArray, weight: FloatArray) -> FloatArray:
    """The part of each place's square that lies in a region, m²."""
    x, y = xy[:, 0], xy[:, 1]
    shapely.prepare(region)
    area = np.where(shapely.contains_xy(region, x, y), weight, 0.0)
    half = np.sqrt(weight) / 2
    edge = shapely.boundary(region)
    shapely.prepare(edge)
    near = np.flatnonzero(shapely.dwithin(edge, shapely.points(x, y), np.sqrt(2) * half))
    x, y, half = x[near], y[near], half[near]
    squares = shapely.box(x - half, y - half, x + half, y + half)
    area[near] = shapely.area(shapely.intersection(squares, region))
    return area
