"""Closed lows of a surface: how high water can stand in them, and where it runs out."""

import heapq
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import find_objects, label

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.kernels import kernel
from terrain.surface.grid import Grid


@dataclass(frozen=True)
class Flooded:
    """A surface filled with water until it runs over everywhere.

    Attributes
    ----------
    level
        Water level at each node, the surface itself where it is dry; shape (ny, nx), m.
    outlet
        For each node under water the row (in the flattened lattice) of the node over which that
        water runs out; −1 where it is dry. Shape (ny, nx).
    """

    level: FloatArray
    outlet: Int32Array


def flood(grid: Grid) -> Flooded:
    """Fill every hollow to its spill level.

    The lattice's border and the nodes beside unknown heights drain. Nodes are taken in the order
    of their level, beginning at the drains, so each is reached over the lowest saddle
    (priority flood; Barnes, Lehman & Mulla 2014, *Computers & Geosciences* 62).
    """
    level, outlet = _flood(grid.z)
    return Flooded(level, outlet)


@dataclass(frozen=True)
class Low:
    """A closed low: where water gathers and cannot leave below `level`.

    Attributes
    ----------
    level
        At which it runs out, m.
    outlet, deepest
        Easting and northing of the place it runs out over, and of its lowest place, m.
    depth_m, area_m2, volume_m3
        When full.
    nodes
        Which nodes lie in it, rows of the flattened lattice.
    """

    level: float
    outlet: tuple[float, float]
    deepest: tuple[float, float]
    depth_m: float
    area_m2: float
    volume_m3: float
    nodes: Int32Array


def lows(grid: Grid, flooded: Flooded, *, shallowest: float = 0.01) -> tuple[Low, ...]:
    """Every closed low deeper than `shallowest` (m), the largest volume first.

    Each node stands for one cell.
    """
    depth = np.nan_to_num(flooded.level - grid.z)
    under: BoolArray = depth > 0
    labels, _ = label(under, structure=np.ones((3, 3)))
    found = []
    for number, window in enumerate(find_objects(labels), start=1):
        mine = labels[window] == number
        here = np.where(mine, depth[window], 0.0)
        if here.max() < shallowest:
            continue
        row, column = (part.start + k for part, k in zip(window, np.nonzero(mine), strict=True))
        nodes = (row * grid.lattice.nx + column).astype(np.int32)
        deepest = int(nodes[np.argmax(depth.flat[nodes])])
        cell_area = grid.lattice.cell**2
        found.append(
            Low(
                level=float(flooded.level.flat[deepest]),
                outlet=_place(grid, int(flooded.outlet.flat[deepest])),
                deepest=_place(grid, deepest),
                depth_m=float(here.max()),
                area_m2=len(nodes) * cell_area,
                volume_m3=float(here.sum()) * cell_area,
                nodes=nodes,
            )
        )
    return tuple(sorted(found, key=lambda low: -low.volume_m3))


def _place(grid: Grid, node: int) -> tuple[float, float]:
    row, column = divmod(node, grid.lattice.nx)
    return float(grid.lattice.x[column]), float(grid.lattice.y[row])


@kernel
def _flood(z: FloatArray) -> tuple[FloatArray, Int32Array]:
    ny, nx = z.shape
    level = z.copy()
    outlet = np.full((ny, nx), -1, dtype=np.int32)
    reached = np.zeros((ny, nx), dtype=np.bool_)
    front = [(0.0, 0) for _ in range(0)]
    for j in range(ny):
        for i in range(nx):
            if np.isnan(z[j, i]):
                reached[j, i] = True
                continue
            drains = j == 0 or i == 0 or j == ny - 1 or i == nx - 1
            if not drains:
                for dj in range(-1, 2):
                    for di in range(-1, 2):
                        drains = drains or np.isnan(z[j + dj, i + di])
            if drains:
                reached[j, i] = True
                heapq.heappush(front, (z[j, i], j * nx + i))
    while len(front) > 0:
        height, place = heapq.heappop(front)
        j, i = place // nx, place % nx
        for dj in range(-1, 2):
            for di in range(-1, 2):
                a, b = j + dj, i + di
                if a < 0 or b < 0 or a >= ny or b >= nx or reached[a, b]:
                    continue
                reached[a, b] = True
                if z[a, b] < height:
                    level[a, b] = height
                    outlet[a, b] = outlet[j, i] if outlet[j, i] >= 0 else place
                heapq.heappush(front, (level[a, b], a * nx + b))
    return level, outlet
