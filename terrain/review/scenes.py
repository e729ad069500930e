"""Pictures in 3D, off screen: the existing ground, the dig, the finish, and the earth moved.

Each is a parallel (axonometric) view of the site cut out as a block. VTK draws the solids; text,
scale and legend are set by matplotlib in the same projection.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray
from terrain.review import canvas, look, solids
from terrain.review.blocks import finish_with_stones
from terrain.review.camera import HIGH, VIEW, WIDE, Relief
from terrain.review.canvas import FreeSpace, place_label, write
from terrain.review.depths import deepest
from terrain.review.face_marks import VERDICTS, colour_of, factor_words, region_of
from terrain.review.heaped import SPOIL, heaped, heaps_of
from terrain.review.relief import cell_light, softened, to_cells, without_gaps

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from terrain.site import Site


def _axes(picture: np.ndarray) -> "Axes":
    figure = canvas.paper(WIDE / 100, HIGH / 100, 100)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.imshow(
        picture, extent=(0, WIDE, 0, HIGH), interpolation="nearest", zorder=0, aspect="auto"
    )
    axes.set_xlim(0, WIDE)
    axes.set_ylim(0, HIGH)
    return axes


def _compass(back: FloatArray) -> str:
    return look.COMPASS[round(math.atan2(back[1], back[0]) / (math.pi / 4)) % 8]


def _frame(axes: "Axes", site: "Site", relief: Relief, title: str, told: str) -> None:
    """Title, where it is seen from, and the caution."""
    write(axes, 40, HIGH - 42, site.name, size=24, font=canvas.SERIF, va="center")
    write(
        axes, 40, HIGH - 80, title, size=13, font=canvas.SANS_BOLD, va="center", color=look.REMOVED
    )
    write(axes, 40, HIGH - 104, told, size=10, va="center", color=look.SOFT_INK)
    axes.plot([40, WIDE - 40], [66, 66], color=look.RULE, lw=1, zorder=5)
    seen = (
        f"Axonometric view from the {_compass(relief.camera.back)}, "
        f"vertical ×{look.plain(relief.camera.vertical)}. Elevations in {site.unit.plural}."
    )
    write(axes, 40, 48, seen, size=9, va="center")
    write(axes, 40, 26, look.CAUTION, size=8, va="center", color=look.ALERT)


def _beside(axes: "Axes", at: FloatArray, outward: FloatArray, words: str) -> None:
    """Write next to a point, on the side that `outward` shows."""
    x, y = outward / np.linalg.norm(outward)
    ha = "left" if x > 0.35 else "right" if x < -0.35 else "center"
    va = "bottom" if y > 0.7 else "top" if y < -0.7 else "center"
    write(axes, at[0] + 13 * x, at[1] + 13 * y, words, size=9, ha=ha, va=va)


def _north_and_scale(axes: "Axes", site: "Site", relief: Relief) -> None:
    """North arrow and scale in one: lengths along east, north and up as this view sees them."""
    camera = relief.camera
    length, label = look.bar_length(190 / camera.scale, site.unit)
    height, height_label = look.bar_length(length / 3, site.unit)
    ends = camera.pixels(camera.centre + np.diag([length, length, height]))
    east, north, up = ends - camera.pixels(camera.centre[None])
    corners = np.array([(0, 0), east, north])
    zero = np.array([1440, 196]) - (corners.min(axis=0) + corners.max(axis=0)) / 2
    canvas.checked_bar(axes, zero, east, 7 * north / np.linalg.norm(north), parts=5)
    canvas.arrow(axes, zero, zero + north)
    beyond = zero + north * (1 + 17 / np.linalg.norm(north))
    write(axes, beyond[0], beyond[1], "N", size=14, font=canvas.SANS_BOLD, ha="center", va="center")
    off_east = np.array([-east[1], east[0]])
    off_north = np.array([-north[1], north[0]])
    _beside(axes, zero + east / 2, -math.copysign(1, off_east @ north) * off_east, f"{label} east")
    _beside(
        axes, zero + north / 2, -math.copysign(1, off_north @ east) * off_north, f"{label} north"
    )
    foot = np.array([1352, 300])
    axes.plot(*np.array([foot, foot + up]).T, color=look.INK, lw=2.4, zorder=26)
    for end in (foot, foot + up):
        axes.plot([end[0] - 5, end[0] + 5], [end[1]] * 2, color=look.INK, lw=1.2, zorder=26)
    write(axes, foot[0] + 12, foot[1] + up[1] / 2, f"{height_label} up", size=9, va="center")


def _legend(
    axes: "Axes", entries: Sequence[tuple[str, float, str]], *, left: float = 1330, top: float = 840
) -> None:
    """Swatches down the right-hand column: colour (or `line:` and colour), opacity, words."""
    write(axes, left, top, "Legend", size=11, font=canvas.SANS_BOLD, va="center")
    y = top - 34.0
    for colour, opacity, words in entries:
        if colour.startswith("line:"):
            axes.plot([left, left + 26], [y, y], color=colour[5:], lw=2, zorder=20)
        else:
            canvas.swatch(axes, left, y - 8, 26, 16, colour, alpha=opacity)
        write(axes, left + 36, y + 7, words, size=9, va="top", linespacing=1.3)
        y -= 28 + 16 * words.count("\n")


def _contour_labels(
    axes: "Axes", site: "Site", relief: Relief, z: FloatArray, space: FreeSpace
) -> None:
    """Write the elevation on each long contour, in the gap of its own line."""
    whole = without_gaps(z)
    for line in (line for group in solids.contours(relief, z) for line in group):
        along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        if along[-1] * relief.camera.scale < 240:
            continue
        for share in (0.12, 0.88, 0.3, 0.7, 0.5):
            x, y = (np.interp(share * along[-1], along, line[:, k]) for k in (0, 1))
            row = round((y - relief.y[0]) / relief.cell)
            column = round((x - relief.x[0]) / relief.cell)
            level = round(whole[row, column] / relief.step) * relief.step
            at = relief.camera.pixels(np.array([[x, y, level]]))[0]
            words = f"{level / site.unit.metres:.{look.decimals(relief.step, site.unit)}f}"
            if canvas.place_on(axes, at, words, space, size=8, back="#a9a480"):
                break


def _covered(site: "Site", relief: Relief, z: FloatArray, space: FreeSpace) -> None:
    """Keep text off what is built: take the places where it is seen."""
    whole = without_gaps(z)
    every = max(1, round(14 / relief.camera.scale / relief.cell))
    x, y = relief.x[::every], relief.y[::every]
    xx, yy = np.meshgrid(x, y)
    composition = relief.composition
    moved = np.fmax(np.abs(z - composition.existing), composition.existing - composition.dig)
    busy = (moved > look.WORKED_M)[::every, ::every]
    for element in site.elements:
        busy |= shapely.contains_xy(element.outline, xx.ravel(), yy.ravel()).reshape(xx.shape)
    at = np.c_[xx[busy], yy[busy], whole[::every, ::every][busy]]
    for px, py in relief.camera.pixels(at) if len(at) else ():
        space.taken.append((px - 7, py - 7, px + 7, py + 7))


def _element_labels(
    axes: "Axes",
    site: "Site",
    relief: Relief,
    z: FloatArray,
    told: dict[str, str],
    *,
    contours: bool = False,
) -> None:
    """Name every element, with what `told` says of it, beside it and clear of all other text."""
    space = FreeSpace((VIEW[0], VIEW[1], VIEW[2], HIGH - 130))
    _covered(site, relief, z, space)
    if contours:
        _contour_labels(axes, site, relief, z, space)
    whole = without_gaps(z)
    for element in site.elements:
        spot = element.outline.representative_point()
        column = int(np.clip(round((spot.x - relief.x[0]) / relief.cell), 0, len(relief.x) - 1))
        row = int(np.clip(round((spot.y - relief.y[0]) / relief.cell), 0, len(relief.y) - 1))
        at = relief.camera.pixels(np.array([[spot.x, spot.y, whole[row, column]]]))[0]
        text = element.name + (f"\n{told[element.name]}" if told.get(element.name) else "")
        axes.plot(*at, "o", ms=3.5, color=look.INK, zorder=29)
        place_label(axes, at, text, space, reach=40, size=10)


def _block(
    relief: Relief,
    z: FloatArray,
    tint: FloatArray,
    *,
    over: FloatArray | None = None,
    light_share: float = 1.0,
) -> solids.Parts:
    """The site cut out as a block: its lit surface, its sides and the edge between them."""
    nodes = solids.standing(relief, z)
    casts = nodes[..., 2] if over is None else without_gaps(over) * relief.camera.vertical
    light = 1 - light_share + light_share * cell_light(nodes, casts, relief.cell, relief.sun)
    return solids.surface(relief, nodes, tint * light[..., None]) + solids.sides(relief, nodes)


def _contour_parts(relief: Relief, z: FloatArray) -> solids.Parts:
    plain, fifth = solids.contours(relief, z)
    return solids.laid_over(relief, z, plain, "#6a5c42", 1.2) + solids.laid_over(
        relief, z, fifth, "#4a3d28", 2.2
    )


def _outline_part(site: "Site", relief: Relief, z: FloatArray) -> solids.Parts:
    strings = solids.edges(site.elements, relief.cell)
    brow = ndimage.maximum_filter(without_gaps(z), 3)
    return solids.laid_over(relief, brow, strings, look.INK, 2.4, nearer_m=0.2)


def _share(where: BoolArray) -> FloatArray:
    """How much of each cell is so, 0 to 1, with an edge smoothed over a cell, (…, …, 1)."""
    return to_cells(softened(where.astype(np.float64), (0.6, 0.6)))[..., None]


def _even(shape: tuple[int, ...], colour: str) -> FloatArray:
    return np.broadcast_to(look.rgb(colour), (shape[0] - 1, shape[1] - 1, 3)).copy()


def draw_existing(site: "Site", relief: Relief) -> "Axes":
    """The ground as surveyed, with contours and the outlines of what will be built."""
    z = relief.composition.existing
    parts = _block(relief, z, _even(z.shape, look.GROUND))
    parts += _contour_parts(relief, z) + _outline_part(site, relief, z)
    axes = _axes(solids.rendered(relief, parts))
    _frame(axes, site, relief, "Existing ground", "As surveyed, before any digging.")
    _element_labels(axes, site, relief, z, {}, contours=True)
    step = site.unit.length(relief.step, look.decimals(relief.step, site.unit))
    _legend(
        axes,
        (
            (look.GROUND, 1, "ground as surveyed"),
            ("line:#5d5038", 1, f"contour, every {step}\n(every fifth heavier)"),
            (f"line:{look.INK}", 1, "outline of an element"),
        ),
    )
    _north_and_scale(axes, site, relief)
    return axes


def draw_dig(site: "Site", relief: Relief) -> "Axes":
    """What the bucket leaves, with the greatest depth dug for each element."""
    composition = relief.composition
    spoil = heaped(site, relief.x, relief.y)
    z = composition.dig + spoil
    dug = _share((composition.existing - z) > look.WORKED_M)
    depth = np.clip(np.nan_to_num(to_cells(composition.existing - z)), 0, None)
    mix = (depth / max(float(depth.max()), 0.01))[..., None] ** 0.7
    soil = look.rgb("#c49a6c") * (1 - mix) + look.rgb("#94683e") * mix
    tint = look.rgb(look.GROUND) * (1 - dug) + soil * dug
    heap = _share(spoil > look.WORKED_M)
    tint = tint * (1 - heap) + look.rgb(SPOIL) * heap
    parts = _block(relief, z, tint) + _contour_parts(relief, z) + _outline_part(site, relief, z)
    axes = _axes(solids.rendered(relief, parts))
    _frame(
        axes,
        site,
        relief,
        "The dig",
        "What the bucket leaves: subgrade less over-dig. Backfill, liner and stone come later.",
    )
    told = {
        name: f"dug {site.unit.length(spot.depth_m)} deep" for name, spot in deepest(site).items()
    }
    told |= {
        each.name: f"heap {site.unit.length(each.heap.height_m)} high" for each in heaps_of(site)
    }
    _element_labels(axes, site, relief, z, told)
    step = site.unit.length(relief.step, look.decimals(relief.step, site.unit))
    _legend(
        axes,
        (
            (look.GROUND, 1, "ground left as it is"),
            ("#c49a6c", 1, "dug, shallow"),
            ("#94683e", 1, "dug, deep"),
            *([(SPOIL, 1.0, "spoil, heaped loose")] if spoil.any() else []),
            ("line:#5d5038", 1, f"contour, every {step}"),
            (f"line:{look.INK}", 1, "outline of an element"),
        ),
    )
    _north_and_scale(axes, site, relief)
    return axes


def draw_finish(site: "Site", relief: Relief) -> "Axes":
    """What is seen when built: banks, water and rocks."""
    composition = relief.composition
    z = composition.finish
    over = finish_with_stones(composition, site.stones)
    raised = _share(z - composition.existing > look.WORKED_M)
    wet = _share(np.isfinite(composition.water))
    bed = np.maximum(wet, _share(composition.existing - z > look.WORKED_M))
    raised = raised * (1 - wet)
    tint = look.rgb(look.GROUND) * (1 - bed) + look.rgb(look.GRAVEL) * bed
    tint = tint * (1 - raised) + look.rgb("#97a184") * raised
    parts = _block(relief, z, tint, over=over) + _outline_part(
        site, relief, np.fmax(z, composition.water)
    )
    parts += solids.stone_blocks(relief, site.stones) + solids.water_face(relief)
    axes = _axes(solids.rendered(relief, parts))
    _frame(
        axes,
        site,
        relief,
        "The finish, with water and rocks",
        "What is seen when built. Rocks are blocks of the stated size; their faces are imagined.",
    )
    levels = {
        e.name: f"water at {site.unit.length(e.water_level_m)}"
        for e in site.elements
        if e.water_level_m is not None
    }
    _element_labels(axes, site, relief, np.fmax(z, composition.water), levels)
    entries = [
        (look.GROUND, 1.0, "ground left as it is"),
        (look.GRAVEL, 1.0, "bed and banks"),
        ("#97a184", 1.0, "raised ground (rim, mound)"),
    ]
    if np.isfinite(composition.water).any():
        entries.append((look.WATER, 0.85, "water"))
    if site.stones:
        entries.append((look.STONE, 1.0, f"rock, {len(site.stones)} pieces"))
    _legend(axes, (*entries, (f"line:{look.INK}", 1.0, "outline of an element")))
    _north_and_scale(axes, site, relief)
    return axes


def draw_earth_moved(site: "Site", relief: Relief) -> "Axes":
    """Depth of earth removed and placed, on the worked surface."""
    composition = relief.composition
    moved = look.earth_moved(composition)
    most = max(float(np.nanmax(np.abs(moved))), look.WORKED_M)
    z = np.where(moved > 0, composition.subgrade, composition.dig)
    smooth = softened(np.nan_to_num(moved), (0.7, 0.7))
    tint = look.diverging_rgb(to_cells(smooth) / most)
    parts = _block(relief, z, tint, light_share=0.5)
    parts += _outline_part(site, relief, z)
    axes = _axes(solids.rendered(relief, parts))
    _frame(
        axes,
        site,
        relief,
        "Earth removed and placed",
        "Brown: existing ground less dig. Teal: rims and mounds above the existing ground.",
    )
    told = {name: f"−{site.unit.length(spot.depth_m)}" for name, spot in deepest(site).items()}
    _element_labels(axes, site, relief, z, told)
    _colour_bar(axes, site, most)
    _north_and_scale(axes, site, relief)
    return axes


def _draw_faces(site: "Site", relief: Relief, *, temporary: bool) -> "Axes":
    """Faces of the dig or of what is built, coloured by whether they stand."""
    composition = relief.composition
    spoil = heaped(site, relief.x, relief.y)
    z = composition.dig + spoil if temporary else composition.finish
    faces = [face for face in site.slopes.faces if face.temporary == temporary]
    tint = _even(z.shape, look.GROUND)
    moved = _share(np.abs(z - composition.existing) > look.WORKED_M)
    tint = tint * (1 - 0.6 * moved) + look.rgb(look.GRAVEL) * 0.6 * moved
    for face in reversed(faces):
        covers = _share(shapely.contains_xy(region_of(face), *np.meshgrid(relief.x, relief.y)))
        tint = tint * (1 - covers) + look.rgb(colour_of(face)) * covers
    parts = _block(relief, z, tint, light_share=0.6) + _outline_part(site, relief, z)
    if not temporary:
        parts += solids.stone_blocks(relief, site.stones)
    axes = _axes(solids.rendered(relief, parts))
    what = "of the dig, while it is open" if temporary else "of what is built"
    _frame(
        axes,
        site,
        relief,
        f"Will it stand: faces {what}",
        f"Factors of safety: likely (low to high). Rules: {site.slopes.rules.name}.",
    )
    told: dict[str, str] = {}
    for face in faces:
        if face.worst_case is not None and face.element not in told:
            told[face.element] = f"{face.name}: {factor_words(face.worst_case)}"
    _element_labels(axes, site, relief, z, told)
    entries = [(colour, 1.0, words.replace(": ", ":\n")) for colour, words in VERDICTS.values()]
    _legend(axes, (*entries, (f"line:{look.INK}", 1.0, "outline of an element")))
    _north_and_scale(axes, site, relief)
    return axes


def draw_dig_faces(site: "Site", relief: Relief) -> "Axes":
    """Faces of the open dig."""
    return _draw_faces(site, relief, temporary=True)


def draw_built_faces(site: "Site", relief: Relief) -> "Axes":
    """Faces of what is built."""
    return _draw_faces(site, relief, temporary=False)


def _colour_bar(axes: "Axes", site: "Site", most: float) -> None:
    """The diverging scale, upright, with both ends and round steps between."""
    left, base, wide, high = 1340.0, 470.0, 34.0, 330.0
    share = np.linspace(-1, 1, 400)
    axes.imshow(
        look.diverging_rgb(share)[:, None],
        extent=(left, left + wide, base, base + high),
        origin="lower",
        aspect="auto",
        zorder=20,
    )
    axes.set_xlim(0, WIDE)
    axes.set_ylim(0, HIGH)
    axes.plot(
        [left, left + wide, left + wide, left, left],
        [base, base, base + high, base + high, base],
        color=look.INK,
        lw=0.8,
        zorder=21,
    )
    write(
        axes,
        left,
        base + high + 44,
        f"Depth, {site.unit.symbol}",
        size=11,
        font=canvas.SANS_BOLD,
        va="center",
    )
    write(axes, left, base + high + 18, "placed", size=10, va="center", color=look.PLACED)
    write(axes, left, base - 18, "removed", size=10, va="center", color=look.REMOVED)
    step = look.round_length(most / site.unit.metres / 2.2) * site.unit.metres
    for k in range(-int(most / step), int(most / step) + 1):
        y = base + high * (k * step / most + 1) / 2
        axes.plot([left + wide, left + wide + 6], [y, y], color=look.INK, lw=0.8, zorder=21)
        number = f"{k * step / site.unit.metres:+g}" if k else "0"
        write(axes, left + wide + 12, y, number.replace("-", "−"), size=9, va="center")


@dataclass(frozen=True)
class Picture:
    """One of the pictures: its file, how it is drawn, and whether it shows only what is built."""

    file: str
    draw: Callable[["Site", Relief], "Axes"]
    near: bool

    def write(self, site: "Site", relief: Relief, path: Path) -> None:
        """Draw it into a PNG file of 1600 × 1000 pixels."""
        canvas.save(canvas.figure_of(self.draw(site, relief)), path)


PICTURES = (
    Picture("existing.png", draw_existing, near=False),
    Picture("dig.png", draw_dig, near=True),
    Picture("finish.png", draw_finish, near=True),
    Picture("earth_moved.png", draw_earth_moved, near=True),
)

SLOPES = (
    Picture("slopes_3d.png", draw_dig_faces, near=True),
    Picture("slopes_3d_built.png", draw_built_faces, near=True),
)
