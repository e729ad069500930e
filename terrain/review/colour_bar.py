"""The scale of what is lower and what is higher, as a bar under a few words."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.patches import Rectangle

from terrain.review import look
from terrain.review.canvas import write

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BAR_IN = 1.9


@dataclass(frozen=True)
class Ends:
    """What the bar shows, and what its lower and its upper end are called."""

    title: str
    lower: str
    upper: str


def colour_bar(sheet: "Axes", place: tuple[float, float], said: Ends, most: float) -> None:
    """Draw the bar from −most to +most.

    Parameters
    ----------
    sheet
        Axes in inches of the sheet.
    place
        Its left end and the line that its title stands under, inches.
    said
        Its words.
    most
        The number at its upper end.
    """
    left, y = place
    write(sheet, left, y - 0.08, said.title, size=7, va="center")
    y -= 0.26
    colours = look.diverging_rgb(np.linspace(-1, 1, 90))
    wide = BAR_IN / len(colours)
    for count, colour in enumerate(colours):
        sheet.add_patch(
            Rectangle((left + count * wide, y - 0.13), wide * 1.05, 0.13, fc=colour, lw=0)
        )
    for share, side in ((-1, "left"), (0, "center"), (1, "right")):
        words = f"{share * most:+.2f}" if share else "0"
        at = left + BAR_IN / 2 * (share + 1)
        write(sheet, at, y - 0.22, words, size=6.5, ha=side, va="center")
    y -= 0.38
    right = left + BAR_IN
    write(sheet, left, y, said.lower, size=6.5, va="center", color=look.REMOVED)
    write(sheet, right, y, said.upper, size=6.5, va="center", ha="right", color=look.PLACED)
