"""Duplicates, crossings, order and jumps: each found where it is, with its size and reason."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.survey import Role, sort_codes
from terrain.survey.findings import Kind, screen
from tests.survey.shot_sites import ROLES, SITES, spots_of

DAVIS = Path(__file__).parents[1] / "data" / "davis_1973.csv"
FOOT = 0.3048


def found_in(xyz, code, kind=None, roles=None):
    spots = spots_of(xyz, code)
    findings = screen(spots, sort_codes(spots, roles or ROLES))
    return [f for f in findings if kind is None or f.kind is kind]


def flat(n=8, height=100.0):
    """A level grid of shots every metre, each a hair off its place."""
    rng = np.random.default_rng(1)
    xy = np.stack(np.meshgrid(np.arange(n), np.arange(n)), -1).reshape(-1, 2) * 1.0
    xy += rng.uniform(-0.2, 0.2, xy.shape)
    return np.column_stack([xy, np.full(len(xy), height)])


def test_the_same_shot_twice_is_listed_as_harmless():
    xyz = np.vstack([flat(), flat()[[3, 5, 3]]])
    first, second = found_in(xyz, ["GS"] * len(xyz))
    assert {first.kind, second.kind} == {Kind.DUPLICATES}
    assert first.rows == (3, 64, 66)
    assert first.suspects == (64, 66)
    assert "3 times" in first.reason
    assert second.rows == (5, 65)
    assert first.size_m == 0


def test_two_heights_at_one_place_name_each_other():
    xyz = np.vstack([flat(), flat()[20] + [0, 0, 0.12]])
    (finding,) = found_in(xyz, ["GS"] * len(xyz))
    assert finding.kind is Kind.TWO_HEIGHTS
    assert finding.suspects == (64,)
    assert finding.size_m == pytest.approx(0.12)
    assert "p20 (line 22) but 0.120 m above it" in finding.reason


@pytest.mark.parametrize(("away", "up", "told"), [(0.03, 0.2, 1), (0.03, 0.03, 0), (0.08, 0.2, 0)])
def test_near_duplicates_need_a_few_centimetres_and_two_heights(away, up, told):
    xyz = np.vstack([flat(), flat()[20] + [away, 0, up]])
    findings = found_in(xyz, ["GS"] * len(xyz), Kind.NEAR_DUPLICATES)
    assert len(findings) == told
    for finding in findings:
        assert set(finding.rows) == {20, 64}
        assert finding.suspects == (64,)
        assert "30 mm" in finding.reason
        assert "0.20 m above" in finding.reason


def test_two_shots_close_by_on_a_steep_face_are_no_near_duplicates():
    xyz = np.vstack([flat(), flat()[20] + [0.04, 0, 0]])
    xyz[:, 2] += 3 * xyz[:, 0]
    assert found_in(xyz, ["GS"] * 65) == []


def test_head_and_foot_of_a_wall_are_no_near_duplicates():
    x = np.arange(12.0)
    head = np.column_stack([x, 0 * x, 0 * x + 101])
    foot = np.column_stack([x, 0 * x - 0.03, 0 * x + 100])
    above, below = flat(12, 101.0), flat(12)
    above[:, 1] += 0.6
    below[:, 1] -= 11.7
    xyz = np.vstack([head, foot, above, below])
    assert found_in(xyz, ["TW1"] * 12 + ["BW1"] * 12 + ["GS"] * 288) == []
    assert len(found_in(xyz, ["GS"] * len(xyz), Kind.NEAR_DUPLICATES)) == 12


def test_lines_that_cross_have_their_two_heights_at_the_crossing():
    """(0,0,10)–(4,4,14) and (0,4,20)–(4,0,24) cross at (2,2): 12 m and 22 m. (1,0)–(1,3) from
    5 m to 8 m crosses the first at (1,1): 11 m and 6 m, and not the second at (1,3)."""
    xyz = [[0, 0, 10], [4, 4, 14], [0, 4, 20], [4, 0, 24], [1, 0, 5], [1, 2.9, 7.9]]
    first, second = found_in(xyz, ["TB1", "TB1", "TB2", "TB2", "DB", "DB"], Kind.CROSSINGS)
    met = {f.rows: f for f in (first, second)}
    both = met[0, 1, 2, 3]
    assert both.xyz == pytest.approx((2, 2, 17))
    assert abs(both.size_m) == pytest.approx(10)
    for words in ("TB1 crosses TB2", "at 12.00 m", "at 22.00 m", "10.00 m apart"):
        assert words in both.reason
    other = met[0, 1, 4, 5]
    assert other.xyz == pytest.approx((1, 1, 8.5))
    assert other.size_m == pytest.approx(5)
    assert other.opened == ((0, 1),)  # the longer step


def test_lines_that_meet_at_one_height_or_at_a_shot_do_not_conflict():
    xyz = [[0, 0, 10], [4, 4, 14], [0, 4, 12], [4, 0, 12], [4, 4, 14], [8, 0, 3]]
    assert found_in(xyz, ["TB1", "TB1", "TB2", "TB2", "TB3", "TB3"], Kind.CROSSINGS) == []


def test_a_soft_line_crosses_too():
    xyz = [[0, 0, 10], [4, 4, 14], [0, 4, 20], [4, 0, 24]]
    roles = {**ROLES, "SB": Role.SOFT_BREAKLINE}
    (finding,) = found_in(xyz, ["TB1", "TB1", "SB1", "SB1"], Kind.CROSSINGS, roles)
    assert finding.xyz[:2] == pytest.approx((2, 2))


def test_a_line_that_crosses_itself():
    xyz = [[0, 0, 1], [4, 4, 1], [4, 0, 1], [0, 4, 1], [-4, 8, 1]]
    (finding,) = found_in(xyz, ["TB1"] * 5, Kind.SELF_CROSSINGS)
    assert finding.xyz == pytest.approx((2, 2, 1))
    assert "TB1 crosses itself" in finding.reason


def along_a_line(n=12):
    x = np.arange(n) * 1.5
    return np.column_stack([x, 0.3 * np.sin(x / 3), 100 + 0.02 * x])


def test_swapped_shots_are_walked_back():
    xyz = along_a_line()
    xyz[[5, 6]] = xyz[[6, 5]]
    (finding,) = found_in(xyz, ["TB1"] * 12, Kind.ORDER)
    assert finding.kind is Kind.ORDER
    assert set(finding.rows) == {5, 6}
    assert finding.size_m == pytest.approx(1.5, abs=0.1)
    assert finding.suspects == ()
    assert "out of order?" in finding.reason


def test_a_forgotten_shot_at_the_end_is_walked_back():
    xyz = np.delete(along_a_line(), 4, axis=0)
    xyz = np.vstack([xyz, along_a_line()[4]])
    (finding,) = found_in(xyz, ["TB1"] * 12, Kind.ORDER)
    assert set(finding.rows) == {10, 11}


def test_sharp_corners_and_narrow_ends_are_in_order():
    square = np.array([[0, 0], [2, 0], [4, 0], [4, 2], [4, 4], [2, 4], [0, 4], [0, 2]], float)
    tongue = np.array([[0, 0], [3, 0], [6, 0], [8, 0.6], [6, 1.2], [3, 1.2], [0, 1.2]], float)
    for plan in (square, tongue):
        xyz = np.column_stack([plan, np.full(len(plan), 100.0)])
        assert found_in(xyz, ["TB1"] * len(xyz)) == []


@pytest.mark.parametrize("aside", [1.0, -1.5, 10.0])
def test_a_jump_sideways_is_measured(aside):
    xyz = along_a_line(16)
    xyz[7, 1] += aside
    (finding,) = found_in(xyz, ["TB1"] * 16, Kind.JUMPS)
    assert finding.rows == (7,)
    assert finding.size_m == pytest.approx(abs(aside), rel=0.35)


def test_corners_and_curves_do_not_jump():
    turn = np.linspace(0, 2 * np.pi, 14)[:-1]
    circle = np.column_stack([5 * np.cos(turn), 5 * np.sin(turn)])
    zigzag = np.array([[0, 0], [3, 0], [6, 0], [6, 3], [6, 6], [9, 6], [12, 6], [12, 9], [12, 12]])
    for plan in (circle, zigzag * 1.0):
        xyz = np.column_stack([plan, np.full(len(plan), 100.0)])
        assert found_in(xyz, ["TB1"] * len(xyz)) == []


def test_shots_on_rock_are_told_together_by_code():
    xyz = np.vstack([flat(), [[2.5, 2.5, 100.8], [2.7, 2.4, 101.1], [6.5, 6.5, 100.4]]])
    one, two = found_in(xyz, ["GS"] * 64 + ["RK1", "RK1", "RK2"], Kind.ROCKS)
    assert (one.rows, two.rows) == ((64, 65), (66,))
    assert one.size_m == pytest.approx(1.1)
    assert one.xyz == pytest.approx((2.7, 2.4, 101.1))
    assert one.left_out_by_default
    assert "2 shots on a rock by code RK1, up to 1.10 m above" in one.reason


def davis():
    with DAVIS.open() as file:
        rows = list(csv.reader(file))[1:]
    units = np.array(rows, dtype=float)
    return units * [50 * FOOT, 50 * FOOT, FOOT]


@pytest.mark.parametrize("row", [7, 20, 28, 33])
def test_a_blunder_on_a_published_hillside_is_the_one_found(row):
    """52 heights of Davis (1973), Statistics and Data Analysis in Geology; 300 ft are added."""
    xyz = davis()
    honest = {f.rows for f in found_in(xyz, ["GS"] * 52)}
    xyz[row, 2] += 300 * FOOT
    spiked = found_in(xyz, ["GS"] * 52, Kind.SPIKES)
    assert len(honest) <= 1
    assert [f.rows for f in spiked if f.rows not in honest] == [(row,)]


def busted(site, seed):
    """A site with one bust of each kind, and what is found in it."""
    rng = np.random.default_rng(seed)
    shot = SITES[site](rng)
    spots = np.setdiff1d(np.arange(len(shot.spots.xyz)), shot.on_line)
    for row, off in ((rng.choice(spots), 1.0), (rng.choice(shot.on_line), -1.0)):
        shot.spots.xyz[row, 2] += off
    return shot


def told(shot):
    return sorted((f.kind.value, f.suspects) for f in screen(shot.spots, shot.work))


@settings(max_examples=12, deadline=None)
@given(
    st.sampled_from(sorted(SITES)),
    st.integers(0, 50),
    st.tuples(st.floats(-3, 3), st.floats(-3, 3), st.floats(-1000, 1000)),
)
def test_a_plane_added_changes_nothing(site, seed, plane):
    shot = busted(site, seed)
    before = told(shot)
    shot.spots.xyz[:, 2] += shot.spots.xyz[:, :2] @ plane[:2] + plane[2]
    assert told(shot) == before


@settings(max_examples=12, deadline=None)
@given(st.sampled_from(sorted(SITES)), st.integers(0, 50), st.floats(0, 2 * np.pi))
def test_a_turned_site_has_the_same_findings(site, seed, angle):
    shot = busted(site, seed)
    before = told(shot)
    x, y = shot.spots.xyz[:, :2].T.copy()
    shot.spots.xyz[:, 0] = np.cos(angle) * x - np.sin(angle) * y
    shot.spots.xyz[:, 1] = np.sin(angle) * x + np.cos(angle) * y
    assert told(shot) == before


@settings(max_examples=12, deadline=None)
@given(st.sampled_from(sorted(SITES)), st.integers(0, 50), st.randoms(use_true_random=False))
def test_the_order_of_spots_does_not_matter(site, seed, random):
    """All but runs, which are told by the order of the file."""
    shot = busted(site, seed)
    old = shot.spots
    spots = np.setdiff1d(np.arange(len(old.xyz)), shot.on_line)
    mixed = spots.copy()
    random.shuffle(mixed)
    order = np.arange(len(old.xyz))
    order[spots] = mixed
    new = replace(old, xyz=old.xyz[order], name=old.name[order], code=old.code[order])

    def names(spots):
        findings = screen(spots, sort_codes(spots, ROLES))
        singles = (f for f in findings if f.kind is not Kind.POLE_HEIGHT)
        return sorted((f.kind.value, f.name, round(f.size_m, 6)) for f in singles)

    assert names(new) == names(old)


def test_few_shots_and_none_are_screened():
    for n in range(5):
        xyz = np.column_stack([np.arange(n), np.arange(n) ** 2, np.zeros(n)]).astype(float)
        assert found_in(xyz, ["GS"] * n) == []
