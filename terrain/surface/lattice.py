"""A regular lattice of nodes: where a surface is asked for its height."""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from terrain.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class Lattice:
    """Nodes at `(x0 + column * cell, y0 + row * cell)`, row 0 in the south.

    Attributes
    ----------
    x0, y0
        South-west node, m.
    cell
        Distance between nodes, m.
    nx, ny
        Nodes (not cells) eastward and northward; both at least 2.
    """

    x0: float
    y0: float
    cell: float
    nx: int
    ny: int

    @classmethod
    def covering(cls, bounds: tuple[float, float, float, float], *, cell: float) -> "Lattice":
        """Smallest lattice of whole multiples of `cell` around `(xmin, ymin, xmax, ymax)`."""
        xmin, ymin, xmax, ymax = bounds
        column, row = math.floor(xmin / cell + 1e-9), math.floor(ymin / cell + 1e-9)
        nx = max(1, math.ceil(xmax / cell - 1e-9) - column) + 1
        ny = max(1, math.ceil(ymax / cell - 1e-9) - row) + 1
        return cls(column * cell, row * cell, cell, nx, ny)

    @property
    def shape(self) -> tuple[int, int]:
        """`(ny, nx)`."""
        return self.ny, self.nx

    @cached_property
    def x(self) -> FloatArray:
        """Eastings of the columns, shape (nx,)."""
        return self.x0 + self.cell * np.arange(self.nx, dtype=np.float64)

    @cached_property
    def y(self) -> FloatArray:
        """Northings of the rows, shape (ny,)."""
        return self.y0 + self.cell * np.arange(self.ny, dtype=np.float64)

    @property
    def nodes(self) -> FloatArray:
        """Every node, shape (ny * nx, 2), row by row from the south-west."""
        return np.column_stack([np.tile(self.x, self.ny), np.repeat(self.y, self.nx)])

    def nearest(self, xy: FloatArray) -> tuple[IntArray, IntArray]:
        """Row and column of the nodes nearest to places, shape (n, 2) → (n,) each.

        Of places off the lattice they lie off it too.
        """
        column = np.round((xy[:, 0] - self.x0) / self.cell).astype(np.int64)
        return np.round((xy[:, 1] - self.y0) / self.cell).astype(np.int64), column

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """`(xmin, ymin, xmax, ymax)` of the nodes, m."""
        return (
            self.x0,
            self.y0,
            self.x0 + self.cell * (self.nx - 1),
            self.y0 + self.cell * (self.ny - 1),
        )
