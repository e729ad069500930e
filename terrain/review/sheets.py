"""Sheets to print: the plan, and three sections, on A4 or Letter at a true scale."""

import math
import pathlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from matplotlib.collections import LineCollection
from matplotlib.patches import Rectangle
from matplotlib.path import Path
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray
from terrain.review import canvas, look
from terrain.review.canvas import FreeSpace, extent, place_label, write
from terrain.review.cuts import Profile, SectionLine, profile, section_lines
from terrain.review.depths import deepest
from terrain.review.heaped import TOE, draw_heaps, heaps_of
from terrain.review.maps import LAND, contour_step, draw_contours, map_scale, open_map, surveyed
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
from terrain.review.relief import Sun, cell_light, softened, to_cells, without_gaps

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import PolyCollection

    from terrain.design import Composition
    from terrain.site import Site
    from terrain.units import Unit

EXAGGERATIONS = (1.0, 1.5, 2.0)
BETWEEN_ROWS_IN, BETWEEN_SECTIONS_IN = 0.62, 0.75


def plan_sheet(site: "Site", path: pathlib.Path) -> None:
    """Draw the plan: contours, depth of dig and fill, elements and section lines."""
    composition, unit = site.composition, site.unit
    paper = paper_for(unit)
    outlines = [element.outline for element in site.elements]
    lines = section_lines(composition, outlines)
    low, high = surveyed(composition)
    scale = map_scale(low, high, unit, paper)
    step = contour_step(site)
    figure, sheet = sheet_of(
        site,
        paper,
        "Plan: depth of dig and fill",
        [
            f"Scale {scale_words(scale, unit, paper)}, printed at full size.",
            f"Existing contours every {unit.length(step, look.decimals(step, unit))}.",
            f"Elevations, depths and coordinates in {unit.plural}.",
        ],
    )
    axes, space = open_map(figure, site, paper, scale, (low + high) / 2)

    moved = look.earth_moved(composition)
    most = max(float(np.nanmax(np.abs(moved))), look.WORKED_M)
    _tint(axes, composition, moved / most)
    _spots(axes, site, space)
    _section_marks(axes, lines, space)
    for outline in outlines:
        for ring in rings(outline):
            axes.plot(*ring.xy, color=look.INK, lw=1.3, zorder=12)
    draw_heaps(axes, site, step)
    _keep_clear(axes, site, moved, lines, space)
    draw_contours(axes, site, step, space)
    _element_names(axes, site, space)
    _plan_legend(sheet, site, paper, most, scale)
    canvas.save(figure, path)


def _tint(axes: "Axes", composition: "Composition", share: FloatArray) -> None:
    """Colour the earth moved on the diverging scale, lightly lit; off the survey stays paper."""
    lattice = composition.lattice
    worked = without_gaps(np.where(share > 0, composition.subgrade, composition.dig))
    xx, yy = np.meshgrid(lattice.x, lattice.y)
    light = cell_light(np.stack([xx, yy, worked], axis=-1), worked, lattice.cell, Sun())
    cells = to_cells(share)
    known = np.isfinite(cells)
    moved = np.nan_to_num(cells)[..., None]
    colours = np.where(moved == 0, look.rgb(LAND), look.diverging_rgb(moved[..., 0]))
    colours = np.clip(colours * (1 + 0.45 * (np.minimum(light, 1.05) - 1))[..., None], 0, 1)
    limits = axes.get_xlim(), axes.get_ylim()
    x, y = lattice.x, lattice.y
    axes.imshow(
        np.concatenate([colours, known[..., None]], axis=-1),
        origin="lower",
        extent=(x[0], x[-1], y[0], y[-1]),
        interpolation="nearest",
        zorder=1,
        aspect="auto",
    )
    edge = softened(np.pad(known, 1).astype(np.float64), (1.2, 1.2))
    half = lattice.cell / 2
    axes.contour(
        np.concatenate([[x[0] - half], x[:-1] + half, [x[-1] + half]]),
        np.concatenate([[y[0] - half], y[:-1] + half, [y[-1] + half]]),
        edge,
        levels=[0.5],
        colors=look.SOFT_INK,
        linewidths=0.6,
        zorder=5,
    )
    axes.set_xlim(limits[0])
    axes.set_ylim(limits[1])


def _spots(axes: "Axes", site: "Site", space: FreeSpace) -> None:
    """Mark where each element is dug deepest; the depth is told with the element's name."""
    for spot in deepest(site).values():
        x, y = site.composition.lattice.x[spot.column], site.composition.lattice.y[spot.row]
        axes.plot(x, y, "+", ms=8, mew=1.6, color="white", zorder=13)
        axes.plot(x, y, "+", ms=7, mew=1.0, color=look.INK, zorder=14)
        px, py = axes.transData.transform((x, y))
        space.taken.append((px - 9, py - 9, px + 9, py + 9))


def _section_marks(axes: "Axes", lines: Sequence[SectionLine], space: FreeSpace) -> None:
    """Draw each section line with its letter in a ring at both ends."""
    for line in lines:
        ends = np.array([line.start, line.end])
        axes.plot(*ends.T, color=look.ALERT, lw=1.0, dashes=(9, 3, 2, 3), zorder=15)
        pixels = axes.transData.transform(ends)
        way = (pixels[1] - pixels[0]) / np.linalg.norm(pixels[1] - pixels[0])
        for end, sense in ((pixels[0], -1), (pixels[1], 1)):
            at = np.clip(
                end + sense * 15 * way,
                (space.within[0] + 14, space.within[1] + 14),
                (space.within[2] - 14, space.within[3] - 14),
            )
            x, y = axes.transData.inverted().transform(at)
            write(
                axes,
                x,
                y,
                line.letter,
                size=8,
                font=canvas.SANS_BOLD,
                ha="center",
                va="center",
                color="white",
                zorder=31,
                bbox={"boxstyle": "circle,pad=0.25", "fc": look.ALERT, "ec": "none"},
            )
            space.taken.append((at[0] - 15, at[1] - 15, at[0] + 15, at[1] + 15))


def _keep_clear(
    axes: "Axes", site: "Site", moved: FloatArray, lines: Sequence[SectionLine], space: FreeSpace
) -> None:
    """Keep names off what is built and off the section lines."""
    lattice = site.composition.lattice
    every = max(1, round(0.012 * max(lattice.nx, lattice.ny)))
    xx, yy = np.meshgrid(lattice.x[::every], lattice.y[::every])
    busy = np.nan_to_num(moved[::every, ::every]) != 0
    for element in site.elements:
        busy |= shapely.contains_xy(element.outline, xx.ravel(), yy.ravel()).reshape(xx.shape)
    places = [np.c_[xx[busy], yy[busy]]]
    for line in lines:
        share = np.linspace(0, 1, 60)[:, None]
        places.append((1 - share) * np.array(line.start) + share * np.array(line.end))
    pixels = axes.transData.transform(np.concatenate(places))
    space.taken += [(px - 7, py - 7, px + 7, py + 7) for px, py in pixels]


def _element_names(axes: "Axes", site: "Site", space: FreeSpace) -> None:
    """Name each element with its water level and deepest dig."""
    spots = deepest(site)
    heaps = {each.name: each.heap for each in heaps_of(site)}
    for element in site.elements:
        words = [element.name]
        if element.name in heaps:
            heap = heaps[element.name]
            words.append(f"heap {heap.height_m / site.unit.metres:.2f} high")
            words.append(f"{site.unit.volume_text(heap.volume_loose_m3)} loose")
        if element.water_level_m is not None:
            words.append(f"water {element.water_level_m / site.unit.metres:.2f}")
        if element.name in spots:
            words.append(f"deepest dig {spots[element.name].depth_m / site.unit.metres:.2f}")
        centre = element.outline.representative_point()
        at = (centre.x, centre.y)
        if element.name in spots:
            spot = spots[element.name]
            at = (site.composition.lattice.x[spot.column], site.composition.lattice.y[spot.row])
        place_label(axes, at, "\n".join(words), space, reach=30, size=7)


def _plan_legend(sheet: "Axes", site: "Site", paper: Paper, most: float, scale: int) -> None:
    """Right-hand column: north, scale bar, the colour scale and the lines."""
    unit = site.unit
    left = paper.wide_in - 2.3
    top = paper.high_in - 0.62
    north_and_bar(sheet, site.unit, paper, scale, corner=(left, top))
    write(
        sheet,
        left,
        top - 1.15,
        f"Earth moved, {unit.symbol}",
        size=8,
        font=canvas.SANS_BOLD,
        va="center",
    )
    base, high = top - 3.25, 1.85
    sheet.imshow(
        look.diverging_rgb(np.linspace(-1, 1, 300))[:, None],
        extent=(left, left + 0.22, base, base + high),
        origin="lower",
        aspect="auto",
        zorder=3,
    )
    sheet.set_xlim(0, paper.wide_in)
    sheet.set_ylim(0, paper.high_in)
    sheet.add_patch(Rectangle((left, base), 0.22, high, fc="none", ec=look.INK, lw=0.6, zorder=4))
    step = look.round_length(most / unit.metres / 2.2) * unit.metres
    for k in range(-int(most / step), int(most / step) + 1):
        y = base + high * (k * step / most + 1) / 2
        sheet.plot([left + 0.22, left + 0.27], [y, y], color=look.INK, lw=0.6)
        number = f"{k * step / unit.metres:+g}".replace("-", "−") if k else "0"
        write(sheet, left + 0.32, y, number, size=7, va="center")
    write(
        sheet,
        left + 0.85,
        base + high * 0.86,
        "placed above\nthe existing ground",
        size=7,
        va="center",
        color=look.PLACED,
    )
    write(
        sheet,
        left + 0.85,
        base + high * 0.14,
        "removed:\nexisting less dig",
        size=7,
        va="center",
        color=look.REMOVED,
    )

    y = base - 0.35
    lines = [
        ("outline", "outline of an element"),
        ("contour", "contour of the existing ground"),
        ("section", "section, see its sheet"),
        ("spot", "deepest dig of an element"),
    ]
    if heaps_of(site):
        lines.append(("heap", "heap: toe and contours;\ndashed, its level top"))
    for kind, words in lines:
        if kind == "spot":
            sheet.plot([left + 0.16], [y], "+", ms=7, mew=1.0, color=look.INK)
        else:
            colour, thick = {
                "outline": (look.INK, 1.3),
                "contour": ("#7a6a4c", 0.8),
                "section": (look.ALERT, 1.0),
                "heap": (TOE, 1.1),
            }[kind]
            (drawn,) = sheet.plot([left, left + 0.32], [y, y], color=colour, lw=thick)
            if kind == "section":
                drawn.set_dashes((9, 3, 2, 3))
        write(sheet, left + 0.42, y, words, size=7, va="center")
        y -= 0.22


@dataclass(frozen=True)
class _Layout:
    """Which section goes in which row, at which scale, with how much height for each."""

    rows: tuple[tuple[int, ...], ...]
    scale: int
    vertical: float
    room_in: float


def _layout(
    rows: tuple[tuple[int, ...], ...],
    profiles: Sequence[Profile],
    sheet_in: Sequence[float],
    unit: "Unit",
) -> _Layout:
    """Smallest scale denominator, then largest exaggeration up to 2, that fits these rows."""
    wide, tall = sheet_in
    room = tall / len(rows) - BETWEEN_ROWS_IN
    tallest = max(_span(p)[1] - _span(p)[0] for p in profiles) / 0.0254
    widths = [
        sum(profiles[i].station[-1] for i in row)
        / 0.0254
        / (wide - BETWEEN_SECTIONS_IN * (len(row) - 1))
        for row in rows
    ]
    scale = true_scale(max(*widths, tallest / room), unit)
    vertical = max((k for k in EXAGGERATIONS if tallest * k / scale <= room), default=1.0)
    return _Layout(rows, scale, vertical, room)


def _span(p: Profile) -> tuple[float, float]:
    heights = np.concatenate([p.existing, p.dig, p.finish, p.water])
    low, high = float(np.nanmin(heights)), float(np.nanmax(heights))
    return low - 0.2, high + 0.2


def sections_sheet(site: "Site", path: pathlib.Path) -> None:
    """Draw the three sections one below the other at one scale and one exaggeration."""
    unit, composition = site.unit, site.composition
    paper = paper_for(unit)
    lines = section_lines(composition, [element.outline for element in site.elements])
    profiles = [profile(composition, line) for line in lines]
    left, wide = 0.95, paper.wide_in - 0.95 - 0.55
    top, bottom = paper.high_in - 0.40, 1.40
    fits = [
        _layout(rows, profiles, (wide, top - bottom), unit)
        for rows in (((0,), (1, 2)), ((0,), (1,), (2,)))
    ]
    layout = min(fits, key=lambda fit: (fit.scale, -fit.vertical))
    scale, vertical, room = layout.scale, layout.vertical, layout.room_in
    figure, sheet = sheet_of(
        site,
        paper,
        "Sections A–A, B–B and C–C",
        [
            f"Scale {scale_words(scale, unit, paper)}, vertical ×{look.plain(vertical)}.",
            f"Stations and elevations in {unit.plural}.",
            "Lines of section are on the plan.",
        ],
    )
    _section_legend(sheet, paper, top)
    for count, row in enumerate(layout.rows):
        x = left
        for number in row:
            line, p = lines[number], profiles[number]
            low, high = _span(p)
            tall = (high - low) * vertical / scale / 0.0254
            base = top - (room + BETWEEN_ROWS_IN) * count - 0.42 - tall - (room - tall) / 2
            axes = inset(figure, paper, (x, base, line.length_m / scale / 0.0254, tall))
            axes.set_xlim(0, line.length_m)
            axes.set_ylim(low, high)
            _section(axes, p, unit)
            title = write(
                sheet,
                x,
                base + tall + 0.11,
                f"{line.letter}–{line.letter}",
                size=10,
                font=canvas.SANS_BOLD,
                va="center",
            )
            write(
                sheet,
                extent(title)[2] / DPI + 0.1,
                base + tall + 0.105,
                f"looking {line.looking}",
                size=7,
                va="center",
                color=look.SOFT_INK,
            )
            x += line.length_m / scale / 0.0254 + BETWEEN_SECTIONS_IN
    canvas.save(figure, path)


def _section(axes: "Axes", p: Profile, unit: "Unit") -> None:
    """One section: what goes, what comes, and the four surfaces."""
    s = p.station
    low = axes.get_ylim()[0]
    floor = np.fmin(p.existing, p.dig)
    axes.fill_between(s, low, floor, color="#e6dcc6", lw=0, zorder=1)
    removed = axes.fill_between(
        s,
        p.dig,
        p.existing,
        where=p.existing > p.dig + look.WORKED_M,
        color="#dcbf97",
        lw=0,
        zorder=2,
    )
    _hatch(axes, removed)
    worked_base = np.fmin(p.dig, p.existing)
    axes.fill_between(
        s,
        worked_base,
        p.subgrade,
        where=p.subgrade > worked_base + look.WORKED_M,
        color="#8cc0b9",
        lw=0,
        zorder=3,
    )
    axes.fill_between(
        s,
        p.subgrade,
        p.finish,
        where=p.finish > p.subgrade + look.WORKED_M,
        color="#b9b1a2",
        lw=0,
        zorder=3,
    )
    wet = np.isfinite(p.water) & (p.water > p.finish)
    axes.fill_between(s, p.finish, p.water, where=wet, color="#b5ccd5", lw=0, zorder=4)
    axes.plot(s, np.where(wet, p.water, np.nan), color="#3f6679", lw=1.0, zorder=6)
    _water_levels(axes, p, wet, unit)
    axes.plot(s, p.subgrade, color="#1f6f69", lw=0.8, zorder=6)
    axes.plot(s, p.dig, color=look.REMOVED, lw=1.4, zorder=7)
    axes.plot(s, p.finish, color=look.INK, lw=1.5, zorder=8)
    axes.plot(s, p.existing, color="#57702f", lw=1.1, dashes=(6, 3), zorder=9)
    _section_ticks(axes, unit)


def _hatch(axes: "Axes", removed: "PolyCollection") -> None:
    """Thin brown strokes over what is removed, so that it shows through the water."""
    box = axes.get_window_extent()
    apart, back = 13.0, axes.transData.inverted()
    starts = np.arange(box.x0 - box.height, box.x1, apart)
    strokes = [back.transform([(x, box.y0), (x + box.height, box.y1)]) for x in starts]
    paths = removed.get_paths()
    if not paths:
        return
    lines = LineCollection(strokes, colors=look.REMOVED, linewidths=0.4, alpha=0.55, zorder=5)
    axes.add_collection(lines, autolim=False)
    lines.set_clip_path(Path.make_compound_path(*paths), axes.transData)


def _water_levels(axes: "Axes", p: Profile, wet: BoolArray, unit: "Unit") -> None:
    """Write the level into each stretch of water that has room for it, else into the bed below."""
    runs, count = ndimage.label(wet)
    for run in range(1, count + 1):
        own = runs == run
        s, level = p.station[own], float(p.water[own][0])
        depth = level - p.finish[own]
        middle = float(s[depth >= 0.98 * depth.max()].mean())
        words = f"water {level / unit.metres:.2f}"
        label = write(
            axes,
            middle,
            level - 0.5 * float(depth.max()),
            words,
            size=6.5,
            ha="center",
            va="center",
            color="#234b5e",
            zorder=10,
            bbox={"fc": "#b5ccd5", "ec": "none", "pad": 1.2},
        )
        left, bottom, right, top = extent(label)
        corners = [(s[0], level - depth.max()), (s[-1], level)]
        (x0, y0), (x1, y1) = axes.transData.transform(corners)
        if right - left > 0.8 * (x1 - x0):
            label.remove()
        elif top - bottom > 0.7 * (y1 - y0):
            label.set_y(level - (1 + 5 / (y1 - y0)) * float(depth.max()))
            label.set_verticalalignment("top")
            label.set_bbox({"fc": "#b9b1a2", "ec": "none", "pad": 0.6})


def _section_ticks(axes: "Axes", unit: "Unit") -> None:
    box = axes.get_window_extent()
    for axis, (low, high), pixels in (
        (axes.xaxis, axes.get_xlim(), box.width),
        (axes.yaxis, axes.get_ylim(), box.height),
    ):
        apart = 90 if axis is axes.xaxis else 34
        least = (high - low) / unit.metres * apart / pixels
        step = next(s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500) if s >= least)
        marks = (
            np.arange(
                math.ceil(low / unit.metres / step), math.floor(high / unit.metres / step) + 1
            )
            * step
        )
        axis.set_ticks(marks * unit.metres)
        axis.set_ticklabels([f"{mark:.{1 if step < 1 else 0}f}" for mark in marks])
    axes.grid(color=look.RULE, lw=0.4, zorder=0.5)
    axes.set_axisbelow(False)


def _section_legend(sheet: "Axes", paper: Paper, top: float) -> None:
    """Legend in one row under the frame's top edge."""
    x = paper.wide_in - 0.5
    entries = (
        ("line", "#57702f", "existing"),
        ("line", look.REMOVED, "dig"),
        ("line", "#1f6f69", "subgrade"),
        ("line", look.INK, "finish"),
        ("fill", "#dcbf97", "removed"),
        ("fill", "#8cc0b9", "placed"),
        ("fill", "#b9b1a2", "gravel, stone, lifts"),
        ("fill", "#b5ccd5", "water"),
    )
    for kind, colour, words in reversed(entries):
        label = write(sheet, x, top - 0.02, words, size=7, ha="right", va="center")
        x0 = extent(label)[0] / DPI
        if kind == "line":
            (drawn,) = sheet.plot([x0 - 0.34, x0 - 0.07], [top - 0.02] * 2, color=colour, lw=1.5)
            if words == "existing":
                drawn.set_dashes((4, 2))
        else:
            canvas.swatch(sheet, x0 - 0.29, top - 0.08, 0.2, 0.12, colour)
        x = x0 - 0.48
