"""The ground of a scanned mesh: its own triangles, or a lattice draped over what overhangs."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from terrain.arrays import FloatArray, Int32Array
from terrain.errors import Place, SurfaceError
from terrain.kernels import kernel
from terrain.surface.grid import Grid
from terrain.surface.lattice import Lattice
from terrain.surface.tin import Tin
from terrain.survey.meshes import Triangles

MOST_NODES = 40_000_000
OVERHANG_M = 0.02  # two faces above each other that differ by less are one ground
_UPRIGHT = 1e-6  # plan area over area: a face this steep covers no ground
_ALIKE = 1e-6  # share of its area by which the outline of a height field may differ
_SLACK = 1e-9
_FAR_FLUNG = 20  # median edges in a cell of the finest lattice that the memory allows
_SAMPLED = 100_000  # faces that tell the median edge


@dataclass(frozen=True)
class MeshGround:
    """Ground made from a mesh.

    Attributes
    ----------
    surface
        The mesh's own triangles where no two lie above each other, otherwise a lattice.
    is_whole
        The surface is the mesh itself.
    cell
        Distance between nodes of the lattice, m; NaN if the surface is the mesh itself.
    overhang_share
        Part of the nodes above which upward faces lie in several heights; 0 for the mesh itself.
    turned_over
        The faces looked downward and were turned.
    """

    surface: Tin | Grid
    is_whole: bool
    cell: float
    overhang_share: float
    turned_over: bool


def ground_from_triangles(
    mesh: Triangles, *, cell: float | None = None, keep: Literal["highest", "lowest"] = "highest"
) -> MeshGround:
    """Take a mesh as ground, seen from above.

    Upright faces cover no ground and are left out. If the others cover every place once, they are
    the surface. Otherwise (trees, undercut banks, the underside of a solid) each node of a lattice
    takes the highest of the faces above it that look upward, or the lowest of them.

    Parameters
    ----------
    mesh
        Triangles in space, z up.
    cell
        Distance between the nodes of the lattice, m; by default the median edge in plan.
    keep
        Which of several upward faces is the ground.

    Raises
    ------
    SurfaceError
        All faces stand upright, or corners are flung so far that no lattice holds them.
    """
    signed = _plan_areas(mesh.xyz, mesh.faces)
    lying = np.abs(signed) > _UPRIGHT * _areas(mesh.xyz, mesh.faces)
    if not lying.any():
        raise SurfaceError(
            f"all {len(signed):,} faces stand upright",
            place=Place(mesh.source),
            expected="a mesh with z up",
            mend='set up = "y" for this survey, or register it by control points',
        )
    faces, signed = mesh.faces[lying], signed[lying]
    turned_over = _looks_down(mesh, signed)
    upward = np.where((signed > 0)[:, None], faces, faces[:, ::-1])
    tin = Tin(mesh.xyz, upward)
    if _covers_once(tin, float(np.abs(signed).sum())):
        return MeshGround(tin, True, np.nan, 0.0, turned_over)
    looking_up = upward[(signed > 0) != turned_over]
    lattice = _lattice(mesh.source, mesh.xyz, looking_up, cell)
    high, low = np.full(lattice.shape, -np.inf), np.full(lattice.shape, np.inf)
    _drape(mesh.xyz, looking_up, lattice.x0, lattice.y0, lattice.cell, high, low)
    seen = np.isfinite(high)
    if not seen.any():
        raise SurfaceError(
            f"no node of a lattice of {lattice.cell:.3g} m lies under a face that looks upward",
            place=Place(mesh.source),
            expected="a mesh larger than its cell",
            mend="give a smaller cell for this survey",
        )
    z = np.where(seen, high if keep == "highest" else low, np.nan)
    overhang = float((high - low > OVERHANG_M)[seen].mean())
    return MeshGround(Grid(lattice, z), False, lattice.cell, overhang, turned_over)


def _covers_once(tin: Tin, total: float) -> bool:
    """Whether triangles of `total` plan area cover no place twice."""
    box = np.ptp(tin.points[:, :2], axis=0)
    if total > (1 + _ALIKE) * float(box.prod()):
        return False
    return bool(abs(tin.footprint.area - total) <= _ALIKE * total)


def _looks_down(mesh: Triangles, signed: FloatArray) -> bool:
    """Whether the outside of the mesh is its underside.

    A sheet has more plan area downward than upward; a closed solid has as much of both, and
    then its volume is negative.
    """
    if abs(signed.sum()) > _ALIKE * np.abs(signed).sum():
        return bool(signed.sum() < 0)
    return _volume(mesh.xyz - mesh.xyz.mean(axis=0), mesh.faces) < 0


def _lattice(source: Path, xyz: FloatArray, faces: Int32Array, cell: float | None) -> Lattice:
    low, high = xyz[:, :2].min(axis=0), xyz[:, :2].max(axis=0)
    asked = cell
    if cell is None:
        corners = xyz[faces[:: len(faces) // _SAMPLED + 1]][:, :, :2]
        edges = corners - np.roll(corners, 1, axis=1)
        cell = max(float(np.median(np.hypot(edges[..., 0], edges[..., 1]))), 1e-3)
    coarsest = float(np.sqrt(np.prod(np.maximum(high - low, cell)) / MOST_NODES))
    if asked is None and coarsest > _FAR_FLUNG * cell:
        wide, long = high - low
        raise SurfaceError(
            f"it spans {wide:,.0f} m by {long:,.0f} m, and its faces are {cell:.3g} m long",
            place=Place(source),
            expected="corners that lie together",
            mend="remove the corners that lie far off, or copy or export the file again",
        )
    cell = max(cell, coarsest)
    return Lattice.covering(
        (float(low[0]), float(low[1]), float(high[0]), float(high[1])), cell=cell
    )


@kernel
def _plan_areas(xyz: FloatArray, faces: Int32Array) -> FloatArray:
    """Signed: positive where a face looks upward, shape (m,)."""
    areas = np.empty(len(faces))
    for row in range(len(faces)):
        a, b, c = xyz[faces[row, 0]], xyz[faces[row, 1]], xyz[faces[row, 2]]
        areas[row] = ((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])) / 2
    return areas


@kernel
def _areas(xyz: FloatArray, faces: Int32Array) -> FloatArray:
    areas = np.empty(len(faces))
    for row in range(len(faces)):
        a, b, c = xyz[faces[row, 0]], xyz[faces[row, 1]], xyz[faces[row, 2]]
        ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        areas[row] = np.sqrt(x * x + y * y + z * z) / 2
    return areas


@kernel
def _volume(xyz: FloatArray, faces: Int32Array) -> float:
    """Signed volume of the pyramids from the origin to each face."""
    total = 0.0
    for row in range(len(faces)):
        a, b, c = xyz[faces[row, 0]], xyz[faces[row, 1]], xyz[faces[row, 2]]
        total += a[0] * (b[1] * c[2] - b[2] * c[1])
        total += a[1] * (b[2] * c[0] - b[0] * c[2])
        total += a[2] * (b[0] * c[1] - b[1] * c[0])
    return total / 6


@kernel
def _drape(
    xyz: FloatArray,
    faces: Int32Array,
    x0: float,
    y0: float,
    cell: float,
    high: FloatArray,
    low: FloatArray,
) -> None:
    """Highest and lowest of the faces over each node, written into `high` and `low`."""
    ny, nx = high.shape
    for row in range(len(faces)):
        a, b, c = xyz[faces[row, 0]], xyz[faces[row, 1]], xyz[faces[row, 2]]
        xa, ya = (a[0] - x0) / cell, (a[1] - y0) / cell
        ux, uy = (b[0] - a[0]) / cell, (b[1] - a[1]) / cell
        vx, vy = (c[0] - a[0]) / cell, (c[1] - a[1]) / cell
        det = ux * vy - uy * vx
        j0 = max(int(np.ceil(ya + min(0.0, uy, vy) - _SLACK)), 0)
        j1 = min(int(np.floor(ya + max(0.0, uy, vy) + _SLACK)), ny - 1)
        i0 = max(int(np.ceil(xa + min(0.0, ux, vx) - _SLACK)), 0)
        i1 = min(int(np.floor(xa + max(0.0, ux, vx) + _SLACK)), nx - 1)
        for j in range(j0, j1 + 1):
            for i in range(i0, i1 + 1):
                s = ((i - xa) * vy - (j - ya) * vx) / det
                t = (ux * (j - ya) - uy * (i - xa)) / det
                if s >= -_SLACK and t >= -_SLACK and s + t <= 1 + _SLACK:
                    z = a[2] + s * (b[2] - a[2]) + t * (c[2] - a[2])
                    high[j, i] = max(high[j, i], z)
                    low[j, i] = min(low[j, i], z)
