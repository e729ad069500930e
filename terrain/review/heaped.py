"""Heaps of spoil in pictures: their thickness in relief, their toe and top on the plan."""

from typing import TYPE_CHECKING

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.review import look

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from terrain.heaping import LaidHeap
    from terrain.site import Site

SPOIL, TOE = "#c9b266", "#8f6a1e"
ACROSS = 120  # places that a heap is asked at, each way, for its contours


def heaps_of(site: "Site") -> tuple["LaidHeap", ...]:
    """The heaps of a site that hold anything; a plan without one is not measured for them."""
    if not any(element.kind == "heap" for element in site.elements):
        return ()
    return tuple(each for each in site.heaps.heaps if each.heap.volume_loose_m3 > 0)


def heaped(site: "Site", x: FloatArray, y: FloatArray) -> FloatArray:
    """Thickness of all heaps at the nodes of columns `x` and rows `y`, (ny, nx), m."""
    thick = np.zeros((len(y), len(x)))
    for each in heaps_of(site):
        west, south, east, north = each.heap.toe.bounds
        columns = np.flatnonzero((x >= west) & (x <= east))
        rows = np.flatnonzero((y >= south) & (y <= north))
        part = np.stack(np.meshgrid(x[columns], y[rows]), axis=-1)
        laid = each.heap.surface.thickness(part.reshape(-1, 2))
        thick[np.ix_(rows, columns)] += laid.reshape(part.shape[:2])
    return thick


def draw_heaps(axes: "Axes", site: "Site", step: float) -> None:
    """The toe of each heap, its contours every `step` (m), and its top, in local metres."""
    for each in heaps_of(site):
        _contours(axes, each, step)
        for part in shapely.get_parts(each.heap.toe):
            for ring in (part.exterior, *part.interiors):
                axes.plot(*ring.xy, color=TOE, lw=1.1, zorder=11)
                axes.fill(*ring.xy, color=SPOIL, alpha=0.3, lw=0, zorder=4)
        for line in shapely.get_parts(each.heap.top):
            if line.geom_type == "Point":
                axes.plot(line.x, line.y, "^", ms=5, color=SPOIL, mec=look.INK, mew=0.5, zorder=13)
            else:
                edge = line.exterior if line.geom_type == "Polygon" else line
                axes.plot(*edge.xy, color=TOE, lw=0.9, dashes=(4, 2), zorder=11)


def _contours(axes: "Axes", laid: "LaidHeap", step: float) -> None:
    west, south, east, north = laid.heap.toe.bounds
    x, y = np.linspace(west, east, ACROSS), np.linspace(south, north, ACROSS)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    off = ~shapely.contains_xy(laid.heap.toe, places[:, 0], places[:, 1])
    z = np.ma.masked_array(laid.heap.surface.elevation(places), off).reshape(ACROSS, ACROSS)
    levels = step * np.arange(np.ceil(z.min() / step), np.floor(z.max() / step) + 1)
    if len(levels):
        axes.contour(x, y, z, levels=levels, colors=TOE, linewidths=0.7, zorder=10)
