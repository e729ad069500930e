"""Scanned rocks: closed bodies of known volume, spoilt on purpose and mended or refused."""

import math

import numpy as np
import pytest

from terrain.design.scans import close_scan, read_scan
from terrain.errors import PlanError
from terrain.units import FOOT, METRE

trimesh = pytest.importorskip("trimesh")


@pytest.fixture
def boulder():
    """A lumpy closed body, off centre."""
    body = trimesh.creation.icosphere(subdivisions=4, radius=0.5)
    points = body.vertices * [1.3, 0.9, 0.7]
    points = points * (1 + 0.1 * np.sin(5 * points[:, :1]) * np.cos(4 * points[:, 1:2]))
    return trimesh.Trimesh(points + np.array([3.0, -2.0, 7.0]), body.faces, process=False)


def close(mesh):
    return close_scan(np.array(mesh.vertices), np.array(mesh.faces), "boulder.ply")


def test_a_box_is_exact():
    scan = close(trimesh.creation.box((0.8, 0.6, 0.4)))
    assert scan.volume_m3 == pytest.approx(0.8 * 0.6 * 0.4, rel=1e-12)
    assert scan.axes == pytest.approx((0.8, 0.6, 0.4))
    assert scan.mended == ()
    levels = np.array([-1.0, 0.0, 0.25, 0.5, 1.0, 2.0])
    assert scan.share_below(levels) == pytest.approx([0, 0, 0.25, 0.5, 1, 1], abs=1e-9)
    assert scan.height_of(0.3) == pytest.approx(0.3)


def test_a_cone_holds_the_cube_of_its_height():
    """Point up, share below t = 1 − (1 − t)³, by similar cones."""
    scan = close(trimesh.creation.cone(radius=0.5, height=1.2, sections=40))
    t = np.linspace(0, 1, 9)
    assert scan.share_below(t) == pytest.approx(1 - (1 - t) ** 3, abs=2e-6)


def test_shares_against_slices_by_trimesh(boulder):
    scan = close(boulder)
    low, high = boulder.bounds[:, 2]
    for t in (0.2, 0.5, 0.85):
        level = low + t * (high - low)
        part = boulder.slice_plane([0, 0, level], [0, 0, -1], cap=False)
        # the cap lies in the plane z = level: cones from a point of that plane leave it out
        corner = part.triangles - [0, 0, level]
        below = np.einsum("ij,ij->i", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])).sum() / 6
        assert scan.share_below(np.array([t]))[0] == pytest.approx(below / boulder.volume, abs=1e-6)
        assert scan.height_of(below / boulder.volume) == pytest.approx(t, abs=1e-5)


def test_volume_is_trimeshs(boulder):
    scan = close(boulder)
    assert scan.volume_m3 == pytest.approx(boulder.volume, rel=1e-9)
    assert scan.points.min(axis=0) == pytest.approx(-scan.points.max(axis=0))


def test_an_ellipsoid_scanned_finely_is_the_ellipsoid():
    ball = trimesh.creation.icosphere(subdivisions=5, radius=0.5)
    ball.apply_scale((1.2, 0.7, 0.5))
    scan = close(ball)
    assert scan.volume_m3 == pytest.approx(math.pi / 6 * 1.2 * 0.7 * 0.5, rel=1e-3)
    t = np.linspace(0, 1, 21)
    assert scan.share_below(t) == pytest.approx(3 * t**2 - 2 * t**3, abs=1e-3)


def test_faces_any_way_round_are_turned_outward(boulder):
    volume = boulder.volume
    faces = boulder.faces.copy()
    spoilt = np.random.default_rng(3).random(len(faces)) < 0.4
    faces[spoilt] = faces[spoilt][:, ::-1]
    for wrong in (faces, boulder.faces[:, ::-1]):
        scan = close(trimesh.Trimesh(boulder.vertices, wrong, process=False))
        assert scan.volume_m3 == pytest.approx(volume, rel=1e-9)
        assert scan.mended == ("faces turned outward",)


def test_small_holes_are_closed_and_said(boulder):
    kept = np.ones(len(boulder.faces), dtype=bool)
    kept[[10, 400]] = False
    scan = close(trimesh.Trimesh(boulder.vertices, boulder.faces[kept], process=False))
    assert scan.volume_m3 == pytest.approx(boulder.volume, rel=1e-6)
    assert scan.mended[0].startswith("2 holes closed (0.")


def test_a_flat_hole_is_closed_exactly():
    box = trimesh.creation.box((1, 1, 1)).subdivide().subdivide().subdivide()
    middle = box.triangles_center
    hole = (middle[:, 2] > 0.49) & (np.abs(middle[:, :2]) < 0.2).all(axis=1)
    assert 4 < hole.sum() < 40
    scan = close(trimesh.Trimesh(box.vertices, box.faces[~hole], process=False))
    assert scan.volume_m3 == pytest.approx(1.0, rel=1e-12)
    assert len(scan.mended) == 1


def test_a_scan_without_its_underside_is_refused(boulder):
    above = boulder.triangles_center[:, 2] > 6.73
    half = trimesh.Trimesh(boulder.vertices, boulder.faces[above], process=False)
    with pytest.raises(PlanError, match=r"boulder.ply is open: its holes \(1\) take \d\d% of"):
        close(half)


def test_crumbs_are_left_out_and_second_rocks_refused(boulder):
    crumb = trimesh.creation.box((0.02, 0.02, 0.02))
    scan = close(trimesh.util.concatenate([boulder, crumb]))
    assert scan.volume_m3 == pytest.approx(boulder.volume, rel=1e-9)
    assert scan.mended[-1].startswith("1 loose piece left out")
    other = boulder.copy()
    other.apply_translation([5, 0, 0])
    with pytest.raises(PlanError, match="holds 2 bodies; the largest makes 50%"):
        close(trimesh.util.concatenate([boulder, other]))


def test_doubled_and_empty_faces_are_dropped(boulder):
    faces = np.concatenate([boulder.faces, boulder.faces[:5], [[3, 3, 9]]])
    scan = close(trimesh.Trimesh(boulder.vertices, faces, process=False))
    assert scan.volume_m3 == pytest.approx(boulder.volume, rel=1e-9)
    assert scan.mended == ("6 faces that lay twice or had no area were dropped",)


def test_a_one_sided_surface_is_refused():
    turn = np.linspace(0, 2 * np.pi, 30, endpoint=False)
    ribs = [
        np.column_stack([
            (1 + s * np.cos(turn / 2)) * np.cos(turn), (1 + s * np.cos(turn / 2)) * np.sin(turn),
            s * np.sin(turn / 2),
        ])
        for s in (-0.3, 0.3)
    ]  # fmt: skip
    faces = []
    for a in range(30):
        b, c, d = a + 30, (a + 1) % 30, (a + 1) % 30 + 30
        if a == 29:  # joined with half a twist
            c, d = d, c
        faces += [[a, c, b], [b, c, d]]
    with pytest.raises(PlanError, match="one-sided"):
        close_scan(np.concatenate(ribs), np.array(faces), "band.ply")


def test_a_fin_is_left_out(boulder):
    fin = [*boulder.edges[0], len(boulder.vertices)]
    points = np.concatenate([boulder.vertices, [[3.6, -2.0, 7.5]]])
    scan = close_scan(points, np.concatenate([boulder.faces, [fin]]), "fin.ply")
    assert scan.volume_m3 == pytest.approx(boulder.volume, rel=1e-9)
    assert "1 loose piece left out" in scan.mended[-1]


def test_a_body_that_touches_itself_along_an_edge_is_refused():
    """Five cubes around a corner: two of them meet in one edge only, shared by four faces."""
    cubes = [(0, 0, 0), (1, 1, 0), (0, 0, 1), (1, 0, 1), (1, 1, 1)]
    boxes = []
    for cube in cubes:
        box = trimesh.creation.box((1, 1, 1))
        box.apply_translation(cube)
        boxes.append(box)
    whole = trimesh.util.concatenate(boxes)
    whole.merge_vertices()
    centre = [tuple(c) for c in whole.triangles_center.round(6)]
    walls = {
        tuple((np.array(a) + np.array(b)) / 2)
        for a in cubes
        for b in cubes
        if np.abs(np.subtract(a, b)).sum() == 1
    }
    inner = [
        any(
            np.abs(np.subtract(c, w)).max() < 0.4 and 0 in np.subtract(c, w).round(6) for w in walls
        )
        for c in centre
    ]
    outer = whole.faces[~np.array(inner)]
    with pytest.raises(PlanError, match=r"1 of its edges do not join two faces"):
        close_scan(np.array(whole.vertices), outer, "steps.ply")


def test_a_flat_sheet_encloses_nothing():
    sheet = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0.0]])
    with pytest.raises(PlanError):
        close_scan(sheet, np.array([[0, 1, 2], [0, 2, 3]]), "sheet.ply")


@pytest.mark.parametrize("suffix", ["ply", "stl", "obj", "off"])
def test_files_are_read_in_the_plans_unit(tmp_path, boulder, suffix):
    path = tmp_path / f"boulder.{suffix}"
    boulder.export(path)
    in_metres, in_feet = read_scan(path, METRE), read_scan(path, FOOT)
    assert in_metres.volume_m3 == pytest.approx(boulder.volume, rel=1e-5)
    assert in_feet.volume_m3 == pytest.approx(boulder.volume * 0.3048**3, rel=1e-5)


def test_unusable_files_are_named(tmp_path):
    with pytest.raises(PlanError, match=r"there is no away.ply"):
        read_scan(tmp_path / "away.ply", METRE)
    (tmp_path / "rock.txt").write_text("rock", encoding="utf-8")
    with pytest.raises(PlanError, match=r"rock.txt is not a mesh that can be read"):
        read_scan(tmp_path / "rock.txt", METRE)
    for suffix in ("ply", "stl", "obj", "off"):
        path = tmp_path / f"noise.{suffix}"
        path.write_bytes(np.random.default_rng(1).bytes(3000))
        with pytest.raises(PlanError, match=f"noise.{suffix}"):
            read_scan(path, METRE)
    cloud = tmp_path / "cloud.ply"
    trimesh.PointCloud(np.random.default_rng(1).random((20, 3))).export(cloud)
    with pytest.raises(PlanError, match=r"cloud.ply"):
        read_scan(cloud, METRE)
