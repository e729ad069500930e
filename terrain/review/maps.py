"""Maps on a sheet: the surveyed part of the site at a true scale, its coordinates and contours."""

import math
from typing import TYPE_CHECKING

import numpy as np

from terrain.arrays import FloatArray
from terrain.review import canvas, look
from terrain.review.canvas import FreeSpace
from terrain.review.papers import Paper, inset, true_scale

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from terrain.design import Composition
    from terrain.site import Site
    from terrain.units import Unit

LAND = "#efe9d8"
CONTOUR = "#7a6a4c"


def _room(paper: Paper) -> FloatArray:
    """Width and height of the map, inches: what the frame, title block and legend leave."""
    return np.array([paper.wide_in - 0.56 - 0.5 - 2.35, paper.high_in - 1.28 - 0.55])


def surveyed(composition: "Composition") -> tuple[FloatArray, FloatArray]:
    """South-west and north-east corner of the surveyed part, shape (2,) each, local m."""
    lattice = composition.lattice
    rows, columns = np.nonzero(np.isfinite(composition.existing))
    low = np.array([lattice.x[columns.min()], lattice.y[rows.min()]])
    high = np.array([lattice.x[columns.max()], lattice.y[rows.max()]])
    return low, high


def map_scale(low: FloatArray, high: FloatArray, unit: "Unit", paper: Paper) -> int:
    """Denominator of the largest customary scale at which the part between two corners fits."""
    return true_scale(float(max((high - low) / 0.0254 / _room(paper))), unit)


def open_map(
    figure: "Figure", site: "Site", paper: Paper, scale: int, middle: FloatArray
) -> tuple["Axes", FreeSpace]:
    """Axes of a map around `middle` in local metres, with true coordinates along its edges."""
    room, unit = _room(paper), site.unit
    axes = inset(figure, paper, (0.70, 1.38, *room))
    half = room * 0.0254 * scale / 2
    axes.set_xlim(middle[0] - half[0], middle[0] + half[0])
    axes.set_ylim(middle[1] - half[1], middle[1] + half[1])
    step = look.round_length(half[0] * 2 / 4 / unit.metres) * unit.metres
    _mark_coordinates(axes, unit, np.asarray(site.origin), step)
    box = axes.get_window_extent()
    return axes, FreeSpace((box.x0 + 6, box.y0 + 6, box.x1 - 6, box.y1 - 6))


def _mark_coordinates(axes: "Axes", unit: "Unit", origin: FloatArray, step: float) -> None:
    """Mark true eastings and northings in the site's unit along the edges of the plan."""
    for axis, low, high, shift in (
        (axes.xaxis, *axes.get_xlim(), origin[0]),
        (axes.yaxis, *axes.get_ylim(), origin[1]),
    ):
        first, last = math.ceil((low + shift) / step), math.floor((high + shift) / step)
        marks = [k * step - shift for k in range(first, last + 1)]
        marks = [m for m in marks if 0.06 < (m - low) / (high - low) < 0.95]
        axis.set_ticks(marks)
        axis.set_ticklabels([f"{(m + shift) / unit.metres:,.0f}".replace(",", " ") for m in marks])
    for label in axes.get_yticklabels():
        label.set_rotation(90)
        label.set_verticalalignment("center")
    axes.tick_params(direction="in", pad=3)


def contour_step(site: "Site") -> float:
    """Contour interval that suits the relief of the existing ground, m."""
    z = site.composition.existing
    return look.contour_step(float(np.nanmax(z) - np.nanmin(z)), site.unit)


def draw_contours(axes: "Axes", site: "Site", step: float, space: FreeSpace) -> None:
    """Contours of the existing ground, every fifth heavier, labelled in their own gaps."""
    composition, unit = site.composition, site.unit
    z = np.ma.masked_invalid(composition.existing)
    first, last = math.ceil(z.min() / step), math.floor(z.max() / step)
    levels = [k * step for k in range(first, last + 1)]
    if not levels:
        return
    heavy = [1.0 if k % 5 == 0 else 0.55 for k in range(first, last + 1)]
    drawn = axes.contour(
        composition.lattice.x,
        composition.lattice.y,
        z,
        levels=levels,
        colors=CONTOUR,
        linewidths=heavy,
        zorder=6,
        algorithm="serial",
    )
    places = look.decimals(step, unit)
    for level, segments in zip(levels, drawn.allsegs, strict=True):
        for segment in segments:
            pixels = axes.transData.transform(segment)
            along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(pixels, axis=0).T))])
            if along[-1] < 150:
                continue
            for share in (0.08, 0.92, 0.3, 0.7, 0.5):
                at = [float(np.interp(share * along[-1], along, segment[:, k])) for k in (0, 1)]
                if canvas.place_on(
                    axes, at, f"{level / unit.metres:.{places}f}", space, size=6, back=LAND
                ):
                    break
