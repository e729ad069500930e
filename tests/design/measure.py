"""Volumes of a composed plan over a ground, through the project's own quadrature."""

from collections.abc import Sequence

import numpy as np

from terrain.design import Composed, Element, compose, compose_at
from terrain.earthwork.quadrature import quadrature, steep_cells
from terrain.surface import Lattice, Plane


def asked(
    elements: Sequence[Element],
    ground: Plane,
    bounds: tuple[float, float, float, float],
    cell: float,
) -> tuple[Composed, np.ndarray]:
    """Surfaces and weights over a box."""
    lattice = Lattice.covering(bounds, cell=cell)
    at = compose(lattice, elements, _on(ground, lattice))
    refined = steep_cells((at.existing, at.dig, at.subgrade, at.bed, at.stone, at.finish), cell)
    places = quadrature(lattice, np.isfinite(at.existing), refined)
    xy = np.concatenate([lattice.nodes[places.nodes], places.xy])
    return compose_at(xy, elements, ground), places.weight


def _on(ground: Plane, lattice: Lattice):
    from terrain.surface import Grid

    return Grid(lattice, ground.elevation(lattice.nodes).reshape(lattice.shape))


def dug(elements: Sequence[Element], ground: Plane, half: float, cell: float) -> float:
    """Volume between the ground and the dig within a square of half side `half`."""
    at, weight = asked(elements, ground, (-half, -half, half, half), cell)
    return float(np.sum((at.existing - at.dig) * weight))
