"""What comes of one number of the plan, as curves one above another."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from matplotlib.ticker import MaxNLocator

from terrain.review import canvas, look
from terrain.review.canvas import write

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDE_IN, PANEL_IN, HEAD_IN, FOOT_IN = 7.0, 1.55, 0.75, 0.75
DPI = 150
COLOURS = (look.REMOVED, look.PLACED, look.INK, "#3f6679", "#57702f", look.ALERT)


@dataclass(frozen=True)
class Curve:
    """One quantity over the values.

    Attributes
    ----------
    name, symbol
        What it is, and its unit.
    heights
        At each value; None where the plan cannot be built.
    planned
        As the plan stands.
    """

    name: str
    symbol: str
    heights: tuple[float | None, ...]
    planned: float


def sweep_plot(
    curves: Sequence[Curve],
    values: Sequence[float],
    path: Path,
    *,
    title: str,
    along: str,
    planned: float | None = None,
) -> None:
    """Draw a panel for each quantity.

    Parameters
    ----------
    values
        Of the key, shape (n,).
    along
        The key and its unit.
    planned
        The value in the plan as it stands, if it is known.
    """
    high = HEAD_IN + PANEL_IN * len(curves) + FOOT_IN
    figure = canvas.paper(WIDE_IN, high, DPI)
    sheet = figure.add_axes((0, 0, 1, 1))
    sheet.set_axis_off()
    sheet.set_xlim(0, WIDE_IN)
    sheet.set_ylim(0, high)
    write(sheet, 0.95, high - 0.35, title, size=14, font=canvas.SERIF, va="center")
    broken = [value for value, one in zip(values, curves[0].heights, strict=True) if one is None]
    margin = 0.04 * (max(values) - min(values) or 1)
    for row, curve in enumerate(curves):
        low = high - HEAD_IN - PANEL_IN * (row + 1) + 0.22
        axes = figure.add_axes((0.95 / WIDE_IN, low / high, 5.8 / WIDE_IN, 1.1 / high))
        axes.set_facecolor(look.PANEL)
        axes.set_xlim(min(values) - margin, max(values) + margin)
        axes.grid(color=look.RULE, lw=0.5)
        heights = [math.nan if each is None else each for each in curve.heights]
        colour = COLOURS[row % len(COLOURS)]
        axes.plot(values, heights, "-o", color=colour, ms=3.5, lw=1.4)
        if planned is not None and min(values) <= planned <= max(values):
            axes.axvline(planned, color=look.SOFT_INK, lw=0.9, dashes=(4, 3))
            axes.plot([planned], [curve.planned], "s", ms=5, mfc="none", mec=look.INK)
        for value in broken:
            axes.plot(
                [value], [0.06], "x", ms=6, color=look.ALERT, transform=axes.get_xaxis_transform()
            )
        if not curve.symbol and all(each == round(each) for each in heights if math.isfinite(each)):
            axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
        axes.ticklabel_format(useOffset=False)
        _room_for(axes, [*(each for each in heights if math.isfinite(each)), curve.planned])
        axes.tick_params(labelsize=7, colors=look.INK, labelbottom=row == len(curves) - 1)
        for spine in axes.spines.values():
            spine.set_color(look.INK)
            spine.set_linewidth(0.7)
        words = f"{curve.name}, {curve.symbol}" if curve.symbol else curve.name
        write(sheet, 0.95, low + 1.19, words, size=8, font=canvas.SANS_BOLD, va="center")
    write(sheet, WIDE_IN / 2, 0.42, along, size=8.5, ha="center", va="center")
    told = ["dashed line and square: the plan as it stands"] if planned is not None else []
    told += ["cross: a plan that cannot be built"] if broken else []
    write(sheet, WIDE_IN / 2, 0.2, "; ".join(told), size=6.5, ha="center", color=look.SOFT_INK)
    canvas.save(figure, path)


def _room_for(axes: "Axes", heights: Sequence[float]) -> None:
    """Keep a curve that hardly moves from filling its panel with rounding."""
    low, high = min(heights), max(heights)
    least = 1e-3 * max(abs(low), abs(high), 1e-6)
    span = max(high - low, least)
    axes.set_ylim((low + high - span) / 2 - 0.12 * span, (low + high + span) / 2 + 0.12 * span)
