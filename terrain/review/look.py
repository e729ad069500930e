"""The look that every picture shares: colours, words, round numbers, cut and fill."""

import math
from typing import TYPE_CHECKING

import numpy as np

from terrain.arrays import FloatArray

if TYPE_CHECKING:
    from terrain.design import Composition
    from terrain.units import Unit

PAPER = "#f6f1e7"
PANEL = "#fbf8f1"
INK = "#2b2621"
SOFT_INK = "#6b6154"
RULE = "#cfc4b1"
GROUND = "#b0ab86"
SOIL = "#b98d5e"
GRAVEL = "#cdbf9f"
STONE = "#a79f92"
WATER = "#6f92a3"
REMOVED = "#8a5420"
PLACED = "#1f8079"
ALERT = "#8c2f1b"

# Brown through near-white to teal, each half even in lightness; brown and teal stay apart for
# every common kind of colour blindness because they differ in blue as well as in red and green.
DIVERGING = (
    "#4a2806",
    "#7a481a",
    "#a97638",
    "#d0aa73",
    "#e4d1b0",
    "#eceae4",
    "#c3dedb",
    "#92c6bf",
    "#4ba098",
    "#17736d",
    "#00443f",
)

COMPASS = ("east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east")
"""Every 45° counter-clockwise from east."""

CAUTION = (
    "Screening aid. Local codes govern. A competent person classifies the soil on site; protective "
    "systems and deep or loaded faces are for a licensed engineer. "
    "Nothing here certifies a trench as safe to enter."
)

WORKED_M = 0.005
"""Ground that moves less than this, m, counts as untouched in a picture."""


def rgb(colour: str) -> FloatArray:
    """Red, green and blue from 0 to 1 of `#rrggbb`."""
    return np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])


def diverging_rgb(share: FloatArray) -> FloatArray:
    """Colour of a signed share: −1 most removed (brown), 0 untouched, +1 most placed (teal).

    Parameters
    ----------
    share
        Any shape (...); values beyond ±1 take the end colour.

    Returns
    -------
    FloatArray
        Shape (..., 3), from 0 to 1.
    """
    stops = np.array([rgb(colour) for colour in DIVERGING])
    at = np.linspace(-1, 1, len(stops))
    return np.stack([np.interp(share, at, stops[:, channel]) for channel in range(3)], axis=-1)


def earth_moved(composition: "Composition") -> FloatArray:
    """Height of earth moved at each node, m: removed below zero, placed above, NaN off the survey.

    The larger of existing − dig, and of how far the subgrade of a rim or mound stands above the
    existing ground.
    """
    removed = composition.existing - composition.dig
    placed = composition.subgrade - composition.existing
    moved = np.where(removed >= placed, -removed, placed)
    return np.where(np.maximum(removed, placed) <= WORKED_M, 0.0, moved)


def round_length(about: float) -> float:
    """Largest of 1, 2, 5 × 10ⁿ that is not above `about`.

    Examples
    --------
    >>> round_length(8.7), round_length(0.3)
    (5.0, 0.2)
    """
    power = 10.0 ** math.floor(math.log10(about))
    return float(
        round(max(step for step in (1, 2, 5) if step * power <= about * 1.0001) * power, 9)
    )


def bar_length(about_m: float, unit: "Unit") -> tuple[float, str]:
    """Length of a scale bar, m, near `about_m`, round in the site's unit, with its label."""
    count = round_length(about_m / unit.metres)
    return count * unit.metres, f"{count:g} {unit.symbol}"


def contour_step(relief_m: float, unit: "Unit", *, lines: int = 16) -> float:
    """Contour interval, m, round in the site's unit, that draws at most about `lines` contours."""
    relief = max(relief_m, 0.05) / unit.metres
    steps = [s * 10.0**p for p in range(-2, 4) for s in (1, 2, 2.5, 5)]
    return next(step for step in steps if relief / step <= lines) * unit.metres


def decimals(step_m: float, unit: "Unit") -> int:
    """Decimal places that tell multiples of a step apart in the site's unit."""
    step = step_m / unit.metres
    return next(places for places in range(6) if abs(step - round(step, places)) < 1e-6)


def plain(number: float) -> str:
    """Write a factor without idle zeros: `1`, `1.5`."""
    return f"{number:g}"
