"""PLY, OBJ, STL and glTF: what must hold for a file to be whole, which trimesh does not ask."""

import json
import re
import struct
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np

from terrain.arrays import IntArray
from terrain.errors import Place, SurveyError
from terrain.survey.mesh_loading import Facets, load, mesh_bytes, not_a_mesh

_PLY_HEADER = re.compile(
    rb"ply[ \t]*\r?\nformat[ \t]+(ascii|binary_little_endian|binary_big_endian)[ \t][^\n]*\n"
    rb".*?\nend_header[ \t]*\r?\n",
    re.DOTALL,
)
_PLY_FACES = re.compile(rb"\nelement[ \t]+face[ \t]+0*[1-9]")
_OBJ_LINE = re.compile(rb"^[ \t]*([vf])[ \t]+(.*?)(?:[ \t]#.*)?\r?$", re.MULTILINE)
_OBJ_TEXTURE = re.compile(rb"/\S*")
_OBJ_ZERO = re.compile(rb"^f.* -?0+(?: |$)", re.MULTILINE)
_STL_CORNER = re.compile(rb"^[ \t]*vertex(?:[ \t]+[!-~]+){3}[ \t]*\r?$", re.MULTILINE)
_STL_NAME = re.compile(rb"^([ \t]*(?:end)?solid)\b[^\n]*", re.MULTILINE | re.IGNORECASE)
_STL_FACET = re.compile(rb"^[ \t]*facet\b", re.MULTILINE)
_STL_HEAD, _STL_TRIANGLE = 84, 50  # bytes: a title of 80 and the number of triangles; each of them
_GLB_HEAD = 12  # bytes: "glTF", version, length of the whole file


def read_ply(path: Path) -> Facets:
    """Read the corners and faces of a PLY file; colours, normals and the like are passed over.

    Format: Greg Turk, "The PLY Polygon File Format" (1994).

    Raises
    ------
    SurveyError
        The file is not PLY, is cut short, holds points without faces, or is binary and its faces
        are not all of one number of corners.
    """
    raw = mesh_bytes(path)
    header = _PLY_HEADER.match(raw)
    if header is None:
        raise not_a_mesh(path, "it does not begin with a header from 'ply' to 'end_header'")
    if not _PLY_FACES.search(header[0]):
        raise SurveyError(
            "the file holds points and no faces",
            place=Place(path),
            expected="a mesh with faces",
            mend="give the points as a cloud (.las, .laz) or as spot heights (.xyz), or export the "
            "scan as a mesh",
        )
    top, body, lines = header[0].replace(b" texcoord", b" passed_over"), raw[header.end() :], None
    if header[1] == b"ascii":
        _ask_for_line_end(path, raw)
        lines = [line for line in body.splitlines() if line.strip()]
        body = b"\n".join(lines)
        # text may have more digits than the type that its header names
        top = re.sub(rb"\nproperty[ \t]+float(32)?[ \t]", b"\nproperty double ", top)
    found, scene = load(path, top + body, fix_texture=False)
    elements = next(iter(scene.geometry.values())).metadata["_ply_raw"]
    if lines is not None:
        _check_ply_lines(path, lines, elements)
    counts = _ply_corner_counts(path, elements["face"]["data"])
    if counts.min() < 3 or len(found.faces) != (counts - 2).sum():
        raise not_a_mesh(path, "a face has fewer than 3 corners")
    return found


def _check_ply_lines(path: Path, lines: list[bytes], elements: dict[str, Any]) -> None:
    """Each element has its lines, and each of them its words; trimesh takes fewer and more."""
    promised = sum(element["length"] for element in elements.values())
    if len(lines) != promised:
        raise not_a_mesh(
            path, f"it promises {promised:,} lines after its header and has {len(lines):,}"
        )
    for name, element in elements.items():
        own, lines = lines[: element["length"]], lines[element["length"] :]
        kinds = list(element["properties"].values())
        lists = [k for k, kind in enumerate(kinds) if "LIST" in kind]
        for line in own if len(lists) < 2 else ():
            words = line.split()
            more = len(words) - len(kinds)
            sound = more == 0
            if lists:
                listed = words[lists[0] : lists[0] + more + 1]
                sound = listed[:1] == [b"%d" % more]
                sound &= name != "face" or all(word.isdigit() for word in listed)
            if not sound:
                raise not_a_mesh(path, f"{line[:60].decode('latin-1')!r} is not what it promises")


def _ply_corner_counts(path: Path, table: Any) -> IntArray:
    """How many corners each face has, (m,), of what trimesh keeps of the element."""
    names = table if isinstance(table, dict) else table.dtype.names
    name = next((name for name in ("vertex_index", "vertex_indices") if name in names), None)
    if name is None:
        raise not_a_mesh(path, "its faces do not list their corners")
    if isinstance(table, dict):
        return np.array([len(row) for row in table[name]], dtype=np.int64)
    counts: IntArray = table[name]["f0"].astype(np.int64)
    if (counts != table[name]["f1"].shape[1]).any():
        raise not_a_mesh(path, "its faces have different numbers of corners")
    return counts


def read_obj(path: Path) -> Facets:
    """Read the corners and faces of an OBJ file; materials, normals and groups are passed over.

    A face may have any number of corners, counted from the first corner (1, 2, ...), or back from
    the last one (-1, -2, ...) if no corners follow. The format tells no number of faces: where a
    file that was cut off between two of them cannot be told from a whole one, corners without a
    face show it.
    Format: appendix B1 of the Advanced Visualizer manual, Wavefront (1993).

    Raises
    ------
    SurveyError
        A line is not what it should be, or the file is cut short.
    """
    raw = mesh_bytes(path)
    _ask_for_line_end(path, raw)
    raw = raw.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")
    lines = [
        b" ".join([kind, *(_OBJ_TEXTURE.sub(b"", rest) if kind == b"f" else rest).split()])
        for kind, rest in _OBJ_LINE.findall(raw)
    ]
    text = b"\n".join(lines) + b"\n"
    widths = {
        kind: {line.count(b" ") for line in lines if line[:1] == kind} for kind in (b"v", b"f")
    }
    if not text.isascii() or b"\x00" in text:
        raise not_a_mesh(path, "it is a binary file, not text")
    if len(widths[b"v"]) != 1 or min(widths[b"v"]) < 3:
        raise not_a_mesh(path, "its corners do not all have the same 3 or more numbers")
    if widths[b"f"] and min(widths[b"f"]) < 3:
        raise not_a_mesh(path, "a face has fewer than 3 corners")
    if _OBJ_ZERO.search(text):
        raise not_a_mesh(path, "a face names corner 0; the first is 1")
    back = re.search(rb"^f.* -", text, re.MULTILINE)
    if back and back.start() < text.rfind(b"\nv "):
        raise not_a_mesh(path, "its faces count back from corners that others follow")
    return load(path, text, maintain_order=True)[0]


def read_stl(path: Path) -> Facets:
    """Read the triangles of an STL file.

    A binary file is one whose length agrees with its number of triangles, whatever its title says.
    Format: StereoLithography Interface Specification, 3D Systems (1989).

    Raises
    ------
    SurveyError
        The file is not STL, or is cut short.
    """
    raw = mesh_bytes(path)
    promised = int.from_bytes(raw[80:_STL_HEAD], "little")
    if len(raw) < _STL_HEAD or len(raw) != _STL_HEAD + promised * _STL_TRIANGLE:
        words = raw.lower().strip()
        if not words.startswith(b"solid") or b"\x00" in raw[:_STL_HEAD]:
            held = max(len(raw) - _STL_HEAD, 0) // _STL_TRIANGLE
            raise not_a_mesh(
                path, f"it promises {promised:,} triangles and its length is that of {held:,}"
            )
        if not words.rsplit(b"\n", 1)[-1].strip().startswith(b"endsolid"):
            raise not_a_mesh(path, "it does not end with 'endsolid'")
        raw = _STL_NAME.sub(rb"\1", raw)  # a name may hold a word that trimesh looks for
        promised, corners = len(_STL_FACET.findall(words)), len(_STL_CORNER.findall(words))
        if corners != 3 * promised:
            raise not_a_mesh(path, f"{promised:,} facets have {corners:,} corners")
    found, _ = load(path, raw)
    if len(found.faces) != promised:
        raise not_a_mesh(path, f"it has {promised:,} facets and {len(found.faces):,} can be read")
    return found


def read_gltf(path: Path) -> Facets:
    """Read every mesh of a glTF 2.0 scene where its nodes place it, axes as in the file.

    Materials and textures are passed over, so their files may be missing.
    Format: Khronos glTF 2.0 (ISO/IEC 12113).

    Raises
    ------
    SurveyError
        The file is not glTF, is cut short, its buffers are missing, or it holds no faces.
    """
    raw = mesh_bytes(path)
    if path.suffix.lower() == ".glb":
        _check_length(path, raw)
    else:
        raw = _with_plain_names(path, raw)
    return load(path, raw)[0]


def _check_length(path: Path, raw: bytes) -> None:
    if raw[:4] != b"glTF" or len(raw) < _GLB_HEAD:
        raise not_a_mesh(path, f"it begins with {raw[:8]!r}, not with 'glTF'")
    version, length = struct.unpack_from("<II", raw, 4)
    if version != 2:
        raise not_a_mesh(path, f"it is of version {version}, and only 2 is understood")
    if length != len(raw):
        raise not_a_mesh(path, f"it promises {length:,} bytes and has {len(raw):,}")


def _with_plain_names(path: Path, raw: bytes) -> bytes:
    """Return the scene with the names of its buffers as files have them; each must be there."""
    try:
        scene = json.loads(raw)
        buffers = [(buffer, str(buffer.get("uri", ""))) for buffer in scene.get("buffers", [])]
    except (ValueError, AttributeError, TypeError, RecursionError) as error:
        raise not_a_mesh(path, f"it is not the JSON of a scene: {error}") from None
    for buffer, name in buffers:
        if not name.startswith("data:"):
            buffer["uri"] = unquote(name)
            if not _is_file(path.parent / buffer["uri"]):
                raise not_a_mesh(path, f"its buffer {name!r} does not lie beside it")
    return json.dumps(scene).encode()


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name that no file can have
        return False


def _ask_for_line_end(path: Path, raw: bytes) -> None:
    if raw[-1:] not in b"\r\n":
        raise not_a_mesh(path, "it ends within a line (a whole one ends its last line)")
