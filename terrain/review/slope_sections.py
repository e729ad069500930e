"""Sections of faces with the slip that stands worst, its slices, loads and water."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.patches import Rectangle
from scipy import ndimage

from terrain.arrays import FloatArray
from terrain.review import canvas, look
from terrain.review.canvas import FreeSpace, place_label, write
from terrain.review.face_marks import VERDICTS, factor_words, pressure_words
from terrain.review.papers import Paper, inset, paper_for, scale_words, sheet_of, true_scale

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from terrain.site import Site
    from terrain.slopes import SlipCase, SlopeFace
    from terrain.stability import SlopeSection
    from terrain.units import Unit

MOST_SECTIONS = 6
STRATA = ("#dcbf97", "#c9ab86", "#b8a58c", "#a59a89")
LOAD = "#5a4a6b"
_LEFT_IN, _TOP_IN, _BOTTOM_IN, _RIGHT_IN = 0.45, 0.40, 1.38, 0.42
_AXIS_IN, _HEAD_IN, _FOOT_IN, _GAP_IN = 0.36, 0.46, 0.22, 0.14
_KPA_IN = 0.012  # height of a load, per kPa
_SPOT = 0.027  # of the width of a section: a spot of the factors by centre
_FROM, _TO = 0.5, 3.0  # of the factor wanted: the ends of the colours


@dataclass(frozen=True)
class _View:
    """What a section shows: along and up, m."""

    left: float
    right: float
    low: float
    high: float


def slope_sections(site: "Site", faces: Sequence["SlopeFace"], path: Path) -> None:
    """Draw the worst case of up to six faces on one sheet, all at one scale."""
    unit = site.unit
    paper = paper_for(unit)
    shown = [
        (face, case) for face in faces[:MOST_SECTIONS] if (case := face.worst_case) is not None
    ]
    views = [_view(case, face) for face, case in shown]
    columns = min(len(shown), 3)
    rows = math.ceil(len(shown) / columns)
    slot = (
        (paper.wide_in - _LEFT_IN - _RIGHT_IN) / columns - _AXIS_IN - _GAP_IN,
        (paper.high_in - _TOP_IN - _BOTTOM_IN) / rows - _HEAD_IN - _FOOT_IN,
    )
    least = max(
        max((view.right - view.left) / slot[0], (view.high - view.low) / slot[1]) for view in views
    )
    scale = true_scale(least / 0.0254, unit)
    figure, sheet = sheet_of(
        site,
        paper,
        "Sections through faces",
        [
            f"Scale {scale_words(scale, unit, paper)}, heights as lengths.",
            f"Lengths in {unit.plural}; slopes rise to the right.",
            "Factors of safety: likely (low to high, nine strengths of ten).",
            _soils(site, faces),
        ],
    )
    for number, ((face, case), view) in enumerate(zip(shown, views, strict=True)):
        row, column = divmod(number, columns)
        left = _LEFT_IN + column * (slot[0] + _AXIS_IN + _GAP_IN) + _AXIS_IN
        top = paper.high_in - _TOP_IN - row * (slot[1] + _HEAD_IN + _FOOT_IN) - _HEAD_IN
        axes = inset(figure, paper, (left, top - slot[1], *slot))
        half = np.array(slot) * 0.0254 * scale / 2
        middle = (view.left + view.right) / 2
        axes.set_xlim(middle - half[0], middle + half[0])
        axes.set_ylim(view.low, view.low + 2 * half[1])
        _section(axes, case, face, scale, unit)
        _head(sheet, face, case, (left, top))
    _legend(sheet, paper, [case for _, case in shown])
    canvas.save(figure, path)


def _soils(site: "Site", faces: Sequence["SlopeFace"]) -> str:
    """Strengths that the sections are drawn with."""
    named = {soil for face in faces for soil in face.soils}
    said, unit = [], site.unit
    for soil in site.plan.soil:
        if soil.name in named:
            cohesion, friction = soil.strength.ranges
            said.append(
                f"{soil.name} {pressure_words(cohesion[0], unit)} to "
                f"{pressure_words(cohesion[-1], unit)}, "
                f"{friction[0]:g}° to {friction[-1]:g}°"
            )
    return "; ".join(said[:2]) + (" …" if len(said) > 2 else "")


def _slip(case: "SlipCase") -> tuple[float, float]:
    """Where the slip comes out and where it begins, along the section."""
    circle = case.factors.likely.circle
    if case.by_plane and case.plane is not None:
        return float(case.plane.line[0, 0]), float(case.plane.line[1, 0])
    if circle is None:
        return float(case.section.along_m[0]), float(case.section.along_m[-1])
    return circle.start_m, circle.end_m


def _view(case: "SlipCase", face: "SlopeFace") -> _View:
    """The slope around the slip, with room above for the centres of circles."""
    section, height = case.section, face.face.height
    start, end = _slip(case)
    toe = float(section.along_m[np.argmin(section.ground_m)])
    crest = float(section.along_m[np.argmax(section.ground_m)])
    left = min(start, max(toe, start - height)) - 0.5 * height
    right = max(end, min(crest, end + 0.5 * height)) + 0.3 * height
    left, right = max(left, section.along_m[0]), min(right, section.along_m[-1])
    inside = section.ground_at(np.linspace(left, right, 60))
    return _View(
        float(left),
        float(right),
        float(inside.min()) - 0.45 * height,
        float(inside.max()) + 1.0 * height,
    )


def _section(axes: "Axes", case: "SlipCase", face: "SlopeFace", scale: int, unit: "Unit") -> None:
    section = case.section
    low, high = axes.get_ylim()
    along, ground = section.along_m, section.ground_m
    _spots(axes, case)
    for row, top in enumerate(section.tops_m):
        axes.fill_between(along, low, top, color=STRATA[min(row, len(STRATA) - 1)], lw=0, zorder=2)
    if section.pond_m > low:
        axes.fill_between(
            along, ground, section.pond_m, where=ground < section.pond_m, color=look.WATER,
            alpha=0.55, lw=0, zorder=3, interpolate=True,
        )  # fmt: skip
    wet = np.where(np.isfinite(section.water_m), section.water_m, np.nan)
    axes.plot(along, wet, color="#2f5f77", lw=1.0, dashes=(5, 2), zorder=6)
    axes.plot(along, ground, color=look.INK, lw=1.3, zorder=8)
    _loads(axes, section, scale)
    _slices(axes, case)
    _named(axes, section, face, unit)
    _ticks(axes, unit)
    axes.set_ylim(low, high)


def _arc(case: "SlipCase") -> FloatArray | None:
    """The slip as a line, shape (n, 2): the worst circle, or the worst plane if that is worse."""
    circle = case.factors.likely.circle
    if case.by_plane and case.plane is not None:
        return case.plane.line
    if circle is None:
        return None
    x = np.linspace(circle.start_m, circle.end_m, 121)
    z = circle.z_m - np.sqrt(np.maximum(circle.radius_m**2 - (x - circle.x_m) ** 2, 0.0))
    return np.column_stack([x, z])


def _slices(axes: "Axes", case: "SlipCase") -> None:
    """The slip thick, the slices between it and the ground thin."""
    line = _arc(case)
    if line is None:
        return
    edges = np.linspace(line[0, 0], line[-1, 0], 31)
    foot, top = np.interp(edges, *line.T), case.section.ground_at(edges)
    strokes = np.stack([np.column_stack([edges, foot]), np.column_stack([edges, top])], axis=1)
    axes.add_collection(
        LineCollection(list(strokes), colors=look.INK, linewidths=0.35, alpha=0.7, zorder=7)
    )
    axes.plot(*line.T, color=look.ALERT, lw=1.8, zorder=9)
    circle = case.factors.likely.circle
    if circle is not None and not case.by_plane:
        axes.plot(circle.x_m, circle.z_m, "+", color=look.ALERT, ms=7, mew=1.5, zorder=9)


def _loads(axes: "Axes", section: "SlopeSection", scale: int) -> None:
    """Each strip as a box on the ground, as high as its pressure."""
    for start, end, pressure in section.loads:
        base = float(section.ground_at(np.array([0.5 * (start + end)]))[0])
        high = max(pressure / 1e3 * _KPA_IN, 0.03) * 0.0254 * scale
        axes.add_patch(
            Rectangle((start, base), end - start, high, fc=(LOAD, 0.35), ec=LOAD, lw=0.5, zorder=7)
        )


def _spots(axes: "Axes", case: "SlipCase") -> None:
    """Least factor of the first look by the centre of the circle, in squares of one size."""
    looked = case.factors.likely.looked
    looked = looked[np.isfinite(looked[:, 3])]
    if not len(looked):
        return
    start, end, sagitta, factor = looked.T
    z0, z1 = case.section.ground_at(start), case.section.ground_at(end)
    chord = np.hypot(end - start, z1 - z0)
    away = chord * (0.25 + sagitta**2) / (2 * sagitta) - sagitta * chord
    x = 0.5 * (start + end) - away * (z1 - z0) / chord
    z = 0.5 * (z0 + z1) + away * (end - start) / chord
    west, east = axes.get_xlim()
    cell = _SPOT * (east - west)
    south, north = axes.get_ylim()
    wide, tall = math.ceil((east - west) / cell), math.ceil((north - south) / cell)
    column, row = np.floor((x - west) / cell), np.floor((z - south) / cell)
    inside = (column >= 0) & (column < wide) & (row >= 0) & (row < tall)
    least = np.full((tall, wide), np.inf)
    at = (row[inside].astype(np.int64), column[inside].astype(np.int64))
    np.minimum.at(least, at, factor[inside])
    least = _filled(np.where(least > _TO * case.factors.target, np.inf, least))
    shade = np.concatenate(
        [_factor_rgb(least / case.factors.target), np.isfinite(least)[..., None]], axis=-1
    )
    axes.imshow(
        shade, extent=(west, west + wide * cell, south, south + tall * cell), origin="lower",
        interpolation="nearest", zorder=1, aspect="auto",
    )  # fmt: skip
    axes.set_xlim(west, east)
    axes.set_ylim(south, north)


def _filled(least: FloatArray) -> FloatArray:
    """Squares between known ones take the least of their neighbours."""
    known = ndimage.uniform_filter(np.isfinite(least).astype(np.float64), 3, mode="constant")
    around = ndimage.minimum_filter(least, 3)
    return np.asarray(np.where(np.isinf(least) & (known > 0.38), around, least))


def _factor_rgb(share: FloatArray) -> FloatArray:
    """Colour of a factor as a share of the one wanted, even in its logarithm, white at 1."""
    way = np.log(np.clip(share, _FROM, _TO))
    return look.diverging_rgb(np.where(way < 0, way / -math.log(_FROM), way / math.log(_TO)))


def _named(axes: "Axes", section: "SlopeSection", face: "SlopeFace", unit: "Unit") -> None:
    """Names of the soils, in the body of each."""
    box = axes.get_window_extent()
    space = FreeSpace((box.x0 + 2, box.y0 + 2, box.x1 - 2, box.y1 - 2))
    low = axes.get_ylim()[0]
    bottoms = [*section.tops_m[1:], np.full(len(section.along_m), low)]
    west = max(axes.get_xlim()[0], section.along_m[0])
    east = min(axes.get_xlim()[1], section.along_m[-1])
    x = west + 0.75 * (east - west)
    for name, top, bottom in zip(face.soils, section.tops_m, bottoms, strict=True):
        upper, lower = (float(np.interp(x, section.along_m, line)) for line in (top, bottom))
        lower = max(lower, low)
        if upper - lower > 0.05 * (axes.get_ylim()[1] - low):
            canvas.place_on(
                axes, (x, lower + 0.25 * (upper - lower)), name, space, size=6, back=STRATA[0]
            )
    if section.loads.size:
        heaviest = section.loads[np.argmax(section.loads[:, 2])]
        at = 0.5 * (heaviest[0] + heaviest[1])
        z = float(section.ground_at(np.array([at]))[0])
        if west < at < east:
            words = pressure_words(float(heaviest[2]), unit)
            place_label(axes, (at, z), words, space, reach=20, size=5.8, colour=LOAD)


def _ticks(axes: "Axes", unit: "Unit") -> None:
    box = axes.get_window_extent()
    for axis, (low, high), pixels, apart in (
        (axes.xaxis, axes.get_xlim(), box.width, 46),
        (axes.yaxis, axes.get_ylim(), box.height, 30),
    ):
        least = (high - low) / unit.metres * apart / pixels
        step = next(s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100) if s >= least)
        inner = 0.03 * (high - low)
        first = math.ceil((low + inner) / unit.metres / step)
        last = math.floor((high - inner) / unit.metres / step)
        marks = [k * step for k in range(first, last + 1)]
        axis.set_ticks([mark * unit.metres for mark in marks])
        axis.set_ticklabels([f"{mark:.1f}".removesuffix(".0").replace("-", "−") for mark in marks])
    axes.tick_params(labelsize=5.8, pad=1.5, length=2)


def _head(sheet: "Axes", face: "SlopeFace", case: "SlipCase", corner: tuple[float, float]) -> None:
    """Which face in which case, and its factor with its range."""
    left, top = corner
    name = f"{face.name}  {face.element}, {case.name}" if face.element else face.name
    write(sheet, left, top + 0.33, name, size=8, font=canvas.SANS_BOLD, va="center")
    told = (
        f"{case.method.capitalize()} {factor_words(case)}, wanted {case.factors.target:g}; "
        f"below 1 in {case.chance_below_one:.0%} of samples"
    )
    write(sheet, left, top + 0.2, told, size=6, va="center")
    colour, _ = VERDICTS[face.verdict]
    tried = case.factors.likely
    verdict = face.verdict + (", breaks a rule" if face.breaches else "")
    label = write(
        sheet, left, top + 0.08, verdict, size=6, font=canvas.SANS_BOLD, va="center", color=colour
    )
    right = canvas.extent(label)[2] / canvas.figure_of(sheet).dpi
    no = tried.off + tried.inadmissible + tried.unsettled
    settled = int(np.argmax(tried.path <= 1.001 * tried.path[-1]))
    search = f"{tried.tried:,} circles tried, {no:,} no slip; {settled} rounds"
    write(sheet, right + 0.06, top + 0.08, search, size=5.4, va="center", color=look.SOFT_INK)


def _legend(sheet: "Axes", paper: Paper, cases: Sequence["SlipCase"]) -> None:
    """One line above the title block: what is drawn how, and the colours of the centres."""
    y, x = 1.16, _LEFT_IN
    for kind, colour, words in (
        ("line", look.ALERT, "worst slip, + its centre"),
        ("line", look.INK, "ground; thin: slices"),
        ("dash", "#2f5f77", "water in the ground"),
        ("fill", look.WATER, "open water"),
        ("fill", LOAD, "load"),
    ):
        if kind == "fill":
            canvas.swatch(sheet, x, y - 0.05, 0.22, 0.1, colour, alpha=0.5)
        else:
            (line,) = sheet.plot([x, x + 0.24], [y, y], color=colour, lw=1.6)
            if kind == "dash":
                line.set_dashes((4, 2))
        label = write(sheet, x + 0.3, y, words, size=6.2, va="center")
        x = canvas.extent(label)[2] / canvas.figure_of(sheet).dpi + 0.2
    words = "factor of the circles whose centre lies there, as a share of the one wanted:"
    label = write(sheet, x + 0.1, y, words, size=6.2, va="center")
    x = canvas.extent(label)[2] / canvas.figure_of(sheet).dpi + 0.22
    wide = min(1.5, paper.wide_in - 0.5 - x)
    shares = np.geomspace(_FROM, _TO, 60)
    for k, colour in enumerate(_factor_rgb(shares)):
        sheet.add_patch(
            Rectangle((x + wide * k / 60, y - 0.05), wide / 60 + 0.002, 0.1, fc=tuple(colour), lw=0)
        )
    for share, words in ((_FROM, "½"), (1.0, "1"), (_TO, "3")):
        at = x + wide * math.log(share / _FROM) / math.log(_TO / _FROM)
        write(sheet, at, y + 0.1, words, size=5.5, ha="center", va="center")
