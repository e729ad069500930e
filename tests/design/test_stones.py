"""Rock groups: their number and form, where they stand, and what is refused."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.design import Setting, seat_groups, single_stones
from terrain.design.placing import open_shore
from terrain.errors import PlanError
from terrain.units import METRE
from tests.design.made import FLAT, circle, elements, rectangle

POND = {"type": "basin", "name": "pond", "water": "pond", "outline": rectangle(12, 8), "floor": 1.0}
ROUND = POND | {"outline": circle(5)}
FALL = {
    "type": "fall", "name": "fall", "lip": [[0, 9], [0, 12]], "from": "top", "to": "pond",
    "landing": {"reach": 1.0, "depth": 0.3},
}  # fmt: skip
LEVELS = {"pond": 0.0, "top": 0.6}


def groups(*rock, basin=POND, others=(), folder=None, unit=METRE, origin=(0.0, 0.0)):
    built = elements(basin | {"rock": list(rock)}, *others, water=LEVELS)
    setting = Setting(None, FLAT, {}, folder, unit, np.array(origin))
    return seat_groups(built, setting)


def ends(group):
    """Both ends of each rock's length in plan, (n, 2, 2)."""
    turn = np.radians(group.turn_deg)
    half = np.column_stack([np.cos(turn), np.sin(turn)]) * group.form.axes[0] / 2
    return np.stack([group.centres[:, :2] - half, group.centres[:, :2] + half], axis=1)


def test_rocks_along_the_edge_touch_it_from_inside_evenly():
    (group,) = groups({"count": 20, "size": [0.8, 0.6, 0.4]})
    outline = shapely.box(0, 0, 12, 8)
    middles = shapely.points(group.centres[:, :2])
    assert shapely.contains(outline, middles).all()
    away = shapely.distance(outline.exterior, middles)
    assert away == pytest.approx(np.full(20, 0.3), abs=1e-9)
    stations = np.sort(shapely.line_locate_point(outline.exterior, middles))
    assert len(stations) == 20


def test_no_rock_reaches_out_at_a_corner():
    for count in (2, 3, 5, 7, 19):
        (group,) = groups({"count": count, "size": 0.6})
        middles = shapely.points(group.centres[:, :2])
        assert shapely.contains(shapely.box(0, 0, 12, 8).buffer(-0.2999), middles).all()


def test_without_a_count_the_edge_is_filled():
    """A ring of 40 m holds 40/0.8 rocks end to end, and 40/1.0 with 0.2 m between them."""
    (close,) = groups({"size": [0.8, 0.6, 0.4]})
    assert len(close.centres) == 50
    (loose,) = groups({"size": [0.8, 0.6, 0.4], "gap": 0.2})
    assert len(loose.centres) == 40
    assert close.crowded == loose.crowded == 0
    (crowd,) = groups({"size": [0.8, 0.6, 0.4], "count": 53})
    assert crowd.crowded == 3


def test_a_stretch_is_the_shorter_way_round_and_holds_one_gap_less():
    along = {"from": [2, 0], "to": [7, 0]}
    (group,) = groups({"size": 0.9, "gap": 0.1, "along": along})
    assert len(group.centres) == 5  # 5 × 0.9 + 4 × 0.1 = 4.9 ≤ 5 m
    assert (group.centres[:, 0] > 2).all()
    assert (group.centres[:, 0] < 7).all()
    assert group.centres[:, 1] == pytest.approx(np.full(5, 0.45))
    assert np.diff(np.sort(group.centres[:, 0])) == pytest.approx(np.full(4, 1.0))
    assert group.turn_deg == pytest.approx(np.zeros(5))


def test_a_stretch_over_the_first_corner_keeps_its_rocks_together():
    (group,) = groups({"size": 0.5, "along": {"from": [0, 2], "to": [2, 0]}})
    assert len(group.centres) == 8
    assert (group.centres[:, :2] < 2).all()


def test_an_open_shore_is_walked_from_its_own_beginning():
    around = np.array([[0, 0, 2, 0], [0, 2, 0, 0]], dtype=float)  # cut where the ring began
    at, ahead = open_shore(around).at(np.array([0.0, 1.5, 2.5]))
    assert at == pytest.approx(np.array([[0, 2], [0, 0.5], [0.5, 0]]))
    assert ahead == pytest.approx(np.array([[0, -1], [0, -1], [1, 0]]))


def test_a_bank_takes_its_own_rocks():
    bank = {"from": [12, 0], "to": [12, 8], "floor": 1.0, "batter": "1:1"}
    basin = POND | {"banks": [bank]}
    (group,) = groups({"size": 0.8, "bank": 1}, basin=basin)
    assert len(group.centres) == 10
    assert group.centres[:, 0] == pytest.approx(np.full(10, 11.6))
    with pytest.raises(PlanError, match="has no bank 2"):
        groups({"size": 0.8, "bank": 2}, basin=basin)


def test_rocks_at_places_stand_there_in_true_coordinates():
    at = [[1001.0, 2002.0], [1006.0, 2007.9]]
    built = elements(POND | {"rock": [{"size": 0.5, "at": at}]}, water=LEVELS)
    setting = Setting(None, FLAT, {}, None, METRE, np.array([1000.0, 2000.0]))
    (group,) = seat_groups(built, setting)
    assert group.centres[:, :2] == pytest.approx(np.array([[1, 2], [6, 7.9]]))
    assert group.turn_deg[1] % 180 == pytest.approx(0)  # beside the north edge
    assert group.turn_deg[0] % 180 == pytest.approx(90)  # beside the west edge


def test_a_place_off_the_survey_is_named():
    with pytest.raises(PlanError, match=r"1 of its 2 rocks .* \(1000\.00, 3\.00\)") as caught:
        groups({"name": "strays", "size": 0.5, "at": [[1, 2], [1000, 3]]})
    assert caught.value.place.key == 'element "pond", rock "strays"'


def test_spread_rocks_lie_inside_and_clear_of_each_other():
    first = {"name": "large", "count": 30, "size": [0.9, 0.6, 0.5], "place": "spread", "gap": 0.1}
    second = {"name": "small", "count": 60, "size": 0.3, "place": "spread"}
    large, small = groups(first, second, basin=ROUND)
    assert large.crowded == small.crowded == 0
    xy = np.concatenate([large.centres[:, :2], small.centres[:, :2]])
    radius = np.concatenate([np.full(30, 0.45), np.full(60, 0.15)])
    assert (np.hypot(*xy.T) + radius <= 5.0 + 1e-3).all()
    apart = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    clear = apart - radius[:, None] - radius[None]
    np.fill_diagonal(clear, np.inf)
    assert clear.min() >= 0
    assert clear[:30, :30].min() >= 0.1


def test_what_is_strewn_keeps_clear_of_what_is_set_later_in_the_file():
    strewn = {"count": 80, "size": 0.4, "place": "spread"}
    placed = {"size": 2.0, "at": [[0, 0], [2.5, 0]]}
    small, big = groups(strewn, placed, basin=ROUND)
    apart = small.centres[:, None, :2] - big.centres[None, :, :2]
    assert np.hypot(apart[..., 0], apart[..., 1]).min() >= 1.2


def test_spread_follows_its_seed():
    rock = {"count": 40, "size": 0.3, "place": "spread"}
    once, again, other = (groups(rock | seed)[0].centres for seed in ({}, {"seed": 1}, {"seed": 2}))
    np.testing.assert_array_equal(once, again)
    assert not np.allclose(once, other)


def test_what_finds_no_room_is_counted():
    """Circles of 1 m strewn in a 5 m disc: at most (π·25)/(π/4·1) = 100 could ever fit."""
    (group,) = groups({"count": 200, "size": 1.0, "place": "spread"}, basin=ROUND)
    assert len(group.centres) == 200
    assert 100 < group.crowded < 200


def test_frames_stand_outside_both_ends_of_the_lip_level_with_it():
    rock = {"size": [1.2, 0.8, 0.9], "place": "frame", "count": 4, "gap": 0.2}
    built = elements(POND, FALL | {"rock": [rock]}, water=LEVELS)
    (group,) = seat_groups(built, Setting(None, FLAT, {}, None, METRE, np.zeros(2)))
    assert group.element == "fall"
    assert group.centres[:, 0] == pytest.approx(np.zeros(4))
    assert np.sort(group.centres[:, 1]) == pytest.approx([7.6, 8.6, 12.4, 13.4])
    assert np.abs(np.cos(np.radians(group.turn_deg))) == pytest.approx(np.ones(4))


def test_a_frame_needs_a_lip():
    with pytest.raises(PlanError, match="a basin has no lip"):
        groups({"size": 0.5, "place": "frame"})


def test_courses_stand_on_one_another_and_between():
    (group,) = groups(
        {"size": [1.0, 0.8, 0.5], "courses": 2, "along": {"from": [2, 0], "to": [8, 0]}}
    )
    low, high = group.centres[:6], group.centres[6:]
    assert len(high) == 6
    assert high[:, 2] == pytest.approx(np.full(6, low[0, 2] + 0.5))
    assert (group.embedded == [0.3] * 6 + [0.0] * 6).all()
    lows = np.sort(low[:, 0])
    assert all(np.any(np.abs(lows - x) > 0.05) for x in high[:, 0])


@given(share=st.floats(0, 1), height=st.floats(0.1, 2))
@settings(max_examples=25, deadline=None)
def test_the_embedded_share_lies_below_the_finish(share, height):
    """The cap of an ellipsoid under a plane, as the integral of its round sections."""
    (group,) = groups({"size": [0.8, 0.6, height], "count": 1, "embedded": share})
    depth = group.around.finish[0] - group.underside[0]
    t = min(max(depth / height, 0.0), 1.0)
    assert 3 * t**2 - 2 * t**3 == pytest.approx(share, abs=1e-9)


def test_weight_gives_the_size_and_total_the_number():
    (group,) = groups({"weight": "800 kg", "proportions": [3, 2, 1], "density": "2500 kg/m3",
                       "total": "12 t"})  # fmt: skip
    length, width, height = group.form.axes
    assert math.pi / 6 * length * width * height * 2500 == pytest.approx(800)
    assert length / height == pytest.approx(3)
    assert width / height == pytest.approx(2)
    assert len(group.centres) == 15
    stones = single_stones([group])
    assert sum(math.pi / 6 * math.prod(s.axes) * s.density for s in stones) == pytest.approx(12e3)


def test_total_is_rounded_to_whole_rocks_and_pairs():
    ball = math.pi / 6 * 2650
    rock = {"size": 1.0, "total": f"{3.4 * ball:.3f} kg"}
    assert len(groups(rock)[0].centres) == 3
    built = elements(POND, FALL | {"rock": [rock | {"place": "frame"}]}, water=LEVELS)
    (pairs,) = seat_groups(built, Setting(None, FLAT, {}, None, METRE, np.zeros(2)))
    assert len(pairs.centres) == 4
    with pytest.raises(PlanError, match="0 rocks"):
        groups({"size": 1.0, "total": f"{0.4 * ball:.3f} kg"})


@pytest.mark.parametrize(
    ("rock", "said"),
    [
        ({"count": 3}, "given by nothing"),
        ({"count": 3, "size": 1, "weight": "1 t"}, "given by size and weight"),
        ({"count": 3, "total": "1 t", "size": 1}, "given by count and total"),
        ({"size": 1, "place": "spread"}, "rocks to spread is missing"),
        ({"size": 1, "place": "frame", "count": 3}, "3 rocks that frame"),
        ({"size": 1, "proportions": [1, 1, 1]}, "proportions without a weight"),
        ({"weight": "1 t", "proportions": [1, 1, 20]}, "proportions of"),
        ({"size": 1, "at": [[1, 1]], "place": "spread"}, "at beside"),
        ({"size": 1, "at": [[1, 1]], "gap": 0.1}, "gap beside"),
        ({"size": 1, "count": 3, "gap": 0.1}, "gap beside"),
        ({"size": 1, "count": 3, "seed": 4}, "seed beside"),
        ({"size": 1, "count": 3, "place": "spread", "courses": 2}, "courses beside"),
        ({"size": 1, "count": 3, "place": "spread", "bank": 1}, "bank beside"),
        ({"size": 1, "bank": 1, "along": {"from": [0, 0], "to": [1, 0]}}, "bank and along"),
        ({"size": 1, "along": {"from": [5, 3], "to": [1, 0]}}, "'from' lies 3.00 m from the edge"),
        ({"size": 1, "along": {"from": [5, 0], "to": [5, 0]}}, "no length"),
        ({"size": 30}, "a rock of 30 × 30 × 30 m"),
        ({"weight": "9000 t"}, "a rock of"),
    ],
)  # fmt: skip
def test_contradictions_are_named(rock, said):
    with pytest.raises(PlanError, match=said):
        groups(rock)
