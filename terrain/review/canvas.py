"""Paper to draw on: a matplotlib figure without global state, and text that never collides."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import Polygon, Rectangle

from terrain.review.look import INK, PAPER

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.text import Text

_FONTS = Path(mpl.get_data_path()) / "fonts" / "ttf"
SERIF = FontProperties(fname=str(_FONTS / "STIXGeneralBol.ttf"))
SANS = FontProperties(fname=str(_FONTS / "DejaVuSans.ttf"))
SANS_BOLD = FontProperties(fname=str(_FONTS / "DejaVuSans-Bold.ttf"))

Box = tuple[float, float, float, float]
"""Left, bottom, right, top in pixels of the figure."""


def paper(width_in: float, height_in: float, dpi: float) -> Figure:
    """An empty sheet."""
    figure = Figure(figsize=(width_in, height_in), dpi=dpi, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def write(
    axes: "Axes",
    x: float,
    y: float,
    text: str,
    *,
    size: float = 9,
    font: FontProperties = SANS,
    **look: Any,
) -> "Text":
    """Put text on `axes` in the sheet's own fonts; `look` goes to matplotlib's Text."""
    look.setdefault("color", INK)
    own = font.copy()
    own.set_size(size)
    return axes.text(x, y, text, fontproperties=own, **look)


def extent(text: "Text") -> Box:
    """Pixels that a text covers."""
    canvas = cast("FigureCanvasAgg", cast("Figure", text.get_figure(root=True)).canvas)
    renderer = canvas.get_renderer()  # type: ignore[no-untyped-call]
    box = text.get_window_extent(renderer)
    return (box.x0, box.y0, box.x1, box.y1)


def figure_of(axes: "Axes") -> Figure:
    """The sheet that axes lie on."""
    return cast("Figure", axes.get_figure(root=True))


def overlaps(a: Box, b: Box, *, gap: float = 0.0) -> bool:
    """Whether two boxes come nearer than `gap` pixels."""
    return a[0] < b[2] + gap and b[0] < a[2] + gap and a[1] < b[3] + gap and b[1] < a[3] + gap


@dataclass
class FreeSpace:
    """Which part of a sheet is still free for text.

    Attributes
    ----------
    within
        Text must lie in this box.
    taken
        Boxes that text must not touch.
    """

    within: Box
    taken: list[Box] = field(default_factory=list)

    def clear(self, box: Box, *, gap: float = 3.0) -> bool:
        """Whether a box lies inside and touches nothing taken."""
        inside = (
            box[0] >= self.within[0]
            and box[1] >= self.within[1]
            and box[2] <= self.within[2]
            and box[3] <= self.within[3]
        )
        return inside and not any(overlaps(box, other, gap=gap) for other in self.taken)


def _around(reach: float) -> list[tuple[float, float]]:
    """Offsets to try, nearest first: a ring of eight, right and above preferred, ever wider."""
    ring = ((1, 0.5), (0.2, 1), (-1, 0.5), (1, -0.5), (-0.2, -1), (-1, -0.5), (0.7, 1), (-0.7, 1))
    return [
        (reach * k * dx, reach * k * dy) for k in (1, 1.8, 2.8, 4, 5.5, 7.5, 10) for dx, dy in ring
    ]


def place_label(
    axes: "Axes",
    anchor: Sequence[float],
    text: str,
    space: FreeSpace,
    *,
    reach: float = 16.0,
    size: float = 9,
    font: FontProperties = SANS,
    colour: str = INK,
    halo: bool = True,
) -> "Text | None":
    """Write a label near `anchor` where nothing is yet, with a leader line to it.

    Parameters
    ----------
    anchor
        (x, y) in data coordinates of `axes`.
    space
        What is free; the label's box is added to it.
    reach
        Pixels from the anchor to the nearest place tried.

    Returns
    -------
    Text or None
        None where no place is free: the label is left out rather than printed over another.
    """
    px, py = axes.transData.transform(anchor)
    back = axes.transData.inverted()
    label = write(axes, anchor[0], anchor[1], text, size=size, font=font, color=colour, zorder=30)
    left, bottom, right, top = extent(label)
    wide, high = right - left, top - bottom
    for dx, dy in _around(reach):
        x0 = px + dx - (0 if dx > 0 else wide) if abs(dx) >= abs(dy) else px + dx - wide / 2
        y0 = py + dy - (0 if dy > 0 else high) if abs(dy) > abs(dx) else py + dy - high / 2
        box = (x0, y0, x0 + wide, y0 + high)
        if not space.clear(box):
            continue
        space.taken.append(box)
        shift = back.transform((x0 + (px - left), y0 + (py - bottom)))
        label.set_position((float(shift[0]), float(shift[1])))
        if halo:
            label.set_bbox({"facecolor": "#fffdf8", "edgecolor": "none", "alpha": 0.82, "pad": 1.6})
        near = (min(max(px, x0), x0 + wide), min(max(py, y0), y0 + high))
        ends = back.transform([(px, py), near])
        axes.plot(ends[:, 0], ends[:, 1], color=colour, lw=0.7, zorder=29, solid_capstyle="round")
        return label
    label.remove()
    return None


def place_on(
    axes: "Axes", at: Sequence[float], text: str, space: FreeSpace, *, size: float, back: str
) -> bool:
    """Write a short text right on a line, on a patch of the ground's colour, if it is free."""
    label = write(
        axes, at[0], at[1], text, size=size, ha="center", va="center", color="#4a3d28", zorder=24
    )
    box = extent(label)
    if not space.clear(box):
        label.remove()
        return False
    label.set_bbox({"facecolor": back, "edgecolor": "none", "alpha": 0.75, "pad": 1.0})
    space.taken.append(box)
    return True


def arrow(axes: "Axes", tail: Sequence[float], tip: Sequence[float]) -> None:
    """A plain arrow, for north."""
    axes.annotate(
        "",
        xy=(tip[0], tip[1]),
        xytext=(tail[0], tail[1]),
        zorder=26,
        arrowprops={
            "arrowstyle": "-|>,head_width=0.45,head_length=0.9",
            "lw": 2.4,
            "color": INK,
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )


def checked_bar(
    axes: "Axes",
    corner: Sequence[float],
    along: Sequence[float],
    across: Sequence[float],
    *,
    parts: int = 4,
) -> None:
    """Draw a checkered bar from `corner` along one vector, `across` wide, in data coordinates."""
    (x, y), (ax, ay), (wx, wy) = corner, along, across
    for k in range(parts):
        a, b = k / parts, (k + 1) / parts
        ring = [
            (x + a * ax, y + a * ay),
            (x + b * ax, y + b * ay),
            (x + b * ax + wx, y + b * ay + wy),
            (x + a * ax + wx, y + a * ay + wy),
        ]
        face = INK if k % 2 == 0 else "#fffdf8"
        axes.add_patch(Polygon(ring, closed=True, fc=face, ec=INK, lw=0.8, zorder=25))


def swatch(
    axes: "Axes", x: float, y: float, wide: float, high: float, colour: str, *, alpha: float = 1.0
) -> None:
    """A small filled box for a legend."""
    axes.add_patch(Rectangle((x, y), wide, high, fc=(colour, alpha), ec=INK, lw=0.6, zorder=20))


def save(figure: Figure, path: Path) -> None:
    """Write the sheet as PNG without metadata that changes from run to run, and let it go."""
    figure.savefig(path, format="png", dpi=figure.dpi, metadata={"Software": None})
    figure.clear()
