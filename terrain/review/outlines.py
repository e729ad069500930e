"""The rings that bound an outline, whether it is one polygon or several."""

from collections.abc import Iterator

import shapely


def rings(outline: shapely.Polygon | shapely.MultiPolygon) -> Iterator[shapely.LinearRing]:
    """Outer rings and holes."""
    for polygon in getattr(outline, "geoms", [outline]):
        yield polygon.exterior
        yield from polygon.interiors
