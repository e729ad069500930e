"""Where the three sections are cut, and the profiles along them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from scipy import ndimage

from terrain.arrays import FloatArray
from terrain.review.look import COMPASS, WORKED_M

if TYPE_CHECKING:
    from terrain.design import Composition


@dataclass(frozen=True)
class SectionLine:
    """A straight line on plan along which the site is cut.

    Attributes
    ----------
    letter
        `A` for A–A.
    start, end
        (x, y), local metres.
    """

    letter: str
    start: tuple[float, float]
    end: tuple[float, float]

    @property
    def length_m(self) -> float:
        """Distance from start to end."""
        return float(np.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1]))

    @property
    def looking(self) -> str:
        """Compass direction in which a reader looks at the section, its start on the left."""
        ahead = math.atan2(self.end[1] - self.start[1], self.end[0] - self.start[0]) + math.pi / 2
        return COMPASS[round(ahead / (math.pi / 4)) % 8]


@dataclass(frozen=True)
class Profile:
    """Heights along a section line at even stations, each (k,), m; NaN where there is none."""

    station: FloatArray
    existing: FloatArray
    dig: FloatArray
    subgrade: FloatArray
    finish: FloatArray
    water: FloatArray


def _long_axis(points: FloatArray) -> FloatArray:
    """Unit vector along which points (n, 2) spread most; east where they do not spread."""
    if len(points) < 2 or not np.ptp(points, axis=0).any():
        return np.array([1.0, 0.0])
    values, vectors = np.linalg.eigh(np.cov(points.T))
    axis = vectors[:, int(np.argmax(values))]
    return _forward(np.asarray(axis))


def _forward(way: FloatArray) -> FloatArray:
    """A direction or its opposite, so that a section reads from west to east, or south to north."""
    leading = way[0] if abs(way[0]) > abs(way[1]) else way[1]
    return way if leading > 0 else -way


def _reaching(
    letter: str,
    through: FloatArray,
    along: FloatArray,
    worked: FloatArray,
    composition: "Composition",
) -> SectionLine:
    """Line through a point that passes what is built by a third and stays on the survey."""
    lattice = composition.lattice
    off = worked - through
    near = np.abs(off @ np.array([-along[1], along[0]])) < 2 * lattice.cell
    reach = off[near] @ along
    first, last = (float(reach.min()), float(reach.max())) if len(reach) else (-1.0, 1.0)
    margin = max(1.5, 0.3 * (last - first))
    t = np.arange(first - margin, last + margin, lattice.cell / 2)
    row = np.round((through[1] + t * along[1] - lattice.y0) / lattice.cell).astype(int)
    column = np.round((through[0] + t * along[0] - lattice.x0) / lattice.cell).astype(int)
    inside = (row >= 0) & (row < lattice.ny) & (column >= 0) & (column < lattice.nx)
    known = np.zeros(len(t), dtype=bool)
    known[inside] = np.isfinite(composition.existing[row[inside], column[inside]])
    runs, count = ndimage.label(known)
    if count:
        longest = 1 + int(np.argmax(np.bincount(runs)[1:]))
        t = t[runs == longest]
    start, end = through + t[0] * along, through + t[-1] * along
    return SectionLine(letter, (float(start[0]), float(start[1])), (float(end[0]), float(end[1])))


def section_lines(
    composition: "Composition", outlines: Sequence[shapely.Polygon]
) -> tuple[SectionLine, SectionLine, SectionLine]:
    """Choose three section lines.

    A–A runs along the long axis of the largest element that is dug, through its deepest part's
    middle. B–B crosses it there at a right angle. C–C runs along the long axis of the element whose
    deepest spot lies farthest from both, or, where there is none, along A–A's direction through the
    deepest spot of all.

    Parameters
    ----------
    outlines
        Of the elements, in the order that `composition.owner` counts them.
    """
    lattice = composition.lattice
    depth = np.nan_to_num(composition.existing - composition.dig)
    moved = np.fmax(depth, np.nan_to_num(np.abs(composition.finish - composition.existing)))
    xx, yy = np.meshgrid(lattice.x, lattice.y)
    known = np.isfinite(composition.existing)
    worked_at = (moved > WORKED_M) & known
    if not worked_at.any():
        worked_at = known
    worked = np.c_[xx[worked_at], yy[worked_at]]
    dug = depth > WORKED_M
    owners = [i for i in range(len(outlines)) if (dug & (composition.owner == i)).any()]
    main = max(owners, key=lambda i: outlines[i].area, default=None)
    if main is None:
        through, along = worked.mean(axis=0), _long_axis(worked)
    else:
        own = dug & (composition.owner == main)
        deep = own & (depth >= 0.85 * depth[own].max())
        through = np.array([xx[deep].mean(), yy[deep].mean()])
        along = _long_axis(np.c_[xx[own], yy[own]])
    across = _forward(np.array([-along[1], along[0]]))
    first = _reaching("A", through, along, worked, composition)
    second = _reaching("B", through, across, worked, composition)

    def off_lines(spot: FloatArray) -> float:
        return float(np.abs((spot - through) @ np.stack([across, along], axis=1)).min())

    spots = {
        i: _deepest_part(xx, yy, depth, dug & (composition.owner == i)) for i in owners if i != main
    }
    if spots:
        other = max(spots, key=lambda i: off_lines(spots[i]))
        own = dug & (composition.owner == other)
        third = _reaching(
            "C", spots[other], _long_axis(np.c_[xx[own], yy[own]]), worked, composition
        )
    else:
        spot = np.array([xx.flat[int(np.argmax(depth))], yy.flat[int(np.argmax(depth))]])
        if off_lines(spot) < 4 * lattice.cell:
            spot = through + 0.25 * first.length_m * along
        third = _reaching("C", spot, across, worked, composition)
    return first, second, third


def _deepest_part(xx: FloatArray, yy: FloatArray, depth: FloatArray, own: np.ndarray) -> FloatArray:
    """Middle of the deepest tenth of an element's dig, moved to its nearest own node."""
    deep = own & (depth >= 0.9 * depth[own].max())
    middle = np.array([xx[deep].mean(), yy[deep].mean()])
    near = int(np.argmin(np.hypot(xx[deep] - middle[0], yy[deep] - middle[1])))
    return np.array([xx[deep][near], yy[deep][near]])


def profile(composition: "Composition", line: SectionLine) -> Profile:
    """Heights along a line, four to a cell, linear between nodes; water as its nearest node."""
    lattice = composition.lattice
    count = max(2, int(line.length_m / lattice.cell * 4) + 1)
    share = np.linspace(0, 1, count)
    x = line.start[0] + share * (line.end[0] - line.start[0])
    y = line.start[1] + share * (line.end[1] - line.start[1])
    at = np.stack([(y - lattice.y0) / lattice.cell, (x - lattice.x0) / lattice.cell])

    def along(z: FloatArray, *, order: Literal[0, 1] = 1) -> FloatArray:
        return np.asarray(ndimage.map_coordinates(z, at, order=order, cval=np.nan, prefilter=False))

    return Profile(
        share * line.length_m,
        along(composition.existing),
        along(composition.dig),
        along(composition.subgrade),
        along(composition.finish),
        along(composition.water, order=0),
    )
