"""The sections that volumes are measured by, drawn at one scale, with a key plan."""

import math
import pathlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.path import Path

from terrain.arrays import FloatArray
from terrain.earthwork.baselines import Arc
from terrain.earthwork.profiles import Profile
from terrain.earthwork.stationing import Station, works_length
from terrain.review import canvas, look
from terrain.review.canvas import FreeSpace, extent, place_label, write
from terrain.review.outlines import rings
from terrain.review.papers import (
    DPI,
    Paper,
    inset,
    north_and_bar,
    paper_for,
    scale_words,
    sheet_of,
    true_scale,
)
from terrain.review.sheets import EXAGGERATIONS
from terrain.surface import Surface

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from shapely import LinearRing

    from terrain.site import Site
    from terrain.units import Unit

MOST_ON_A_PAGE, FEWEST_ON_A_PAGE = 12, 6
EXISTING, DUG, PLACED = "#57702f", "#dcbf97", "#8cc0b9"
_COLUMN_IN = 2.55  # right-hand column: key plan and legend
_LEFT_IN, _TOP_IN, _BOTTOM_IN = 0.45, 0.42, 1.12
_AXIS_IN, _HEAD_IN, _FOOT_IN, _GAP_IN = 0.42, 0.36, 0.24, 0.16  # around a section
_NARROWEST_IN = 1.3  # a section, so that its words have room


@dataclass(frozen=True)
class _Layout:
    """Columns and rows of sections of one size, and their scale."""

    columns: int
    rows: int
    scale: int
    vertical: float
    slot_in: tuple[float, float]

    @property
    def count(self) -> int:
        return self.columns * self.rows


@dataclass(frozen=True)
class _Frame:
    """What every section shows: distances to the right, and how high, m."""

    left: float
    right: float
    tall: float

    @property
    def middle(self) -> float:
        return (self.left + self.right) / 2


def round_stations(site: "Site", most: int) -> float:
    """Distance between at most about `most` stations, m: round, or a multiple of the plan's own."""
    length = max(works_length(site.sections), 1e-3)
    spacing = site.plan.sections.spacing
    if spacing is not None:
        return spacing * max(1, math.ceil(length / spacing / most))
    least = length / most / site.unit.metres
    power = 10.0 ** math.floor(math.log10(least))
    steps = (step * power for step in (1, 2, 5, 10))
    return float(next(step for step in steps if step >= least * (1 - 1e-9))) * site.unit.metres


def drawn_stations(stations: Sequence[Station]) -> list[Station]:
    """The stations at which anything is dug or raised."""
    return [s for s in stations if s.cut_m2 > 1e-6 or s.fill_m2 > 1e-6]


def draw_page(site: "Site", stations: Sequence[Station], path: pathlib.Path) -> None:
    """One sheet with as many of the stations, evenly thinned, as can be read on it."""
    chosen = drawn_stations(stations)
    layout = _layout(_frame(chosen), len(chosen), site.unit, paper_for(site.unit))
    shown = chosen[:: max(1, math.ceil(len(chosen) / layout.count))]
    canvas.save(_page(site, shown, chosen, layout, ""), path)


def draw_pages(site: "Site", stations: Sequence[Station], path: pathlib.Path) -> None:
    """Every station, on as many sheets of one PDF as they need."""
    chosen = drawn_stations(stations)
    layout = _layout(_frame(chosen), len(chosen), site.unit, paper_for(site.unit))
    pages = max(1, math.ceil(len(chosen) / layout.count))
    with PdfPages(path, metadata={"CreationDate": None, "Producer": None}) as pdf:
        for page in range(pages):
            shown = chosen[page * layout.count : (page + 1) * layout.count]
            figure = _page(site, shown, chosen, layout, f", sheet {page + 1} of {pages}")
            pdf.savefig(figure)
            figure.clear()


def _page(
    site: "Site",
    shown: Sequence[Station],
    chosen: Sequence[Station],
    layout: _Layout,
    which: str,
) -> "Figure":
    paper, unit = paper_for(site.unit), site.unit
    ways = {_looking(station) for station in chosen}
    ahead = f"looking {ways.pop()}" if len(ways) == 1 else "looking ahead along it"
    said = scale_words(layout.scale, unit, paper)
    figure, sheet = sheet_of(
        site,
        paper,
        f"Sections of the dig and fill{which}",
        [
            f"Scale {said}, vertical ×{look.plain(layout.vertical)}.",
            f"Stations, elevations and offsets in {unit.plural};",
            f"offsets to the right of the baseline, {ahead}.",
        ],
    )
    frame = _frame(chosen)
    wide, tall = layout.slot_in
    for number, station in enumerate(shown):
        row, column = divmod(number, layout.columns)
        left = _LEFT_IN + column * (wide + _AXIS_IN + _GAP_IN) + _AXIS_IN
        room = (paper.high_in - _TOP_IN - _BOTTOM_IN) / layout.rows
        top = paper.high_in - _TOP_IN - row * room - _HEAD_IN
        axes = inset(figure, paper, (left, top - tall, wide, tall))
        half = wide * 0.0254 * layout.scale / 2
        axes.set_xlim(frame.middle - half, frame.middle + half)
        axes.set_ylim(*_heights(station, frame))
        _section(axes, station, site.existing, unit)
        _head(sheet, station, (left, top), unit)
    _key_plan(figure, sheet, site, shown, paper)
    return figure


def _looking(station: Station) -> str:
    """Compass direction ahead along the baseline."""
    ahead = math.atan2(-station.across[0], station.across[1])
    return look.COMPASS[round(ahead / (math.pi / 4)) % 8]


def _frame(stations: Sequence[Station]) -> _Frame:
    """Offsets and heights that hold what changes in every section, with some ground beside it."""
    sides, talls = [-1.0, 1.0], [0.5]
    for station in stations:
        changed = [_changed(line) for line in (station.dug, station.raised)]
        sides += [side for offsets, _ in changed for side in offsets]
        heights = [height for _, reach in changed for height in reach]
        talls.append(max(heights, default=0.0) - min(heights, default=0.0))
    left, right = -max(sides[2:], default=1.0), -min(sides[2:], default=-1.0)
    beside = max(0.08 * (right - left), 0.3)
    return _Frame(left - beside, right + beside, 1.3 * max(talls) + 0.2)


def _changed(line: Profile) -> tuple[list[float], list[float]]:
    """First and last offset, and lowest and highest of both surfaces, where they differ."""
    apart = np.abs(line.after - line.before) > look.WORKED_M
    if not apart.any():
        return [], []
    heights = np.concatenate([line.before[apart], line.after[apart]])
    offsets = line.offset[apart]
    return (
        [float(offsets.min()), float(offsets.max())],
        [float(heights.min()), float(heights.max())],
    )


def _layout(frame: _Frame, count: int, unit: "Unit", paper: Paper) -> _Layout:
    """The largest scale at which enough sections fit, then as many of them as then fit."""
    wide = paper.wide_in - _LEFT_IN - _COLUMN_IN - 0.28
    tall = paper.high_in - _TOP_IN - _BOTTOM_IN
    across, upward = (frame.right - frame.left) / 0.0254, frame.tall / 0.0254
    found = []
    for columns in range(1, 5):
        for rows in range(1, 7):
            if not min(count, FEWEST_ON_A_PAGE) <= columns * rows <= MOST_ON_A_PAGE:
                continue
            room = (
                wide / columns - _AXIS_IN - _GAP_IN,
                tall / rows - _HEAD_IN - _FOOT_IN,
            )
            if room[0] < _NARROWEST_IN or room[1] < 0.4:
                continue
            scale = true_scale(max(across / room[0], upward / room[1]), unit)
            vertical = max((k for k in EXAGGERATIONS if upward * k / scale <= room[1]), default=1.0)
            # a narrow section is drawn with more ground beside it
            slot = (max(across / scale, _NARROWEST_IN), upward * vertical / scale)
            found.append(_Layout(columns, rows, scale, vertical, slot))
    return min(found, key=lambda fit: (fit.scale, -min(fit.count, count), -fit.vertical))


def _head(sheet: "Axes", station: Station, corner: tuple[float, float], unit: "Unit") -> None:
    """Station and areas above a section."""
    left, top = corner
    words = f"Station {_tidy(station.station_m / unit.metres)}"
    write(sheet, left, top + 0.21, words, size=8, font=canvas.SANS_BOLD, va="center")
    areas = [
        (f"dig {station.cut_m2 / unit.area_m2:,.2f} {unit.area}", look.REMOVED),
        (f"fill {station.fill_m2 / unit.area_m2:,.2f} {unit.area}", look.PLACED),
    ]
    for text, colour in areas:
        label = write(sheet, left, top + 0.075, text, size=6, va="center", color=colour)
        left = extent(label)[2] / DPI + 0.08


def _tidy(number: float) -> str:
    """A station without idle zeros."""
    return f"{number + 0.0:.2f}".rstrip("0").rstrip(".").replace("-", "−")


def _section(axes: "Axes", station: Station, existing: Surface, unit: "Unit") -> None:
    """Existing ground, dig and fill of one station; what goes is brown, what comes is teal."""
    right = np.linspace(*axes.get_xlim(), 300)
    ground = existing.elevation(np.array(station.place) - right[:, None] * station.across)
    dug = np.interp(-right, station.dug.offset, station.dug.after, left=np.nan, right=np.nan)
    lowest = axes.get_ylim()[0]
    axes.fill_between(right, lowest, np.fmin(ground, dug), color="#e6dcc6", lw=0, zorder=1)
    removed = _between(axes, station.dug, -1.0, DUG, zorder=2)
    if removed is not None:
        _hatch(axes, removed, 1)
    placed = _between(axes, station.raised, 1.0, PLACED, zorder=3)
    if placed is not None:
        _hatch(axes, placed, -1)
    for line, colour in ((station.raised, look.PLACED), (station.dug, look.REMOVED)):
        changed = np.abs(line.after - line.before) > look.WORKED_M
        near = changed.copy()
        near[1:] |= changed[:-1]
        near[:-1] |= changed[1:]
        axes.plot(-line.offset, np.where(near, line.after, np.nan), color=colour, lw=1.3, zorder=7)
    axes.plot(right, ground, color=EXISTING, lw=1.0, dashes=(6, 3), zorder=9)
    axes.axvline(0, color=look.ALERT, lw=0.7, dashes=(9, 3, 2, 3), zorder=4)
    _ticks(axes, unit)


def _heights(station: Station, frame: _Frame) -> tuple[float, float]:
    """Lowest and highest elevation of a section, what changes in its middle, m."""
    heights = [h for line in (station.dug, station.raised) for h in _changed(line)[1]]
    middle = (min(heights) + max(heights)) / 2 if heights else 0.0
    return middle - frame.tall / 2, middle + frame.tall / 2


def _between(
    axes: "Axes", line: Profile, sense: float, colour: str, *, zorder: float
) -> PolyCollection | None:
    """Fill where the second surface lies above (sense 1) or below (−1) the first."""
    rise = sense * (line.after - line.before)
    if not (rise > 0).any():
        return None
    return axes.fill_between(
        -line.offset,
        line.before,
        np.where(rise > 0, line.after, line.before),
        where=np.isfinite(rise),
        color=colour,
        lw=0,
        zorder=zorder,
    )


def _hatch(axes: "Axes", area: PolyCollection, sense: int) -> None:
    """Thin strokes, one way for what is removed and the other for what is placed."""
    box = axes.get_window_extent()
    apart, back = 9.0, axes.transData.inverted()
    starts = np.arange(box.x0 - box.height, box.x1 + box.height, apart)
    strokes = [back.transform([(x, box.y0), (x + sense * box.height, box.y1)]) for x in starts]
    colour = look.REMOVED if sense > 0 else look.PLACED
    lines = LineCollection(strokes, colors=colour, linewidths=0.4, alpha=0.6, zorder=5)
    axes.add_collection(lines, autolim=False)
    lines.set_clip_path(Path.make_compound_path(*area.get_paths()), axes.transData)


def _ticks(axes: "Axes", unit: "Unit") -> None:
    """Offsets and elevations, in round steps of the site's unit."""
    box = axes.get_window_extent()
    for axis, (low, high), pixels, apart in (
        (axes.xaxis, axes.get_xlim(), box.width, 46),
        (axes.yaxis, axes.get_ylim(), box.height, 24),
    ):
        least = (high - low) / unit.metres * apart / pixels
        step = next(s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500) if s >= least)
        inner = 0.02 * (high - low)
        first, last = (
            math.ceil((low + inner) / unit.metres / step),
            math.floor((high - inner) / unit.metres / step),
        )
        marks = np.arange(first, last + 1) * step
        axis.set_ticks(marks * unit.metres)
        texts = [f"{mark:.{1 if step < 1 else 0}f}" for mark in marks]
        axis.set_ticklabels([text.replace("-", "−") for text in texts])
    axes.tick_params(labelsize=5.5, length=2, pad=1.5)
    axes.grid(color=look.RULE, lw=0.3, zorder=0.5)
    axes.set_axisbelow(False)


def baseline_points(baseline: FloatArray | Arc) -> FloatArray:
    """Corners of a baseline, or places close together along an arc, (n, 2), m."""
    if not isinstance(baseline, Arc):
        return baseline
    turn = baseline.start + np.linspace(0, baseline.sweep, 65)
    return np.array(baseline.centre) + baseline.radius * np.column_stack(
        [np.cos(turn), np.sin(turn)]
    )


def _key_plan(
    figure: "Figure", sheet: "Axes", site: "Site", shown: Sequence[Station], paper: Paper
) -> None:
    """Outlines, baseline and stations, with north and a scale; below them what the lines mean."""
    unit = site.unit
    left, top = paper.wide_in - _COLUMN_IN, paper.high_in - 0.62
    room = np.array([_COLUMN_IN - 0.42, 3.0])
    line = baseline_points(site.sections[0].baseline)
    if shown[0].station_m < 0:
        line = np.concatenate([[shown[0].place], line])
    if shown[-1].station_m > np.linalg.norm(np.diff(line, axis=0), axis=1).sum():
        line = np.concatenate([line, [shown[-1].place]])
    ends = {id(station): _ends(station) for station in shown}
    places = np.concatenate(
        [line, *ends.values(), *(np.array(ring.coords)[:, :2] for ring in _outlines(site))]
    )
    low, high = places.min(axis=0), places.max(axis=0)
    scale = true_scale(float(max((high - low) * 1.12 / 0.0254 / room)), unit)
    write(sheet, left, top + 0.07, "Key plan", size=8, font=canvas.SANS_BOLD, va="center")
    axes = inset(figure, paper, (left, top - 0.06 - room[1], *room))
    half = room * 0.0254 * scale / 2
    middle = (low + high) / 2
    axes.set_xlim(middle[0] - half[0], middle[0] + half[0])
    axes.set_ylim(middle[1] - half[1], middle[1] + half[1])
    axes.set_xticks([])
    axes.set_yticks([])
    for ring in _outlines(site):
        axes.fill(*np.array(ring.coords)[:, :2].T, fc="#efe9d8", ec=look.INK, lw=0.8, zorder=3)
    axes.plot(*line.T, color=look.ALERT, lw=1.2, dashes=(9, 3, 2, 3), zorder=6)
    box = axes.get_window_extent()
    space = FreeSpace((box.x0 + 3, box.y0 + 3, box.x1 - 3, box.y1 - 3))
    for station in shown:
        ends_m = ends[id(station)]
        axes.plot(*ends_m.T, color=look.INK, lw=0.7, zorder=5)
        share = np.linspace(0, 1, 40)[:, None]
        pixels = axes.transData.transform((1 - share) * ends_m[0] + share * ends_m[1])
        space.taken += [(px - 2, py - 2, px + 2, py + 2) for px, py in pixels]
    for station in shown:
        words = _tidy(station.station_m / unit.metres)
        for end in ends[id(station)][::-1]:
            if place_label(axes, end, words, space, reach=5, size=6) is not None:
                break
    under = top - 0.06 - room[1] - 0.28
    north_and_bar(sheet, unit, paper, scale, corner=(left, under))
    _legend(sheet, left, under - 1.02)


def _outlines(site: "Site") -> Iterator["LinearRing"]:
    for element in site.elements:
        yield from rings(element.outline)


def _ends(station: Station) -> FloatArray:
    """Where a section begins and ends to have changed all that it changes, (2, 2), m."""
    sides = [side for line in (station.dug, station.raised) for side in _changed(line)[0]]
    offsets = np.array([min([*sides, 0.0]), max([*sides, 0.0])])[:, None]
    ends: FloatArray = np.array(station.place) + offsets * np.array(station.across)
    return ends


def _legend(sheet: "Axes", left: float, top: float) -> None:
    entries = (
        ("line", EXISTING, "existing ground"),
        ("line", look.REMOVED, "bottom of the dig"),
        ("line", look.PLACED, "top of rims and fill"),
        ("axis", look.ALERT, "baseline"),
        ("fill", DUG, "dug"),
        ("fill", PLACED, "filled"),
    )
    for number, (kind, colour, words) in enumerate(entries):
        y = top - 0.19 * number
        if kind == "fill":
            canvas.swatch(sheet, left + 0.05, y - 0.05, 0.22, 0.1, colour)
        else:
            (drawn,) = sheet.plot([left, left + 0.32], [y, y], color=colour, lw=1.3)
            if kind == "axis":
                drawn.set_dashes((9, 3, 2, 3))
            elif colour == EXISTING:
                drawn.set_dashes((4, 2))
        write(sheet, left + 0.42, y, words, size=7, va="center")
