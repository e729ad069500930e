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
from terrain.review.finding_marks import Told, list_findings, mark_findings
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
from terrain.survey import Finding

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from terrain.measured import SpotSurvey
    from terrain.site import Site

BREAKLINE, EDGE, SPOT = look.REMOVED, "#3f6679", "#57702f"
LEGEND_IN, LEGEND_LOW_IN = 2.3, 1.3


@dataclass(frozen=True)
class _Mark:
    """A kind of thing on the map, and its words in the legend."""

    words: str
    draw: Callable[["Axes", FloatArray, FloatArray], None]


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


def _soft(axes: "Axes", x: FloatArray, y: FloatArray) -> None:
    axes.plot(x, y, "-o", ms=1.8, lw=0.7, color=BREAKLINE, mew=0, zorder=8, dashes=(4, 3))


SPOTS = _Mark("shot of the ground", _spot)
IGNORED = _Mark("shot off the ground, by code", _ignored)
BREAKLINES = _Mark("breakline, with its code", _breakline)
SOFT = _Mark("soft breakline, with its code", _soft)
OUTLINES = _Mark("outline as shot, with its code", _edge)
PLANNED = _Mark("element of the plan", _planned)
CONTOURS = _Mark("contour of the ground", _contour)


def survey_sheet(site: "Site", path: pathlib.Path) -> None:
    """Draw shots by role, breaklines, outlines, what was found, contours and coverage."""
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
        for mark in _shots(axes, survey, as_ground=survey.table in site.plan.ground_surveys)
    ]
    for element in site.elements:
        for ring in rings(element.outline):
            PLANNED.draw(axes, *np.array(ring.coords)[:, :2].T)
        used.append(PLANNED)
    found = _told(site)
    mark_findings(axes, [each.finding for each in found], space, site.unit)
    _element_names(axes, site, space)
    _string_codes(axes, site, space)
    draw_contours(axes, site, step, space)
    low_in = _legend(sheet, site, paper, scale, [*used, CONTOURS])
    left = paper.wide_in - LEGEND_IN
    list_findings(sheet, found, site.unit, corner=(left, low_in), lowest=LEGEND_LOW_IN)
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
    walked = (
        [line.rows for line in (*work.breaklines, *work.soft, *work.outlines)] if as_ground else []
    )
    alone = work.ground.copy()
    for rows in walked:
        alone[rows] = False
    drawn = []
    for mark, shown in ((SPOTS, alone), (IGNORED, ~work.ground)):
        if shown.any():
            mark.draw(axes, *xy[shown].T)
            drawn.append(mark)
    strings = ((BREAKLINES, work.breaklines), (SOFT, work.soft), (OUTLINES, work.outlines))
    for mark, lines in strings:
        for line in lines if as_ground else ():
            rows = np.append(line.rows, line.rows[:1]) if line.closed else line.rows
            mark.draw(axes, *xy[rows].T)
            drawn.append(mark)
    return drawn


def _around(axes: "Axes", places: FloatArray) -> list[canvas.Box]:
    """Pixels around places of the map."""
    return [(x - 4, y - 4, x + 4, y + 4) for x, y in axes.transData.transform(places)]


def _told(site: "Site") -> list[Told]:
    """What was found in every survey, and whether it stays."""
    return [
        Told(finding, kept=_kept(finding, survey))
        for survey in site.spot_surveys.values()
        for finding in survey.findings
    ]


def _kept(finding: Finding, survey: "SpotSurvey") -> bool:
    return not finding.suspects or bool(np.isin(finding.suspects, survey.ground).any())


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
    survey = site.spot_surveys.get(site.plan.ground_surveys[0].name)
    if survey is None:
        return
    work = survey.linework
    for line in (*work.breaklines, *work.soft, *work.outlines):
        xy = survey.spots.xyz[line.rows, :2]
        middles = (xy[1:] + xy[:-1]) / 2
        for share in (0.5, 0.3, 0.7, 0.15, 0.85, 0.05, 0.95):
            at = middles[int(share * len(middles))]
            if place_on(axes, at, line.code, space, size=6, back=LAND):
                break


def _legend(sheet: "Axes", site: "Site", paper: Paper, scale: int, used: Sequence[_Mark]) -> float:
    """Right-hand column: north, scale bar, what the marks mean and what each survey holds.

    Returns how high on the sheet the column ends, inches.
    """
    left, top = paper.wide_in - LEGEND_IN, paper.high_in - 0.62
    north_and_bar(sheet, site.unit, paper, scale, corner=(left, top))
    y = top - 1.15
    for mark in (SPOTS, IGNORED, BREAKLINES, SOFT, OUTLINES, PLANNED, CONTOURS):
        if mark not in used:
            continue
        y -= 0.06 * mark.words.count("\n")
        line = mark not in (SPOTS, IGNORED)
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
    return y


def _counts(site: "Site") -> list[tuple[str, str]]:
    """Name of each survey, and what it holds."""
    told = []
    for table in site.plan.survey:
        survey = site.spot_surveys.get(table.name)
        role = "makes the ground" if table in site.plan.ground_surveys else "checks the ground"
        if survey is None:
            told.append((table.name, f"cloud, {role}"))
        else:
            told.append((table.name, f"{len(survey.spots.xyz):,} shots, {role}"))
    return told[:6]
