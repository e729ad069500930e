"""How far the dig is, on one sheet: what is left, what is too deep, and the curve by date."""

import math
import pathlib
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.patches import Rectangle

from terrain.arrays import FloatArray
from terrain.progress import OUTSIDE, TOO_DEEP
from terrain.review import canvas, look
from terrain.review.canvas import place_label, write
from terrain.review.colour_bar import Ends, colour_bar
from terrain.review.maps import LAND, map_scale, open_map, surveyed
from terrain.review.outlines import rings
from terrain.review.papers import inset, north_and_bar, paper_for, scale_words, sheet_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from terrain.progress import DayProgress, Patch, Progress
    from terrain.site import Site
    from terrain.units import Unit

COLUMN_IN = 2.3
LEAST_VIEW_M = 6.0
DONE = "#f4f0e4"
MOST_LABELS = 8
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def progress_sheet(site: "Site", progress: "Progress", path: pathlib.Path) -> None:
    """Draw the last day of a dig: left (brown), too deep (teal, to be put back), and the curve."""
    unit, last = site.unit, progress.days[-1]
    paper = paper_for(unit)
    low, high = _view(site, progress)
    scale = map_scale(low, high, unit, paper)
    figure, sheet = sheet_of(
        site,
        paper,
        f"Progress of the dig, {_said(last.day)} {last.day.year}",
        [
            f"Scale {scale_words(scale, unit, paper)}, printed at full size.",
            f"Down: within {unit.length(progress.tolerance_m)} of the dig.",
            f"Coordinates in {unit.plural}.",
        ],
    )
    axes, space = open_map(figure, site, paper, scale, (low + high) / 2)
    most = max(float(np.quantile(_heights(last), 0.99)), look.WORKED_M)
    _paint(axes, progress, most)
    for element in site.elements:
        for ring in rings(element.outline):
            axes.plot(*np.array(ring.coords)[:, :2].T, color=look.INK, lw=1.1, zorder=11)
    for patch in last.patches:
        if patch.kind in (TOO_DEEP, OUTSIDE):
            for ring in rings(patch.region):
                axes.plot(*np.array(ring.coords)[:, :2].T, color=look.ALERT, lw=1.2, zorder=12)
    seen = [patch for patch in last.patches if patch.volume_m3 >= 0.05 * unit.volume_m3]
    for patch in seen[:MOST_LABELS]:
        place_label(axes, patch.middle, _label(patch, unit), space, reach=26, size=7)
    left, top = paper.wide_in - COLUMN_IN, paper.high_in - 0.62
    north_and_bar(sheet, unit, paper, scale, corner=(left, top))
    _legend(sheet, unit, most, left, top - 1.05)
    box = inset(figure, paper, (left + 0.22, 1.62, 1.74, 1.5))
    _curve(box, progress, unit)
    write(
        sheet, left, 3.3, f"Dug so far, {unit.volume} in place", size=7.5, font=canvas.SANS_BOLD,
        va="center",
    )  # fmt: skip
    canvas.save(figure, path)


def _view(site: "Site", progress: "Progress") -> tuple[FloatArray, FloatArray]:
    """Corners of the part to show: all that is to be dug or was, with some room."""
    lowest, highest = surveyed(site.composition)
    held, lattice = progress.days[-1].at_cells, progress.lattice
    shown = (progress.cells.planned > look.WORKED_M) | (held.outside > 0)
    middles = lattice.nodes[shown]
    if not len(middles):
        return lowest, highest
    low, high = middles.min(axis=0), middles.max(axis=0)
    room = np.maximum(0.15 * (high - low).max(), (LEAST_VIEW_M - (high - low)) / 2)
    return np.maximum(low - room, lowest), np.minimum(high + room, highest)


def _heights(day: "DayProgress") -> FloatArray:
    """Height left to dig or dug too deep, where there is any, shape (k,), m."""
    held = day.at_cells
    height = np.maximum.reduce([np.abs(held.left), held.too_deep, held.outside])
    some = height[height > look.WORKED_M]
    return some if some.size else np.array([look.WORKED_M])


def _paint(axes: "Axes", progress: "Progress", most: float) -> None:
    lattice, held, cells = progress.lattice, progress.days[-1].at_cells, progress.cells
    level = held.too_deep + held.outside - held.left
    shade = np.column_stack([look.diverging_rgb(level / most), cells.weight > 0])
    to_dig = cells.planned > look.WORKED_M
    still = np.abs(level) < look.WORKED_M
    shade[still & ~to_dig, :3] = look.rgb(LAND)
    shade[still & to_dig, :3] = look.rgb(DONE)
    x, y, half = lattice.x, lattice.y, lattice.cell / 2
    box = (x[0] - half, x[-1] + half, y[0] - half, y[-1] + half)
    view = (*axes.get_xlim(), *axes.get_ylim())
    axes.imshow(
        shade.reshape(*lattice.shape, 4), extent=box, origin="lower", interpolation="nearest",
        zorder=2,
    )  # fmt: skip
    unseen = (to_dig & ~held.reached).reshape(lattice.shape).astype(np.float64)
    if unseen.any():
        axes.contourf(
            x, y, unseen, levels=[0.5, 1.5], colors="none", hatches=["///"], zorder=5,
            algorithm="serial",
        )  # fmt: skip
    axes.set_xlim(view[:2])
    axes.set_ylim(view[2:])
    axes.set_aspect("auto")


def _label(patch: "Patch", unit: "Unit") -> str:
    """What a label on the map says of one place."""
    volume, most = unit.volume_text(patch.volume_m3), unit.length(patch.most_m)
    if patch.kind == TOO_DEEP:
        return f"too deep by up to {most}:\nput {volume} back"
    if patch.kind == OUTSIDE:
        return f"dug outside the plan, up to {most}:\n{volume}"
    return f"{patch.element}: dig {volume} more,\nup to {most}"


def _legend(sheet: "Axes", unit: "Unit", most: float, left: float, top: float) -> None:
    """The scale of colours, and what lines and hatches mean."""
    y = top
    for words, face, edge, hatch in (
        ("down", DONE, look.INK, None),
        ("no survey reached it", "none", look.INK, "/////"),
        ("too deep, or beside the plan", "none", look.ALERT, None),
    ):
        sheet.add_patch(
            Rectangle((left, y - 0.06), 0.32, 0.12, fc=face, ec=edge, hatch=hatch, lw=0.9, zorder=5)
        )
        write(sheet, left + 0.42, y, words, size=7, va="center")
        y -= 0.19
    sheet.plot([left, left + 0.32], [y, y], color=look.INK, lw=1.1, zorder=5)
    write(sheet, left + 0.42, y, "outline of an element", size=7, va="center")
    y -= 0.19
    said = Ends(f"Height to move, {unit.symbol}", "still to dig", "to put back")
    colour_bar(sheet, (left, y), said, most / unit.metres)


def _curve(axes: "Axes", progress: "Progress", unit: "Unit") -> None:
    """Dug volume with its ± against the calendar, under the line of the plan."""
    at = [day.day.toordinal() for day in progress.days]
    dug = np.array([day.whole.dug_m3 for day in progress.days]) / unit.volume_m3
    pm = np.array([day.whole.dug_pm_m3 for day in progress.days]) / unit.volume_m3
    planned = progress.planned_m3 / unit.volume_m3
    axes.errorbar(
        at, dug, yerr=np.nan_to_num(pm), fmt="-o", ms=3, lw=1.3, capsize=2, elinewidth=0.8,
        color=look.REMOVED,
    )  # fmt: skip
    axes.axhline(planned, color=look.INK, lw=0.9, dashes=(4, 3))
    span = max(at[-1] - at[0], 1)
    axes.set_xlim(at[0] - 0.12 * span, at[-1] + 0.12 * span)
    axes.set_ylim(0, 1.18 * max(planned, float(np.nanmax(dug))))
    write(
        axes, at[0] - 0.08 * span, planned, f"plan {planned:,.1f}", size=6, va="bottom",
        color=look.INK,
    )  # fmt: skip
    step = math.ceil(len(at) / 4)
    marks = at[::-1][::step][::-1]
    axes.set_xticks(marks, [_said(date.fromordinal(mark)) for mark in marks])
    axes.tick_params(labelsize=5.5)
    axes.grid(axis="y", color=look.RULE, lw=0.5)


def _said(day: date) -> str:
    return f"{day.day} {MONTHS[day.month - 1]}"
