"""Ground that nobody here made: published heights and data that packages ship.

Where each file comes from and under which licence is told in `tests/data/README.md`.
"""

from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from chain import run_json
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay

from terrain.arrays import FloatArray
from terrain.earthwork.grid import grid_volume
from terrain.earthwork.prism import prism_volume
from terrain.surface import Grid, Lattice, Plane, Tin, build_tin
from terrain.units import US_SURVEY_FOOT

DATA = Path(__file__).parents[1] / "data"
FOOT = 0.3048


def heights_above(tin: Tin, level: float) -> FloatArray:
    """Corner heights above a level plane, shape (m, 3)."""
    return tin.points[tin.triangles][:, :, 2] - level


def volume_above(tin: Tin, level: float) -> float:
    """Exact volume between triangles and the plane where they are above it.

    Closed form of a triangle cut by a plane: a corner pyramid is A c³ / 3 (c - a)(c - b).
    """
    total = 0.0
    for area, corners in zip(tin.areas, np.sort(heights_above(tin, level)), strict=True):
        low, middle, high = corners
        if low >= 0:
            total += area * corners.mean()
        elif middle >= 0:
            pyramid = -(low**3) / (3 * (middle - low) * (high - low))
            total += area * (corners.mean() + pyramid)
        elif high > 0:
            total += area * high**3 / (3 * (high - low) * (high - middle))
    return total


# --- 52 spot heights -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def davis() -> FloatArray:
    """Davis (1973), Statistics and Data Analysis in Geology: x and y in 50 ft, height in ft."""
    heights = np.loadtxt(DATA / "davis_1973.csv", delimiter=",", skiprows=1)
    assert heights.shape == (52, 3)
    assert heights[:, 2].sum() == 43_008
    return heights


def test_plan_area_and_volumes_of_52_spot_heights(davis: FloatArray):
    """Exact prisms over SciPy's Delaunay triangulation of the same heights, in file units.

    35.99 in plan (hull slivers included), 5095.05 above 690 ft; above and below 800 ft 1461.3048
    and 325.1548.
    """
    tin = build_tin(davis, longest_border_m=np.inf)
    assert tin.areas.sum() == pytest.approx(35.99, abs=1e-9)
    assert tin.footprint.area == pytest.approx(35.99, abs=1e-9)
    assert volume_above(tin, 690.0) == pytest.approx(5095.05, abs=1e-6)
    assert volume_above(tin, 800.0) == pytest.approx(1461.3048, abs=5e-5)
    below = volume_above(tin, 800.0) - (tin.areas * heights_above(tin, 800.0).mean(axis=1)).sum()
    assert below == pytest.approx(325.1548, abs=5e-5)


def test_methods_on_52_spot_heights(davis: FloatArray):
    """Cut and fill to 800 ft in m³: 1461.3048 and 325.1548 × 2,500 ft³, by lattice methods.

    Cells that the border crosses are not counted, so a field well inside is compared with exact
    prisms over the same field.
    """
    xyz = davis * np.array([50 * FOOT, 50 * FOOT, FOOT])
    tin = build_tin(xyz, longest_border_m=np.inf)
    plane = Plane(800 * FOOT, tin.footprint)
    field = shapely.box(20.0, 15.0, 80.0, 75.0)
    exact_cut, exact_fill = exact_in_field(tin, 800 * FOOT, field)
    lattice = Lattice.covering(field.bounds, cell=0.25)
    for volume in (grid_volume, prism_volume):
        answer = volume(tin, plane, lattice, region=field)
        assert answer.cut_m3 == pytest.approx(exact_cut, rel=1e-3)
        assert answer.fill_m3 == pytest.approx(exact_fill, rel=1e-3)
        assert abs(answer.cut_m3 - exact_cut) <= answer.bound_m3
        assert abs(answer.fill_m3 - exact_fill) <= answer.bound_m3


def exact_in_field(tin: Tin, level: float, field: shapely.Polygon) -> tuple[float, float]:
    """Cut and fill to a level inside a field, by clipping every triangle in plan and in height."""
    cut = fill = 0.0
    for corners in tin.points[tin.triangles]:
        plane = np.linalg.solve(
            np.column_stack([corners[:, :2], np.ones(3)]), corners[:, 2] - level
        )
        piece = shapely.Polygon(corners[:, :2]).intersection(field)
        if piece.is_empty or piece.area == 0:
            continue
        grade = np.hypot(*plane[:2])
        if grade < 1e-12:
            halves = [(piece, 1.0)]
        else:
            out, foot = plane[:2] / grade, -plane[2] * plane[:2] / grade**2
            side = np.array([-out[1], out[0]])
            far = [foot - 1e4 * side, foot + 1e4 * side]
            high = shapely.Polygon([*far, far[1] + 1e4 * out, far[0] + 1e4 * out])
            halves = [(piece.intersection(high), 1.0), (piece.difference(high), -1.0)]
        for half, _ in halves:
            if half.area > 0:
                x, y = half.centroid.coords[0]
                volume = half.area * (plane @ [x, y, 1.0])
                cut, fill = cut + max(volume, 0.0), fill + max(-volume, 0.0)
    return cut, fill


# --- a volcano as a grid -------------------------------------------------------------------------


@pytest.fixture(scope="module")
def volcano() -> Grid:
    """87 × 61 nodes, 10 m apart; the file's first row lies in the north."""
    heights = np.loadtxt(DATA / "volcano_10m.txt")
    assert heights.shape == (61, 87)
    assert heights.sum() == 690_907
    return Grid(Lattice(0.0, 0.0, 10.0, 87, 61), np.ascontiguousarray(heights[::-1]))


def test_a_grid_of_nodes_is_not_a_grid_of_cells(volcano: Grid):
    """Bilinear between nodes: 19,049,000 m³ above 94 m over 516,000 m², exactly.

    Nodes taken as the middles of cells would give 19,204,900.
    """
    plane = Plane(94.0, shapely.box(*volcano.lattice.bounds))
    answer = grid_volume(volcano, plane, volcano.lattice)
    assert volcano.footprint.area == 516_000
    assert answer.cut_m3 == pytest.approx(19_049_000, rel=1e-12)
    assert answer.fill_m3 == 0.0
    assert ((volcano.z - 94) * 100).sum() == 19_204_900


def test_prisms_on_a_bilinear_grid(volcano: Grid):
    """Four triangles about the middle of a bilinear cell hold what the cell holds."""
    plane = Plane(94.0, shapely.box(*volcano.lattice.bounds))
    answer = prism_volume(volcano, plane, volcano.lattice)
    assert answer.cut_m3 == pytest.approx(19_049_000, rel=1e-12)


def test_a_finer_lattice_finds_the_same_volume(volcano: Grid):
    """Cells of 5 and 2.5 m divide the nodes' cells; bilinear cells are exact under both."""
    plane = Plane(94.0, shapely.box(*volcano.lattice.bounds))
    for split in (2, 4):
        lattice = Lattice(0.0, 0.0, 10.0 / split, 86 * split + 1, 60 * split + 1)
        assert grid_volume(volcano, plane, lattice).cut_m3 == pytest.approx(19_049_000, rel=1e-12)


# --- a classified cloud --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def cloud() -> tuple[FloatArray, np.ndarray]:
    from terrain.survey.clouds import cloud_chunks

    chunks = list(cloud_chunks(DATA / "ground_and_trees_usft.laz", unit=US_SURVEY_FOOT, size=7000))
    assert len(chunks) == 4
    xyz = np.concatenate([chunk.xyz for chunk in chunks])
    return xyz, np.concatenate([chunk.classification for chunk in chunks])


def test_volume_under_the_ground_points_of_a_cloud(cloud: tuple[FloatArray, np.ndarray]):
    """Exact prisms over SciPy's Delaunay triangulation, in US survey feet.

    Class 2 covers 2242.51 ft² and holds 3022.06 ft³ above 1353 ft; with trees and roofs it would
    be 24,188.
    """
    xyz, classes = cloud
    assert len(xyz) == 25_408
    ground = classes == 2
    assert ground.sum() == 9_808
    foot, level = US_SURVEY_FOOT.metres, 1353 * US_SURVEY_FOOT.metres
    volumes = {}
    for name, keep in (("ground", ground), ("everything", np.ones(len(xyz), dtype=bool))):
        tin = build_tin(xyz[keep], longest_border_m=np.inf)
        volumes[name] = (tin.areas * heights_above(tin, level).mean(axis=1)).sum() / foot**3
        if name == "ground":
            assert tin.areas.sum() / foot**2 == pytest.approx(2242.51, abs=0.005)
            assert volume_above(tin, level) / foot**3 == pytest.approx(3022.06, abs=0.02)
    assert volumes["ground"] == pytest.approx(3022.06, abs=0.02)
    assert volumes["everything"] == pytest.approx(24_188, abs=1)


# --- a made basin in a real hillside -------------------------------------------------------------

WATER = 394.6
FLOOR = 1.5
OUTLINE = np.array([[24.3, 30.2], [31.6, 29.1], [35.2, 35.4], [30.8, 41.0], [23.9, 38.7]])
# shelf 0.4 m deep and 0.8 m wide behind a riser of 0.5:1, then 1.5:1 down to the floor
PROFILE = np.array([[0.0, 0.0], [0.2, 0.4], [1.0, 0.4], [1.0 + 1.5 * 1.1, FLOOR]])


@pytest.fixture(scope="module")
def shots() -> FloatArray:
    """A rover's walk over a 50 × 50 m crop of a 1 m elevation model, in metres from its corner.

    The places are moved by up to 0.2 m (seeded), as a person would not walk a lattice; that also
    makes the triangulation unique.
    """
    heights = np.loadtxt(DATA / "hillside_1m.txt")[::-1]
    assert heights.shape == (50, 50)
    north, east = np.mgrid[0:50, 0:50].astype(np.float64)
    moved = np.random.default_rng(15).uniform(-0.2, 0.2, (2, 50, 50))
    shots = np.stack([east + moved[0], north + moved[1], heights], axis=-1).reshape(-1, 3)
    return np.round(shots, 3)


@pytest.fixture(scope="module")
def hillside(shots: FloatArray, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site folder: a survey and a basin with a shelf, its cut face daylighting at 1:1."""
    folder = tmp_path_factory.mktemp("hillside")
    lines = ["P,N,E,Z,D"]
    lines += [f"{k},{n:.3f},{e:.3f},{z:.3f},GS" for k, (e, n, z) in enumerate(shots, 1)]
    (folder / "rover.csv").write_text("\n".join(lines) + "\n")
    (folder / "site.toml").write_text(
        f"""
[site]
name = "Ridge above two hollows"
unit = "m"
cell = 0.1
ground = "rover"

[[survey]]
name = "rover"
file = "rover.csv"
columns = "PNEZD"

[codes]
GS = "ground"

[water]
pond = {WATER}

[[element]]
type = "basin"
name = "pond"
water = "pond"
outline = {{ points = {OUTLINE.tolist()} }}
shelves = [ {{ depth = 0.4, width = 0.8, riser = "0.5:1" }} ]
floor = {FLOOR}
batter = "1.5:1"
cut_batter = "1:1"
"""
    )
    return folder


@pytest.fixture(scope="module")
def by_scipy(shots: FloatArray) -> float:
    """The dig by SciPy's interpolation of the ground, on middles 0.04 m apart, m³."""
    ground = LinearNDInterpolator(Delaunay(shots[:, :2]), shots[:, 2])
    step = 0.04
    x, y = np.meshgrid(np.arange(15 + step / 2, 45, step), np.arange(20 + step / 2, 49, step))
    pond = shapely.Polygon(OUTLINE)
    away = shapely.distance(pond.exterior, shapely.points(x, y))
    inside = shapely.contains_xy(pond, x, y)
    dig = np.where(inside, WATER - np.interp(away, *PROFILE.T), WATER + away)
    depth = ground(x, y) - dig
    assert (depth[inside] > 0).all()
    border = np.concatenate([depth[0], depth[-1], depth[:, 0], depth[:, -1]])
    assert (border < 0).all()
    return float(np.maximum(depth, 0.0).sum() * step**2)


def test_a_basin_in_a_real_hillside_against_scipy(
    hillside: Path, by_scipy: float, monkeypatch, capsys
):
    """Within 0.1 % by every method, from the plan file on."""
    answer = run_json("volumes", hillside, monkeypatch, capsys)
    assert by_scipy > 300
    assert answer["excavation_bank_m3"] == pytest.approx(by_scipy, rel=1e-3)
    for method in ("grid", "trapezoid", "prism"):
        assert answer["methods"][method]["cut_m3"] == pytest.approx(by_scipy, rel=1e-3), method
        assert answer["methods"][method]["fill_m3"] == pytest.approx(0.0, abs=0.05), method
    assert abs(answer["excavation_bank_m3"] - by_scipy) <= answer["excavation_bank_pm_m3"]


def closed_solid(lattice: Lattice, top: FloatArray, bottom: FloatArray) -> trimesh.Trimesh:
    """Two triangulated sheets over one lattice and the wall around them."""
    count = lattice.nx * lattice.ny
    node = np.arange(count).reshape(lattice.shape)
    sw, se, nw, ne = (
        part.ravel() for part in (node[:-1, :-1], node[:-1, 1:], node[1:, :-1], node[1:, 1:])
    )
    lid = np.concatenate([np.column_stack([sw, se, ne]), np.column_stack([sw, ne, nw])])
    rim = np.concatenate([node[0], node[1:, -1], node[-1, -2::-1], node[-2:0:-1, 0]])
    following = np.roll(rim, -1)
    wall = np.concatenate(
        [
            np.column_stack([rim + count, following + count, following]),
            np.column_stack([rim + count, following, rim]),
        ]
    )
    vertices = np.concatenate([np.column_stack([lattice.nodes, z.ravel()]) for z in (top, bottom)])
    faces = np.concatenate([lid, lid[:, ::-1] + count, wall])
    return trimesh.Trimesh(vertices, faces, process=False)


def test_a_basin_in_a_real_hillside_as_a_closed_solid(
    hillside: Path, by_scipy: float, monkeypatch, capsys
):
    """The signed volume of the dug soil as a watertight mesh, by trimesh; within 0.1 %."""
    from terrain.site import Site

    site = Site.open(hillside)
    composition, whole = site.composition, site.composition.lattice
    east, north = whole.x + site.origin[0], whole.y + site.origin[1]
    columns = np.flatnonzero((east > 15) & (east < 45))
    rows = np.flatnonzero((north > 20) & (north < 49))
    lattice = Lattice(east[columns[0]], north[rows[0]], whole.cell, columns.size, rows.size)
    existing, dig = (z[np.ix_(rows, columns)] for z in (composition.existing, composition.dig))
    solid = closed_solid(lattice, existing, dig)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert solid.volume == pytest.approx(by_scipy, rel=1e-3)
    answer = run_json("volumes", hillside, monkeypatch, capsys)
    assert answer["excavation_bank_m3"] == pytest.approx(solid.volume, rel=1e-3)
