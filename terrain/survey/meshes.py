"""Scanned meshes as triangles: PLY, OBJ, STL and glTF."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.errors import Place, SurveyError
from terrain.survey.mesh_formats import read_gltf, read_obj, read_ply, read_stl
from terrain.survey.mesh_loading import Facets, not_a_mesh
from terrain.units import METRE, Unit

_READERS: dict[str, Callable[[Path], Facets]] = {
    ".ply": read_ply,
    ".obj": read_obj,
    ".stl": read_stl,
    ".glb": read_gltf,
    ".gltf": read_gltf,
}
ENDINGS = tuple(_READERS)


@dataclass(frozen=True)
class Triangles:
    """Triangles in space, of any shape: they may overhang, and need not join.

    Attributes
    ----------
    xyz
        Corners, shape (n, 3), m, z up; each place once.
    faces
        Rows of `xyz`, shape (m, 3), in the file's sense of turning.
    source
        The file.
    unit
        Unit that the file states; None if its format has no unit.
    crs
        Coordinate system that the file states; None if there is none.
    dropped
        Faces left out because they have no area.
    unused
        Corners left out because no face that stays uses them.
    step_m
        Distance between neighbouring numbers where the coordinates are largest, m, if the file
        holds them in single precision; 0 otherwise. State-plane coordinates in single precision
        have steps of centimetres and more.
    """

    xyz: FloatArray
    faces: Int32Array
    source: Path
    unit: Unit | None
    crs: str | None
    dropped: int = 0
    unused: int = 0
    step_m: float = 0.0


def read_mesh(path: Path, *, unit: Unit, up: Literal["y", "z"] | None = None) -> Triangles:
    """Read a scanned mesh.

    Corners at exactly one place become one. glTF is in metres with y up by its specification
    (section 3.4): `unit` does not apply to it, and east is its x, north its -z, up its y.

    Parameters
    ----------
    path
        .ply, .obj, .stl, .glb or .gltf.
    unit
        Unit of the coordinates of the other formats.
    up
        Axis that points up; by default z, and y for glTF. With "y" every format is turned as
        told above.

    Raises
    ------
    SurveyError
        The file cannot be read to its end, has no faces, or a coordinate is not a finite number.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in _READERS:
        raise SurveyError(
            f"{ending or 'no ending'} is not a mesh",
            place=Place(path),
            expected=f"one of {', '.join(ENDINGS)}",
            mend="export the mesh as PLY",
        )
    is_gltf = ending in (".glb", ".gltf")
    xyz, faces = _READERS[ending](path)
    _check(path, xyz)
    step = _single_precision_step(xyz)
    if up == "y" or (up is None and is_gltf):
        xyz = np.column_stack([xyz[:, 0], -xyz[:, 2], xyz[:, 1]])
    metres = METRE.metres if is_gltf else unit.metres
    first, place = merge_exactly(xyz)
    merged, faces = xyz[first], place[faces]
    sound = _has_area(merged, faces)
    if not sound.any():
        raise not_a_mesh(path, "none of its faces has an area")
    used, rows = _used(len(merged), faces[sound])
    return Triangles(
        xyz=merged[used] * metres,
        faces=rows,
        source=path,
        unit=METRE if is_gltf else None,
        crs=None,
        dropped=int(len(faces) - sound.sum()),
        unused=int(len(merged) - used.sum()),
        step_m=step * metres,
    )


def _check(path: Path, xyz: FloatArray) -> None:
    finite = np.isfinite(xyz).all(axis=1)
    if not finite.all():
        row = int(np.flatnonzero(~finite)[0])
        raise not_a_mesh(path, f"corner {row + 1:,} is at {tuple(xyz[row].tolist())}")


def _single_precision_step(xyz: FloatArray) -> float:
    """Step of single precision at the largest coordinate; 0 if some number is finer than that."""
    largest = np.abs(xyz).max()
    if largest > np.finfo(np.float32).max or (xyz != xyz.astype(np.float32)).any():
        return 0.0
    return float(np.spacing(np.float32(largest)))


def merge_exactly(xyz: FloatArray) -> tuple[IntArray, IntArray]:
    """Rows of the first corner at each place, in the order of the file, and every corner's place.

    Parameters
    ----------
    xyz
        Shape (n, 3), finite.
    """
    order = np.lexsort(xyz.T)  # stable: equal corners stay in the order of the file
    is_new = np.ones(len(xyz), dtype=np.bool_)
    is_new[1:] = (xyz[order[1:]] != xyz[order[:-1]]).any(axis=1)
    firsts = order[is_new]
    first = np.sort(firsts)
    place = np.empty(len(xyz), dtype=np.int64)
    place[order] = np.argsort(np.argsort(firsts))[np.cumsum(is_new) - 1]
    return first, place


def _has_area(xyz: FloatArray, faces: IntArray) -> BoolArray:
    """Which faces are more than a line: height over longest side above rounding, shape (m,)."""
    a, b, c = (xyz[faces[:, k]] for k in range(3))
    doubled = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    longest = np.max([np.square(side).sum(axis=1) for side in (b - a, c - b, a - c)], axis=0)
    sound: BoolArray = doubled > 1e-9 * longest
    return sound


def _used(count: int, faces: IntArray) -> tuple[BoolArray, Int32Array]:
    """Which corners the faces use, and the faces over those alone."""
    used = np.zeros(count, dtype=np.bool_)
    used[faces] = True
    new = np.cumsum(used) - 1
    return used, new[faces].astype(np.int32)
