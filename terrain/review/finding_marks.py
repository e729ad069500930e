"""What was found in a survey: marks on the map, one for each kind, and the list beside it."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from terrain.review import canvas, look
from terrain.review.canvas import FreeSpace, place_label, write
from terrain.survey import Finding, Kind

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike

    from terrain.units import Unit

MARK_PX = 9.0
MOST_LISTED = 12
LINE_IN = 0.13
ACROSS = 35  # letters of a line of the list


@dataclass(frozen=True)
class _Sign:
    marker: str
    size: float
    words: str
    colour: str = look.ALERT


SIGNS = {
    Kind.DUPLICATES: _Sign("s", 5, "shot twice, harmless", look.SOFT_INK),
    Kind.TWO_HEIGHTS: _Sign("s", 9, "two heights at one place"),
    Kind.NEAR_DUPLICATES: _Sign("D", 7.5, "two heights close by"),
    Kind.CROSSINGS: _Sign("P", 10, "lines cross at two heights"),
    Kind.SELF_CROSSINGS: _Sign("X", 9, "line crosses itself"),
    Kind.ORDER: _Sign("<", 9, "shots out of order?"),
    Kind.SPIKES: _Sign("^", 10, "above the ground around"),
    Kind.PITS: _Sign("v", 10, "below the ground around"),
    Kind.BUSTS: _Sign("o", 9.5, "off its string in height"),
    Kind.JUMPS: _Sign(">", 9, "off its string sideways"),
    Kind.POLE_HEIGHT: _Sign("h", 10, "pole height changed?"),
    Kind.ROCKS: _Sign("p", 8, "on rock", look.SOFT_INK),
    Kind.PLANTS: _Sign("8", 8, "on a plant", look.SOFT_INK),
    Kind.MACHINES: _Sign("d", 8, "on a machine", look.SOFT_INK),
}
NO_HEIGHT = {Kind.DUPLICATES, Kind.SELF_CROSSINGS}


@dataclass(frozen=True)
class Told:
    """A finding, and whether its shots stay in the ground."""

    finding: Finding
    kept: bool


def mark_findings(axes: "Axes", found: Sequence[Finding], space: FreeSpace, unit: "Unit") -> None:
    """Draw a mark at each finding and label the first of them with point and size.

    Marks are drawn for all; a label is left out where it would lie on another.
    """
    for kind, sign in SIGNS.items():
        places = np.array([each.xyz[:2] for each in found if each.kind is kind]).reshape(-1, 2)
        if len(places):
            _draw(axes, sign, places[:, 0], places[:, 1])
            for x, y in axes.transData.transform(places):
                space.taken.append((x - MARK_PX, y - MARK_PX, x + MARK_PX, y + MARK_PX))
    for each in found:
        if not each.left_out_by_default and each.kind is not Kind.DUPLICATES:
            words = f"{_named(each)}: {_size(each, unit)}"
            place_label(axes, each.xyz[:2], words, space, reach=15, size=7, colour=look.ALERT)


def _draw(axes: "Axes", sign: _Sign, x: "ArrayLike", y: "ArrayLike") -> None:
    axes.plot(
        x, y, sign.marker, ms=sign.size, mfc="none", mec=sign.colour, mew=1.3, ls="", zorder=16
    )


def _named(finding: Finding) -> str:
    return finding.name if len(finding.suspects) < 2 else f"{finding.name} …"


def _size(finding: Finding, unit: "Unit") -> str:
    """How large, with its sign where it is a height."""
    size = finding.size_m / unit.metres
    if finding.kind in {Kind.ORDER, Kind.JUMPS, Kind.CROSSINGS, Kind.SELF_CROSSINGS}:
        return f"{abs(size):.2f} {unit.symbol}"
    return f"{size:+.2f} {unit.symbol}".replace("-", "−")


def list_findings(
    sheet: "Axes",
    told: Sequence[Told],
    unit: "Unit",
    *,
    corner: tuple[float, float],
    lowest: float,
) -> None:
    """List the first findings down from the upper left `corner`, in inches, with their marks.

    What does not fit above `lowest`, or is beyond the first dozen, is counted.
    """
    left, y = corner
    title = "Found by screening" if told else "Screening found nothing odd"
    write(sheet, left, y, title, size=7, font=canvas.SANS_BOLD, va="center")
    y -= 0.19
    shown = 0
    for each in told[:MOST_LISTED]:
        lines = _listed(each, unit)
        more = shown + 1 < len(told)
        if y - LINE_IN * (len(lines) + more) < lowest:
            break
        _draw(sheet, SIGNS[each.finding.kind], [left + 0.1], [y])
        for line in lines:
            write(sheet, left + 0.26, y, line, size=6, va="center")
            y -= LINE_IN
        y -= 0.05
        shown += 1
    if shown < len(told):
        rest = f"and {len(told) - shown:,} more in survey --json"
        write(sheet, left, y, rest, size=6, va="center", color=look.SOFT_INK)


def _listed(each: Told, unit: "Unit") -> list[str]:
    finding, sign = each.finding, SIGNS[each.finding.kind]
    size = "" if finding.kind in NO_HEIGHT else f", {_size(finding, unit).replace(' ', '~')}"
    state = "" if finding.kind is Kind.DUPLICATES else (", kept" if each.kept else ", left out")
    words = f"{_named(finding)}, line {finding.line}: {sign.words}{size}{state}"
    return [line.replace("~", " ") for line in textwrap.wrap(words, ACROSS)]
