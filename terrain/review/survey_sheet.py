"""The survey on one sheet: what was shot, how it was joined, and what is planned on it."""

import pathlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from matplotlib.patches import PathPatch
from matplotlib.path import Path

from terrain.arrays import FloatArray
from terrain.review import canvas, look
from terrain.review.canvas import FreeSpace, place_label, place_on, write
from terrain.review.maps import (
    CONTOUR,
    LAND,
    contour_step,
    draw_contours,
    map_scale,
    open_map,
    surveyed,
)
from terrain.review.outlines import rings
from terrain.review.papers import Paper, north_and_bar, paper_for, scale_words, sheet_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from terrain.site import Site, SpotSurvey

BREAKLINE, EDGE, SPOT = look.REMOVED, "#3f6679", "#57702f"
ODD_RING_PX = 9.0


@dataclass(frozen=True)
class _Mark:
    """A kind of thing on the map, and its words in the legend."""

    words: str
    draw: Callable[["Axes", FloatArray, FloatArray], None]


def _ring(axes: "Axes", x: FloatArray, y: FloatArray) -> None:
    axes.plot(x, y, "o", ms=9, mfc="none", mec=look.ALERT, mew=1.4, zorder=16)


def _spot(axes: "Axes", x: FloatArray, y: FloatArray) -> None:
    axes.plot(x, y, "o", ms=1.9, color=SPOT, mew=0, zorder=7)


def _ignored(axes: "Axes", x: FloatArray, y: FloatArray) -> None:
    axes.plot(x, y, "x", ms=4, color=look.SOFT_INK, mew=0.8, zorder=7)


def _breakline(axes: "Axes", x: FloatArray, y: FloatArray) -> None:
    axes.plot(x, y, "-o", ms=2.2, lw=0.9, color=BREAKLINE, mew=0, zorder=8)


def _edge(axes: "Axes", x: FloatArray, y: FloatArray) -> None:
    axes.plot(x, y, "-o", ms=3.2, lw=1.0, color=EDGE, mew=0, zorder=13)


def _planned(axes: "Axes", x: FloatArray, y: FloatArray) -> None:
    axes.plot(x, y, color=look.INK, lw=2.2, zorder=12)


def _contour(axes: "Axes", x: FloatArray, y: FloatArray) -> None:
    axes.plot(x, y, color=CONTOUR, lw=0.8, zorder=6)


SPOTS = _Mark("shot of the ground", _spot)
IGNORED = _Mark("shot left aside by its code", _ignored)
BREAKLINES = _Mark("breakline, with its code", _breakline)
OUTLINES = _Mark("outline as shot, with its code", _edge)
PLANNED = _Mark("element of the plan", _planned)
CONTOURS = _Mark("contour of the ground", _contour)
ODD = _Mark("height far from its neighbours,\nwith how far", _ring)


def survey_sheet(site: "Site", path: pathlib.Path) -> None:
    """Draw shots by role, breaklines, outlines, odd heights, contours and coverage."""
    unit, paper = site.unit, paper_for(site.unit)
    low, high = surveyed(site.composition)
    scale = map_scale(low, high, unit, paper)
    step = contour_step(site)
    figure, sheet = sheet_of(
        site,
        paper,
        "Survey, with the outlines of the plan",
        [
            f"Scale {scale_words(scale, unit, paper)}, printed at full size.",
            f"Contours every {unit.length(step, look.decimals(step, unit))}.",
            f"Elevations and coordinates in {unit.plural}.",
        ],
    )
    axes, space = open_map(figure, site, paper, scale, (low + high) / 2)
    _coverage(axes, site)
    used = [
        mark
        for survey in site.spot_surveys.values()
        for mark in _shots(axes, survey, as_ground=survey.table == site.plan.ground_survey)
    ]
    for element in site.elements:
        for ring in rings(element.outline):
            PLANNED.draw(axes, *np.array(ring.coords)[:, :2].T)
        used.append(PLANNED)
    _odd_heights(axes, site, space)
    _element_names(axes, site, space)
    _string_codes(axes, site, space)
    draw_contours(axes, site, step, space)
    _legend(sheet, site, paper, scale, [*used, CONTOURS])
    canvas.save(figure, path)


def _coverage(axes: "Axes", site: "Site") -> None:
    """The part that was surveyed, on paper that was not."""
    parts = [
        Path(np.array(ring.coords)[:, :2], closed=True) for ring in rings(site.existing.footprint)
    ]
    axes.add_patch(
        PathPatch(Path.make_compound_path(*parts), fc=LAND, ec=look.SOFT_INK, lw=0.6, zorder=1)
    )


def _shots(axes: "Axes", survey: "SpotSurvey", *, as_ground: bool) -> list[_Mark]:
    """Draw the shots of one survey by what their codes say; return which marks were used.

    Of a survey that only checks the ground, spots are drawn and lines are not.
    """
    work, xy = survey.linework, survey.spots.xyz[:, :2]
    walked = [line.rows for line in (*work.breaklines, *work.outlines)] if as_ground else []
    alone = work.ground.copy()
    for rows in walked:
        alone[rows] = False
    drawn = []
    for mark, shown in ((SPOTS, alone), (IGNORED, ~work.ground)):
        if shown.any():
            mark.draw(axes, *xy[shown].T)
            drawn.append(mark)
    for mark, lines in ((BREAKLINES, work.breaklines), (OUTLINES, work.outlines)):
        for line in lines if as_ground else ():
            rows = np.append(line.rows, line.rows[:1]) if line.closed else line.rows
            mark.draw(axes, *xy[rows].T)
            drawn.append(mark)
    if survey.odd:
        ODD.draw(axes, *np.array([odd.xyz[:2] for odd in survey.odd]).T)
        drawn.append(ODD)
    return drawn


def _around(axes: "Axes", places: FloatArray) -> list[canvas.Box]:
    """Pixels around places of the map."""
    return [(x - 4, y - 4, x + 4, y + 4) for x, y in axes.transData.transform(places)]


def _odd_heights(axes: "Axes", site: "Site", space: FreeSpace) -> None:
    """Label each odd height with its point and by how much it is off."""
    found = [odd for survey in site.spot_surveys.values() for odd in survey.odd]
    for odd in found:
        x, y = axes.transData.transform(odd.xyz[:2])
        space.taken.append((x - ODD_RING_PX, y - ODD_RING_PX, x + ODD_RING_PX, y + ODD_RING_PX))
    for odd in found:
        off = f"{odd.off_m / site.unit.metres:+.2f}".replace("-", "−")
        words = f"{odd.name}: {off} {site.unit.symbol}"
        place_label(axes, odd.xyz[:2], words, space, reach=15, size=7, colour=look.ALERT)


def _element_names(axes: "Axes", site: "Site", space: FreeSpace) -> None:
    """Name each element: off shots and outlines where there is room, else off the outlines."""
    pixel = np.ptp(axes.get_xlim()) / axes.get_window_extent().width
    lines = [
        box
        for element in site.elements
        for box in _around(
            axes, shapely.get_coordinates(shapely.segmentize(element.outline, 6 * pixel).boundary)
        )
    ]
    shots = [
        box
        for survey in site.spot_surveys.values()
        for box in _around(axes, survey.spots.xyz[:, :2])
    ]
    for element in site.elements:
        centre = element.outline.representative_point()
        words = f"{element.name}\n{site.unit.area_text(float(element.outline.area))}"
        for crowd in ([*lines, *shots], lines, []):
            clear = FreeSpace(space.within, [*space.taken, *crowd])
            label = place_label(axes, (centre.x, centre.y), words, clear, reach=24, size=7)
            if label is not None:
                space.taken.append(canvas.extent(label))
                break


def _string_codes(axes: "Axes", site: "Site", space: FreeSpace) -> None:
    """Write the code of each string on it, once, where there is room."""
    survey = site.spot_surveys.get(site.plan.ground_survey.name)
    if survey is None:
        return
    work = survey.linework
    for line in (*work.breaklines, *work.outlines):
        xy = survey.spots.xyz[line.rows, :2]
        middles = (xy[1:] + xy[:-1]) / 2
        for share in (0.5, 0.3, 0.7, 0.15, 0.85, 0.05, 0.95):
            at = middles[int(share * len(middles))]
            if place_on(axes, at, line.code, space, size=6, back=LAND):
                break


def _legend(sheet: "Axes", site: "Site", paper: Paper, scale: int, used: Sequence[_Mark]) -> None:
    """Right-hand column: north, scale bar, what the marks mean and what each survey holds."""
    left, top = paper.wide_in - 2.3, paper.high_in - 0.62
    north_and_bar(sheet, site.unit, paper, scale, corner=(left, top))
    y = top - 1.15
    for mark in (SPOTS, IGNORED, BREAKLINES, OUTLINES, PLANNED, CONTOURS, ODD):
        if mark not in used:
            continue
        y -= 0.06 * mark.words.count("\n")
        line = mark in (BREAKLINES, OUTLINES, PLANNED, CONTOURS)
        x = np.array([left, left + 0.16, left + 0.32]) if line else np.array([left + 0.16])
        mark.draw(sheet, x, np.full(len(x), y))
        write(sheet, left + 0.42, y, mark.words, size=7, va="center")
        y -= 0.22 + 0.06 * mark.words.count("\n")
    area = float(site.existing.footprint.area)
    canvas.swatch(sheet, left + 0.06, y - 0.06, 0.2, 0.12, LAND)
    write(
        sheet, left + 0.42, y, f"surveyed ground, {site.unit.area_text(area)}", size=7, va="center"
    )
    y -= 0.42
    for name, words in _counts(site):
        write(sheet, left, y, name, size=7, font=canvas.SANS_BOLD, va="center")
        write(sheet, left, y - 0.16, words, size=7, va="center")
        y -= 0.42


def _counts(site: "Site") -> list[tuple[str, str]]:
    """Name of each survey, and what it holds."""
    told = []
    for table in site.plan.survey:
        survey = site.spot_surveys.get(table.name)
        role = "makes the ground" if table == site.plan.ground_survey else "checks the ground"
        if survey is None:
            told.append((table.name, f"cloud, {role}"))
        else:
            told.append((table.name, f"{len(survey.spots.xyz):,} shots, {role}"))
    return told[:6]
