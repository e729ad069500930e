"""Meshes of every format hold what was written into them, or are refused whole."""

import base64
import json
import struct

import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from terrain.errors import SurveyError, TerrainError
from terrain.survey.meshes import merge_exactly, read_mesh
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

RNG = np.random.default_rng(7)
XYZ = np.float32(np.round(RNG.uniform([0, 0, 100], [30, 20, 104], (12, 3)) * 64) / 64)
FACES = np.array([[0, 1, 2], [2, 1, 3], [4, 5, 6], [6, 7, 8], [0, 4, 9], [9, 10, 11]])
CORNERS = np.sort(XYZ[FACES].astype(float), axis=1)  # what a reader must give back, per face

# --- writers of our own, from the published layouts ----------------------------------------------


def ply_header(form, *, list_types="uchar int", more="", count=6):
    return (
        f"ply\nformat {form} 1.0\ncomment a scan\nelement vertex {len(XYZ)}\nproperty float x\n"
        f"property float y\nproperty float z\n{more}element face {count}\n"
        f"property list {list_types} vertex_indices\nend_header\n"
    ).encode()


def ply_ascii():
    rows = [f"{x:.9g} {y:.9g} {z:.9g}" for x, y, z in XYZ] + [f"3 {a} {b} {c}" for a, b, c in FACES]
    return ply_header("ascii") + "\n".join(rows).encode() + b"\n"


def ply_binary(order, *, name):
    body = XYZ.astype(f"{order}f4").tobytes()
    for face in FACES:
        body += struct.pack("B", 3) + struct.pack(f"{order}3i", *face)
    return ply_header(name) + body


def obj():
    rows = [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in XYZ]
    rows += [f"f {a + 1} {b + 1} {c + 1}" for a, b, c in FACES]
    return ("# a scan\n" + "\n".join(rows) + "\n").encode()


def stl_ascii():
    text = "solid scan\n"
    for face in XYZ[FACES]:
        points = "".join(f"vertex {x:.9g} {y:.9g} {z:.9g}\n" for x, y, z in face)
        text += f"facet normal 0 0 0\nouter loop\n{points}endloop\nendfacet\n"
    return (text + "endsolid scan\n").encode()


def stl_binary():
    body = b"solid but binary".ljust(80) + struct.pack("<I", len(FACES))
    for face in XYZ[FACES]:
        body += struct.pack("<12fH", 0, 0, 0, *face.ravel(), 0)
    return body


def gltf_parts(xyz):
    """JSON of a scene with y up, and its one buffer."""
    y_up = np.column_stack([xyz[:, 0], xyz[:, 2], -xyz[:, 1]]).astype("<f4")
    points, rows = y_up.tobytes(), FACES.astype("<u4").tobytes()
    scene = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {
                "bufferView": 0, "componentType": 5126, "count": len(xyz), "type": "VEC3",
                "min": y_up.min(axis=0).tolist(), "max": y_up.max(axis=0).tolist(),
            },
            {"bufferView": 1, "componentType": 5125, "count": FACES.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(points)},
            {"buffer": 0, "byteOffset": len(points), "byteLength": len(rows)},
        ],
        "buffers": [{"byteLength": len(points) + len(rows)}],
    }  # fmt: skip
    return scene, points + rows


def glb(scene=None, buffer=None):
    if scene is None:
        scene, buffer = gltf_parts(XYZ)
    text = json.dumps(scene).encode()
    text += b" " * (-len(text) % 4)
    chunks = struct.pack("<II", len(text), 0x4E4F534A) + text
    chunks += struct.pack("<II", len(buffer), 0x004E4942) + buffer
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks


def gltf():
    scene, buffer = gltf_parts(XYZ)
    scene["buffers"][0]["uri"] = (
        "data:application/octet-stream;base64," + base64.b64encode(buffer).decode()
    )
    return json.dumps(scene).encode()


WRITTEN = {
    "text.ply": ply_ascii(),
    "little.ply": ply_binary("<", name="binary_little_endian"),
    "big.ply": ply_binary(">", name="binary_big_endian"),
    "scan.obj": obj(),
    "text.stl": stl_ascii(),
    "binary.stl": stl_binary(),
    "scan.glb": glb(),
    "scan.gltf": gltf(),
}


def write(folder, name, content):
    path = folder / name
    path.write_bytes(content)
    return path


def corners(mesh):
    return np.sort(mesh.xyz[mesh.faces], axis=1)


@pytest.mark.parametrize("name", WRITTEN)
def test_every_face_comes_back(tmp_path, name):
    mesh = read_mesh(write(tmp_path, name, WRITTEN[name]), unit=METRE)
    np.testing.assert_array_equal(corners(mesh), CORNERS)
    assert len(mesh.xyz) == len(XYZ)  # corners at one place are one
    assert (mesh.dropped, mesh.unused) == (0, 0)
    assert mesh.source == tmp_path / name
    assert mesh.unit is (METRE if name.endswith(("glb", "gltf")) else None)


@pytest.mark.parametrize("ending", ["ply", "obj", "stl", "glb"])
@pytest.mark.parametrize("text", [False, True])
def test_files_that_trimesh_writes_are_read(tmp_path, ending, text):
    ball = trimesh.creation.icosphere(subdivisions=3, radius=2.5)
    how = {"encoding": "ascii"} if text and ending == "ply" else {}
    kind = "stl_ascii" if text and ending == "stl" else ending
    path = tmp_path / f"ball.{ending}"
    ball.export(path, file_type=kind, **how)
    mesh = read_mesh(path, unit=METRE)
    assert len(mesh.faces) == len(ball.faces)
    assert len(mesh.xyz) == len(ball.vertices)
    read = trimesh.Trimesh(mesh.xyz, mesh.faces, process=False)
    assert read.is_watertight
    assert read.volume == pytest.approx(ball.volume, rel=1e-6)
    np.testing.assert_allclose(np.sort(read.bounds), np.sort(ball.bounds), atol=1e-6)


@pytest.mark.parametrize("unit", [METRE, FOOT, US_SURVEY_FOOT])
@pytest.mark.parametrize("name", WRITTEN)
def test_only_gltf_is_metres_whatever_the_unit(tmp_path, name, unit):
    mesh = read_mesh(write(tmp_path, name, WRITTEN[name]), unit=unit)
    factor = 1 if name.endswith(("glb", "gltf")) else unit.metres
    np.testing.assert_allclose(corners(mesh), CORNERS * factor, rtol=1e-15)


def test_gltf_is_y_up_and_others_z_up_unless_told(tmp_path):
    """glTF 2.0, section 3.4: +Y is up, +Z forward: a step to the north is -Z."""
    scene, _ = gltf_parts(XYZ)
    triangle = np.array([[0, 0, 0], [1, 0, 0], [0, 0, -1]], dtype="<f4")  # origin, east, north
    scene["accessors"][0].update(count=3, min=[0, 0, -1], max=[1, 0, 0])
    scene["accessors"][1]["count"] = 3
    scene["bufferViews"][0]["byteLength"] = 36
    scene["bufferViews"][1].update(byteOffset=36, byteLength=12)
    scene["buffers"][0]["byteLength"] = 48
    scene["nodes"][0]["translation"] = [10, 200, -30]
    content = glb(scene, triangle.tobytes() + np.arange(3, dtype="<u4").tobytes())
    path = write(tmp_path, "step.glb", content)
    east_north_up = [[10, 30, 200], [11, 30, 200], [10, 31, 200]]
    np.testing.assert_array_equal(read_mesh(path, unit=FOOT).xyz, east_north_up)
    as_written = read_mesh(path, unit=FOOT, up="z").xyz
    np.testing.assert_array_equal(as_written, [[10, 200, -30], [11, 200, -30], [10, 200, -31]])
    step = write(tmp_path, "step.obj", b"v 0 7 0\nv 1 7 0\nv 0 7 -1\nf 1 2 3\n")
    np.testing.assert_array_equal(
        read_mesh(step, unit=METRE, up="y").xyz, [[0, 0, 7], [1, 0, 7], [0, 1, 7]]
    )


def test_a_gltf_with_its_buffer_beside_it_and_no_picture(tmp_path):
    scene, buffer = gltf_parts(XYZ)
    scene["buffers"][0]["uri"] = "the%20buffer.bin"
    scene["images"] = [{"uri": "lost.png"}]
    scene["textures"] = [{"source": 0}]
    scene["materials"] = [{"pbrMetallicRoughness": {"baseColorTexture": {"index": 0}}}]
    scene["meshes"][0]["primitives"][0]["material"] = 0
    write(tmp_path, "the buffer.bin", buffer)
    path = write(tmp_path, "scan.gltf", json.dumps(scene).encode())
    np.testing.assert_array_equal(corners(read_mesh(path, unit=METRE)), CORNERS)
    (tmp_path / "the buffer.bin").unlink()
    with pytest.raises(SurveyError, match=r"the%20buffer\.bin"):
        read_mesh(path, unit=METRE)


SQUARES = [(0, 0, 1), (1, 0, 1), (1, 1, 2), (0, 1, 2), (2, 0, 1), (2, 1, 2), (3, 0, 1.1)]


def area_from_above(mesh):
    """Signed, by the shoelace rule: a quad split or turned wrongly changes it."""
    x, y, _ = np.moveaxis(mesh.xyz[mesh.faces], -1, 0)
    return sum(x[:, k] * (y[:, (k + 1) % 3] - y[:, k - 1]) for k in range(3)).sum() / 2


def ply_of_faces(faces):
    """Binary, with an element before the corners, colours, flags and texture coordinates."""
    header = (
        b"ply\r\nformat binary_little_endian 1.0\r\nelement camera 1\r\nproperty list uchar short"
        b" rest\r\nelement vertex 7\r\nproperty double x\r\nproperty double y\r\nproperty double z"
        b"\r\nproperty uchar red\r\nproperty uchar green\r\nproperty uchar blue\r\nelement face %d"
        b"\r\nproperty uchar flags\r\nproperty list uint8 uint16 vertex_index\r\nproperty list"
        b" uint8 float texcoord\r\nend_header\r\n"
    ) % len(faces)
    body = struct.pack("<B3h", 3, 7, 8, 9)
    body += b"".join(struct.pack("<3d3B", *point, 255, 0, 9) for point in SQUARES)
    for rows in faces:
        body += struct.pack(f"<BB{len(rows)}H", 1, len(rows), *rows)
        body += struct.pack(f"<B{2 * len(rows)}f", 2 * len(rows), *[0.5] * 2 * len(rows))
    return header + body


def test_a_ply_with_colours_quads_and_other_elements(tmp_path):
    squares = ply_of_faces([[0, 1, 2, 3], [1, 4, 5, 2]])
    mesh = read_mesh(write(tmp_path, "quads.ply", squares), unit=METRE)
    assert (len(mesh.faces), len(mesh.xyz), mesh.unused) == (4, 6, 1)
    assert area_from_above(mesh) == 2
    triangles = ply_of_faces([[0, 1, 2], [4, 6, 5]])
    mesh = read_mesh(write(tmp_path, "triangles.ply", triangles), unit=METRE)
    assert mesh.xyz[mesh.faces].tolist() == [
        [list(SQUARES[k]) for k in f] for f in ([0, 1, 2], [4, 6, 5])
    ]


@pytest.mark.parametrize("faces", [
    [[0, 1, 2, 3], [4, 6, 5]],
    [[0, 1, 2], [1, 4, 5, 2], [4, 6]],  # as many bytes as three triangles
    [[0, 1, 2, 3], [4, 6, 5], [0, 1, 4, 5, 2]],  # as many bytes as three quads
])  # fmt: skip
def test_a_binary_ply_of_mixed_faces_is_refused_not_misread(tmp_path, faces):
    """Corners in one byte, so that a count taken for a corner would name one that is there."""
    content = b"ply\nformat binary_little_endian 1.0\nelement vertex 7\nproperty double x\nproperty"
    content += b" double y\nproperty double z\nelement face %d\nproperty list uchar uchar" % len(
        faces
    )
    content += b" vertex_indices\nend_header\n" + struct.pack("<21d", *np.ravel(SQUARES))
    content += b"".join(bytes([len(rows), *rows]) for rows in faces)
    with pytest.raises(SurveyError, match="different numbers of corners") as caught:
        read_mesh(write(tmp_path, "mixed.ply", content), unit=METRE)
    assert "triangles only" in caught.value.mend


def test_a_text_ply_of_mixed_faces_and_blank_lines(tmp_path):
    text = "ply\nformat ascii 1.0\nelement vertex 7\nproperty float x\nproperty float y\n"
    text += "property float z\nelement face 3\nproperty list uchar int vertex_indices\nend_header\n"
    text += "".join(f"{x} {y} {z}\n" for x, y, z in SQUARES)
    text += "\n3 4 6 5\n4 0 1 2 3\n5 0 1 4 5 3\n\n"
    mesh = read_mesh(write(tmp_path, "mixed.ply", text.encode()), unit=METRE)
    assert (len(mesh.faces), mesh.dropped) == (5, 1)  # three corners of the last lie in a line
    assert area_from_above(mesh) == 0.5 + 1 + 2


def test_a_text_ply_with_texture_coordinates_and_quality(tmp_path):
    header = b"property list uchar float texcoord\nproperty float quality\nend_header"
    text = WRITTEN["text.ply"].replace(b"end_header", header)
    for a, b, c in FACES:
        text = text.replace(b"\n3 %d %d %d\n" % (a, b, c), b"\n3 %d %d %d 2 .5 1 7.5\n" % (a, b, c))
    mesh = read_mesh(write(tmp_path, "textured.ply", text), unit=METRE)
    np.testing.assert_array_equal(corners(mesh), CORNERS)
    plain = text.replace(b"property list uchar float texcoord\n", b"").replace(b" 2 .5 1", b"")
    mesh = read_mesh(write(tmp_path, "plain.ply", plain), unit=METRE)
    np.testing.assert_array_equal(corners(mesh), CORNERS)


def test_an_obj_with_normals_groups_colours_and_quads(tmp_path):
    text = (
        b"mtllib lost.mtl\r\no scan\nv 0 0 1 0.5 0.5 0.5\n  v 1 0 1 0.5 0.5 0.5\nv 1 1 2 .1 .1 .1\n"
        b"vn 0 0 1\nvt 0 0\nvt 1 0\nusemtl lost\ng part\nf 1//1 2//1 3//1 # first\nusemtl other\n"
        b"v\t0 1 2 1 1 1\nf 1/1/1 3/2/1 4/1/1\nv 2 0 1 1 1 1\nv 2 1 2 1 1 1\nf 2 5 \\\n 6 3\n"
    )
    mesh = read_mesh(write(tmp_path, "scan.obj", text), unit=METRE)
    assert mesh.faces[:2].tolist() == [[0, 1, 2], [0, 2, 3]]
    assert (len(mesh.faces), len(mesh.xyz)) == (4, 6)
    assert area_from_above(mesh) == 2
    five = text.replace(b"f 1/1/1 3/2/1 4/1/1\n", b"") + b"f 1 2 5 6 4\n"
    assert area_from_above(read_mesh(write(tmp_path, "five.obj", five), unit=METRE)) == 0.5 + 1 + 2


def test_an_obj_that_counts_back_is_read_or_refused(tmp_path):
    """-1 is the last corner so far (appendix B1), which is the last of all only at the end."""
    points = b"v 0 0 1\nv 1 0 1\nv 1 1 2\nv 0 1 2\n"
    mesh = read_mesh(write(tmp_path, "a.obj", points + b"f -4 -3 -2\nf 1 3 -1\n"), unit=METRE)
    assert mesh.faces.tolist() == [[0, 1, 2], [0, 2, 3]]
    more = write(tmp_path, "b.obj", points + b"f -4 -3 -2\nv 5 5 5\nf 1 3 5\n")
    with pytest.raises(SurveyError, match="count back"):
        read_mesh(more, unit=METRE)


FINE = [482123.123456789, 5012345.987654321, 101.00000000001]  # no single precision holds these


@pytest.mark.parametrize("kind", ["float", "float32", "double"])
def test_the_digits_of_text_are_kept(tmp_path, kind):
    rows = [FINE, [FINE[0] + 1, FINE[1], 7.0], [FINE[0], FINE[1] + 1, 7.0]]
    points = "\n".join(f"{x!r} {y!r} {z!r}" for x, y, z in rows)
    axes = "".join(f"property {kind} {axis}\n" for axis in "xyz")
    text = f"ply\nformat ascii 1.0\nelement vertex 3\n{axes}element face 1\n"
    text += f"property list uchar int vertex_index\nend_header\n{points}\n3 0 1 2\n"
    obj_text = "v " + points.replace("\n", "\nv ") + "\nf 1 2 3\n"
    stl_text = "solid\nfacet normal 0 0 1\nouter loop\nvertex " + points.replace("\n", "\nvertex ")
    stl_text += "\nendloop\nendfacet\nendsolid\n"
    for name, content in (("a.ply", text), ("a.obj", obj_text), ("a.stl", stl_text)):
        mesh = read_mesh(write(tmp_path, name, content.encode()), unit=METRE)
        assert mesh.xyz.tolist() == rows
        assert mesh.step_m == 0


@pytest.mark.parametrize("order", ["<", ">"])
def test_double_precision_of_binary_ply_is_kept(tmp_path, order):
    rows = [FINE, [FINE[0] + 1, FINE[1], 7.0], [FINE[0], FINE[1] + 1, 7.0]]
    name = "binary_little_endian" if order == "<" else "binary_big_endian"
    header = f"ply\nformat {name} 1.0\nelement vertex 3\nproperty double x\nproperty double y\n"
    header += (
        "property double z\nelement face 1\nproperty list uchar int vertex_index\nend_header\n"
    )
    body = struct.pack(f"{order}9d", *np.ravel(rows)) + struct.pack(f"{order}B3i", 3, 0, 1, 2)
    mesh = read_mesh(write(tmp_path, "a.ply", header.encode() + body), unit=METRE)
    assert mesh.xyz.tolist() == rows


def test_the_solids_of_one_stl_are_all_read(tmp_path):
    more = WRITTEN["text.stl"].replace(b"scan", b"vertex facet \xe4")
    mesh = read_mesh(write(tmp_path, "two.stl", WRITTEN["text.stl"] + more), unit=METRE)
    np.testing.assert_array_equal(corners(mesh), np.concatenate([CORNERS, CORNERS]))


def test_faces_without_area_are_counted_and_left_out(tmp_path):
    text = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nv 2 0 0\nv 1 0 0\nv 9 9 9\n"
    text += b"f 1 2 3\nf 1 2 4\nf 2 5 3\nf 1 1 3\n"
    mesh = read_mesh(write(tmp_path, "thin.obj", text), unit=METRE)
    assert (len(mesh.faces), mesh.dropped, len(mesh.xyz), mesh.unused) == (1, 3, 3, 2)


def test_the_step_of_single_precision_is_told(tmp_path):
    """Single precision has 24 binary digits: between 2**20 and 2**21 its step is 1/8."""
    text = b"v 1048576.5 0 0\nv 1048576 1 0\nv 1048578 5 .25\nf 1 2 3\n"
    assert read_mesh(write(tmp_path, "a.obj", text), unit=METRE).step_m == 0.125
    assert read_mesh(tmp_path / "a.obj", unit=FOOT).step_m == 0.125 * 0.3048
    finer = text.replace(b".25", b".26")
    assert read_mesh(write(tmp_path, "b.obj", finer), unit=METRE).step_m == 0


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(*[st.sampled_from([-1.0, -0.0, 0.0, 0.1, 2e6])] * 3), min_size=1))
def test_merging_keeps_every_place_and_no_place_twice(points):
    xyz = np.array(points)
    first, place = merge_exactly(xyz)
    np.testing.assert_array_equal(xyz[first][place], xyz)
    assert len(first) == len({(x + 0.0, y + 0.0, z + 0.0) for x, y, z in points})
    assert (np.diff(first) > 0).all()


# --- what is refused ------------------------------------------------------------------------------

POINTS = ply_header("ascii", count=0) + b"\n".join(b"%f %f %f" % tuple(p) for p in XYZ) + b"\n"
REFUSED = [
    ("points.ply", POINTS, "points and no faces"),
    ("none.ply", b"", "empty"),
    ("other.ply", b"solid", "header from 'ply'"),
    ("open.ply", b"ply\nformat ascii 1.0\n", "to 'end_header'"),
    ("odd.ply", WRITTEN["text.ply"].replace(b"float y", b"quad y"), "'quad' is not understood"),
    ("far.ply", WRITTEN["text.ply"].replace(b"3 0 1 2", b"3 0 1 99"), "not among the 12"),
    ("less.ply", WRITTEN["text.ply"].replace(b"3 0 1 2", b"3 0 1 -1"), "not among the 12"),
    ("half.ply", WRITTEN["text.ply"].replace(b"3 0 1 2", b"3 0 1 1.5"), "3 0 1 1.5. is not what"),
    ("four.ply", WRITTEN["text.ply"].replace(b"3 2 1 3", b"4 2 1 3"), "4 2 1 3. is not what"),
    ("wide.ply", WRITTEN["text.ply"].replace(b"\n3 0 1 2", b" 7\n3 0 1 2"), "7. is not what"),
    ("late.ply", WRITTEN["text.ply"].replace(b"format", b"comment a\nformat"), "header from"),
    ("pair.ply", ply_of_faces([[0, 1], [1, 2]]), "mesh cannot be read"),
    ("pair2.ply", WRITTEN["text.ply"].replace(b"3 0 1 2", b"2 0 1"), "fewer than 3"),
    ("lines.ply", WRITTEN["text.ply"] + b"3 0 1 2\n", "promises 18 lines.*has 19"),
    ("words.ply", WRITTEN["text.ply"].replace(b"3 0 1 2", b"3 0 x 2"), "not a number"),
    ("more.ply", WRITTEN["little.ply"] + b"\x00", "the bytes its header promises"),
    ("nan.obj", b"v 0 0 nan\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "corner 1 is at"),
    ("nan.stl", WRITTEN["binary.stl"].replace(XYZ[0].tobytes(), b"\xff" * 12), "corner 1 is at"),
    ("none.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\n", "no faces"),
    ("far.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 4\n", "names a corner.*not there"),
    ("back.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -1 -2 -4\n", "names a corner.*not there"),
    ("zero.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 0 1 2\n", "corner 0"),
    ("two.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2\n", "fewer than 3"),
    ("half.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 2.5\n", "not a number"),
    ("uneven.obj", b"v 0 0 0 1\nv 1 0\nv 0 1 0\nf 1 2 3\n", "same 3 or more"),
    ("slash.obj", b"v 0 0 0\nv 1/5 0 0\nv 0 1 0\nf 1 2 3\n", "not a number"),
    ("hash.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 1#5\nf 1 2 3\n", "not a number"),
    ("dirt.obj", b"v 0 0 0\nv 1 0 0\nv 0 1\xff 0\nf 1 2 3\n", "not text"),
    ("few.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\nf 1 2\n", "fewer than 3"),
    ("comma.obj", b"v 0,0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "not a number"),
    ("flat.obj", b"v 0 0 0\nv 1 0 0\nv 2 0 0\nf 1 2 3\n", "none of its faces"),
    ("cut.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nv 1 1 0\nf 1 2 3\nf 2 4", "within a line"),
    ("short.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nv 1 1 0\nf 1 2 3\nf 2 3 1", "within a line"),
    ("short.stl", WRITTEN["text.stl"].replace(b"endsolid scan\n", b""), "endsolid"),
    ("lost.stl", WRITTEN["text.stl"].replace(b"vertex", b"vertx", 1), "6 facets have 17 corners"),
    ("more.stl", WRITTEN["text.stl"].replace(b"0 0 0\n", b"0 0 0 vertex 1 2 3\n", 3), "6 .* and 7"),
    ("shift.stl", WRITTEN["text.stl"].replace(b"\nvertex", b" 1\nvertex", 2), "6 facets have"),
    ("short2.stl", WRITTEN["binary.stl"][:-50], "promises 6 triangles"),
    ("short.glb", WRITTEN["scan.glb"][:-4], "promises"),
    ("one.glb", struct.pack("<4sII", b"glTF", 1, 12), "version 1"),
    ("list.gltf", b"[1, 2]", "JSON"),
    ("buffers.gltf", b'{"buffers": 5}', "JSON"),
    ("web.gltf", b'{"buffers": [{"uri": "https://example.invalid/a.bin"}]}', "lie beside"),
    ("scan.dxf", b"0", "not a mesh"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "content", "match"), REFUSED, ids=[row[0] for row in REFUSED])
def test_what_is_no_whole_mesh_is_refused(tmp_path, name, content, match):
    with pytest.raises(SurveyError, match=match) as caught:
        read_mesh(write(tmp_path, name, content), unit=METRE)
    assert caught.value.place.file == tmp_path / name
    assert caught.value.mend


def test_a_missing_file_and_a_folder(tmp_path):
    with pytest.raises(SurveyError, match="no such file"):
        read_mesh(tmp_path / "none.ply", unit=METRE)
    (tmp_path / "folder.ply").mkdir()
    with pytest.raises(SurveyError, match="folder"):
        read_mesh(tmp_path / "folder.ply", unit=METRE)


@pytest.mark.parametrize("name", WRITTEN)
def test_no_part_of_a_file_passes_for_the_whole(tmp_path, name):
    """Cut anywhere before its last face is complete. OBJ counts nothing: see its reader."""
    whole = WRITTEN[name]
    for end in range(len(whole)):
        part = whole[:end]
        path = write(tmp_path, name, part)
        try:
            mesh = read_mesh(path, unit=METRE)
        except TerrainError:
            continue
        if name == "scan.obj" and len(mesh.faces) < len(FACES):
            assert part.endswith(b"\n")
            assert mesh.unused > 0
            np.testing.assert_array_equal(corners(mesh), CORNERS[: len(mesh.faces)])
            continue
        np.testing.assert_array_equal(corners(mesh), CORNERS)


@pytest.mark.parametrize("name", WRITTEN)
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_flipped_bytes_end_in_a_message_or_in_finite_triangles(tmp_path, name, data):
    content = bytearray(WRITTEN[name])
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path = write(tmp_path, name, bytes(content))
    try:
        mesh = read_mesh(path, unit=METRE)
    except TerrainError:
        return
    assert np.isfinite(mesh.xyz).all()
    assert 0 <= mesh.faces.min() <= mesh.faces.max() < len(mesh.xyz)
