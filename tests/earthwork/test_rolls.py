"""Strips cut from rolls: they cover, they are long enough, and no more than simple sums ask."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.design import DesignSurface, liner_sheets
from terrain.earthwork.liner import Hollow
from terrain.earthwork.lining import Roll, line_hollow
from terrain.earthwork.rolls import drape, joined_lengths, lay_strips, rolls_needed
from tests.design.made import FLAT, circle, elements, rectangle

ALLOWANCE = 0.3


def hollow_of(outline, depth, batter="vertical", **more):
    built = elements(
        {
            "type": "basin", "name": "b", "outline": outline, "floor": depth, "batter": batter,
            **more,
        }
    )  # fmt: skip
    (sheet,) = liner_sheets(built, FLAT)
    return Hollow(DesignSurface("subgrade", built, FLAT), sheet.outline, sheet.edge), sheet.walls


def strips(hollow, width, overlap=0.15):
    return lay_strips(drape(hollow, ALLOWANCE), width, overlap)


def test_a_box_in_one_piece_is_the_rule_of_thumb():
    """6 × 4, 1 deep, 0.3 beyond the edge: 8.6 × 6.6."""
    hollow, _ = hollow_of(rectangle(6, 4), 1.0)
    (piece,) = strips(hollow, 6.7)
    assert piece.length == pytest.approx(8.6, abs=0.002)
    assert piece.width == 6.7


def test_strips_are_laid_the_way_that_takes_less():
    """8.6 × 6.6 from 2 m rolls with 0.15 m laps.

    Along: 6.6 m across take 4 strips (2 + 3 × 1.85 = 7.55) of 8.6 m; across: 5 (9.4) of 6.6 m.
    """
    hollow, _ = hollow_of(rectangle(6, 4), 1.0)
    pieces = strips(hollow, 2.0)
    assert [piece.length for piece in pieces] == pytest.approx([6.6] * 5, abs=0.002)
    long = strips(hollow, 6.0)
    assert sum(piece.area for piece in long) == pytest.approx(6.0 * 2 * 6.6, abs=0.02)


def test_a_wall_higher_than_the_roll_is_wide_is_covered_by_several_strips():
    """4 × 4, 3 deep: 10.6 across from 1 m rolls lapped by 0.1 m: 1 + 11 × 0.9 = 10.9."""
    hollow, _ = hollow_of(rectangle(4, 4), 3.0)
    assert len(strips(hollow, 1.0, 0.1)) == 12


def test_steep_faces_are_measured_along_the_slope():
    """Both faces 0.8 deep at 0.25:1: (6 − 2 × 0.2) + 2 √(0.8² + 0.2²) + 2 × 0.3."""
    hollow, _ = hollow_of(rectangle(6, 4), 0.8, "0.25:1")
    (piece,) = strips(hollow, 7.0)
    assert piece.length == pytest.approx(5.6 + 2 * math.hypot(0.8, 0.2) + 0.6, abs=0.01)


@pytest.mark.parametrize("width", [1.13, 1.2, 1.31])
def test_banks_that_meet_are_measured_down_to_their_line(width):
    """Faces of 0.4:1 from both sides: √(1 + 2.5²) for each metre across, and 2 × 0.3."""
    hollow, _ = hollow_of(rectangle(6, width), 3.0, "0.4:1")
    lines = drape(hollow, ALLOWANCE)
    across = min(lines.along_t[-1].max(), lines.along_s[:, -1].max())
    assert across == pytest.approx(width * math.hypot(1.0, 2.5) + 0.6, abs=0.02)


def test_a_bowl_is_measured_along_its_arc():
    """Radius 2, depth 0.8: sphere of 2.9, arc 2 × 2.9 × asin(2/2.9)."""
    built = elements({"type": "plunge_pool", "name": "b", "outline": circle(2), "depth": 0.8})
    (sheet,) = liner_sheets(built, FLAT)
    hollow = Hollow(DesignSurface("subgrade", built, FLAT), sheet.outline, sheet.edge)
    (piece,) = strips(hollow, 7.0)
    sphere = (2**2 + 0.8**2) / (2 * 0.8)
    assert piece.length == pytest.approx(2 * sphere * math.asin(2 / sphere) + 0.6, abs=0.01)


def test_an_angle_of_a_pond_is_not_bridged():
    """A U of three 2 m wide arms: the strips over its gap are two, not one across."""
    u = {"points": [[0, 0], [10, 0], [10, 8], [8, 8], [8, 2], [2, 2], [2, 8], [0, 8]]}
    hollow, _ = hollow_of(u, 0.5)
    pieces = strips(hollow, 3.0)
    assert sum(piece.area for piece in pieces) < 3.0 * 4 * 11.6
    assert _left_open(hollow, pieces) < 1e-6


def _left_open(hollow, pieces):
    covered = shapely.union_all([piece.footprint.buffer(1e-6) for piece in pieces])
    return hollow.outline.buffer(ALLOWANCE).difference(covered).area


def _walked(hollow, start, end):
    """A straight line walked in steps of 2 mm: never longer than the sheet on it."""
    length = float(np.hypot(*(end - start)))
    stations = np.linspace(0.0, 1.0, max(2, round(length / 0.002)))
    z, _ = hollow.sheet(start + stations[:, None] * (end - start))
    return float(np.hypot(np.diff(stations) * length, np.diff(z)).sum())


def _longest_walks(hollow, axes):
    """The longest of 24 lines along each axis: over the sheet, and on to the rectangle's side."""
    covered = hollow.outline.buffer(ALLOWANCE, quad_segs=16)
    corners = shapely.get_coordinates(covered) @ axes.T
    low, high = corners.min(axis=0), corners.max(axis=0)
    walks = []
    for along in (0, 1):
        ends = np.array([low, high])
        lines = []
        for place in np.linspace(low[1 - along], high[1 - along], 26)[1:-1]:
            ends[:, 1 - along] = place
            on_sheet = shapely.LineString(ends @ axes).intersection(covered)
            stations = (shapely.get_coordinates(on_sheet) @ axes.T)[:, along]
            start, end = ends.copy()
            start[along], end[along] = stations.min(), stations.max()
            walked = _walked(hollow, start @ axes, end @ axes)
            lines.append((walked, walked + stations.min() - low[along]))
        walks.append(np.max(lines, axis=0))
    return walks


def rock_pond(seed, size, points):
    """A round outline with bays, counter-clockwise."""
    random = np.random.default_rng(seed)
    angle = (np.arange(points) + random.uniform(-0.2, 0.2, points)) * 2 * math.pi / points
    radius = size * random.uniform(0.6, 1.0, points)
    return {"points": np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]).tolist()}


@given(
    st.integers(0, 10_000),
    st.floats(1.5, 6.0),
    st.integers(3, 11),
    st.floats(0.3, 1.6),
    st.sampled_from(["vertical", "0.1:1", "0.3:1", "1:1", "3:1"]),
    st.floats(1.5, 7.0),
    st.sampled_from([0.0, 0.1, 0.3]),
)
@settings(max_examples=25, deadline=None)
def test_strips_cover_whatever_is_dug(seed, size, points, depth, batter, width, overlap):
    shelves = [{"depth": 0.2, "width": 0.3, "riser": "0.2:1"}] if seed % 2 else []
    hollow, _ = hollow_of(rock_pond(seed, size, points), depth, batter, shelves=shelves)
    pieces = strips(hollow, width, overlap)
    assert _left_open(hollow, pieces) < 1e-6
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(hollow.outline))
    axes = np.diff(corners[:3], axis=0) / np.hypot(*np.diff(corners[:3], axis=0).T)[:, None]
    walks = _longest_walks(hollow, axes)
    strips_needed = len(pieces) * (width - overlap) + overlap
    longest = max(piece.length for piece in pieces)
    # one step of the lines, in which a face may begin and end
    assert any(
        longest > along[0] - 0.08 and strips_needed > across[1] - 0.08
        for along, across in (walks, walks[::-1])
    )


@given(
    st.floats(2, 9),
    st.floats(2, 9),
    st.floats(0.3, 1.5),
    st.floats(0.01, 0.8),
    st.sampled_from(["vertical", "0.5:1", "1:1"]),
    st.floats(1.5, 6),
)
@settings(max_examples=25, deadline=None)
def test_a_deeper_pond_takes_no_less(width, length, depth, more, batter, roll_width):
    cut = [
        sum(
            piece.area
            for piece in strips(hollow_of(rectangle(width, length), d, batter)[0], roll_width)
        )
        for d in (depth, depth + more)
    ]
    assert cut[1] >= cut[0] - 1e-6


@given(st.floats(0.5, 200), st.floats(2, 40), st.floats(0, 0.4))
def test_a_long_strip_is_joined_from_rolls(length, roll_length, overlap):
    lengths = joined_lengths(length, roll_length, overlap)
    assert max(lengths) <= roll_length + 1e-9
    assert sum(lengths) - (len(lengths) - 1) * overlap == pytest.approx(length)
    assert len(lengths) == 1 or (len(lengths) - 1) * (roll_length - overlap) + overlap < length


def test_rolls_are_counted_first_fit_decreasing():
    """By hand: 7 + 3, 6 + 4, 5 + 5 fill three rolls of 10."""
    assert rolls_needed([3, 4, 5, 5, 6, 7], 10) == 3
    assert rolls_needed([6, 6, 6], 10) == 3
    assert rolls_needed([], 10) == 0


@given(st.lists(st.floats(0.1, 10), max_size=7))
def test_rolls_are_within_the_known_bound(lengths):
    """At most 11/9 of the least number plus 6/9 (Dósa 2007, from memory); none over the sum."""
    found = rolls_needed(lengths, 10)
    assert found >= math.ceil(sum(lengths) / 10 - 1e-9)
    assert found <= 11 / 9 * _fewest(lengths, 10) + 6 / 9


def _fewest(lengths, roll):
    """Every way to share the lengths out, without two rolls alike."""

    def place(k, left):
        if k == len(lengths):
            return len(left)
        ways = [
            place(k + 1, [*left[:m], left[m] - lengths[k], *left[m + 1 :]])
            for m in range(len(left))
            if lengths[k] <= left[m] + 1e-9
        ]
        return min([*ways, place(k + 1, [*left, roll - lengths[k]])])

    return place(0, [])


def test_one_sheet_adds_up():
    roll = Roll(2.5, 5.0, 0.2, 0.1, 1.1, 2)
    hollow, walls = hollow_of(rectangle(6, 4), 1.0)
    lining = line_hollow(hollow, walls, ALLOWANCE, roll)
    need = 24 + 20 + 20 * 0.3 + math.pi * 0.09
    assert lining.need_m2 == pytest.approx(need, rel=0.002)
    assert lining.with_folds_m2 == pytest.approx(1.1 * need, rel=0.002)
    assert lining.underlay_m2 == pytest.approx(2 * need, rel=0.002)
    # 3 strips across 6.6 m (2.5 + 2 × 2.3 = 7.1), each 8.6 m long: 5.0 and 3.8 lapped by 0.2
    assert sorted(lining.lengths_m) == pytest.approx([3.8] * 3 + [5.0] * 3, abs=0.002)
    assert lining.bought_m2 == pytest.approx(2.5 * 26.4, abs=0.02)
    assert lining.waste_share == pytest.approx(1 - need / 66.0, abs=0.002)
    # 10 strips of underlay across 8.6 m (1.1 + 9 × 0.9 = 9.2), each 6.6 m long
    assert lining.underlay_bought_m2 == pytest.approx(2 * 1.1 * 66.0, abs=0.05)
