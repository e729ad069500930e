"""Spot heights to a TIN beside SciPy's Delaunay, and thinning beside mesh decimation by VTK."""

from time import perf_counter

import numpy as np
import pytest
import pyvista
from scipy.spatial import Delaunay

from terrain.surface import Grid, Lattice, Tin, build_tin
from terrain.surface.thinning import thin_grid

pytestmark = pytest.mark.slow


def least_seconds(work, rounds: int = 3) -> float:
    seconds = []
    for _ in range(rounds):
        began = perf_counter()
        work()
        seconds.append(perf_counter() - began)
    return min(seconds)


def test_a_million_spot_heights(capsys):
    """End to end: merging places, triangulating, trimming; SciPy only triangulates."""
    rng = np.random.default_rng(7)
    points = np.column_stack([rng.uniform(0, 1000, (1_000_000, 2)), rng.normal(0, 1, 1_000_000)])
    build_tin(points[:1000])
    ours = least_seconds(lambda: build_tin(points))
    peer = least_seconds(lambda: Delaunay(points[:, :2]), rounds=2)
    with capsys.disabled():
        print(  # noqa: T201 - the ratio is what this is run for
            f"\n1,000,000 spots to a TIN: terrain {ours:.2f} s, scipy {peer:.2f} s, "
            f"{peer / ours:.1f} times faster"
        )
    untrimmed = build_tin(points, longest_border_m=np.inf)
    assert len(untrimmed.triangles) == len(Delaunay(points[:, :2]).simplices)


def rolling(nx: int, ny: int) -> Grid:
    """Rolling ground with a noise of 10 mm, seeded, every 0.1 m."""
    lattice = Lattice(0.0, 0.0, 0.1, nx, ny)
    x, y = np.meshgrid(lattice.x, lattice.y)
    z = 2 * np.sin(x / 9) * np.cos(y / 7) + 0.3 * np.sin(x / 1.3 + y)
    return Grid(lattice, z + np.random.default_rng(0).normal(0, 0.01, z.shape))


def worst(tin: Tin, grid: Grid) -> float:
    off = np.abs(tin.on_lattice(grid.lattice).z - grid.z)
    return float(np.where(np.isfinite(off), off, np.inf).max())


@pytest.mark.parametrize(("nx", "ny"), [(1000, 1000), (3200, 3125)], ids=["1M", "10M"])
def test_nodes_a_second(nx, ny, capsys):
    thin_grid(rolling(40, 30), tolerance_m=0.03)
    grid = rolling(nx, ny)
    began = perf_counter()
    tin = thin_grid(grid, tolerance_m=0.03)
    seconds = perf_counter() - began
    with capsys.disabled():
        print(  # noqa: T201
            f"\n{grid.z.size:,} nodes within 30 mm: {len(tin.triangles):,} triangles "
            f"in {seconds:.1f} s"
        )
    assert worst(tin, grid) <= 0.03


def fewest_by_vtk(grid: Grid, tolerance: float) -> int:
    """Fewest triangles of VTK's decimation that stay within the tolerance, by halving.

    Nodes of the border that its single precision leaves uncovered are not held against it.
    """
    xyz = np.column_stack([grid.lattice.nodes, grid.z.ravel()])
    full = build_tin(xyz)
    mesh = pyvista.PolyData.from_regular_faces(full.points, full.triangles)
    low, high, fewest = 0.0, 1.0, len(full.triangles)
    for _ in range(14):
        share = (low + high) / 2
        decimated = mesh.decimate_pro(share, preserve_topology=True)
        tin = Tin(
            np.asarray(decimated.points, dtype=np.float64),
            decimated.regular_faces.astype(np.int32),
        )
        if np.nanmax(np.abs(tin.on_lattice(grid.lattice).z - grid.z)) <= tolerance:
            low, fewest = share, len(tin.triangles)
        else:
            high = share
    return fewest


def fewest_by_wider_grid(grid: Grid, tolerance: float) -> int:
    """Triangles of SciPy's triangulation of every k-th node, for the widest k within it."""
    fewest = 0
    for k in range(1, 60):
        columns = np.unique(np.append(np.arange(0, grid.lattice.nx, k), grid.lattice.nx - 1))
        rows = np.unique(np.append(np.arange(0, grid.lattice.ny, k), grid.lattice.ny - 1))
        x, y = np.meshgrid(grid.lattice.x[columns], grid.lattice.y[rows])
        xyz = np.column_stack([x.ravel(), y.ravel(), grid.z[np.ix_(rows, columns)].ravel()])
        triangles = Delaunay(xyz[:, :2]).simplices.astype(np.int32)
        tin = Tin(xyz, triangles)
        if worst(tin, grid) > tolerance:
            break
        fewest = len(triangles)
    return fewest


@pytest.mark.parametrize("kind", ["rolling", "saddle", "cone"])
def test_fewer_triangles_than_decimation_at_the_same_error(kind, capsys):
    grid = rolling(200, 160)
    x, y = np.meshgrid(grid.lattice.x - 10.01, grid.lattice.y - 8.03)
    if kind == "saddle":
        grid = Grid(grid.lattice, x * y / 20)
    elif kind == "cone":
        grid = Grid(grid.lattice, 0.5 * np.hypot(x, y))
    ours = len(thin_grid(grid, tolerance_m=0.03).triangles)
    peer, regular = fewest_by_vtk(grid, 0.03), fewest_by_wider_grid(grid, 0.03)
    with capsys.disabled():
        print(  # noqa: T201
            f"\n{kind}, 32,000 nodes within 30 mm: {ours:,} triangles, "
            f"VTK decimation {peer:,}, every k-th node {regular:,}"
        )
    assert ours <= peer
    assert ours <= regular
