"""Sheets to set out from: one element at a time, its plan with numbered points and their table.

They are upright pages, black on white, in type that is read at arm's length in the sun. Each page
names on its plan just the points of its own table.
"""

import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, cast

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.patches import Rectangle

from terrain.arrays import FloatArray
from terrain.design.breaks import level_lines
from terrain.review import canvas, look
from terrain.review.canvas import FreeSpace, extent, place_label, write
from terrain.review.papers import DPI, Paper, north_and_bar, paper_for, true_scale
from terrain.stakes import KINDS, Stake, Stakes
from terrain.survey.bearings import degrees_minutes_seconds
from terrain.whole import written_into

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from terrain.design import Element
    from terrain.site import Site
    from terrain.units import Unit

_WHITE, _BLACK, _GREY, _WATER, _BAND = "#ffffff", "#000000", "#6a6a6a", "#00508a", "#e6e6e6"
_MARKS = {
    "edge": ("s", _BLACK), "offset": ("D", _WHITE), "water": ("o", _WATER), "break": ("^", _BLACK),
    "centre": ("v", _WHITE), "grid": ("o", _BLACK), "toe": ("s", _WHITE), "zone": ("s", _WHITE),
}  # fmt: skip
_SIDE, _TITLE_HIGH, _PLAN_HIGH, _STRIP_HIGH, _FOOT_HIGH = 0.3, 0.95, 4.5, 1.0, 0.5
_ROW_HIGH, _TYPE = 0.225, 10.0
_WIDEST_EM = 0.72  # a letter, in a word of bold type
_MARGIN_IN = 0.45  # around the points on the plan: room for their names


@dataclass(frozen=True)
class _Page:
    """One sheet of an element: its number, of how many, and the points of its table."""

    element: "Element"
    number: int
    count: int
    points: tuple[Stake, ...]


def sheet_count(site: "Site", stakes: Stakes) -> int:
    """How many pages are drawn."""
    paper = _paper(site.unit)
    return sum(len(list(_pages(e, stakes.of(e.name), paper))) for e in site.elements)


def write_stake_sheets(
    site: "Site", stakes: Stakes, folder: Path, *, advance: Callable[[], None] = lambda: None
) -> list[Path]:
    """Write a PDF an element and a PNG a page, whole or not at all; `advance` after each page.

    Raises
    ------
    OutputError
        The folder cannot be written to.
    """
    made = []
    with written_into(folder):
        for element in site.elements:
            name = _file_name(element.name)
            with TemporaryDirectory(prefix=".drawing-", dir=folder) as aside:
                files = _sheets(site, stakes, element, Path(aside) / name, advance)
                made += [file.replace(folder / file.name) for file in files]
    return made


def _sheets(
    site: "Site", stakes: Stakes, element: "Element", stem: Path, advance: Callable[[], None]
) -> list[Path]:
    pages = list(_pages(element, stakes.of(element.name), _paper(site.unit)))
    if not pages:
        return []
    files = [stem.with_name(f"{stem.name}.pdf")]
    with (
        mpl.rc_context({"pdf.fonttype": 3}),  # 42 cuts fonts down with much labour
        PdfPages(files[0], metadata={"CreationDate": None, "Title": element.name}) as pdf,
    ):
        for page in pages:
            figure = draw_page(site, stakes, page)
            pdf.savefig(figure)
            files.append(stem.with_name(f"{stem.name}-{page.number}.png"))
            canvas.save(figure, files[-1])
            advance()
    return files


def _file_name(element: str) -> str:
    """A name that every system takes as a file's."""
    plain = "".join(c if c.isalnum() or c in "-_" else "_" for c in element)
    return plain[:60] or "element"


def _paper(unit: "Unit") -> Paper:
    lying = paper_for(unit)
    return Paper(lying.name, lying.high_in, lying.wide_in)


def _rows_on(paper: Paper) -> int:
    room = paper.high_in - 2 * _SIDE - _TITLE_HIGH - _PLAN_HIGH - _STRIP_HIGH - _FOOT_HIGH
    return int(room / _ROW_HIGH) - 2  # two rows of heads


def _pages(element: "Element", points: tuple[Stake, ...], paper: Paper) -> Iterator[_Page]:
    rows = _rows_on(paper)
    count = -(-len(points) // rows)
    rows = -(-len(points) // count) if count else rows  # pages evenly full
    for number in range(count):
        yield _Page(element, number + 1, count, points[number * rows : (number + 1) * rows])


def draw_page(site: "Site", stakes: Stakes, page: _Page) -> "Figure":
    """Draw one page."""
    paper, unit = _paper(site.unit), site.unit
    figure = canvas.paper(paper.wide_in, paper.high_in, DPI)
    figure.set_facecolor(_WHITE)
    sheet = figure.add_axes((0, 0, 1, 1))
    sheet.set_axis_off()
    sheet.set_xlim(0, paper.wide_in)
    sheet.set_ylim(0, paper.high_in)
    top = paper.high_in - _SIDE
    _title(sheet, site, stakes, page, top)
    top -= _TITLE_HIGH
    scale = _plan(figure, sheet, site, stakes, page, top)
    top -= _PLAN_HIGH
    north_and_bar(sheet, unit, paper, scale, corner=(_SIDE + 0.1, top - 0.2))
    _legend(sheet, page, paper, top)
    _table(sheet, stakes, page, unit, paper, top - _STRIP_HIGH)
    for line, words in enumerate(textwrap.wrap(look.CAUTION, 118)):
        write(sheet, _SIDE, 0.56 - 0.15 * line, words, size=8, color=_BLACK, va="center")
    return figure


def _fitted(
    sheet: "Axes", x: float, y: float, text: str, *, wide: float, size: float, **how: object
) -> None:
    """Write a line as large as fits into `wide` inches; cut short where none does."""
    if len(text) * _WIDEST_EM * size / 72 <= wide:  # surely fits: measuring costs time
        write(sheet, x, y, text, size=size, **how)  # type: ignore[arg-type]
        return
    while True:
        label = write(sheet, x, y, text, size=size, **how)  # type: ignore[arg-type]
        left, _, right, _ = extent(label)
        if right - left <= wide * DPI:
            return
        label.remove()
        if size > 6.5:
            size *= 0.93
        else:
            text = text.rstrip("…")[:-2] + "…"


def _title(sheet: "Axes", site: "Site", stakes: Stakes, page: _Page, top: float) -> None:
    wide, unit = sheet.get_xlim()[1], site.unit
    _fitted(
        sheet, _SIDE, top - 0.17, page.element.name, wide=wide - 3.2, size=21,
        font=canvas.SANS_BOLD, color=_BLACK, va="center",
    )  # fmt: skip
    of = f"sheet {page.number} of {page.count}"
    write(sheet, wide - _SIDE, top - 0.1, of, size=11, color=_BLACK, ha="right", va="center")
    _fitted(
        sheet, wide - _SIDE, top - 0.31, site.name, wide=2.6, size=11, color=_BLACK, ha="right",
        va="center",
    )  # fmt: skip
    said = [f"{page.element.kind.replace('_', ' ')}. Levels and lengths in {unit.plural}."]
    said += ["Coordinates are the site's grid; bearings from its north."]
    if stakes.marks:
        first, second = stakes.marks
        said = [f"{said[0]} Bearings from grid north."]
        said.append("   ".join(_mark_words(mark, at, unit) for at, mark in
                               (("stand on", first), ("sight", second))))  # fmt: skip
    for line, words in enumerate(said):
        _fitted(
            sheet, _SIDE, top - 0.52 - 0.21 * line, words, wide=wide - 2 * _SIDE, size=10,
            color=_BLACK, va="center",
        )  # fmt: skip


def _mark_words(mark: object, how: str, unit: "Unit") -> str:
    east, north, up = (f"{v / unit.metres:.2f}" for v in mark.at)  # type: ignore[attr-defined]
    return f"{how} {mark.name}: E {east} N {north} Z {up}"  # type: ignore[attr-defined]


def _plan(
    figure: "Figure", sheet: "Axes", site: "Site", stakes: Stakes, page: _Page, top: float
) -> int:
    """Draw the plan at a true scale; returns its denominator."""
    paper = _paper(site.unit)
    wide, high = paper.wide_in - 2 * _SIDE, _PLAN_HIGH
    own = np.array([[p.east_m, p.north_m] for p in stakes.of(page.element.name)]) - site.origin
    low, high_m = own.min(axis=0), own.max(axis=0)
    need = (high_m - low) / 0.0254 / (np.array([wide, high]) - 2 * _MARGIN_IN)
    scale = true_scale(float(max(need.max(), 10.0)), site.unit)
    middle = (low + high_m) / 2
    half = np.array([wide, high]) * 0.0254 * scale / 2
    axes = figure.add_axes(
        (_SIDE / paper.wide_in, (top - high) / paper.high_in, wide / paper.wide_in,
         high / paper.high_in)
    )  # fmt: skip
    axes.set_xlim(middle[0] - half[0], middle[0] + half[0])
    axes.set_ylim(middle[1] - half[1], middle[1] + half[1])
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_linewidth(1.2)
    for other in site.elements:
        if other is not page.element:
            _rings(axes, other.outline, color="#b5b5b5", lw=0.8)
    for line in level_lines(page.element):
        xy = shapely.get_coordinates(line)
        axes.plot(xy[:, 0], xy[:, 1], color="#8a8a8a", lw=0.9)
    if page.element.shapes:
        _rings(axes, page.element.grown, color=_BLACK, lw=1.8)
    holds = page.element.water_level_m is not None or page.element.kind == "stream"
    _rings(axes, page.element.outline, color=_WATER if holds else _BLACK, lw=1.6)
    _dots(axes, site, stakes, page)
    return scale


def _rings(axes: "Axes", area: shapely.Geometry, *, color: str, lw: float) -> None:
    for line in shapely.get_parts(shapely.boundary(shapely.get_parts(area))):
        for part in shapely.get_parts(line):
            xy = shapely.get_coordinates(part)
            axes.plot(xy[:, 0], xy[:, 1], color=color, lw=lw, solid_joinstyle="round")


def _dots(axes: "Axes", site: "Site", stakes: Stakes, page: _Page) -> None:
    shown = {point.name for point in page.points}
    box = axes.get_window_extent()
    space = FreeSpace((box.x0 + 3, box.y0 + 3, box.x1 - 3, box.y1 - 3))
    rest = [point for point in stakes.of(page.element.name) if point.name not in shown]
    axes.plot(*_local(rest, site), marker=".", ms=2.5, color=_GREY, zorder=5, ls="none")
    for kind, (shape, face) in _MARKS.items():
        own = _local([point for point in page.points if point.kind == kind], site)
        axes.plot(*own, marker=shape, ms=6, mfc=face, mec=_BLACK, mew=1.1, zorder=20, ls="none")
        for x, y in axes.transData.transform(own.T):
            space.taken.append((x - 8, y - 8, x + 8, y + 8))
    for mark in stakes.marks:
        xy = np.array(mark.at[:2]) - site.origin
        x, y = axes.transData.transform(xy)
        if box.x0 < x < box.x1 and box.y0 < y < box.y1:
            axes.plot(*xy, marker="^", ms=12, mfc=_WHITE, mec=_BLACK, mew=1.8, zorder=21)
            space.taken.append((x - 15, y - 15, x + 15, y + 15))
            place_label(
                axes, xy.tolist(), mark.name, space, size=9, font=canvas.SANS_BOLD, colour=_BLACK
            )
    for point, xy in zip(page.points, _local(page.points, site).T.tolist(), strict=True):
        place_label(
            axes, xy, point.name, space, reach=12, size=9, font=canvas.SANS_BOLD, colour=_BLACK
        )


def _local(points: Sequence[Stake], site: "Site") -> FloatArray:
    """Local easting and northing, shape (2, n), m."""
    true = np.array([[point.east_m, point.north_m] for point in points]).reshape(-1, 2)
    return (true - site.origin).T


def _legend(sheet: "Axes", page: _Page, paper: Paper, top: float) -> None:
    """The kinds of this page, in two columns at the right of the strip under the plan."""
    kinds = [kind for kind in KINDS if any(point.kind == kind for point in page.points)]
    for place, kind in enumerate(kinds):
        x = paper.wide_in - _SIDE - 3.6 + 1.85 * (place % 2)
        y = top - 0.2 - 0.24 * (place // 2)
        shape, face = _MARKS[kind]
        sheet.plot([x], [y], marker=shape, ms=7, mfc=face, mec=_BLACK, mew=1.1, ls="none")
        write(sheet, x + 0.14, y, KINDS[kind], size=10, color=_BLACK, va="center")


def _columns(stakes: Stakes, unit: "Unit") -> list[tuple[str, str, float]]:
    """Heads in two lines and the share of the page's width that a column takes."""
    said = unit.symbol
    if stakes.marks:
        first, second = (mark.name for mark in stakes.marks)
        rest = [("bearing", f"from {first}", 1.3), (f"{first}", said, 0.95),
                (f"{second}", said, 0.95)]  # fmt: skip
    else:
        rest = [("easting", said, 1.6), ("northing", said, 1.6)]
    return [("stake", "", 1.0), ("point", "", 1.5), ("ground", said, 1.0), ("dig to", said, 1.0),
            ("CUT", said, 0.95), *rest]  # fmt: skip


def _cells(stake: Stake, stakes: Stakes, unit: "Unit") -> list[str]:
    depth = 1 if unit.symbol == "ft" else 2  # feet and tenths

    def number(metres: float | None, digits: int = 2) -> str:
        return "" if metres is None else f"{metres / unit.metres:.{digits}f}"

    letter = "F" if stake.cut_m < 0 else "C"
    what = KINDS[stake.kind]
    if stake.offset_m is not None:
        what = f"offset {number(stake.offset_m)}"
    cells = [stake.name, what, number(stake.existing_m), number(stake.dig_m)]
    cells.append(f"{letter} {number(abs(stake.cut_m), depth)}" if stake.kind != "zone" else "–")
    if not stakes.marks:
        return [*cells, number(stake.east_m), number(stake.north_m)]
    bearing = cast("float", stake.bearing_deg)
    return [*cells, degrees_minutes_seconds(bearing), number(stake.distance_m),
            number(stake.second_distance_m)]  # fmt: skip


def _table(
    sheet: "Axes", stakes: Stakes, page: _Page, unit: "Unit", paper: Paper, top: float
) -> None:
    columns = _columns(stakes, unit)
    wide = paper.wide_in - 2 * _SIDE
    shares = np.array([share for _, _, share in columns])
    ends = _SIDE + wide * np.cumsum(shares) / shares.sum()
    starts = np.append(_SIDE, ends[:-1])
    sheet.add_patch(
        Rectangle((_SIDE, top - 2 * _ROW_HIGH), wide, 2 * _ROW_HIGH, fc=_BLACK, ec=_BLACK)
    )
    for k, (head, under, _) in enumerate(columns):
        for line, words in enumerate((head, under)):
            _cell(
                sheet, (starts[k], ends[k]), top - (line + 0.5) * _ROW_HIGH, words, k, colour=_WHITE
            )
    for row, stake in enumerate(page.points):
        y = top - (row + 2.5) * _ROW_HIGH
        if row % 2:
            band = (_SIDE, y - _ROW_HIGH / 2)
            sheet.add_patch(Rectangle(band, wide, _ROW_HIGH, fc=_BAND, ec="none"))
        for k, words in enumerate(_cells(stake, stakes, unit)):
            _cell(sheet, (starts[k], ends[k]), y, words, k, colour=_BLACK)


def _cell(
    sheet: "Axes", ends: Sequence[float], y: float, words: str, column: int, *, colour: str
) -> None:
    if not words:
        return
    left = column < 2
    _fitted(
        sheet,
        ends[0] + 0.05 if left else ends[1] - 0.05,
        y,
        words,
        wide=ends[1] - ends[0] - 0.08,
        size=_TYPE,
        font=canvas.SANS_BOLD if column in (0, 4) else canvas.SANS,
        color=colour,
        ha="left" if left else "right",
        va="center",
    )
