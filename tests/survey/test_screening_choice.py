"""What is left out is what the user says, and lines part where they must."""

import numpy as np
import pytest

from terrain.errors import PlanError
from terrain.survey import CodeString, Kind, LeftOut, Linework, Role, screen, sort_codes
from terrain.survey.leaving_out import left_out, without
from tests.survey.shot_sites import ROLES, spots_of


@pytest.fixture
def survey():
    """A level field with a spike, a pit, a shot twice, and a boulder."""
    rng = np.random.default_rng(1)
    xy = np.stack(np.meshgrid(np.arange(10), np.arange(10)), -1).reshape(-1, 2) * 1.0
    xyz = np.column_stack([xy + rng.uniform(-0.2, 0.2, xy.shape), np.full(100, 50.0)])
    xyz[33, 2] += 1
    xyz[66, 2] -= 1
    xyz = np.vstack([xyz, xyz[12], [4.5, 4.5, 51.2]])
    spots = spots_of(xyz, ["GS"] * 101 + ["RK"])
    work = sort_codes(spots, ROLES)
    return spots, work, screen(spots, work)


def rows(survey, leave_out=(), keep=()):
    spots, _, findings = survey
    return left_out(spots, findings, leave_out, keep=keep).rows.tolist()


def test_nothing_goes_unasked_but_what_is_no_ground(survey):
    assert [f.kind for f in survey[2]] == [Kind.DUPLICATES, Kind.SPIKES, Kind.PITS, Kind.ROCKS]
    assert rows(survey) == [101]


@pytest.mark.parametrize(
    ("leave_out", "keep", "gone"),
    [
        (["spikes"], [], [33, 101]),
        (["spikes", "pits", "duplicates"], [], [33, 66, 100, 101]),
        (["Spikes", "pits"], ["p66"], [33, 101]),
        (["spikes"], ["spikes"], [101]),
        (["p5", "line 8"], [], [5, 6, 101]),
        (["p5"], ["line 7"], [101]),
        ([], ["rocks"], []),
        (["spikes"], ["p101"], [33]),
    ],
)
def test_kinds_points_and_lines_with_exceptions(survey, leave_out, keep, gone):
    assert rows(survey, leave_out, keep) == gone


def test_an_unknown_word_is_told_with_the_nearest(survey):
    with pytest.raises(PlanError, match="spkies") as raised:
        rows(survey, ["spkies"])
    assert raised.value.place.key == "leave_out"
    assert "spikes" in raised.value.mend
    with pytest.raises(PlanError) as raised:
        rows(survey, [], ["line 900"])
    assert raised.value.place.key == "keep"


def test_the_ground_goes_without_and_takes_back(survey):
    spots, work, findings = survey
    left = left_out(spots, findings, ["spikes"], keep=["rocks"])
    after = without(spots, work, left)
    assert np.flatnonzero(~after.ground).tolist() == [33]
    assert after.apart == {}
    assert np.flatnonzero(~work.ground).tolist() == [101]


def line_of(*x):
    xyz = np.column_stack([x, np.zeros(len(x)), np.zeros(len(x))]).astype(float)
    spots = spots_of(xyz, ["TB1"] * len(x))
    return spots, sort_codes(spots, ROLES)


def parts(spots, work, *gone, opened=()):
    after = without(spots, work, LeftOut(np.array(gone, dtype=int), opened=frozenset(opened)))
    return [line.rows.tolist() for line in after.breaklines]


def test_a_line_is_joined_past_one_shot_and_parted_past_more():
    even = line_of(*range(8))
    assert parts(*even, 3) == [[0, 1, 2, 4, 5, 6, 7]]
    assert parts(*even, 3, 4) == [[0, 1, 2], [5, 6, 7]]
    assert parts(*even, 0) == [[1, 2, 3, 4, 5, 6, 7]]


def test_far_neighbours_are_not_joined():
    assert parts(*line_of(0, 1, 2, 4, 7, 8, 9), 3) == [[0, 1, 2], [4, 5, 6]]


def test_a_long_step_that_was_walked_stays():
    assert parts(*line_of(0, 1, 2, 9, 10, 11, 12), 5) == [[0, 1, 2, 3, 4, 6]]


def test_a_piece_of_one_shot_is_a_spot():
    spots, work = line_of(0, 1, 2, 3, 4, 5)
    after = without(spots, work, LeftOut(np.array([1, 2])))
    assert [line.rows.tolist() for line in after.breaklines] == [[3, 4, 5]]
    assert after.ground.tolist() == [True, False, False, True, True, True]


def test_an_opened_step_is_not_joined():
    assert parts(*line_of(*range(6)), opened=[(2, 3)]) == [[0, 1, 2], [3, 4, 5]]


def test_crossings_part_the_longer_step():
    spots = spots_of(
        [[0, 0, 1], [9, 9, 1], [1, 2, 5], [2, 1, 5], [3, 0, 5]], ["TB1"] * 2 + ["TB2"] * 3
    )
    work = sort_codes(spots, ROLES)
    left = left_out(spots, screen(spots, work), ["crossings"])
    assert left.rows.tolist() == []
    assert [line.code for line in without(spots, work, left).breaklines] == ["TB2"]
    kept = left_out(spots, screen(spots, work), ["crossings"], keep=["p0"])
    assert [line.code for line in without(spots, work, kept).breaklines] == ["TB1", "TB2"]


def test_an_outline_stays_closed_and_a_soft_line_parts():
    spots = spots_of(np.random.default_rng(0).random((12, 3)))
    ring = CodeString("WE1", np.arange(5), closed=True)
    soft = CodeString("SB1", np.arange(5, 12), closed=False)
    work = Linework(np.ones(12, dtype=bool), (), (ring,), (soft,), {Role.ROCK: np.array([], int)})
    after = without(spots, work, LeftOut(np.array([2, 7])))
    assert after.outlines[0].rows.tolist() == [0, 1, 3, 4]
    assert after.outlines[0].closed
    assert 7 not in np.concatenate([line.rows for line in after.soft])
    assert without(spots, work, LeftOut(np.array([0, 1, 2]))).outlines == ()
