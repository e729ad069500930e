"""The difference of two plans on one sheet: where the ground is left lower or higher."""

import pathlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from terrain.arrays import FloatArray
from terrain.comparison import MOVED_M
from terrain.design import compose_at
from terrain.review import canvas, look
from terrain.review.canvas import place_label, write
from terrain.review.colour_bar import Ends, colour_bar
from terrain.review.maps import contour_step, draw_contours, map_scale, open_map, surveyed
from terrain.review.outlines import rings
from terrain.review.papers import inset, north_and_bar, paper_for, scale_words, sheet_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from terrain.comparison import Comparison, Displaced
    from terrain.site import Site

COLUMN_IN = 2.3
LEAST_VIEW_M = 6.0
SAME = "#efe9d8"


@dataclass(frozen=True)
class _Pen:
    """How the lines of one of the plans are drawn."""

    words: str
    colour: str
    width: float
    style: str | tuple[float, tuple[float, ...]]


BEFORE = _Pen("first plan", look.SOFT_INK, 1.1, (0, (4, 3)))
AFTER = _Pen("second plan", look.INK, 1.5, "-")


def difference_sheet(comparison: "Comparison", path: pathlib.Path) -> None:
    """Draw what lies lower (brown) or higher (teal) in the second plan, and a section of it."""
    site, unit = comparison.before, comparison.before.unit
    paper = paper_for(unit)
    low, high = _view(comparison)
    scale = map_scale(low, high, unit, paper)
    step = contour_step(site)
    figure, sheet = sheet_of(
        site,
        paper,
        "What differs between two plans",
        [
            f"Scale {scale_words(scale, unit, paper)}, printed at full size.",
            f"Contours of the ground every {unit.length(step, look.decimals(step, unit))}.",
            f"Coordinates in {unit.plural}.",
        ],
    )
    axes, space = open_map(figure, site, paper, scale, (low + high) / 2)
    most = _most(comparison.level_m)
    _paint(axes, comparison, most)
    for plan in (BEFORE, AFTER):
        _outlines(axes, comparison, plan)
    for each in comparison.where:
        at = (np.array(each.centroid_m) - site.origin).tolist()
        place_label(axes, at, _said(each, site), space, reach=30, size=7)
    draw_contours(axes, site, step, space)
    left, top = paper.wide_in - COLUMN_IN, paper.high_in - 0.62
    north_and_bar(sheet, unit, paper, scale, corner=(left, top))
    _legend(sheet, comparison, most, left, top - 1.1)
    if comparison.where:
        line = _line(comparison)
        axes.plot(*line.T, color=look.ALERT, lw=0.9, zorder=20)
        for letter, (x, y), side in zip("AB", line.tolist(), (-1, 1), strict=True):
            out = side * (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
            dx, dy = (0.02 * np.ptp(axes.get_xlim()) * out).tolist()
            write(
                axes, x + dx, y + dy, letter, size=9, font=canvas.SANS_BOLD, color=look.ALERT,
                ha="center", va="center", zorder=25,
            )  # fmt: skip
        box = inset(figure, paper, (left + 0.18, 1.62, 1.78, 1.5))
        _section(box, sheet, comparison, line, (left, 3.3))
    else:
        write(sheet, left, 3.0, "No level differs.", size=8, font=canvas.SANS_BOLD)
    canvas.save(figure, path)


def _view(comparison: "Comparison") -> tuple[FloatArray, FloatArray]:
    """Corners of the part to show: all that differs with some room, or the whole survey."""
    lowest, highest = surveyed(comparison.before.composition)
    rows, columns = np.nonzero(np.abs(np.nan_to_num(comparison.level_m)) >= MOVED_M)
    if not len(rows):
        return lowest, highest
    lattice = comparison.lattice
    low = np.array([lattice.x[columns.min()], lattice.y[rows.min()]])
    high = np.array([lattice.x[columns.max()], lattice.y[rows.max()]])
    room = np.maximum(0.2 * (high - low).max(), (LEAST_VIEW_M - (high - low)) / 2)
    return np.maximum(low - room, lowest), np.minimum(high + room, highest)


def _most(level: FloatArray) -> float:
    """The level that has the darkest colour, m."""
    moved = np.abs(level[np.abs(np.nan_to_num(level)) >= MOVED_M])
    return float(np.quantile(moved, 0.99)) if moved.size else MOVED_M


def _paint(axes: "Axes", comparison: "Comparison", most: float) -> None:
    lattice, level = comparison.lattice, comparison.level_m
    shade = np.dstack([look.diverging_rgb(level / most), np.isfinite(level).astype(float)])
    still = np.isfinite(level) & (np.abs(np.nan_to_num(level)) < MOVED_M)
    shade[still, :3] = look.rgb(SAME)
    half = lattice.cell / 2
    box = (lattice.x[0] - half, lattice.x[-1] + half, lattice.y[0] - half, lattice.y[-1] + half)
    view = (*axes.get_xlim(), *axes.get_ylim())
    axes.imshow(np.nan_to_num(shade), extent=box, origin="lower", interpolation="nearest", zorder=2)
    axes.set_xlim(view[:2])
    axes.set_ylim(view[2:])
    axes.set_aspect("auto")


def _outlines(axes: "Axes", comparison: "Comparison", pen: _Pen) -> None:
    """Outlines of the elements of one plan, and thinner where its dig ends."""
    site = comparison.before if pen is BEFORE else comparison.after
    shift = site.origin - comparison.before.origin
    for element in site.elements:
        for ring in rings(element.outline):
            x, y = (np.array(ring.coords)[:, :2] + shift).T
            axes.plot(x, y, color=pen.colour, lw=pen.width, ls=pen.style, zorder=11)
    worked = comparison.levels[0 if pen is BEFORE else 1]
    depth = np.ma.masked_invalid(worked.existing - worked.dig)
    if depth.max() > look.WORKED_M:
        axes.contour(
            comparison.lattice.x,
            comparison.lattice.y,
            depth,
            levels=[look.WORKED_M],
            colors=pen.colour,
            linewidths=0.5 * pen.width,
            linestyles=[pen.style],
            zorder=10,
            algorithm="serial",
        )


def _said(each: "Displaced", site: "Site") -> str:
    """What a label on the map says of one element."""
    parts = [
        f"{site.unit.area_text(area, 1)} {word}, to {site.unit.length(most)}"
        for area, most, word in (
            (each.lower_m2, each.deepest_m, "lower"),
            (each.higher_m2, each.highest_m, "higher"),
        )
        if area
    ]
    return "\n".join([each.element, *parts])


def _legend(sheet: "Axes", comparison: "Comparison", most: float, left: float, top: float) -> None:
    """The lines, and the scale of colours."""
    unit, y = comparison.before.unit, top
    for pen in (BEFORE, AFTER):
        sheet.plot(
            [left, left + 0.32], [y, y], color=pen.colour, lw=pen.width, ls=pen.style, zorder=5
        )
        write(sheet, left + 0.42, y, f"{pen.words}: outline", size=7, va="center")
        y -= 0.19
        sheet.plot(
            [left, left + 0.32], [y, y], color=pen.colour, lw=pen.width / 2, ls=pen.style, zorder=5
        )
        write(sheet, left + 0.42, y, f"{pen.words}: edge of the dig", size=7, va="center")
        y -= 0.19
    said = Ends(f"Second plan less first, {unit.symbol}", "dug lower", "left higher")
    colour_bar(sheet, (left, y), said, most / unit.metres)


def _line(comparison: "Comparison") -> FloatArray:
    """Where the section is cut, shape (2, 2): through the element with the largest difference."""
    most = comparison.where[0]
    east, north = np.array(most.centroid_m) - comparison.before.origin
    mine = comparison.laid_to == most.element
    rows, columns = np.nonzero(mine)
    x, y = comparison.lattice.x[columns], comparison.lattice.y[rows]
    if np.ptp(x) >= np.ptp(y):
        room = max(0.15 * np.ptp(x), 0.5)
        return np.array([[x.min() - room, north], [x.max() + room, north]])
    room = max(0.15 * np.ptp(y), 0.5)
    return np.array([[east, y.min() - room], [east, y.max() + room]])


def _section(
    axes: "Axes",
    sheet: "Axes",
    comparison: "Comparison",
    line: FloatArray,
    corner: tuple[float, float],
) -> None:
    """Both digs and the ground along a line."""
    unit = comparison.before.unit
    share = np.linspace(0, 1, 500)[:, None]
    places = line[0] + share * (line[1] - line[0])
    along = share[:, 0] * float(np.hypot(*(line[1] - line[0]))) / unit.metres
    shift = comparison.after.origin - comparison.before.origin

    def left_at(site: "Site", xy: FloatArray) -> tuple[FloatArray, FloatArray]:
        at = compose_at(xy, site.elements, site.existing)
        return at.existing / unit.metres, np.where(
            at.dig < at.existing, at.dig, np.maximum(at.subgrade, at.existing)
        ) / unit.metres

    ground, first = left_at(comparison.before, places)
    _, second = left_at(comparison.after, places - shift)
    axes.fill_between(along, first, second, where=second < first, color=look.REMOVED, alpha=0.45)
    axes.fill_between(along, first, second, where=second > first, color=look.PLACED, alpha=0.45)
    axes.plot(along, ground, color="#57702f", lw=0.9)
    axes.plot(along, first, color=BEFORE.colour, lw=BEFORE.width, ls=BEFORE.style)
    axes.plot(along, second, color=AFTER.colour, lw=1.1)
    axes.set_xlim(0, along[-1])
    axes.tick_params(labelsize=5.5)
    axes.ticklabel_format(useOffset=False)
    write(
        sheet, *corner, f"Section A–B, {unit.symbol}", size=7.5, font=canvas.SANS_BOLD, va="center"
    )
    tall = np.ptp(axes.get_ylim()) / 1.5
    times = along[-1] / 1.78 / tall
    write(
        sheet, corner[0], corner[1] - 0.14, f"heights {times:.1f} times as tall; green: the ground",
        size=6, va="center", color=look.SOFT_INK,
    )  # fmt: skip
