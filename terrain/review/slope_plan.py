"""The plan of the faces: thick lines coloured by result, numbered the worst first."""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from matplotlib.backends.backend_pdf import PdfPages

from terrain.arrays import FloatArray
from terrain.review import canvas, look
from terrain.review.canvas import place_label, write
from terrain.review.face_marks import (
    VERDICTS,
    WIDTHS,
    anchor_of,
    colour_of,
    edge_of,
    factor_words,
    numbered,
)
from terrain.review.heaped import draw_heaps
from terrain.review.maps import LAND, contour_step, draw_contours, map_scale, open_map, surveyed
from terrain.review.outlines import rings
from terrain.review.papers import north_and_bar, paper_for, scale_words, sheet_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from terrain.site import Site
    from terrain.slopes import SlopeFace

COLUMN_IN = 2.3
MOST_NUMBERED = 25
LEAST_VIEW_M = 6.0


def slope_plan(site: "Site", path: Path) -> None:
    """Draw the plan as PNG, or as PDF if the file's name ends so."""
    figure = _sheet(site)
    if path.suffix == ".pdf":
        with PdfPages(path, metadata={"CreationDate": None, "Producer": None}) as pdf:
            pdf.savefig(figure)
        figure.clear()
    else:
        canvas.save(figure, path)


def _sheet(site: "Site") -> "Figure":
    unit, faces = site.unit, site.slopes.faces
    paper = paper_for(unit)
    low, high = _view(site)
    scale = map_scale(low, high, unit, paper)
    step = contour_step(site)
    apart = unit.length(step, look.decimals(step, unit))
    figure, sheet = sheet_of(
        site,
        paper,
        "Faces, and whether they stand",
        [
            f"Scale {scale_words(scale, unit, paper)}, printed at full size.",
            f"Contours of the existing ground every {apart}.",
            f"Rules: {site.slopes.rules.name}.",
            "Factors of safety: likely (low to high, nine strengths of ten).",
        ],
    )
    axes, space = open_map(figure, site, paper, scale, (low + high) / 2)
    axes.set_facecolor(LAND)
    draw_contours(axes, site, step, space)
    draw_heaps(axes, site, step)
    for element in site.elements:
        for ring in rings(element.outline):
            axes.plot(*np.array(ring.coords)[:, :2].T, color=look.SOFT_INK, lw=0.6, zorder=11)
    for face in reversed(faces):
        # permanent faces lie beside temporary ones of the same edge: theirs is the dashed line
        (line,) = axes.plot(
            *np.array(edge_of(face).coords).T,
            color=colour_of(face),
            lw=WIDTHS[face.verdict],
            zorder=14 if face.temporary else 13,
            solid_capstyle="butt",
        )
        if not face.temporary:
            line.set_dashes((1.2, 0.5))
    told = numbered(faces, MOST_NUMBERED)
    for _, face in told:
        for x, y in _along(edge_of(face)):
            px, py = axes.transData.transform((x, y))
            space.taken.append((px - 4, py - 4, px + 4, py + 4))
    for number, face in told:
        middle = anchor_of(face)
        axes.plot(*middle, "o", ms=3, color=look.INK, zorder=28)
        place_label(axes, middle, str(number), space, reach=13, size=7.5, font=canvas.SANS_BOLD)
    left, top = paper.wide_in - COLUMN_IN, paper.high_in - 0.62
    north_and_bar(sheet, unit, paper, scale, corner=(left, top))
    y = _legend(sheet, left, top - 1.02)
    _list(sheet, told, len(faces), left, y - 0.12)
    return figure


def _along(line: shapely.LineString) -> FloatArray:
    at = np.arange(0.0, line.length, 0.2)
    return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(line, at)))


def _view(site: "Site") -> tuple[FloatArray, FloatArray]:
    """Corners of the part that holds all faces and elements, with some room."""
    lowest, highest = surveyed(site.composition)
    boxes = [edge_of(face).bounds for face in site.slopes.faces]
    boxes += [element.outline.bounds for element in site.elements if element.shapes]
    if not boxes:
        return lowest, highest
    low = np.min([box[:2] for box in boxes], axis=0)
    high = np.max([box[2:] for box in boxes], axis=0)
    room = np.maximum(0.06 * (high - low).max(), (LEAST_VIEW_M - (high - low)) / 2)
    return np.maximum(low - room, lowest), np.minimum(high + room, highest)


def _legend(sheet: "Axes", left: float, top: float) -> float:
    """Results, and which lines are which; the height at which it ends."""
    y = top
    for verdict, (colour, words) in VERDICTS.items():
        sheet.plot(
            [left, left + 0.3], [y, y], color=colour, lw=WIDTHS[verdict], solid_capstyle="butt"
        )
        write(sheet, left + 0.38, y, words, size=5.8, va="center")
        y -= 0.16
    for words, dashes in (("dig, while it is open", None), ("what is built", (1.2, 0.5))):
        (line,) = sheet.plot([left, left + 0.3], [y, y], color=look.INK, lw=2.6)
        line.set_solid_capstyle("butt")
        if dashes:
            line.set_dashes(dashes)
        write(sheet, left + 0.38, y, words, size=5.8, va="center")
        y -= 0.16
    return y


def _list(
    sheet: "Axes", told: "list[tuple[int, SlopeFace]]", count: int, left: float, top: float
) -> None:
    """Number, name, element and factor of each face that is numbered."""
    write(sheet, left, top, "The worst first", size=7.5, font=canvas.SANS_BOLD, va="center")
    y = top - 0.17
    for number, face in told:
        case = face.worst_case
        words = "a rule" if case is None else factor_words(case)
        write(sheet, left + 0.16, y, str(number), size=5.8, font=canvas.SANS_BOLD, va="center",
              ha="right")  # fmt: skip
        sheet.plot([left + 0.21, left + 0.29], [y, y], color=colour_of(face), lw=4,
                   solid_capstyle="butt")  # fmt: skip
        name = f"{face.name} {face.element}"
        name = name if len(name) < 20 else f"{name[:18]}…"
        write(sheet, left + 0.34, y, name, size=5.8, va="center")
        write(sheet, left + 1.93, y, words, size=5.8, va="center", ha="right")
        y -= 0.135
    if count > len(told):
        write(sheet, left + 0.34, y, f"{count - len(told)} more are low or stand", size=5.8,
              va="center", color=look.SOFT_INK)  # fmt: skip
