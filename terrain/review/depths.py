"""Where each element is dug deepest."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from terrain.review.look import WORKED_M

if TYPE_CHECKING:
    from terrain.site import Site


@dataclass(frozen=True)
class Deepest:
    """Greatest depth dug for an element, m, and the lattice node where it is."""

    depth_m: float
    row: int
    column: int


def deepest(site: "Site") -> dict[str, Deepest]:
    """The deepest dig of each element that is dug at all, by the element's name."""
    composition = site.composition
    depth = composition.existing - composition.dig
    spots = {}
    for index, element in enumerate(site.elements):
        own = np.where((composition.owner == index) & np.isfinite(depth), depth, -np.inf)
        row, column = divmod(int(np.argmax(own)), own.shape[1])
        if own[row, column] > WORKED_M:
            spots[element.name] = Deepest(float(own[row, column]), row, column)
    return spots
