"""Blunders are found, honest ground is left alone."""

import numpy as np
import pytest

from terrain.survey import odd_heights
from terrain.survey.codes import CodeString
from tests.survey.shot_sites import spots_of


def odd_rows(spots, **options):
    ground = np.ones(len(spots.xyz), dtype=bool)
    return [odd.row for odd in odd_heights(spots, ground, **options)]


def strings_of(spots):
    return [
        CodeString(str(code), np.flatnonzero(spots.code == code), closed=False)
        for code in np.unique(spots.code)
        if code not in {"", "GS"}
    ]


def plan(rng, n=400):
    return rng.random((n, 2)) * [40, 30]


def plane(rng, east, north):
    xy = plan(rng)
    return np.column_stack([xy, xy @ [east, north] + rng.normal(0, 0.02, len(xy))])


def bank_survey(rng):
    """A 1:1 bank 3 m high, shot along its top and its toe and on a rough grid elsewhere."""
    grid = np.stack(np.meshgrid(np.arange(0, 40, 2.0), np.arange(0, 30, 2.0)), -1).reshape(-1, 2)
    along = np.arange(0, 30, 1.5)
    xy = np.vstack(
        [
            grid + rng.normal(0, 0.3, grid.shape),
            np.column_stack([np.full_like(along, 18), along]),
            np.column_stack([np.full_like(along, 21), along]),
        ]
    )
    z = 100 - np.clip(xy[:, 0] - 18, 0, 3) + rng.normal(0, 0.02, len(xy))
    code = ["GS"] * len(grid) + ["TB"] * len(along) + ["TOE"] * len(along)
    return spots_of(np.column_stack([xy, z]), code)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("grade", [(0, 0), (0.1, 0.05), (0.8, 0.5), (2.0, 0.5)])
def test_a_plane_has_nothing_odd_however_steep(seed, grade):
    assert odd_rows(spots_of(plane(np.random.default_rng(seed), *grade))) == []


@pytest.mark.parametrize("seed", range(5))
def test_a_bank_has_nothing_odd(seed):
    assert odd_rows(bank_survey(np.random.default_rng(seed))) == []


@pytest.mark.parametrize("seed", range(5))
def test_a_ditch_has_nothing_odd(seed):
    rng = np.random.default_rng(seed)
    xy = plan(rng)
    xy = xy[abs(xy[:, 1] - 15) > 1]
    along = np.arange(0.5, 40, 1.0)
    lines = [np.column_stack([along, np.full_like(along, y)]) for y in (14, 15, 16)]
    xy = np.vstack([xy, *lines])
    z = 100 - 0.8 * (xy[:, 1] == 15) + rng.normal(0, 0.01, len(xy))
    code = ["GS"] * (len(xy) - 120) + [code for code in ("TB1", "DB1", "TB2") for _ in along]
    spots = spots_of(np.column_stack([xy, z]), code)
    assert odd_rows(spots, strings=strings_of(spots)) == []


@pytest.mark.parametrize("off", [0.3048, -0.3048, 1.0, -1.0, 3.048])
@pytest.mark.parametrize("grade", [(0, 0), (0.3, 0.1), (0.8, 0.5)])
def test_a_blunder_is_found_and_measured(off, grade):
    rng = np.random.default_rng(7)
    xyz = plane(rng, *grade)
    row = int(np.argmin(np.hypot(xyz[:, 0] - 20, xyz[:, 1] - 15)))
    xyz[row, 2] += off
    (odd,) = odd_heights(spots_of(xyz), np.ones(len(xyz), dtype=bool))
    assert (odd.row, odd.name, odd.line) == (row, f"p{row}", row + 2)
    assert odd.off_m == pytest.approx(off, abs=0.1)
    assert odd.xyz == pytest.approx(tuple(xyz[row]))
    assert ("above" if off > 0 else "below") in odd.reason
    assert f"{abs(odd.off_m):.2f} m" in odd.reason


def test_a_blunder_on_the_flat_beside_a_bank_is_found():
    spots = bank_survey(np.random.default_rng(3))
    row = int(np.argmin(np.hypot(spots.xyz[:, 0] - 8, spots.xyz[:, 1] - 15)))
    spots.xyz[row, 2] += 0.3048
    assert odd_rows(spots) == [row]


def test_several_blunders_apart_are_all_found():
    rng = np.random.default_rng(9)
    xyz = plane(rng, 0.2, 0.1)
    rows = [int(np.argmin(np.hypot(xyz[:, 0] - x, xyz[:, 1] - 15))) for x in (5, 15, 25, 35)]
    xyz[rows, 2] += [1, -1, 0.5, -0.5]
    assert odd_rows(spots_of(xyz)) == sorted(rows)


def test_the_tolerance_is_the_users():
    rng = np.random.default_rng(7)
    xyz = plane(rng, 0.1, 0.1)
    xyz[200, 2] += 0.6
    assert odd_rows(spots_of(xyz), tolerance_m=0.4) == [200]
    assert odd_rows(spots_of(xyz), tolerance_m=0.8) == []


def test_only_ground_is_looked_at():
    rng = np.random.default_rng(7)
    xyz = plane(rng, 0.1, 0.1)
    xyz[200, 2] += 5
    ground = np.ones(len(xyz), dtype=bool)
    ground[200] = False
    assert odd_heights(spots_of(xyz), ground) == ()


def test_large_coordinates_change_nothing():
    rng = np.random.default_rng(7)
    xyz = plane(rng, 0.3, 0.1)
    xyz[200, 2] += 1
    far = xyz + np.array([600_000.0, 5_000_000.0, 2000.0])
    assert odd_rows(spots_of(far)) == odd_rows(spots_of(xyz)) == [200]


@pytest.mark.parametrize("wrong_first", [True, False])
def test_of_two_heights_at_one_place_the_worse_is_odd(wrong_first):
    rng = np.random.default_rng(7)
    xyz = plane(rng, 0.1, 0.1)
    wrong = xyz[200] + np.array([0, 0, 0.15])
    xyz = np.vstack([xyz, wrong])
    if wrong_first:
        xyz[[200, -1]] = xyz[[-1, 200]]
    row, other = (200, len(xyz) - 1) if wrong_first else (len(xyz) - 1, 200)
    (odd,) = odd_heights(spots_of(xyz), np.ones(len(xyz), dtype=bool))
    assert odd.row == row
    assert odd.off_m == pytest.approx(0.15)
    assert f"same place as p{other} (line {other + 2})" in odd.reason


def test_the_same_shot_twice_is_not_odd():
    rng = np.random.default_rng(7)
    xyz = plane(rng, 0.1, 0.1)
    assert odd_rows(spots_of(np.vstack([xyz, xyz[:50]]))) == []


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5])
def test_few_shots_are_not_judged_by_chance(n):
    xyz = np.array([[0, 0, 0], [10, 0, 1], [0, 10, 2], [10, 10, 3], [5, 5, 1.5]], dtype=float)[:n]
    assert odd_rows(spots_of(xyz)) == []


def test_no_shots():
    assert odd_heights(spots_of(np.empty((0, 3))), np.empty(0, dtype=bool)) == ()


def test_shots_in_one_line_are_judged_along_it():
    x = np.arange(30.0)
    xyz = np.column_stack([x, 2 * x, 0.1 * x])
    xyz[12, 2] += 1
    assert odd_rows(spots_of(xyz)) == [12]
