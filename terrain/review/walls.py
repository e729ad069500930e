"""Straight walls and edges from a lattice: nodes on a wall or on the survey's edge slide a little.

A wall that runs askew to the lattice is a staircase of one cell. For pictures only, each node on a
steep face moves to the mean of its neighbours on the same edge of that face, never more than
`MOST` of a cell; flat ground and all heights stay as they are.
"""

import numpy as np

from terrain.arrays import BoolArray, FloatArray

STEEP = 2.5
"""Rise over run from which a step between two nodes is a wall."""

MOST = 0.7
"""How far a node may slide, in cells."""

_RING = [(di, dj) for di in (-1, 0, 1) for dj in (-1, 0, 1) if (di, dj) != (0, 0)]


def _shifted(values: FloatArray, di: int, dj: int) -> FloatArray:
    """The neighbour's value at each node; the edge repeats itself."""
    wide = np.pad(values, 1, mode="edge")
    ny, nx = values.shape
    return wide[1 + di : 1 + di + ny, 1 + dj : 1 + dj + nx]


def _on_edge(solid: BoolArray) -> BoolArray:
    """Nodes where the survey ends: some but not all of their four cells are whole."""
    around = np.pad(solid, 1).astype(int)
    count = around[:-1, :-1] + around[:-1, 1:] + around[1:, :-1] + around[1:, 1:]
    return np.asarray((count > 0) & (count < 4))


def straightened(
    x: FloatArray, y: FloatArray, z: FloatArray, solid: BoolArray, *, rounds: int = 6
) -> FloatArray:
    """Positions of the nodes with their staircases smoothed.

    Parameters
    ----------
    x, y
        Node coordinates, (nx,), (ny,), m, evenly spaced.
    z
        Heights without gaps, (ny, nx), m.
    solid
        Cells that lie wholly on the survey, (ny − 1, nx − 1).

    Returns
    -------
    FloatArray
        (ny, nx, 2), m.
    """
    cell = float(x[1] - x[0])
    xx, yy = np.meshgrid(x, y)
    border = _on_edge(solid)
    steps = [_shifted(z, di, dj) - z for di, dj in _RING]
    tall = STEEP * cell
    high = np.maximum.reduce([np.maximum(step, 0) for step in steps])
    deep = np.maximum.reduce([np.maximum(-step, 0) for step in steps])
    wall = (np.maximum(high, deep) > tall) & ~border
    # A node above a drop belongs to the wall's top, one below a rise to its foot, one with both to
    # its face; a node slides along its own kind only.
    kind = np.select([border, wall & (high <= tall), wall & (deep <= tall), wall], [1, 2, 3, 4], 0)
    moves = kind > 0
    same = [
        (_shifted(kind, di, dj) == kind) & (np.abs(step) < 3 * tall)
        for (di, dj), step in zip(_RING, steps, strict=True)
    ]
    share = (
        np.where(border, 1.0, np.clip(2 * np.maximum(high, deep) / tall - 2, 0, 1)) * MOST * cell
    )
    px, py = xx.copy(), yy.copy()
    for _ in range(rounds):
        count = np.ones_like(px)
        sx, sy = px.copy(), py.copy()
        for (di, dj), alike in zip(_RING, same, strict=True):
            count += alike
            sx += np.where(alike, _shifted(px, di, dj), 0)
            sy += np.where(alike, _shifted(py, di, dj), 0)
        px = np.where(moves, np.clip(sx / count, xx - share, xx + share), px)
        py = np.where(moves, np.clip(sy / count, yy - share, yy + share), py)
    return np.stack([px, py], axis=-1)
