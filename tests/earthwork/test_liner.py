"""Liner area against closed forms of surfaces with slopes and walls."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.design import DesignSurface, liner_sheets
from terrain.earthwork.liner import Hollow, allowance_area, draped_area, mixed_length
from tests.design.made import FLAT, circle, elements, rectangle


def sheets(*tables, **plan):
    built = elements(*tables, **plan)
    surface = DesignSurface("subgrade", built, FLAT)
    return [
        (sheet, draped_area(Hollow(surface, sheet.outline, sheet.edge), sheet.walls))
        for sheet in liner_sheets(built, FLAT)
    ]


def draped(*tables, **plan):
    ((sheet, area),) = sheets(*tables, **plan)
    return area, sheet


def turned(width, length, degrees):
    """A rectangle about the origin."""
    turn = math.radians(degrees)
    corners = np.array([[-width, -length], [width, -length], [width, length], [-width, length]]) / 2
    rotation = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    return {"points": (corners @ rotation).tolist()}


def hipped(width, length, depth, run):
    """Floor, and four faces of one slope: each is its plan area times the slope's factor."""
    floor = (width - 2 * run) * (length - 2 * run)
    return floor + (width * length - floor) * math.hypot(1.0, depth / run)


STEEP = math.hypot(1.0, 0.25)
CASES = [
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
    ({"outline": turned(4, 5, 27), "floor": 1.5, "batter": "vertical"}, 20 + 18 * 1.5),
    (
        {"outline": circle(2), "floor": 1.0, "batter": "0.25:1"},
        math.pi * (1.75**2 + (2 + 1.75) * STEEP),
    ),
    (
        {
            "outline": circle(2), "floor": 1.0, "batter": "0.25:1",
            "layers": [{"name": "gravel", "thickness": 0.2}],
        },
        math.pi * (1.75**2 + (2 + 1.75) * STEEP + 2 * 2 * 0.2),
    ),
    ({"outline": circle(3), "floor": 1.0, "batter": "3:1"}, math.pi * 3 * math.hypot(3, 1)),
    ({"outline": turned(4, 5, 31), "floor": 0.8, "batter": "0.1:1"}, hipped(4, 5, 0.8, 0.08)),
    ({"outline": rectangle(4, 5), "floor": 0.8, "batter": "0.1:1"}, hipped(4, 5, 0.8, 0.08)),
    ({"outline": turned(4, 5, 12), "floor": 0.6, "batter": "0.05:1"}, hipped(4, 5, 0.6, 0.03)),
    ({"outline": turned(6, 4, 45), "floor": 0.7, "batter": "1.5:1"}, hipped(6, 4, 0.7, 1.05)),
    (
        {"outline": circle(20), "floor": 1.5, "batter": "0.5:1",
         "shelves": [{"depth": 0.5, "width": 1.0}]},
        math.pi * (20**2 + 2 * 20 * 0.5 + (19**2 - 18.5**2) * (math.sqrt(5) - 1)),
    ),
]  # fmt: skip


@pytest.mark.parametrize(("table", "area"), CASES)
def test_draped_area_matches_its_closed_form(table, area):
    found, _ = draped({"type": "basin", "name": "b"} | table)
    assert found == pytest.approx(area, rel=0.002)


def test_islands_are_lined_up_to_their_edge():
    found, sheet = draped(
        {
            "type": "basin", "name": "b", "outline": circle(4), "floor": 1.0,
            "batter": "vertical", "islands": [circle(1)],
        }
    )  # fmt: skip
    assert found == pytest.approx(math.pi * (16 - 1 + 2 * (4 + 1) * 1.0), rel=0.002)
    # the allowance lies round the pond and on the island
    ring = math.pi * (4.3**2 - 4**2 + 1 - 0.7**2)
    assert allowance_area(sheet.outline, 0.3) == pytest.approx(ring, rel=0.003)


def test_a_pit_is_lined_down_into_its_trough():
    """Walls of the pit, and of a trough with round ends: their lengths times their heights."""
    found, _ = draped(
        {
            "type": "filter_pit", "name": "p", "outline": rectangle(2, 3), "depth": 1.0,
            "trough": {"path": [[1.0, 0.5], [1.2, 2.5]], "width": 0.4, "depth": 0.15},
        }
    )  # fmt: skip
    around = 2 * math.hypot(0.2, 2.0) + math.pi * 0.4
    assert found == pytest.approx(6 + 10 * 1.0 + around * 0.15, rel=0.002)


def test_a_bowl_is_lined_with_its_cap():
    """Spherical cap: π (R² + D²)."""
    found, _ = draped(
        {"type": "plunge_pool", "name": "b", "outline": circle(2), "depth": 0.8, "shape": "bowl"}
    )
    assert found == pytest.approx(math.pi * (4 + 0.64), rel=0.002)


def test_a_hemisphere_is_lined_with_twice_its_circle():
    """Area 2πR²; the slope has no bound at the edge."""
    found, _ = draped({"type": "plunge_pool", "name": "b", "outline": circle(2), "depth": 2.0})
    assert found == pytest.approx(2 * math.pi * 4, rel=0.002)


STREAM = {
    "type": "stream", "name": "s", "path": [[0, 0], [5, 0], [10, 0]], "width": 2.0, "depth": 0.3,
    "side": "vertical",
}  # fmt: skip


def test_a_stream_is_lined_along_its_slope():
    """Bed 10 × 2 at 1:20, side walls of even height, a wall at both ends."""
    found, _ = draped(STREAM | {"levels": [0.0, -0.25, -0.5]})
    bed = 10 * 2 * math.hypot(1, 0.05)
    assert found == pytest.approx(bed + 0.3 * (2 * 10 + 2 * 2), rel=0.002)


def test_a_fall_in_a_stream_is_lined_over_its_drop():
    with_fall, _ = draped(STREAM | {"levels": [0.0, [0.0, -0.7], -0.7]})
    without, _ = draped(STREAM | {"levels": [0.0, 0.0, 0.0]})
    assert with_fall - without == pytest.approx(2.0 * 0.7, rel=0.005)


def test_a_fall_is_lined_from_its_sill_down_to_its_landing():
    found, sheet = draped(
        {
            "type": "fall", "name": "f", "lip": [[0, 0], [1.5, 0]], "from": "top", "to": "pool",
            "sill": 0.4, "landing": {"reach": 1.0, "depth": 0.3}, "cut_batter": "vertical",
        },
        water={"top": 0.0, "pool": -0.8},
    )  # fmt: skip
    drop = (0.8 + 0.3) * 1.5
    assert found == pytest.approx(0.4 * 1.5 + 1.0 * 1.5 + drop + 0.3 * 3.5, rel=0.002)
    assert sheet.outline.area == pytest.approx(1.4 * 1.5)


def test_depths_from_the_ground_itself_have_the_ground_for_edge():
    ((_, area),) = sheets(
        {
            "type": "shelf", "name": "s", "outline": rectangle(4, 5), "depth": 0.5,
            "below_ground": "pointwise",
        }
    )  # fmt: skip
    assert area == pytest.approx(20 + 18 * 0.5, rel=0.002)


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
    assert found == pytest.approx(24 + walls, rel=0.002)


def test_a_pit_sunk_in_a_pond_adds_its_walls():
    pond = {
        "type": "basin", "name": "pond", "outline": circle(4), "floor": 0.6, "batter": "vertical",
    }  # fmt: skip
    sump = {
        "type": "filter_pit", "name": "sump", "outline": circle(1), "depth": 1.4, "liner": False,
    }  # fmt: skip
    found, sheet = draped(pond, sump)
    assert sheet.elements == ("pond",)
    assert found == pytest.approx(math.pi * (16 + 8 * 0.6 + 2 * 0.8), rel=0.002)


def test_a_stream_ends_where_the_sheet_of_a_pond_begins():
    pond = {
        "type": "basin", "name": "pond", "floor": 1.0, "batter": "vertical", "level": -0.5,
        "outline": {"points": [[8, -3], [14, -3], [14, 3], [8, 3]]},
    }  # fmt: skip
    stream = STREAM | {"levels": [0.0, -0.25, -0.5]}
    (of_pond, _), (of_stream, _) = sheets(pond, stream)
    assert (of_pond.elements, of_stream.elements) == (("pond",), ("s",))
    assert of_pond.outline.area == pytest.approx(36)
    assert of_stream.outline.area == pytest.approx(16)


@given(st.floats(0.05, 3.0), st.integers(0, 179))
@settings(max_examples=15, deadline=None)
def test_a_turned_box_takes_the_same_sheet(depth, degrees):
    table = {"type": "basin", "name": "b", "floor": depth, "batter": "vertical"}
    found, _ = draped(table | {"outline": turned(2, 3, degrees)})
    assert found == pytest.approx(6 + 10 * depth, rel=0.002)


def test_the_allowance_turns_the_corners():
    """A rounded corner each: perimeter × width + π width² in all (Steiner)."""
    box = shapely.box(0, 0, 4, 5)
    assert allowance_area(box, 0.5) == pytest.approx(18 * 0.5 + math.pi * 0.25, rel=0.001)


def test_a_step_may_hold_a_mixture_of_slopes():
    """A third of the step rises 2:1, the rest is level; a wall stands in a level step."""
    assert mixed_length(0.2, 0.0, 0.6, 0.3) == pytest.approx(0.1 * math.hypot(1, 2) + 0.2)
    assert mixed_length(0.9, 0.0, 0.0, 0.3) == pytest.approx(0.3 + 0.9)
    # half as steep as both sides of it: half of the step is level
    assert mixed_length(0.2, 0.4, 0.6, 0.3) == pytest.approx(0.15 + 0.5 * math.hypot(0.3, 0.4))
