"""Corners and faces of mesh files through trimesh, whole or not at all."""

import io
import logging
import warnings
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import trimesh

from terrain.arrays import FloatArray, IntArray
from terrain.errors import Place, SurveyError
from terrain.survey.opening import cannot_open

logging.getLogger("trimesh").addHandler(logging.NullHandler())  # its complaints become our errors


class Facets(NamedTuple):
    """Corners (n, 3) in the unit and axes of the file, and rows of them (m, 3) by face."""

    xyz: FloatArray
    faces: IntArray


def mesh_bytes(path: Path) -> bytes:
    """Return everything a mesh file holds.

    Raises
    ------
    SurveyError
        There is no such file, it is a folder, or it is empty.
    """
    if path.is_dir():
        raise SurveyError(
            "this is a folder",
            place=Place(path),
            expected="a mesh: .ply, .obj, .stl, .glb or .gltf",
            mend="name a file in it",
        )
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise cannot_open(path, error, "mesh") from None
    if not raw:
        raise not_a_mesh(path, "the file is empty")
    return raw


def not_a_mesh(path: Path, why: str) -> SurveyError:
    """Return the error for a file that is cut short, damaged, or of another kind."""
    return SurveyError(
        f"the mesh cannot be read: {why}",
        place=Place(path),
        expected=f"a whole {path.suffix.lower()} file with corners and faces",
        mend="copy or export the mesh again, with triangles only; nothing of it was used",
    )


def load(path: Path, raw: bytes, **options: Any) -> tuple[Facets, Any]:
    """Return every mesh of `raw` where its nodes place it, and trimesh's scene of them.

    They are not processed, and materials and textures not opened.

    Raises
    ------
    SurveyError
        trimesh cannot read it, it holds no faces, or one names a corner that is not there.
    """
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            warnings.filterwarnings("error", "string or file could not be read")  # NumPy < 2.4
            scene = trimesh.load_scene(
                io.BytesIO(raw),
                file_type=path.suffix.lower()[1:],
                resolver=trimesh.resolvers.FilePathResolver(str(path.absolute())),
                process=False,
                skip_materials=True,
                **options,
            )
            return _placed(scene), scene
    except Exception as error:
        # trimesh meets a broken file with whatever its parsing stumbles over
        raise not_a_mesh(path, _in_words(error)) from error


def _in_words(error: Exception) -> str:
    said = f"{error or type(error).__name__}"[:200]
    if isinstance(error, IndexError):
        return f"it names a corner or a part that is not there ({said})"
    if isinstance(error, KeyError):
        return f"{said} is not understood"
    if "could not be read to its end" in said:  # NumPy, of a text of numbers
        return "something in it is not a number"
    if "unexpected length" in said:  # trimesh, of binary PLY
        return "it has not the bytes its header promises, or faces of different numbers of corners"
    return said


def _placed(scene: Any) -> Facets:
    corners, faces, count = [], [], 0
    for node in scene.graph.nodes_geometry:
        turn, name = scene.graph[node]
        part = scene.geometry[name]
        if not isinstance(part, trimesh.Trimesh) or not len(part.faces):
            continue
        corners.append(np.asarray(part.vertices, dtype=np.float64) @ turn[:3, :3].T + turn[:3, 3])
        rows = np.asarray(part.faces, dtype=np.int64)
        if rows.min() < 0 or rows.max() >= len(part.vertices):
            raise ValueError(f"a face names a corner that is not among the {len(part.vertices):,}")
        faces.append(rows + count)
        count += len(part.vertices)
    if not faces:
        raise ValueError("it holds no faces")
    return Facets(np.concatenate(corners), np.concatenate(faces))
