"""Meshes become ground: as they are, or draped where something overhangs."""

from pathlib import Path

import numpy as np
import pytest
import pyvista as pv
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.errors import SurfaceError
from terrain.surface import Grid, Tin
from terrain.surface.draped import ground_from_triangles
from terrain.survey.meshes import Triangles

FAR = np.array([478_300.0, 4_978_200.0, 0.0])


def as_mesh(xyz, faces):
    faces = np.asarray(faces, dtype=np.int32)
    return Triangles(np.asarray(xyz, dtype=float), faces, Path("scan.ply"), None, None)


def sheet(nx=24, ny=17, *, step=0.25, height=lambda x, y: 0.3 * x - 0.2 * y + 5):
    x, y = np.meshgrid(np.arange(nx) * step, np.arange(ny) * step)
    xyz = np.column_stack([x.ravel(), y.ravel(), height(x, y).ravel()])
    at = np.arange(nx * ny).reshape(ny, nx)
    sw, se, ne, nw = (part.ravel() for part in (at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]))
    faces = np.concatenate([np.column_stack([sw, se, ne]), np.column_stack([sw, ne, nw])])
    return xyz, faces


def joined(*parts):
    xyz = np.concatenate([part[0] for part in parts])
    starts = np.cumsum([0] + [len(part[0]) for part in parts[:-1]])
    return xyz, np.concatenate([part[1] + start for part, start in zip(parts, starts, strict=True)])


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), turn=st.sampled_from(["up", "down", "mixed"]))
def test_a_height_field_stays_itself_whichever_way_its_faces_turn(seed, turn):
    rng = np.random.default_rng(seed)
    xyz, faces = sheet(height=lambda x, y: np.sin(x) + y * y / 9)
    over = {"up": 0.0, "down": 1.1, "mixed": 0.4}[turn]
    faces = np.where(rng.random((len(faces), 1)) < over, faces[:, ::-1], faces)
    ground = ground_from_triangles(as_mesh(xyz + FAR, faces))
    assert ground.is_whole
    assert isinstance(ground.surface, Tin)
    assert ground.turned_over is (turn == "down")
    assert (ground.surface.areas > 0).all()
    assert ground.surface.areas.sum() == pytest.approx(23 * 16 * 0.0625)
    np.testing.assert_allclose(ground.surface.elevation(xyz[:, :2] + FAR[:2]), xyz[:, 2], atol=1e-6)


def test_a_hole_in_the_scan_stays_a_hole():
    xyz, faces = sheet()
    centres = xyz[faces].mean(axis=1)
    kept = faces[np.hypot(centres[:, 0] - 3, centres[:, 1] - 2) > 0.8]
    ground = ground_from_triangles(as_mesh(xyz, kept))
    assert ground.is_whole
    assert np.isnan(ground.surface.elevation(np.array([[3.0, 2.0]])))[0]


def test_a_wall_in_the_mesh_is_left_out_and_both_sides_stay():
    low, high = sheet(5, 5, height=lambda x, y: 0 * x), sheet(5, 5, height=lambda x, y: 0 * x + 2)
    high[0][:, 0] += 1.0
    wall = (
        np.array([[1.0, 0, 0], [1, 1, 0], [1, 1, 2], [1, 0, 2]]),
        np.array([[0, 1, 2], [0, 2, 3]]),
    )
    ground = ground_from_triangles(as_mesh(*joined(low, high, wall)))
    assert ground.is_whole
    z = ground.surface.elevation(np.array([[0.6, 0.5], [1.4, 0.5]]))
    np.testing.assert_allclose(z, [0, 2])


TREE = trimesh.creation.icosphere(subdivisions=3, radius=0.7)
TREE.apply_translation([3, 2, 8])


@pytest.mark.parametrize("keep", ["highest", "lowest"])
@pytest.mark.parametrize("inside_out", [False, True])
def test_under_a_floating_crown_the_ground_is_the_highest_or_lowest_upward_face(keep, inside_out):
    """A plane z = 0.3 x - 0.2 y + 5 and a sphere above it: crown 8 + sqrt(0.49 - d²)."""
    xyz, faces = joined(sheet(48, 34, step=0.125), (TREE.vertices, TREE.faces))
    mesh = as_mesh(xyz, faces[:, ::-1] if inside_out else faces)
    ground = ground_from_triangles(mesh, keep=keep)
    assert not ground.is_whole
    assert isinstance(ground.surface, Grid)
    assert ground.turned_over is inside_out
    # median of two legs of 0.125 and a diagonal of 0.177, and the sphere's smaller edges
    assert 0.05 < ground.cell <= 0.125
    lattice = ground.surface.lattice
    x, y = np.meshgrid(lattice.x, lattice.y)
    plane, off = 0.3 * x - 0.2 * y + 5, np.hypot(x - 3, y - 2)
    clear, under, z = off > 0.71, off < 0.65, ground.surface.z
    inside = (x <= 47 * 0.125) & (y <= 33 * 0.125)
    np.testing.assert_allclose(z[clear & inside], plane[clear & inside], atol=1e-9)
    if keep == "lowest":
        np.testing.assert_allclose(z[under], plane[under], atol=1e-9)
    else:
        crown = 8 + np.sqrt(0.49 - off[under] ** 2)
        np.testing.assert_allclose(z[under], crown, atol=0.02)
    disc = np.pi * 0.7**2 / (47 * 0.125 * 33 * 0.125)
    assert ground.overhang_share == pytest.approx(disc, rel=0.1)


@pytest.mark.parametrize("inside_out", [False, True])
def test_a_solid_block_shows_its_top(inside_out):
    block = trimesh.creation.box(extents=[4, 3, 2])
    mesh = as_mesh(block.vertices + FAR, block.faces[:, ::-1] if inside_out else block.faces)
    ground = ground_from_triangles(mesh, cell=0.5)
    assert not ground.is_whole
    assert (ground.cell, ground.overhang_share) == (0.5, 0.0)
    np.testing.assert_allclose(ground.surface.elevation(FAR[None, :2]), [1.0])


def test_vtk_rays_from_above_meet_the_same_heights():
    boulder = trimesh.creation.icosphere(subdivisions=2, radius=1.3)
    boulder.apply_scale([1, 0.7, 0.5])
    boulder.apply_translation([2.6, 1.9, 5.2])
    xyz, faces = joined(sheet(), (boulder.vertices, boulder.faces))
    ground = ground_from_triangles(as_mesh(xyz, faces), cell=0.2)
    nodes, z = ground.surface.lattice.nodes, ground.surface.z.ravel()
    peer = pv.PolyData.from_regular_faces(xyz, faces)
    seen = np.random.default_rng(1).choice(np.flatnonzero(np.isfinite(z)), 40, replace=False)
    met = 0
    for node in seen:
        x, y = nodes[node] + 1e-7  # beside the edges, where a ray may slip through
        where, _ = peer.ray_trace([x, y, 50], [x, y, -50], first_point=True)
        if len(where):
            met += 1
            assert z[node] == pytest.approx(where[2], abs=1e-4)
    assert met >= 35


def test_a_mesh_on_its_edge_is_refused():
    xyz, faces = sheet(height=lambda x, y: 0 * x)
    with pytest.raises(SurfaceError, match="upright") as caught:
        ground_from_triangles(as_mesh(xyz[:, [0, 2, 1]], faces))
    assert "up" in caught.value.mend
