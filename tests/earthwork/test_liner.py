"""Liner area against closed forms of surfaces with slopes and walls."""

import math

import pytest

from terrain.design import DesignSurface, liner_sheets
from terrain.earthwork import draped_area
from tests.design.made import FLAT, circle, elements, rectangle


def draped(*tables):
    built = elements(*tables)
    (sheet,) = liner_sheets(built)
    surface = DesignSurface("subgrade", built, FLAT)
    return draped_area(surface, sheet.outline, sheet.level, sheet.walls), sheet


@pytest.mark.parametrize(
    ("table", "area"),
    [
        ({"outline": circle(2), "floor": 1.0, "batter": "vertical"}, math.pi * (4 + 2 * 2 * 1.0)),
        (
            {"outline": circle(3), "floor": 1.0, "batter": "1:1"},
            math.pi * (2**2 + (3 + 2) * math.sqrt(2)),
        ),
        (
            {
                "outline": circle(3), "floor": 1.0, "batter": "vertical",
                "shelves": [{"depth": 0.4, "width": 0.6}],
            },
            math.pi * (9 + 2 * 3 * 0.4 + 2 * 2.4 * 0.6),
        ),
        ({"outline": rectangle(4, 5), "floor": 1.5, "batter": "vertical"}, 20 + 18 * 1.5),
        (
            {"outline": circle(2), "floor": 1.0, "batter": "0.25:1"},
            math.pi * (1.75**2 + (2 + 1.75) * math.hypot(1.0, 0.25)),
        ),
        (
            {
                "outline": circle(2), "floor": 1.0, "batter": "0.25:1",
                "layers": [{"name": "gravel", "thickness": 0.2}],
            },
            math.pi * (1.75**2 + (2 + 1.75) * math.hypot(1.0, 0.25) + 2 * 2 * 0.2),
        ),
        (
            {"outline": circle(3), "floor": 1.0, "batter": "3:1"},
            math.pi * 3 * math.hypot(3, 1),
        ),
    ],
)  # fmt: skip
def test_draped_area_matches_its_closed_form(table, area):
    found, _ = draped({"type": "basin", "name": "b"} | table)
    assert found == pytest.approx(area, rel=0.003)


def test_draped_never_exceeds_the_rule_of_thumb():
    """Trade rule: a sheet of (length + 2 depth) × (width + 2 depth) covers a rectangular pond.

    Common practice; equal to the drape along each axis for vertical walls.
    """
    for batter in ("vertical", "0.5:1", "1:1"):
        found, _ = draped(
            {
                "type": "basin", "name": "b", "outline": rectangle(6, 4), "floor": 1.0,
                "batter": batter,
            }
        )  # fmt: skip
        assert found <= (6 + 2) * (4 + 2)


def test_elements_that_touch_at_one_level_share_a_sheet():
    pond = {
        "type": "basin", "name": "pond", "outline": rectangle(4, 4), "floor": 1.0,
        "batter": "vertical", "edge_allowance": 0.3,
    }  # fmt: skip
    ledge = {
        "type": "shelf", "name": "ledge", "depth": 0.4, "edge_allowance": 0.5,
        "outline": {"points": [[4, 0], [6, 0], [6, 4], [4, 4]]},
    }  # fmt: skip
    found, sheet = draped(pond, ledge)
    assert sheet.elements == ("pond", "ledge")
    assert sheet.allowance_m == 0.5
    # plan, outer walls, and the one step between them
    walls = (4 + 4 + 4) * 1.0 + (2 + 4 + 2) * 0.4 + 4 * 0.6
    assert found == pytest.approx(24 + walls, rel=0.003)


def test_a_hemisphere_is_lined_with_twice_its_circle():
    """Area 2πR²; the slope has no bound at the edge, so 3 % is asked of it, not 0.3 %."""
    found, _ = draped({"type": "plunge_pool", "name": "b", "outline": circle(2), "depth": 2.0})
    assert found == pytest.approx(2 * math.pi * 4, rel=0.03)
