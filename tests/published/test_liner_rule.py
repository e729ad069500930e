"""The trade's rule for the size of a liner, and what it promises.

Rule: length + 2 × depth + 2 ft by width + 2 × depth + 2 ft, a foot of overlap on each side. Common
practice: pond-keeping pages agree on it, and the four worked sizes below are among theirs.
"""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.design import DesignSurface, liner_sheets
from terrain.earthwork.liner import Hollow, rule_of_thumb
from terrain.earthwork.lining import Roll, line_hollow
from terrain.units import FOOT_M
from tests.design.made import FLAT, elements

ROLL = Roll(6.1, 30.5, 0.15, 0.05, 2.0, 2)


@pytest.mark.parametrize(
    ("length", "width", "depth", "sheet"),
    [
        (8, 10, 2, (16, 14)),
        (14, 19, 3, (27, 22)),
        (8, 5, 1.5, (13, 10)),
        (36, 18, 4, (46, 28)),
    ],
)
@pytest.mark.parametrize("degrees", [0, 33])
def test_worked_sizes_in_feet(length, width, depth, sheet, degrees):
    pond = shapely.box(0, 0, length * FOOT_M, width * FOOT_M)
    found = rule_of_thumb(shapely.affinity.rotate(pond, degrees), depth * FOOT_M, 1 * FOOT_M)
    assert (found.length / FOOT_M, found.width / FOOT_M) == pytest.approx(sheet)


def oval(width, length, degrees):
    angle = np.linspace(0, 2 * math.pi, 40, endpoint=False)
    points = np.column_stack([width / 2 * np.cos(angle), length / 2 * np.sin(angle)])
    return shapely.affinity.rotate(shapely.Polygon(points), degrees)


@given(
    st.booleans(),
    st.floats(2, 12),
    st.floats(2, 12),
    st.integers(0, 89),
    st.floats(0.3, 2.0),
    st.sampled_from([0.0, 0.2, 0.5, 1.0, 2.0]),
    st.floats(0.0, 0.6),
)
@settings(max_examples=30, deadline=None)
def test_a_plain_pond_never_needs_more_than_the_rule(
    is_oval, width, length, degrees, depth, batter, allowance
):
    outline = (
        oval(width, length, degrees)
        if is_oval
        else shapely.affinity.rotate(shapely.box(0, 0, width, length), degrees)
    )
    points = shapely.get_coordinates(outline)[:-1].tolist()
    built = elements(
        {
            "type": "basin", "name": "b", "outline": {"points": points}, "floor": depth,
            "batter": f"{batter}:1", "edge_allowance": allowance,
        }
    )  # fmt: skip
    (sheet,) = liner_sheets(built, FLAT)
    hollow = Hollow(DesignSurface("subgrade", built, FLAT), sheet.outline, sheet.edge)
    lining = line_hollow(hollow, sheet.walls, allowance, ROLL)
    assert lining.need_m2 <= 1.0005 * lining.rule.area
    assert lining.need_m2 > outline.area
