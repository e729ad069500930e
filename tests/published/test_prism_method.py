"""The prism method against solids, on real terrain and on ground whose volume is known.

`trimesh` measures closed solids by their signed volume, `manifold3d` cuts one solid from another,
VTK (through pyvista) cuts and measures meshes: three libraries that know nothing of earthwork.
"""

from pathlib import Path

import manifold3d
import numpy as np
import pytest
import pyvista as pv
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.arrays import FloatArray
from terrain.earthwork.refinement import tin_volume
from terrain.surface import Tin, build_tin

DATA = Path(__file__).parents[1] / "data"


def hillside() -> Tin:
    """50 × 50 m of a real 1 m elevation model (its README names the package), as triangles."""
    z = np.loadtxt(DATA / "hillside_1m.txt")[::-1]
    x, y = np.meshgrid(np.arange(50.0), np.arange(50.0))
    return build_tin(np.column_stack([x.ravel(), y.ravel(), z.ravel()]))


def graded(ground: Tin, *, seed: int) -> Tin:
    """An irregular surface over the same square that cuts in some places and fills in others."""
    rng = np.random.default_rng(seed)
    xy = np.concatenate([rng.uniform(0, 49, (400, 2)), [[0, 0], [49, 0], [49, 49], [0, 49]]])
    middle = float(np.median(ground.points[:, 2]))
    z = ground.elevation(xy) * 0.6 + 0.4 * middle + np.sin(xy[:, 0] / 5) * 0.7
    return build_tin(np.column_stack([xy, z]), longest_border_m=np.inf)


def under(tin: Tin, floor: float) -> trimesh.Trimesh:
    """The solid between a surface and a level floor below it."""
    n = len(tin.points)
    bottom = np.column_stack([tin.points[:, :2], np.full(n, floor)])
    sides = np.stack([tin.triangles, np.roll(tin.triangles, -1, axis=1)], axis=-1).reshape(-1, 2)
    keys = {tuple(side) for side in sides.tolist()}
    border = np.array([side for side in keys if side[::-1] not in keys])
    a, b = border.T
    faces = [
        tin.triangles,
        tin.triangles[:, ::-1] + n,
        np.column_stack([a + n, b + n, b]),
        np.column_stack([a + n, b, a]),
    ]
    return trimesh.Trimesh(np.concatenate([tin.points, bottom]), np.concatenate(faces))


def manifold(solid: trimesh.Trimesh) -> manifold3d.Manifold:
    mesh = manifold3d.Mesh64(
        vert_properties=np.ascontiguousarray(solid.vertices, dtype=np.float64),
        tri_verts=np.ascontiguousarray(solid.faces, dtype=np.uint64),
    )
    made = manifold3d.Manifold(mesh)
    assert made.status() == manifold3d.Error.NoError
    return made


def net(tin: Tin) -> float:
    """Volume under a triangulated surface, m³: area times mean height of each triangle."""
    return float((tin.areas * tin.points[tin.triangles][:, :, 2].mean(axis=1)).sum())


@pytest.fixture(scope="module")
def ground() -> Tin:
    return hillside()


@pytest.fixture(scope="module")
def plan(ground: Tin) -> Tin:
    return graded(ground, seed=41)


def test_cut_less_fill_is_what_the_solids_differ_by(ground: Tin, plan: Tin):
    """`trimesh` signed volumes of the two closed solids over one floor."""
    floor = min(ground.points[:, 2].min(), plan.points[:, 2].min()) - 5
    before, after = under(ground, floor), under(plan, floor)
    assert before.is_watertight
    assert after.is_watertight
    volume = tin_volume(ground, plan)
    expected = before.volume - after.volume
    assert volume.cut_m3 - volume.fill_m3 == pytest.approx(expected, rel=1e-9)


def test_cut_and_fill_are_the_differences_of_solids(ground: Tin, plan: Tin):
    """What `manifold3d` leaves of one solid when the other is cut from it, within a millionth."""
    floor = min(ground.points[:, 2].min(), plan.points[:, 2].min()) - 5
    before, after = manifold(under(ground, floor)), manifold(under(plan, floor))
    volume = tin_volume(ground, plan)
    assert volume.cut_m3 > 100
    assert volume.fill_m3 > 100
    assert volume.cut_m3 == pytest.approx((before - after).volume(), rel=1e-6)
    assert volume.fill_m3 == pytest.approx((after - before).volume(), rel=1e-6)


def test_above_a_level_as_vtk_clips_and_integrates_it(ground: Tin):
    """VTK clips the terrain at a level and integrates the height over its plan."""
    level = float(np.median(ground.points[:, 2]))
    plane = Tin(
        np.array([[0, 0, level], [49, 0, level], [49, 49, level], [0, 49, level]]),
        np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32),
    )
    faces = np.column_stack([np.full(len(ground.triangles), 3), ground.triangles])
    mesh = pv.PolyData(ground.points - [0, 0, level], faces.ravel())
    above = mesh.clip(normal=(0, 0, 1), origin=(0, 0, 0), invert=False)
    above["height"] = above.points[:, 2].astype(np.float64)
    flat = above.copy()
    flat.points[:, 2] = 0
    expected = float(flat.integrate_data()["height"][0])
    # VTK keeps clipped points in single precision
    assert tin_volume(ground, plane).cut_m3 == pytest.approx(expected, rel=1e-5)


def test_both_surfaces_of_one_plane_differ_by_nothing():
    rng = np.random.default_rng(5)
    corners = np.array([[0, 0], [30, 0], [30, 30], [0, 30]])

    def plane(n: int) -> Tin:
        xy = np.concatenate([rng.uniform(0, 30, (n, 2)), corners])
        z = 100 + 0.2 * xy[:, 0] - 0.1 * xy[:, 1]
        return build_tin(np.column_stack([xy, z]), longest_border_m=np.inf)

    volume = tin_volume(plane(200), plane(300))
    assert volume.cut_m3 == pytest.approx(0, abs=1e-9)
    assert volume.fill_m3 == pytest.approx(0, abs=1e-9)
    assert volume.bound_m3 < 1e-6


def test_swapping_the_surfaces_swaps_cut_and_fill(ground: Tin, plan: Tin):
    there, back = tin_volume(ground, plan), tin_volume(plan, ground)
    assert there.cut_m3 == pytest.approx(back.fill_m3, rel=1e-12)
    assert there.fill_m3 == pytest.approx(back.cut_m3, rel=1e-12)


def test_far_from_the_origin_nothing_is_lost(ground: Tin, plan: Tin):
    """State-plane eastings: the same within what a shift of 7,000 km rounds off."""
    away = np.array([2_000_000.0, 7_000_000.0, 0.0])
    moved = [Tin(tin.points + away, tin.triangles) for tin in (ground, plan)]
    here, there = tin_volume(ground, plan), tin_volume(*moved)
    assert there.cut_m3 == pytest.approx(here.cut_m3, rel=1e-7)
    assert there.fill_m3 == pytest.approx(here.fill_m3, rel=1e-7)


@settings(max_examples=25, deadline=None)
@given(
    at=st.tuples(st.floats(5, 44), st.floats(5, 44)),
    radius=st.floats(1, 20),
    hole=st.floats(0.2, 0.8),
)
def test_the_parts_of_a_split_region_add_up(
    at: tuple[float, float], radius: float, hole: float, ground: Tin, plan: Tin
):
    inside = shapely.Point(at).buffer(radius).difference(shapely.Point(at).buffer(hole * radius))
    inside = inside.intersection(shapely.box(0, 0, 49, 49))
    outside = shapely.box(0, 0, 49, 49).difference(inside)
    whole = tin_volume(ground, plan)
    parts = [tin_volume(ground, plan, region=part) for part in (inside, outside)]
    assert sum(part.cut_m3 for part in parts) == pytest.approx(whole.cut_m3, rel=1e-9)
    assert sum(part.fill_m3 for part in parts) == pytest.approx(whole.fill_m3, rel=1e-9)


def test_a_pyramid_dug_in_a_plane_has_a_third_of_its_box(turned: FloatArray):
    """V = A h / 3, whatever triangles the ground is made of."""
    corners = np.array([[-4, -4], [4, -4], [4, 4], [-4, 4]]) @ turned.T
    rim = np.column_stack([corners, np.zeros(4)])
    frame = np.array([[-30, -30, 0], [30, -30, 0], [30, 30, 0], [-30, 30, 0.0]])
    points = np.concatenate([rim, [[0, 0, -3]], frame])
    edges = [np.array([0, 1, 2, 3, 0])]
    dug = build_tin(points, breaklines=edges, longest_border_m=np.inf)
    rng = np.random.default_rng(9)
    scattered = np.column_stack([rng.uniform(-30, 30, (150, 2)), np.zeros(150)])
    level = build_tin(np.concatenate([scattered, frame]), longest_border_m=np.inf)
    assert tin_volume(level, dug).cut_m3 == pytest.approx(8 * 8 * 3 / 3, rel=1e-12)
    assert tin_volume(level, dug).fill_m3 == pytest.approx(0, abs=1e-12)


@pytest.fixture(params=[0.0, 0.3, 1.1])
def turned(request: pytest.FixtureRequest) -> FloatArray:
    """A turn about the vertical, as a matrix."""
    turn = float(request.param)
    return np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
