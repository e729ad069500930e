"""Thirty elements on a million nodes: all of them, and one that changed."""

import numpy as np
import pytest
import shapely

from terrain.design.compose import lay, relay
from terrain.surface import Grid, Lattice, Plane
from tests.design.made import elements

pytestmark = pytest.mark.slow
LATTICE = Lattice(0.0, 0.0, 0.1, 1000, 1000)
GROUND = Plane(0.0, shapely.box(0, 0, 99.9, 99.9), east_grade=0.02)


def garden(depth: float = 1.2):
    """Thirty ponds, pits, pools and streams, 5–8 m across, over a hectare."""
    rng = np.random.default_rng(4)
    tables = []
    for row in range(30):
        east, north = 9 + 16 * (row % 6) + rng.uniform(-1, 1), 10 + 19 * (row // 6)
        level = 0.02 * east - 0.2
        angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        radius = rng.uniform(2.5, 4.0) * (1 + 0.15 * np.sin(3 * angle + rng.uniform(0, 6)))
        ring = np.column_stack([east + radius * np.cos(angle), north + radius * np.sin(angle)])
        common = {"name": f"e{row}", "outline": {"points": ring.tolist()}, "level": level,
                  "over_dig": {"side": 0.4, "below": 0.1}}  # fmt: skip
        if row % 3 == 0:
            tables.append(
                common | {"type": "basin", "floor": depth if row == 0 else 1.2,
                          "shelves": [{"depth": 0.3, "width": 0.5}], "rim": {}}
            )  # fmt: skip
        elif row % 3 == 1:
            tables.append(common | {"type": "filter_pit", "depth": 1.0})
        else:
            tables.append(common | {"type": "plunge_pool", "depth": 0.9})
    return elements(*tables, ground=GROUND)


GROUND_GRID = Grid(LATTICE, GROUND.elevation(LATTICE.nodes).reshape(LATTICE.shape))


@pytest.mark.benchmark(group="30 elements, a million nodes")
def test_all_elements(benchmark):
    built = garden()
    lay(LATTICE, built, GROUND_GRID)
    benchmark.pedantic(lay, (LATTICE, built, GROUND_GRID), rounds=5)


@pytest.mark.benchmark(group="30 elements, a million nodes")
def test_one_element_changed(benchmark):
    laid = lay(LATTICE, garden(), GROUND_GRID)
    deeper = (garden(1.5)[0], *laid.elements[1:])
    benchmark.pedantic(relay, (laid, deeper), rounds=5)
    again, whole = relay(laid, deeper).composition, lay(LATTICE, deeper, GROUND_GRID).composition
    for name in ("dig", "subgrade", "finish", "water", "owner", "fill_owner"):
        np.testing.assert_array_equal(getattr(again, name), getattr(whole, name))
    assert np.sum(again.dig) < np.sum(laid.composition.dig)
