"""A surface given by heights at lattice nodes, bilinear in between."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from terrain.arrays import BoolArray, FloatArray
from terrain.kernels import kernel
from terrain.surface.lattice import Lattice

_EDGE = 1e-9  # in cells: a node on the border belongs to the surface despite rounding


@dataclass(frozen=True)
class Grid:
    """Heights at the nodes of a lattice.

    Attributes
    ----------
    lattice
        The nodes.
    z
        Heights, shape (ny, nx), m; NaN where there is no surface.
    """

    lattice: Lattice
    z: FloatArray

    def elevation(self, xy: FloatArray) -> FloatArray:
        """Bilinear heights at `xy`, shape (n, 2) → (n,), m.

        NaN outside the lattice and in cells that lack one of the four heights they need; on a
        cell's border only the border's own nodes are needed.
        """
        lattice = self.lattice
        column = (xy[:, 0] - lattice.x0) / lattice.cell
        row = (xy[:, 1] - lattice.y0) / lattice.cell
        return _bilinear(self.z, column, row)

    def on_lattice(self, lattice: Lattice) -> "Grid":
        """Bilinear heights at every node of another lattice."""
        return Grid(lattice, self.elevation(lattice.nodes).reshape(lattice.shape))

    @cached_property
    def whole_cells(self) -> BoolArray:
        """Which cells have all four heights, shape (ny - 1, nx - 1)."""
        known = np.isfinite(self.z)
        whole: BoolArray = known[1:, 1:] & known[1:, :-1] & known[:-1, 1:] & known[:-1, :-1]
        return whole

    @cached_property
    def footprint(self) -> shapely.Polygon | shapely.MultiPolygon:
        """Union of the whole cells."""
        lattice, whole = self.lattice, self.whole_cells
        if whole.all():
            return shapely.box(*lattice.bounds)
        edges = np.diff(np.pad(whole, 1).astype(np.int8), axis=1) != 0
        runs = [np.flatnonzero(row).reshape(-1, 2) for row in edges[1:-1]]
        rows = np.repeat(np.arange(len(runs)), [len(run) for run in runs])
        spans = np.concatenate(runs) if runs else np.empty((0, 2), dtype=np.int64)
        x, y = lattice.x, lattice.y
        return shapely.union_all(shapely.box(x[spans[:, 0]], y[rows], x[spans[:, 1]], y[rows + 1]))


@kernel
def _bilinear(z: FloatArray, column: FloatArray, row: FloatArray) -> FloatArray:
    ny, nx = z.shape
    out = np.full(column.size, np.nan)
    for k in range(column.size):
        c, r = column[k], row[k]
        if not (-_EDGE <= c <= nx - 1 + _EDGE and -_EDGE <= r <= ny - 1 + _EDGE):
            continue
        i = min(max(int(c), 0), nx - 2)
        j = min(max(int(r), 0), ny - 2)
        u = min(max(c - i, 0.0), 1.0)
        v = min(max(r - j, 0.0), 1.0)
        height = 0.0
        for dj, di, weight in (
            (0, 0, (1 - u) * (1 - v)),
            (0, 1, u * (1 - v)),
            (1, 0, (1 - u) * v),
            (1, 1, u * v),
        ):
            if weight > _EDGE:
                height += weight * z[j + dj, i + di]
        out[k] = height
    return out
