"""Sheets of paper: frame and title block, maps at a true scale, north and scale bar."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matplotlib.patches import Rectangle

from terrain.review import canvas, look
from terrain.review.canvas import write

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from terrain.site import Site
    from terrain.units import Unit

DPI = 150
METRIC_SCALES = (
    10,
    20,
    25,
    50,
    75,
    100,
    125,
    150,
    200,
    250,
    300,
    400,
    500,
    750,
    1000,
    1250,
    1500,
    2000,
    2500,
    5000,
    10000,
)
FOOT_SCALES = tuple(
    12 * feet
    for feet in (
        1,
        2,
        3,
        4,
        5,
        6,
        8,
        10,
        15,
        20,
        25,
        30,
        40,
        50,
        60,
        80,
        100,
        150,
        200,
        300,
        400,
        500,
        1000,
    )
)


@dataclass(frozen=True)
class Paper:
    """A landscape sheet."""

    name: str
    wide_in: float
    high_in: float


A4 = Paper("A4", 297 / 25.4, 210 / 25.4)
LETTER = Paper("Letter", 11.0, 8.5)


def paper_for(unit: "Unit") -> Paper:
    """The paper that goes with a unit: A4 with metres, Letter with feet."""
    return A4 if unit.key == "m" else LETTER


def true_scale(least: float, unit: "Unit") -> int:
    """Smallest customary scale denominator that is not below `least`."""
    scales = METRIC_SCALES if unit.key == "m" else FOOT_SCALES
    return next((scale for scale in scales if scale >= least), math.ceil(least / 1000) * 1000)


def scale_words(scale: int, unit: "Unit", paper: Paper) -> str:
    """How a scale is said: `1:200 on A4`, `1 in = 20 ft on Letter`."""
    said = f"1:{scale}" if unit.key == "m" else f"1 in = {scale / 12:g} ft"
    return f"{said} on {paper.name}"


def sheet_of(
    site: "Site", paper: Paper, title: str, told: Sequence[str]
) -> tuple["Figure", "Axes"]:
    """A sheet with its frame and title block; axes over the whole of it in inches."""
    figure = canvas.paper(paper.wide_in, paper.high_in, DPI)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(0, paper.wide_in)
    axes.set_ylim(0, paper.high_in)
    axes.add_patch(
        Rectangle(
            (0.28, 0.28), paper.wide_in - 0.56, paper.high_in - 0.56, fc="none", ec=look.INK, lw=1
        )
    )
    axes.plot([0.28, paper.wide_in - 0.28], [1.0, 1.0], color=look.INK, lw=1)
    write(axes, 0.45, 0.76, site.name, size=16, font=canvas.SERIF, va="center")
    write(axes, 0.45, 0.47, title, size=9.5, font=canvas.SANS_BOLD, va="center", color=look.REMOVED)
    for count, words in enumerate(told):
        write(axes, 4.0, 0.84 - 0.155 * count, words, size=7, va="center", color=look.INK)
    for count, words in enumerate(_wrapped(look.CAUTION, 62)):
        write(
            axes,
            paper.wide_in - 3.55,
            0.84 - 0.13 * count,
            words,
            size=6,
            va="center",
            color=look.ALERT,
        )
    return figure, axes


def _wrapped(text: str, most: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) + 1 > most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def inset(figure: "Figure", paper: Paper, box: Sequence[float]) -> "Axes":
    """Axes over a box of the sheet in inches: left, bottom, width, height."""
    left, bottom, wide, high = box
    axes = figure.add_axes(
        (left / paper.wide_in, bottom / paper.high_in, wide / paper.wide_in, high / paper.high_in)
    )
    axes.set_facecolor(look.PANEL)
    for spine in axes.spines.values():
        spine.set_color(look.INK)
        spine.set_linewidth(0.7)
    axes.tick_params(labelsize=6.5, width=0.5, length=3, colors=look.INK)
    return axes


def north_and_bar(
    sheet: "Axes", unit: "Unit", paper: Paper, scale: int, *, corner: Sequence[float]
) -> None:
    """Draw the north arrow and the scale bar down from the upper left `corner`, in inches."""
    left, top = corner
    canvas.arrow(sheet, (left + 0.15, top - 0.75), (left + 0.15, top - 0.1))
    write(
        sheet,
        left + 0.15,
        top + 0.04,
        "N",
        size=11,
        font=canvas.SANS_BOLD,
        ha="center",
        va="center",
    )
    bar, label = look.bar_length(1.5 * 0.0254 * scale, unit)
    inches = bar / scale / 0.0254
    canvas.checked_bar(sheet, (left + 0.5, top - 0.52), (inches, 0), (0, 0.07), parts=5)
    write(sheet, left + 0.5, top - 0.35, "0", size=7, ha="center", va="center")
    write(sheet, left + 0.5 + inches, top - 0.35, label, size=7, ha="center", va="center")
    write(
        sheet,
        left + 0.5,
        top - 0.68,
        scale_words(scale, unit, paper),
        size=6.5,
        va="center",
        color=look.SOFT_INK,
    )
