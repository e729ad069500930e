"""Thinning: every height within the tolerance, the footprint as before, and few triangles."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from terrain.errors import SurfaceError
from terrain.surface import Grid, Lattice, Tin, build_tin, thinning
from terrain.surface.thinning import thin_grid, thin_points, thin_tin


def grid_of(height, nx: int = 81, ny: int = 65, *, x0=0.0, y0=0.0, cell=0.5) -> Grid:
    lattice = Lattice(x0, y0, cell, nx, ny)
    x, y = np.meshgrid(lattice.x - x0, lattice.y - y0)
    return Grid(lattice, height(x, y))


def rough(seed: int):
    rng = np.random.default_rng(seed)
    return lambda x, y: np.sin(x / 3) * np.cos(y / 4) + rng.normal(0, 0.02, x.shape)


def on_whole_cells(grid: Grid) -> np.ndarray:
    """Nodes that belong to a cell with four heights."""
    nodes = np.zeros(grid.z.shape, dtype=bool)
    for dj in (0, 1):
        for di in (0, 1):
            ny, nx = grid.whole_cells.shape
            nodes[dj : dj + ny, di : di + nx] |= grid.whole_cells
    return nodes


def worst_error(tin: Tin, grid: Grid) -> float:
    """Over every node of a whole cell; an uncovered one counts as infinitely wrong."""
    heights = tin.elevation(grid.lattice.nodes).reshape(grid.z.shape)
    off = np.where(np.isfinite(heights), np.abs(heights - grid.z), np.inf)
    return off[on_whole_cells(grid)].max()


def edge_uses(tin: Tin) -> np.ndarray:
    sides = np.stack([tin.triangles, np.roll(tin.triangles, -1, axis=1)], axis=-1).reshape(-1, 2)
    return np.unique(np.sort(sides, axis=1), axis=0, return_counts=True)[1]


def assert_covers_once(tin: Tin, footprint: shapely.Geometry) -> None:
    """No gap and no overlap: areas are positive and add up, and each edge is used once or twice."""
    assert tin.areas.min() > 0
    assert tin.areas.sum() == pytest.approx(footprint.area, rel=1e-9)
    assert tin.footprint.symmetric_difference(footprint).area < 1e-6 * footprint.area
    assert edge_uses(tin).max() <= 2


@pytest.mark.parametrize("tile", [1024, 16])
@pytest.mark.parametrize("tolerance", [0.3, 0.05, 0.004])
@pytest.mark.parametrize("hole", [False, True])
def test_every_node_is_within_the_tolerance(tile, tolerance, hole, monkeypatch):
    monkeypatch.setattr(thinning, "_TILE", tile)
    grid = grid_of(rough(3))
    if hole:
        grid.z[20:34, 30:55] = np.nan
        grid.z[np.hypot(*np.mgrid[-64:1, -80:1]) < 25] = np.nan
        grid.z[40, 10] = grid.z[0, 5] = np.nan
        grid.z[50:53, 60] = np.nan
        grid.z[53, 61] = np.nan
    tin = thin_grid(grid, tolerance_m=tolerance)
    assert worst_error(tin, grid) <= tolerance
    assert_covers_once(tin, grid.footprint)


@given(
    seed=st.integers(0, 2**32 - 1),
    share=st.floats(0.0, 0.6),
    tolerance=st.floats(0.001, 1.0),
    tile=st.sampled_from([4, 7, 1024]),
)
@settings(max_examples=40, deadline=None)
def test_grids_full_of_holes_are_covered_to_the_corner(seed, share, tolerance, tile):
    rng = np.random.default_rng(seed)
    grid = grid_of(lambda x, y: rng.normal(0, 0.5, x.shape), 19, 14, x0=5e5, y0=4e6, cell=0.25)
    grid.z[rng.uniform(size=grid.z.shape) < share**2] = np.nan
    if not grid.whole_cells.any():
        return
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(thinning, "_TILE", tile)
        tin = thin_grid(grid, tolerance_m=tolerance)
    assert worst_error(tin, grid) <= tolerance
    assert tin.areas.sum() == pytest.approx(grid.whole_cells.sum() * 0.25**2, rel=1e-6)
    assert tin.areas.min() > 0
    known = {tuple(p) for p in np.column_stack([grid.lattice.nodes, grid.z.ravel()])}
    assert all(tuple(p) in known for p in tin.points)


def test_tiles_meet_at_the_same_vertices(monkeypatch):
    """Inside the footprint every edge has a triangle on both sides, across tiles too."""
    monkeypatch.setattr(thinning, "_TILE", 16)
    tin = thin_grid(grid_of(rough(8)), tolerance_m=0.03)
    sides = np.stack([tin.triangles, np.roll(tin.triangles, -1, axis=1)], axis=-1).reshape(-1, 2)
    edges, uses = np.unique(np.sort(sides, axis=1), axis=0, return_counts=True)
    ends = tin.points[edges[uses == 1]][:, :, :2]
    on_border = [(ends[:, :, k] == v).all(axis=1) for k, v in ((0, 0), (0, 40), (1, 0), (1, 32))]
    assert np.any(on_border, axis=0).all()


def test_a_plane_takes_two_triangles():
    grid = grid_of(lambda x, y: 100 + 0.3 * x - 0.2 * y, x0=5e5, y0=4e6)
    assert len(thin_grid(grid, tolerance_m=0.001).triangles) == 2
    xyz = np.column_stack([grid.lattice.nodes, grid.z.ravel()])
    assert len(thin_points(xyz, tolerance_m=0.001).triangles) == 2


def test_a_saddle_takes_triangles_as_one_over_the_tolerance():
    """Against the least number there can be.

    On z = xy / c a triangle errs by the longest |Δx Δy| of its edges / 4c; the greatest area of a
    triangle whose edges all have |Δx Δy| ≤ q is q √5 / 2 (H. Pottmann et al. 2000, "On optimal
    triangulations of quadratic surfaces", from memory; a search over triangles finds it too). The
    grid does not hold the best vertices and the border costs more: three times as many may be.
    """
    grid = grid_of(lambda x, y: (x - 20) * (y - 16) / 40, 321, 257, cell=0.125)
    counts = []
    for tolerance in (0.08, 0.02, 0.005):
        least = 40 * 32 / (4 * 40 * tolerance * np.sqrt(5) / 2)
        counts.append(len(thin_grid(grid, tolerance_m=tolerance).triangles))
        assert least < counts[-1] < 3 * least
    assert counts[2] / counts[0] < 1.5 * 16


def test_a_cone_takes_its_rulings():
    """Straight lines run up a cone: triangles along them cost one over the root of the tolerance.

    Around the border, at 16 to 26 m from the apex, a chord over an angle φ falls short of the cone
    by slope · r φ² / 8; the least is one long triangle a chord.
    """
    grid = grid_of(lambda x, y: 0.5 * np.hypot(x - 20.01, y - 16.03), 321, 257, cell=0.125)
    for tolerance in (0.08, 0.02):
        chord = np.sqrt(8 * tolerance / (0.5 * 26))
        count = len(thin_grid(grid, tolerance_m=tolerance).triangles)
        assert count < 4 * 2 * np.pi / chord


def test_a_tolerance_as_large_as_the_relief_leaves_the_corners():
    grid = grid_of(lambda x, y: np.sin(x) * np.sin(y))
    assert len(thin_grid(grid, tolerance_m=3.0).points) == 4


@given(seed=st.integers(0, 2**32 - 1), shift=st.sampled_from([0.0, 1e7]))
@settings(max_examples=30, deadline=None)
def test_every_point_is_within_the_tolerance(seed, shift):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 40, (400, 2)).round(3) + shift
    points = np.column_stack([xy, np.sin(xy[:, 0] / 5) + rng.normal(0, 0.02, 400)])
    full = build_tin(points)
    tin = thin_points(points, tolerance_m=0.05)
    covered = np.isfinite(full.elevation(points[:, :2]))
    off = np.abs(tin.elevation(points[covered, :2]) - points[covered, 2])
    assert off.max() <= 0.05 + 2e-8 * (shift > 0)
    assert len(tin.triangles) < len(full.triangles)
    assert tin.areas.sum() == pytest.approx(full.areas.sum(), rel=1e-9)
    assert tin.areas.min() > 0


def test_breaklines_stay_to_the_last_point_and_soft_lines_do_not():
    rng = np.random.default_rng(2)
    ground = np.column_stack([rng.uniform(0, 30, (800, 2)), np.zeros(800)])
    along = np.linspace(2, 28, 53)
    line = np.column_stack([along, 10 + 0.2 * along, np.zeros(53)])
    points = np.concatenate([ground, line])
    rows = np.arange(800, 853)
    hard = thin_points(points, tolerance_m=0.01, breaklines=[rows])
    soft = thin_points(points, tolerance_m=0.01, soft=[rows])
    edges = np.stack([hard.triangles, np.roll(hard.triangles, -1, axis=1)], axis=-1)
    drawn = {frozenset(map(tuple, hard.points[e][:, :2])) for e in edges.reshape(-1, 2)}
    for a, b in zip(line[:-1, :2], line[1:, :2], strict=True):
        assert frozenset((tuple(a), tuple(b))) in drawn
    kept = {tuple(p) for p in soft.points}
    assert sum(tuple(p) in kept for p in line) < 5


def test_a_wall_keeps_its_edges():
    """Top and toe 1 cm apart in plan and 2 m in height, with level ground on either side."""
    x = np.arange(0, 20.1, 0.5)
    toe = np.column_stack([x, np.full_like(x, 5), np.full_like(x, 0)])
    top = np.column_stack([x, np.full_like(x, 5.01), np.full_like(x, 2)])
    rng = np.random.default_rng(6)
    low = np.column_stack([rng.uniform((0, 0), (20, 4.9), (200, 2)), np.zeros(200)])
    high = np.column_stack([rng.uniform((0, 5.1), (20, 10), (200, 2)), np.full(200, 2.0)])
    points = np.concatenate([toe, top, low, high])
    lines = [np.arange(len(x)), np.arange(len(x)) + len(x)]
    tin = thin_points(points, tolerance_m=0.01, breaklines=lines)
    assert tin.elevation(np.array([[10.2, 4.999], [10.2, 5.011], [10.2, 5.005]])) == pytest.approx(
        [0, 2, 1], abs=1e-6
    )


def test_level_ground_keeps_its_hull_and_no_more():
    xy = np.random.default_rng(0).uniform(0, 9, (300, 2))
    full = build_tin(np.column_stack([xy, np.zeros(300)]), longest_border_m=np.inf)
    tin = thin_tin(full, tolerance_m=0.01)
    assert len(tin.points) == len(ConvexHull(xy).vertices)


@pytest.mark.parametrize("tolerance", [0.0, -1.0, float("nan")])
def test_a_tolerance_must_be_greater_than_nothing(tolerance):
    with pytest.raises(SurfaceError, match="tolerance"):
        thin_grid(grid_of(rough(1)), tolerance_m=tolerance)


def test_a_grid_without_a_whole_cell_is_refused():
    grid = grid_of(rough(1))
    grid.z[::2] = np.nan
    with pytest.raises(SurfaceError, match="no cell"):
        thin_grid(grid, tolerance_m=0.1)
