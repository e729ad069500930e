"""A 20 by 15 m pond with two shelves: its liner's area, and the strips to cut for it."""

import math

import numpy as np
import pytest

from terrain.design import DesignSurface, liner_sheets
from terrain.earthwork.liner import Hollow, draped_area
from terrain.earthwork.rolls import Piece, drape, lay_strips
from tests.design.made import FLAT, elements

pytestmark = pytest.mark.slow


def pond():
    angle = np.linspace(0, 2 * math.pi, 60, endpoint=False)
    ring = np.column_stack([10 * np.cos(angle), 7.5 * np.sin(angle)])
    built = elements(
        {
            "type": "basin", "name": "b", "floor": 1.5, "batter": "1:1",
            "outline": {"points": (ring * (1 + 0.1 * np.sin(5 * angle))[:, None]).tolist()},
            "shelves": [
                {"depth": 0.3, "width": 0.5, "riser": "0.25:1"},
                {"depth": 0.6, "width": 0.5, "riser": "0.25:1"},
            ],
        },
        over_dig={"side": 0.4, "below": 0.1},
    )  # fmt: skip
    (sheet,) = liner_sheets(built, FLAT)
    return Hollow(DesignSurface("subgrade", built, FLAT), sheet.outline, sheet.edge), sheet.walls


def cutting_list(hollow: Hollow) -> tuple[Piece, ...]:
    return lay_strips(drape(hollow, 0.3), 6.1, 0.15)


@pytest.mark.benchmark(group="liner of a 20 by 15 m pond")
def test_cutting_list(benchmark):
    hollow, _ = pond()
    cutting_list(hollow)
    pieces = benchmark(cutting_list, hollow)
    assert sum(piece.area for piece in pieces) > hollow.outline.area


@pytest.mark.benchmark(group="liner of a 20 by 15 m pond")
def test_draped_area(benchmark):
    hollow, walls = pond()
    draped_area(hollow, walls)
    assert benchmark(draped_area, hollow, walls) > hollow.outline.area
