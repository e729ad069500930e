"""A plan region as triangles."""

import numpy as np
import shapely

from terrain.arrays import IntArray
from terrain.surface.delaunay import triangulate
from terrain.surface.tin import Tin


def triangles_of(region: shapely.Polygon | shapely.MultiPolygon) -> Tin:
    """Level triangles at height 0 that cover a region exactly."""
    rings = [
        np.asarray(ring.coords)[:-1, :2]
        for part in getattr(region, "geoms", [region])
        for ring in (part.exterior, *part.interiors)
    ]
    corners, row = np.unique(np.concatenate(rings), axis=0, return_inverse=True)
    fixed = _edges(np.split(row.ravel(), np.cumsum([len(ring) for ring in rings])[:-1]))
    mesh = triangulate(corners, fixed)
    x, y = mesh.corners[mesh.triangles].mean(axis=1).T
    inside = shapely.contains_xy(region, x, y)
    return Tin(np.column_stack([mesh.corners, np.zeros(len(mesh.corners))]), mesh.triangles[inside])


def _edges(rings: list[IntArray]) -> IntArray:
    """Pairs of neighbours around each ring of rows."""
    edges = [np.column_stack([ring, np.roll(ring, -1)]) for ring in rings]
    return np.unique(np.sort(np.concatenate(edges), axis=1), axis=0)
