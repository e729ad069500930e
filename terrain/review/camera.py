"""Where the viewer stands, and the lattice thinned to what the eye can tell."""

import math
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from terrain.arrays import BoolArray, FloatArray
from terrain.review import look
from terrain.review.canvas import Box
from terrain.review.relief import Sun

if TYPE_CHECKING:
    from terrain.design import Composition
    from terrain.site import Site
    from terrain.units import Unit

WIDE, HIGH = 1600, 1000
VIEW: Box = (30, 92, 1296, 872)
"""Left, bottom, right, top of the 3D part of a picture, pixels from bottom left."""

MOST_NODES = 640
"""Along the longer side of the lattice; a finer one is thinned."""


@dataclass(frozen=True)
class Camera:
    """A parallel view of the site.

    Attributes
    ----------
    right, up, back
        Unit vectors of the picture in the exaggerated site; `back` points at the viewer.
    centre
        (x, y, z) that falls on the middle of `VIEW`; z not exaggerated.
    scale
        Pixels per metre in the plane of the picture.
    vertical
        Exaggeration of z.
    """

    right: FloatArray
    up: FloatArray
    back: FloatArray
    centre: FloatArray
    scale: float
    vertical: float

    def pixels(self, xyz: FloatArray) -> FloatArray:
        """Where points of the site fall in the picture, (n, 3) → (n, 2), from bottom left."""
        offset = (np.atleast_2d(xyz) - self.centre) * [1, 1, self.vertical]
        middle = np.array([(VIEW[0] + VIEW[2]) / 2, (VIEW[1] + VIEW[3]) / 2])
        return np.asarray(middle + self.scale * (offset @ np.stack([self.right, self.up], axis=1)))


@dataclass(frozen=True)
class Relief:
    """A site, or what is built on it, ready to be drawn from one place.

    Attributes
    ----------
    composition
        On a lattice thinned to what the eye can tell.
    x, y, cell
        Its nodes and their distance, m.
    floor
        Elevation at which the block is cut off below, m.
    solid
        Cells that lie wholly on the survey, (ny − 1, nx − 1).
    step
        Contour interval, m.
    """

    composition: "Composition"
    x: FloatArray
    y: FloatArray
    cell: float
    camera: Camera
    floor: float
    solid: BoolArray
    step: float

    @property
    def sun(self) -> Sun:
        """Light from the viewer's left, across the view, which models relief best."""
        east, north = -self.camera.right[:2]
        return Sun(azimuth_deg=math.degrees(math.atan2(east, north)))


def vertical_factor(relief_m: float, across_m: float) -> float:
    """Vertical exaggeration that keeps flat sites readable: 1, 1.5, 2 or 3."""
    share = relief_m / max(across_m, 1e-9)
    return next((k for least, k in ((0.07, 1.0), (0.045, 1.5), (0.03, 2.0)) if share >= least), 3.0)


def _window(composition: "Composition", rows: slice, columns: slice) -> "Composition":
    """The part of a composition at some of its rows and columns, evenly stepped."""
    lattice = composition.lattice
    arrays = [f.name for f in fields(composition) if f.name != "lattice"]
    parts = {name: getattr(composition, name)[rows, columns] for name in arrays}
    x, y = lattice.x[columns], lattice.y[rows]
    part = replace(
        lattice, x0=float(x[0]), y0=float(y[0]), cell=float(x[1] - x[0]), nx=len(x), ny=len(y)
    )
    return replace(composition, lattice=part, **parts)


def _thin(composition: "Composition") -> "Composition":
    lattice = composition.lattice
    step = slice(None, None, math.ceil(max(lattice.nx, lattice.ny) / MOST_NODES))
    return _window(composition, step, step)


def _around_works(site: "Site") -> "Composition":
    """The composition where ground is moved or an element lies, and a margin around it."""
    composition = site.composition
    lattice = composition.lattice
    touched = np.nan_to_num(np.abs(look.earth_moved(composition))) > 0
    rows, columns = np.nonzero(touched)
    boxes = [element.outline.bounds for element in site.elements]
    if len(rows):
        x, y = lattice.x[columns], lattice.y[rows]
        boxes.append((x.min(), y.min(), x.max(), y.max()))
    if not boxes:
        return composition
    low = np.min([box[:2] for box in boxes], axis=0)
    high = np.max([box[2:] for box in boxes], axis=0)
    margin = max(1.5, 0.12 * float((high - low).max()))
    corner = np.array([lattice.x0, lattice.y0])
    first = np.floor((low - margin - corner) / lattice.cell).astype(int)
    last = np.ceil((high + margin - corner) / lattice.cell).astype(int) + 1
    j0, i0 = np.clip(first, 0, [lattice.nx - 2, lattice.ny - 2])
    j1, i1 = np.clip(last, [j0 + 2, i0 + 2], [lattice.nx, lattice.ny])
    return _window(composition, slice(i0, i1), slice(j0, j1))


def _downhill(composition: "Composition") -> float:
    """Direction in which the ground falls as a whole, radians from east; south if it is level."""
    z = composition.existing
    known = np.isfinite(z)
    xx, yy = np.meshgrid(composition.lattice.x, composition.lattice.y)
    a = np.c_[xx[known] - xx[known].mean(), yy[known] - yy[known].mean()]
    slope = np.linalg.lstsq(a, z[known] - z[known].mean(), rcond=None)[0]
    return math.atan2(-slope[1], -slope[0]) if np.hypot(*slope) > 1e-4 else -math.pi / 2


def _fitted(turn: float, corners: FloatArray, vertical: float) -> Camera:
    """A camera at direction `turn` from the site, 40° up, that just shows all corners."""
    lift = math.radians(40)
    level = math.cos(lift)
    back = np.array([level * math.cos(turn), level * math.sin(turn), math.sin(lift)])
    right = np.array([-math.sin(turn), math.cos(turn), 0.0])
    up = np.cross(back, right)
    rough = Camera(right, up, back, np.zeros(3), 1.0, vertical)
    seen = rough.pixels(corners)
    least, most = seen.min(axis=0), seen.max(axis=0)
    room = np.array([VIEW[2] - VIEW[0], VIEW[3] - VIEW[1]])
    middle = (least + most) / 2 - rough.pixels(np.zeros((1, 3)))[0]
    centre = (middle[0] * right + middle[1] * up) / [1, 1, vertical]
    return Camera(right, up, back, centre, 0.985 * float((room / (most - least)).min()), vertical)


def prepare(site: "Site") -> tuple[Relief, Relief]:
    """The whole survey, and what is built with a margin around it, both seen from one direction.

    Of eight directions a little off the axes it is the one in which what is built looks large and
    the viewer faces uphill.
    """
    whole, near = _thin(site.composition), _thin(_around_works(site))
    downhill = _downhill(near)
    turns = [math.radians(quarter + side) for quarter in (-90, 0, 90, 180) for side in (-27, 27)]
    views = [_relief(near, turn, site.unit) for turn in turns]
    best = max(
        range(len(turns)),
        key=lambda k: views[k].camera.scale * (1 + 0.4 * math.cos(turns[k] - downhill)),
    )
    return _relief(whole, turns[best], site.unit), views[best]


def _relief(composition: "Composition", turn: float, unit: "Unit") -> Relief:
    """Find the exaggeration and the block's floor, and stand the camera."""
    x, y, cell = composition.lattice.x, composition.lattice.y, composition.lattice.cell
    known = np.isfinite(composition.existing)
    solid = known[:-1, :-1] & known[:-1, 1:] & known[1:, :-1] & known[1:, 1:]
    stack = np.stack([composition.existing, composition.dig, composition.finish])
    low, high = float(np.nanmin(stack)), float(np.nanmax(stack))
    xx, yy = np.meshgrid(x, y)
    east, north = xx[known], yy[known]
    across = max(float(np.ptp(east)), float(np.ptp(north)))
    vertical = vertical_factor(high - low, across)
    floor = low - 0.03 * across / vertical
    top = np.fmax(composition.existing, composition.finish)[known]
    corners = np.concatenate(
        [np.c_[east, north, top], np.c_[east, north, np.full(len(top), floor)]]
    )
    camera = _fitted(turn, corners, vertical)
    fall = float(np.nanmax(composition.existing) - np.nanmin(composition.existing))
    return Relief(composition, x, y, cell, camera, floor, solid, look.contour_step(fall, unit))
