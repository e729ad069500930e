"""Where to ask the surfaces so that a weighted sum is a volume.

Plain cells are four-corner prisms: their corners carry a quarter of the cell each. Cells that a
wall or a steep riser passes through are asked on a finer raster of middles instead, so that a wall
inside a cell is placed within an eighth of it. One set of places serves every quantity, and so the
quantities balance to rounding.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.surface import Lattice

STEEP = 1.5  # rise over run between a cell's corners from which the cell is refined
SPLIT = 8  # pieces along each side of a refined cell


@dataclass(frozen=True)
class Quadrature:
    """Places and their weights.

    Attributes
    ----------
    nodes
        Rows of the lattice's nodes that carry weight, shape (k,).
    xy
        Places inside refined cells, shape (m, 2), m.
    weight
        Plan area of each node, then of each place, shape (k + m,), m².
    """

    nodes: IntArray
    xy: FloatArray
    weight: FloatArray


def steep_cells(surfaces: Sequence[FloatArray], cell: float) -> BoolArray:
    """Cells in which any of the surfaces (ny, nx) rises by more than `STEEP` × cell."""
    steep = np.zeros((surfaces[0].shape[0] - 1, surfaces[0].shape[1] - 1), dtype=np.bool_)
    for z in surfaces:
        corners = np.stack([z[1:, 1:], z[1:, :-1], z[:-1, 1:], z[:-1, :-1]])
        steep |= np.ptp(corners, axis=0) > STEEP * cell
    return steep


def quadrature(lattice: Lattice, known: BoolArray, refined: BoolArray) -> Quadrature:
    """Weights over every cell whose four corners are known.

    Parameters
    ----------
    known
        Nodes with a ground, shape (ny, nx).
    refined
        Cells to ask on the finer raster, shape (ny − 1, nx − 1).
    """
    whole = known[1:, 1:] & known[1:, :-1] & known[:-1, 1:] & known[:-1, :-1]
    quarter = np.where(whole & ~refined, lattice.cell**2 / 4, 0.0)
    at_nodes = np.zeros(lattice.shape)
    for rows in (slice(None, -1), slice(1, None)):
        for columns in (slice(None, -1), slice(1, None)):
            at_nodes[rows, columns] += quarter
    nodes = np.flatnonzero(at_nodes).astype(np.int64)
    row, column = np.nonzero(whole & refined)
    inside = (np.arange(SPLIT) + 0.5) / SPLIT * lattice.cell
    x = (lattice.x[column][:, None, None] + inside[None, None, :]).repeat(SPLIT, axis=1)
    y = (lattice.y[row][:, None, None] + inside[None, :, None]).repeat(SPLIT, axis=2)
    xy = np.column_stack([x.ravel(), y.ravel()])
    small = np.full(len(xy), (lattice.cell / SPLIT) ** 2)
    return Quadrature(nodes, xy, np.concatenate([at_nodes.ravel()[nodes], small]))
