"""The solids of a scene, each cell or facet in its own colour, and their rendering by VTK.

Light is computed on the height field beforehand, so a scene looks the same on every driver.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pyvista as pv
import shapely
from contourpy import contour_generator
from numpy.typing import NDArray
from scipy import ndimage

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.review import look
from terrain.review.blocks import block, placed, shape_of
from terrain.review.camera import HIGH, VIEW, WIDE, Relief
from terrain.review.outlines import rings
from terrain.review.relief import without_gaps
from terrain.review.walls import straightened
from terrain.review.waterline import water_sheet

if TYPE_CHECKING:
    from terrain.design import Element, Stone

Pixels = NDArray[np.uint8]
TOPSOIL_M = 0.22
"""Thickness of the dark band on the cut faces of the block; a drawing, not a finding."""


@dataclass(frozen=True)
class Solid:
    """Faces that carry their own colours, already lit, in the cell data `colour`."""

    mesh: pv.PolyData


@dataclass(frozen=True)
class Strokes:
    """Lines in one colour, `width` pixels wide."""

    mesh: pv.PolyData
    colour: str
    width: float


Parts = list[Solid | Strokes]


def surface(relief: Relief, nodes: FloatArray, colours: FloatArray) -> Parts:
    """Triangles of every whole cell, each cell in one colour, so that walls stay crisp."""
    nx = nodes.shape[1]
    z = nodes[..., 2]
    rows, columns = np.nonzero(relief.solid)
    a = rows * nx + columns
    first = np.abs(z[rows, columns] - z[rows + 1, columns + 1])
    other = np.abs(z[rows, columns + 1] - z[rows + 1, columns])
    along = (first <= other)[:, None]
    b, c, d = a + 1, a + nx + 1, a + nx
    lower = np.where(along, np.stack([a, b, c], 1), np.stack([a, b, d], 1))
    upper = np.where(along, np.stack([a, c, d], 1), np.stack([b, c, d], 1))
    faces = np.concatenate([lower, upper])
    tint = colours[rows, columns]
    return [_solid(nodes.reshape(-1, 3), faces, np.concatenate([tint, tint]))]


def _solid(points: FloatArray, faces: IntArray, colours: FloatArray) -> Solid:
    """Faces (m, 3) or (m, 4) with a colour each, (m, 3), or (m, 4) with its opacity; 0 to 1."""
    mesh = pv.PolyData.from_regular_faces(points, cast("Any", faces))
    mesh.cell_data["colour"] = (np.clip(colours, 0, 1) * 255 + 0.5).astype(np.uint8)
    return Solid(mesh)


def standing(relief: Relief, z: FloatArray) -> FloatArray:
    """Nodes of a surface as they are drawn: walls straight, heights exaggerated, (ny, nx, 3)."""
    whole = without_gaps(z)
    level = straightened(relief.x, relief.y, whole, relief.solid)
    return np.concatenate([level, whole[..., None] * relief.camera.vertical], axis=-1)


def _side_edges(solid: BoolArray) -> Iterator[tuple[IntArray, IntArray, IntArray]]:
    """Cells that end the survey, for each of the four ways out, with the two nodes of that edge.

    Yields cells (k, 2) and nodes (k, 2), (k, 2) as row and column; walking from the first node to
    the second keeps the block on the left.
    """
    wide = np.pad(solid, 1)
    ny, nx = solid.shape
    for way, first, last in (
        ((-1, 0), (0, 0), (0, 1)),
        ((1, 0), (1, 1), (1, 0)),
        ((0, -1), (1, 0), (0, 0)),
        ((0, 1), (0, 1), (1, 1)),
    ):
        beyond = wide[1 + way[0] : 1 + way[0] + ny, 1 + way[1] : 1 + way[1] + nx]
        cells = np.argwhere(solid & ~beyond)
        yield cells, cells + first, cells + last


def sides(relief: Relief, nodes: FloatArray) -> Parts:
    """The cut faces of the block, from the survey's edge to the floor, and their upper edge."""
    cells, first, last = (
        np.concatenate(group) for group in zip(*_side_edges(relief.solid), strict=True)
    )
    slope = np.gradient(
        ndimage.gaussian_filter(relief.solid.astype(np.float64), 6, mode="constant")
    )
    outward = -np.stack([slope[1][tuple(cells.T)], slope[0][tuple(cells.T)]], axis=1)
    outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-9)
    light = 0.86 + 0.24 * np.clip(outward @ relief.sun.direction[:2], -1, 1)
    ends = [nodes[tuple(first.T)], nodes[tuple(last.T)]]
    floor = relief.floor * relief.camera.vertical
    bands = []
    for top, bottom, colour in ((0.0, TOPSOIL_M, "#6d553b"), (TOPSOIL_M, np.inf, "#a88a66")):
        ring = []
        for end, below in zip((*ends, *ends[::-1]), (top, top, bottom, bottom), strict=True):
            corner = end.copy()
            corner[:, 2] = np.maximum(end[:, 2] - below, floor)
            ring.append(corner)
        points = np.stack(ring, axis=1).reshape(-1, 3)
        quads = np.arange(len(points)).reshape(-1, 4)
        bands.append(_solid(points, quads, light[:, None] * look.rgb(colour)))
    edge = np.stack(ends, axis=1) + 0.02 * relief.camera.back
    return [*bands, *_strokes(list(edge), "#5a4a36", 1.6)]


def _strokes(strings: Sequence[FloatArray], colour: str, width: float) -> Parts:
    """Lines through points of the scene, each (k, 3)."""
    if not strings:
        return []
    mesh = pv.PolyData(np.concatenate(strings))
    cells, used = [], 0
    for string in strings:
        cells.append(np.concatenate([[len(string)], used + np.arange(len(string))]))
        used += len(string)
    mesh.lines = np.concatenate(cells)
    mesh.verts = np.empty(0, dtype=np.int64)
    return [Strokes(mesh, colour, width)]


def laid_over(
    relief: Relief,
    z: FloatArray,
    strings: Sequence[FloatArray],
    colour: str,
    width: float,
    *,
    nearer_m: float = 0.12,
) -> Parts:
    """Lines on plan, each (k, 2), laid over a surface and brought nearer so that they show."""
    whole = without_gaps(z)
    laid = []
    for string in strings:
        at = [
            (string[:, 1] - relief.y[0]) / relief.cell,
            (string[:, 0] - relief.x[0]) / relief.cell,
        ]
        height = ndimage.map_coordinates(whole, at, order=1, mode="nearest")
        place = np.c_[string, height * relief.camera.vertical]
        laid.append(place + nearer_m * relief.camera.back)
    return _strokes(laid, colour, width)


def contours(relief: Relief, z: FloatArray) -> tuple[list[FloatArray], list[FloatArray]]:
    """Contours of a surface and, apart, every fifth of them."""
    generator = contour_generator(relief.x, relief.y, np.ma.masked_invalid(z), name="serial")
    low, high = float(np.nanmin(z)), float(np.nanmax(z))
    plain: list[FloatArray] = []
    fifth: list[FloatArray] = []
    for count in range(math.ceil(low / relief.step), math.floor(high / relief.step) + 1):
        into = fifth if count % 5 == 0 else plain
        into += [np.asarray(line) for line in generator.lines(count * relief.step) if len(line) > 5]
    return plain, fifth


def edges(elements: Sequence["Element"], cell: float) -> list[FloatArray]:
    """Outlines on plan, each ring (k, 2), with a point at least every `cell`."""
    return [
        shapely.get_coordinates(shapely.segmentize(ring, cell))
        for element in elements
        for ring in rings(element.outline)
    ]


def stone_blocks(relief: Relief, stones: Sequence["Stone"]) -> Parts:
    """Every stone as its block, each facet lit by itself."""
    if not stones:
        return []
    rounds = 3 if len(stones) <= 400 else 2
    sun = relief.sun.direction
    rng = np.random.default_rng(11)
    points, faces, tints, used = [], [], [], 0
    warm, cool = look.rgb("#b3a690"), look.rgb("#8f8d88")
    for stone, shape in zip(stones, shape_of(stones), strict=True):
        body = block(int(shape), rounds=rounds)
        at = placed(stone, body.points) * [1, 1, relief.camera.vertical]
        corner = at[body.triangles]
        normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
        light = 0.46 + 0.62 * np.clip(normal @ sun, 0, 1) + 0.10 * normal[:, 2]
        mix = rng.uniform()
        colour = (mix * warm + (1 - mix) * cool) * rng.uniform(0.92, 1.08)
        points.append(at)
        faces.append(body.triangles + used)
        tints.append(light[:, None] * colour)
        used += len(at)
    return [
        _solid(
            np.concatenate(points), np.concatenate(faces).astype(np.int64), np.concatenate(tints)
        )
    ]


def water_face(relief: Relief) -> Parts:
    """The water's face: each whole cell in one colour, thicker where deeper."""
    composition = relief.composition
    sheet = water_sheet(composition.finish, composition.water)
    wet = np.isfinite(sheet)
    whole = wet[:-1, :-1] & wet[:-1, 1:] & wet[1:, :-1] & wet[1:, 1:]
    rows, columns = np.nonzero(whole)
    if not len(rows):
        return []
    nx = len(relief.x)
    xx, yy = np.meshgrid(relief.x, relief.y)
    level = np.where(wet, sheet, 0.0)
    points = np.c_[xx.ravel(), yy.ravel(), level.ravel() * relief.camera.vertical]
    a = rows * nx + columns
    quads = np.stack([a, a + 1, a + nx + 1, a + nx], axis=1)
    depth = np.clip((level - composition.finish)[rows, columns], 0, None)
    share = 0.50 + 0.34 * (1 - np.exp(-depth / 0.7))
    shallow, deep = look.rgb("#8fb0bb"), look.rgb("#4d7185")
    mix = (1 - np.exp(-depth / 0.8))[:, None]
    return [_solid(points, quads, np.c_[(1 - mix) * shallow + mix * deep, share])]


def rendered(relief: Relief, parts: Parts) -> Pixels:
    """Pixels of the solids on paper, (HIGH, WIDE, 3), from top left."""
    camera = relief.camera
    plotter: Any = pv.Plotter(off_screen=True, window_size=[WIDE, HIGH], lighting="none")
    try:
        plotter.set_background(look.PAPER)
        plotter.enable_anti_aliasing("msaa", multi_samples=4)
        for part in parts:
            if isinstance(part, Solid):
                plotter.add_mesh(part.mesh, scalars="colour", rgb=True, lighting=False)
            else:
                plotter.add_mesh(
                    part.mesh, color=part.colour, line_width=part.width, lighting=False
                )
        shift = np.array([WIDE - VIEW[0] - VIEW[2], HIGH - VIEW[1] - VIEW[3]]) / 2 / camera.scale
        focus = (
            camera.centre * [1, 1, camera.vertical] + shift[0] * camera.right + shift[1] * camera.up
        )
        plotter.camera.focal_point = focus
        plotter.camera.position = focus + 500 * camera.back
        plotter.camera.up = camera.up
        plotter.camera.parallel_projection = True
        plotter.camera.parallel_scale = HIGH / 2 / camera.scale
        plotter.reset_camera_clipping_range()
        return np.asarray(plotter.screenshot(return_img=True))
    finally:
        plotter.close()
