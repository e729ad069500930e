"""Elements against their closed forms (0.2 % at a 5 cm cell), and the rule of banks."""

import math

import numpy as np
import pytest
import shapely

from terrain.design import compose_at
from terrain.design.edges import Stretch, cut_into_banks, grow, read_edge
from terrain.design.profiles import polyline_profile
from terrain.errors import PlanError
from terrain.surface import Plane
from tests.design.made import FLAT, circle, elements, rectangle
from tests.design.measure import asked, dug

CELL = 0.05
CLOSE = 2e-3


def frustum(top: float, bottom: float, depth: float) -> float:
    return math.pi * depth / 3 * (top**2 + top * bottom + bottom**2)


def basin(outline, **keys):
    return {"type": "basin", "name": "b", "outline": outline} | keys


CASES = {
    "cylinder": (basin(circle(2), floor=1.5, batter="vertical"), math.pi * 4 * 1.5),
    "frustum": (basin(circle(3), floor=1.0, batter="1.5:1"), frustum(3, 1.5, 1)),
    "stepped circle": (
        basin(
            circle(3),
            shelves=[{"depth": 0.3, "width": 0.5}, {"depth": 0.7, "width": 0.6}],
            floor=1.2,
            batter="vertical",
        ),
        math.pi * (9 * 0.3 + 2.5**2 * 0.4 + 1.9**2 * 0.5),
    ),
    "spherical bowl": (
        {"type": "plunge_pool", "name": "b", "outline": circle(2), "depth": 0.8},
        math.pi * 0.8 / 6 * (3 * 4 + 0.8**2),
    ),
    "hemisphere": (
        {"type": "plunge_pool", "name": "b", "outline": circle(2), "depth": 2.0},
        2 / 3 * math.pi * 8,
    ),
    "over-dug cylinder": (
        basin(circle(2), floor=1.5, batter="vertical", over_dig={"side": 0.5, "below": 0.2}),
        math.pi * 2.5**2 * 1.7,
    ),
    "layers lower the dig": (
        basin(
            circle(2), floor=1.5, batter="vertical",
            layers=[{"name": "sand", "thickness": 0.05}, {"name": "gravel", "thickness": 0.1}],
        ),
        math.pi * 4 * 1.65,
    ),
    "filter pit with a trough": (
        {
            "type": "filter_pit", "name": "b", "outline": rectangle(3, 4), "depth": 1.2,
            "trough": {"path": [[0.5, 0.5], [0.5, 3.5]], "width": 0.4, "depth": 0.3},
        },
        3 * 4 * 1.2 + 0.3 * (3 * 0.4 + math.pi * 0.2**2),
    ),
    "shelf with a riser": (
        {"type": "shelf", "name": "b", "outline": rectangle(4, 3), "depth": 0.4, "riser": "0.5:1"},
        0.4 * (4 * 3 + 3.6 * 2.6 + 4 * 3.8 * 2.8) / 6,
    ),
    "V-stream": (
        {
            "type": "stream", "name": "b", "path": [[-4, 0], [4, 0]], "levels": [0, 0],
            "width": 1.6, "depth": 0.4, "side": "2:1",
        },
        8 * 1.6 * 0.4 / 2,
    ),
    "trapezoidal stream, over-dug": (
        {
            "type": "stream", "name": "b", "path": [[-4, -1], [3, 2]], "levels": [0, 0],
            "width": 2.0, "depth": 0.3, "side": "1:1", "over_dig": {"side": 0.25, "below": 0.1},
            "layers": [{"name": "gravel", "thickness": 0.1}],
        },
        # bed as it will look, moved out by 0.25 on each side, and 0.2 m lower all over
        math.hypot(7, 3) * ((2.5 + 1.9) / 2 * 0.3 + 2.5 * 0.2),
    ),
    "trench": (
        {"type": "trench", "name": "b", "path": [[-3, 0], [3, 1]], "width": 0.4, "depth": 0.9},
        math.hypot(6, 1) * 0.4 * 1.0,
    ),
    "vault": (
        {
            "type": "vault", "name": "b", "outline": circle(0.6), "depth": 1.0, "base": 0.15,
            "surround": 0.3, "below_ground": "pointwise",
        },
        math.pi * 0.9**2 * 1.15,
    ),
    "pad cut into a bank": (
        {
            "type": "pad", "name": "b", "outline": rectangle(4, 3), "level": -0.5,
            "cut_batter": "vertical",
        },
        4 * 3 * 0.5,
    ),
    "shelf that deepens": (
        {
            "type": "shelf", "name": "b", "outline": rectangle(4, 3), "depth": 0.2,
            "slope": {"from": [0, 0], "to": [4, 0], "depth": 0.6},
        },
        4 * 3 * 0.4,
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_dig_matches_its_closed_form(case):
    table, volume = CASES[case]
    assert dug(elements(table), FLAT, 6, CELL) == pytest.approx(volume, rel=CLOSE)


def test_an_island_stays():
    ring = shapely.Point(0, 0).buffer(3, quad_segs=64)
    island = shapely.Point(0, 0).buffer(1, quad_segs=64)
    outline = shapely.Polygon(ring.exterior.coords, [island.exterior.coords])
    edge = cut_into_banks(outline, [])
    profile = polyline_profile([(0, 0), (0, 0.5), (0.5, 0.5), (0.5, 1.0)])
    read = read_edge(np.array([[0.0, 0.0], [1.2, 0], [2.0, 0], [2.9, 0]]), edge, [profile])
    assert read.inside.tolist() == [False, True, True, True]
    assert read.depth == pytest.approx([0, 0.5, 1.0, 0.5])


def test_unequal_banks_make_hipped_corners():
    """Depth is the minimum over banks, so a corner is where two faces meet (DESIGN's rule)."""
    (pond,) = elements(
        basin(
            rectangle(10, 20), floor=2.0, batter="2:1",
            banks=[{"from": [10, 20], "to": [0, 20], "batter": "4:1"}],
        )
    )  # fmt: skip
    xy = np.array([[1.0, 18.0], [2.0, 18.0], [1.0, 16.0], [5, 19], [5, 1], [5, 10]])
    at = compose_at(xy, [pond], FLAT)
    assert -at.finish == pytest.approx([0.5, 0.5, 0.5, 0.25, 0.5, 2.0])


def test_a_bank_is_the_shorter_way_round_however_it_is_given():
    corners = [(0, 0), (10, 0), (10, 20), (0, 20)]
    ends = [(10.0, 20.0), (0.0, 20.0)]
    for ring in (corners, corners[::-1]):
        for start, end in (ends, ends[::-1]):
            edge = cut_into_banks(shapely.Polygon(ring), [Stretch(start, end)])
            north = edge.pieces[edge.bank == 1]
            assert np.abs(north[:, [1, 3]] - 20).max() == 0
            assert np.hypot(*(north[:, 2:] - north[:, :2]).T).sum() == pytest.approx(10)


def test_a_grown_edge_keeps_its_bank():
    outline = shapely.box(0, 0, 10, 20)
    edge = cut_into_banks(outline, [Stretch((10, 20), (0, 20))])
    grown, new = grow(outline, edge, [0.5, 0.5])
    assert grown.area == pytest.approx(11 * 21)
    north = new.pieces[new.bank == 1]
    assert np.abs(north[:, [1, 3]] - 20.5).max() < 1e-9


def test_cut_rises_at_its_batter_until_daylight():
    """A cylinder 1 m into flat ground with water 0.5 m down: above the water a 1:1 cone."""
    table = basin(circle(2), floor=1.0, batter="vertical", cut_batter="1:1") | {"level": -0.5}
    volume = math.pi * 4 * 1.0 + frustum(2.5, 2.0, 0.5)
    assert dug(elements(table), FLAT, 6, CELL) == pytest.approx(volume, rel=CLOSE)


def test_a_rim_raises_low_ground_to_the_freeboard():
    """Flat ground 0.3 m under the crest: a ring of known section (crest 0.5 m, batter 2:1)."""
    table = basin(
        circle(3), floor=1.0, batter="vertical", freeboard=0.2, cut_batter="vertical",
        rim={"crest": 0.5, "batter": "2:1"}, water="pond",
    )  # fmt: skip
    pond = elements(table, water={"pond": 0.1})
    at, weight = asked(pond, FLAT, (-6, -6, 6, 6), CELL)
    raised = np.maximum(at.subgrade - at.existing, 0)
    crest, toe = 3.5, 3.5 + 2 * 0.3
    ring = math.pi * (crest**2 - 9) * 0.3
    slope = frustum(toe, crest, 0.3) - math.pi * crest**2 * 0.3
    assert np.sum(raised * weight) == pytest.approx(ring + slope, rel=CLOSE)
    assert np.nanmax(at.finish) == pytest.approx(0.3)
    assert np.all(at.water[np.isfinite(at.water)] == 0.1)


def test_a_bed_over_low_ground_is_laid_on_fill():
    """A basin half off a cliff: where the ground is under its bed, the bed is filled up to."""
    low = Plane(-3.0, FLAT.footprint)
    (pond,) = elements(basin(rectangle(4, 4), floor=1.0, batter="vertical"), ground=low)
    at = compose_at(np.array([[2.0, 2.0], [10, 10]]), [pond], low)
    assert at.finish == pytest.approx([-1.0, -3.0])
    assert at.dig == pytest.approx([-3.0, -3.0])
    assert at.fill_owner.tolist() == [0, -1]


def test_elements_compose_by_minimum_and_remember_their_owner():
    deep = basin(rectangle(4, 4), floor=2.0, batter="vertical")
    shallow = {"type": "shelf", "name": "s", "outline": rectangle(8, 4), "depth": 0.5}
    for order in ((deep, shallow), (shallow, deep)):
        built = elements(*order)
        at = compose_at(np.array([[2.0, 2.0], [6, 2], [9, 2]]), built, FLAT)
        assert at.finish == pytest.approx([-2, -0.5, 0])
        names = [built[row].name if row >= 0 else "" for row in at.dig_owner]
        assert names == ["b", "s", ""]


def test_a_mound_rises_from_its_toe():
    table = {
        "type": "mound", "name": "m", "outline": circle(3), "height": 1.0, "batter": "1.5:1",
    }  # fmt: skip
    at, weight = asked(elements(table), FLAT, (-4, -4, 4, 4), CELL)
    assert np.sum((at.finish - at.existing) * weight) == pytest.approx(
        frustum(3, 1.5, 1.0), rel=CLOSE
    )


def test_an_oval_has_its_area_and_its_bearing():
    outline = {"ellipse": {"centre": [1, -1], "axes": [6, 4], "bearing": 30}}
    (pool,) = built = elements(basin(outline, floor=1.0, batter="vertical"))
    assert dug(built, FLAT, 6, CELL) == pytest.approx(math.pi * 3 * 2, rel=CLOSE)
    # its farthest corner lies 3 m along the bearing, 30° east of north
    corners = np.array(pool.outline.exterior.coords) - (1, -1)
    tip = corners[np.hypot(*corners.T).argmax()]
    assert math.degrees(math.atan2(tip[0], tip[1])) % 180 == pytest.approx(30, abs=1)
    assert np.hypot(*tip) == pytest.approx(3, rel=1e-3)


def test_islands_are_left_standing():
    table = basin(circle(3), floor=1.0, batter="vertical", islands=[circle(1)])
    assert dug(elements(table), FLAT, 4, CELL) == pytest.approx(math.pi * 8, rel=CLOSE)
    with pytest.raises(PlanError, match="island"):
        elements(basin(circle(3), floor=1.0, islands=[circle(4)]))


def test_a_pond_with_unequal_slopes_is_the_prismoid():
    """Sides and one end 2:1, the other end 4:1: the integral of (w)(l) over the depth."""
    table = basin(
        rectangle(8, 14), floor=1.0, batter="2:1",
        banks=[{"from": [8, 14], "to": [0, 14], "batter": "4:1"}],
    )  # fmt: skip
    # at height h over the floor: width 4 + 4h, length 8 + 6h
    volume = (4 * 8) + (4 * 6 + 8 * 4) / 2 + (4 * 6) / 3
    assert dug(elements(table), FLAT, 16, CELL) == pytest.approx(volume, rel=CLOSE)


def test_one_bank_may_be_over_dug_more():
    table = basin(
        rectangle(4, 3), floor=1.0, batter="vertical", over_dig={"side": 0.2},
        banks=[{"from": [4, 3], "to": [0, 3], "batter": "vertical", "over_dig": 0.7}],
    )  # fmt: skip
    (pond,) = elements(table)
    # the north bank goes 0.5 further than the others, over its own width
    assert pond.grown.area == pytest.approx(4.4 * 3.4 + 0.5 * 4.0, rel=0.03)
    at = compose_at(np.array([[2.0, 3.6], [2.0, 3.8], [2.0, -0.1], [2.0, -0.3]]), [pond], FLAT)
    assert at.dig == pytest.approx([-1, 0, -1, 0])


def test_a_stream_steps_down_at_a_fall():
    table = {
        "type": "stream", "name": "s", "path": [[-6, 0], [0, 0], [6, 0]],
        "levels": [0.0, [-0.1, -1.0], -1.2], "width": 1.0, "depth": 0.2, "side": "vertical",
        "cut_batter": "vertical",
    }  # fmt: skip
    built = elements(table)
    at = compose_at(np.array([[-3.0, 0.0], [-0.01, 0], [0.01, 0], [3, 0], [7, 0]]), built, FLAT)
    assert at.water[:4] == pytest.approx([-0.05, -0.1, -1.0, -1.1], abs=0.01)
    assert at.finish == pytest.approx([-0.25, -0.3, -1.2, -1.3, 0.0], abs=0.01)
    assert np.isnan(at.water[4])


def test_a_fall_in_a_bend_is_one_clean_step():
    """On the outer side of the bend both pieces are equally near: the upper one has it."""
    table = {
        "type": "stream", "name": "s", "path": [[-6, 0], [0, 0], [4, 4]],
        "levels": [0.0, [-0.1, -0.8], -0.9], "width": 1.0, "depth": 0.2, "side": "vertical",
        "cut_batter": "vertical",
    }  # fmt: skip
    angle = np.radians(np.linspace(-88, -47, 200))
    fan = 0.4 * np.column_stack([np.cos(angle), np.sin(angle)])
    at = compose_at(fan, elements(table), FLAT)
    assert at.water == pytest.approx(np.full(len(fan), -0.1))


def test_a_fall_has_a_sill_above_and_a_landing_below():
    pool = basin(rectangle(3, 3), floor=0.8, batter="vertical", water="low")
    fall = {
        "type": "fall", "name": "f", "lip": [[0.5, 3.6], [1.5, 3.6]], "from": "high", "to": "low",
        "landing": {"reach": 0.6, "depth": 0.3}, "sill": 0.5, "cut_batter": "1:1",
    }  # fmt: skip
    built = elements(pool, fall, water={"low": -1.0, "high": -0.2})
    at = compose_at(np.array([[1.0, 3.3], [1.0, 3.8], [1.0, 4.4], [1, 2]]), built, FLAT)
    assert at.finish == pytest.approx([-1.3, -0.2, 0.0, -1.8])
    assert at.water[0] == -1.0
    assert built[1].lip == pytest.approx(np.array([[0.5, 3.6], [1.5, 3.6]]))
    with pytest.raises(PlanError, match="lower level"):
        elements(pool, fall, water={"low": -0.2, "high": -1.0})


def test_a_trench_is_closed_again():
    table = {
        "type": "trench", "name": "t", "path": [[-3, 0], [3, 0]], "width": 0.5, "depth": 0.8,
        "bedding": 0.1, "surround": 0.25,
    }  # fmt: skip
    at = compose_at(np.array([[0.0, 0.0], [0, 1]]), elements(table), FLAT)
    assert at.finish == pytest.approx([0, 0])
    assert (at.dig[0], at.bed[0], at.stone[0]) == pytest.approx((-0.9, -0.8, -0.55))


def test_a_trench_under_a_pond_leaves_its_water_alone():
    pond = basin(rectangle(4, 4), floor=1.0, batter="vertical", water="w")
    pipe = {
        "type": "trench", "name": "t", "path": [[-1, 2], [5, 2]], "width": 0.5, "depth": 1.5,
        "bedding": 0.1, "surround": 0.2,
    }  # fmt: skip
    at = compose_at(np.array([[2.0, 2.0]]), elements(pond, pipe, water={"w": 0.0}), FLAT)
    assert (at.finish[0], at.water[0], at.water_owner[0]) == (-1.0, 0.0, 0)
    assert (at.dig[0], at.dig_owner[0], at.finish_owner[0]) == (pytest.approx(-1.6), 1, 1)


def test_a_vault_in_a_pond_builds_no_tower():
    pond = basin(rectangle(6, 6), floor=1.0, batter="vertical", water="w")
    sump = {
        "type": "vault", "name": "v", "outline": rectangle(3, 3), "level": 0.0, "depth": 2.0,
        "surround": 0.5, "base": 0.1,
    }  # fmt: skip
    at = compose_at(
        np.array([[3.2, 3.2], [1.0, 1.0]]), elements(pond, sump, water={"w": 0.0}), FLAT
    )
    assert at.finish == pytest.approx([-1.0, -2.0])
    assert at.stone == pytest.approx([-1.0, -2.0])


def test_a_sloping_shelf_goes_on_level_beyond_its_ends():
    table = {
        "type": "shelf", "name": "b", "outline": rectangle(10, 5), "depth": 0.3,
        "slope": {"from": [2, 2], "to": [4, 2], "depth": 0.6},
    }  # fmt: skip
    at = compose_at(np.array([[1.0, 2], [3, 2], [9, 2]]), elements(table), FLAT)
    assert at.finish == pytest.approx([-0.3, -0.45, -0.6])
    # by strips: 2 m at 0.3, 2 m between, 6 m at 0.6
    volume = 5 * (2 * 0.3 + 2 * 0.45 + 6 * 0.6)
    assert dug(elements(table), FLAT, 11, CELL) == pytest.approx(volume, rel=CLOSE)


def test_who_lowers_a_fill_owns_what_is_left_of_it():
    high, low = (
        {
            "type": "pad", "name": name, "level": level, "fill_batter": "vertical",
            "outline": {"points": [[x, 0], [x + 10, 0], [x + 10, 10], [x, 10]]},
        }
        for name, level, x in (("b", 1.0, 5), ("a", 0.5, 0))
    )  # fmt: skip
    at, weight = asked(elements(high, low), FLAT, (-1, -1, 16, 11), CELL)
    fill = np.maximum(at.subgrade - at.existing, 0) * weight
    assert fill[at.fill_owner == 1].sum() == pytest.approx(10 * 10 * 0.5, rel=CLOSE)
    assert fill[at.fill_owner == 0].sum() == pytest.approx(5 * 10 * 1.0, rel=CLOSE)


def test_a_mound_along_a_path_has_its_section():
    table = {
        "type": "mound", "name": "m", "path": [[-20, 0], [20, 0]], "crest": 1.0, "height": 0.8,
        "batter": "1.5:1",
    }  # fmt: skip
    at = compose_at(np.array([[0.0, y] for y in (0, 0.5, 1.1, 1.7, 2)]), elements(table), FLAT)
    assert at.finish == pytest.approx([0.8, 0.8, 0.4, 0, 0], abs=1e-6)


def test_a_pad_on_a_slope_is_cut_and_filled_alike():
    slope = Plane(0.0, FLAT.footprint, east_grade=0.1)
    table = {
        "type": "pad", "name": "p", "level": 0.0, "cut_batter": "1:1", "fill_batter": "1:1",
        "outline": {"points": [[-3, -2], [3, -2], [3, 2], [-3, 2]]},
    }  # fmt: skip
    at, weight = asked(elements(table, ground=slope), slope, (-6, -4, 6, 4), CELL)
    cut = np.sum((at.existing - at.dig) * weight)
    fill = np.sum(np.maximum(at.subgrade - at.existing, 0) * weight)
    assert cut == pytest.approx(fill, rel=1e-3)
    assert cut > 0.1 * 9 / 2 * 4


def test_depths_below_ground_follow_it_place_by_place():
    slope = Plane(10.0, FLAT.footprint, east_grade=0.1)
    table = {
        "type": "filter_pit", "name": "p", "outline": rectangle(4, 4), "depth": 1.0,
        "below_ground": "pointwise",
    }  # fmt: skip
    at = compose_at(np.array([[0.5, 2], [3.5, 2], [5, 2]]), elements(table, ground=slope), slope)
    assert at.existing - at.dig == pytest.approx([1, 1, 0])


def test_zones_leave_the_ground_alone():
    built = elements(
        {"type": "heap", "name": "h", "outline": circle(2)},
        {"type": "keep_out", "name": "k", "outline": circle(1), "reason": "roots"},
    )
    at = compose_at(np.array([[0.0, 0.0]]), built, FLAT)
    assert (at.dig[0], at.finish[0], at.dig_owner[0]) == (0.0, 0.0, -1)


def test_depths_below_ground_count_from_its_mean_or_lowest_height():
    slope = Plane(10.0, FLAT.footprint, east_grade=0.1)
    for word, level in (("mean", 10.2), ("lowest", 10.0)):
        (pit,) = elements(
            {
                "type": "filter_pit", "name": "p", "outline": rectangle(4, 4), "depth": 1.0,
                "below_ground": word,
            },
            ground=slope,
        )  # fmt: skip
        assert pit.excavation.level == pytest.approx(level, abs=0.005)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        (
            {"shelves": [{"depth": 0.6, "width": 1}, {"depth": 0.3, "width": 1}], "floor": 1},
            "shallower",
        ),
        ({"shelves": [{"depth": 0.6, "width": 1}], "floor": 0.5}, "shallower"),
        ({"profile": [[0, 0.5], [1, 0.2]]}, "depth 0.200 m after 0.500 m"),
        ({"profile": [[1, 0.5], [0.5, 0.6]]}, "distance 0.500 m after 1.000 m"),
        ({}, "no floor"),
        ({"floor": 1, "banks": [{"from": [9, 9], "to": [0, 20]}]}, "from the outline"),
    ],
)  # fmt: skip
def test_what_cannot_be_built_is_refused(keys, message):
    with pytest.raises(PlanError, match=message):
        elements(basin(rectangle(10, 20), **keys))
