"""Field codes to ground, breaklines and outlines."""

from pathlib import Path

import numpy as np
import pytest

from terrain.errors import SurveyError
from terrain.survey import Role, Spots, sort_codes

ROLES = {
    "GS": Role.GROUND,
    "TB": Role.BREAKLINE,
    "TOE": Role.BREAKLINE,
    "WE": Role.OUTLINE,
    "RK": Role.IGNORE,
    "SB": Role.SOFT_BREAKLINE,
    "BLD": Role.ROCK,
    "SHR": Role.PLANT,
    "VAN": Role.MACHINE,
}


def spots_of(*codes, xy=None):
    n = len(codes)
    angle = np.arange(n) * 0.3
    plan = np.column_stack([np.cos(angle), np.sin(angle)]) if xy is None else np.array(xy, float)
    return Spots(
        xyz=np.column_stack([plan, np.zeros(n)]),
        name=np.array([f"p{i}" for i in range(n)]),
        code=np.array(codes, dtype=np.str_),
        line=np.arange(n) + 2,
        source=Path("rover.csv"),
    )


def test_strings_join_shots_of_one_full_code_in_the_order_of_the_file():
    work = sort_codes(spots_of("TB1", "GS", "TB2", "TB1", "TOE1", "TB2", "TB1", "TOE1"), ROLES)
    assert [(s.code, s.rows.tolist(), s.closed) for s in work.breaklines] == [
        ("TB1", [0, 3, 6], False),
        ("TB2", [2, 5], False),
        ("TOE1", [4, 7], False),
    ]


def test_outlines_are_closed():
    (outline,) = sort_codes(spots_of("WE1", "WE1", "GS", "WE1", "WE1"), ROLES).outlines
    assert outline.closed
    assert outline.rows.tolist() == [0, 1, 3, 4]


def test_an_outline_that_ends_where_it_began_keeps_one_of_the_two():
    square = [[0, 0], [4, 0], [4, 3], [0, 3], [0, 0]]
    (outline,) = sort_codes(spots_of(*["WE"] * 5, xy=square), ROLES).outlines
    assert outline.rows.tolist() == [0, 1, 2, 3]


def test_only_ignored_codes_leave_the_ground():
    work = sort_codes(spots_of("GS", "", "RK", "TB", "TB", "WE", "WE", "WE", "RK7"), ROLES)
    assert work.ground.tolist() == [True, True, False, True, True, True, True, True, False]


@pytest.mark.parametrize("code", ["tb1", " TB1 ", "Tb1", "TB01", "TB-1", "TB_1", "TB 1", "TB123"])
def test_ways_to_write_a_string(code):
    (line,) = sort_codes(spots_of(code, code), ROLES).breaklines
    assert line.rows.tolist() == [0, 1]
    assert line.code == code.strip().upper()


def test_capitals_do_not_part_a_string():
    (line,) = sort_codes(spots_of("tb1", "TB1"), {"tb": Role.BREAKLINE}).breaklines
    assert line.code == "TB1"


def test_the_longest_known_base_wins():
    roles = {"T": Role.IGNORE, "TB": Role.BREAKLINE, "TB1": Role.GROUND, "TBX": Role.IGNORE}
    work = sort_codes(spots_of("TB2", "TB2", "TB12", "TBX", "T5", "TB1"), roles)
    assert [s.code for s in work.breaklines] == ["TB2"]
    assert work.ground.tolist() == [True, True, True, False, False, True]


@pytest.mark.parametrize(
    ("code", "nearest"),
    [("TBB1", "TB"), ("TOW", "TOE"), ("GSS", "GS"), ("WR3", "WE"), ("GRS", "GS"), ("RKX", "RK")],
)
def test_an_unknown_code_names_its_line_and_the_nearest(code, nearest):
    with pytest.raises(SurveyError) as raised:
        sort_codes(spots_of("GS", "GS", code, "GS"), ROLES)
    assert f"unknown code {code!r}" in raised.value.found
    assert f"nearest known code is {nearest!r}" in raised.value.found
    assert raised.value.place.line == 4
    assert raised.value.place.key == "code"
    assert "BLD, GS, RK, SB, SHR, TB, TOE, VAN, WE" in raised.value.expected
    assert "[codes]" in raised.value.mend


def test_an_unknown_code_without_any_known():
    with pytest.raises(SurveyError, match=r"expected.*none"):
        sort_codes(spots_of("GS"), {})


@pytest.mark.parametrize(
    ("codes", "found"),
    [
        (("GS", "TB1", "TB2", "TB2"), "'TB1' has 1 point"),
        (("GS", "WE1", "WE1"), "'WE1' has 2 points"),
        (("WE1",), "'WE1' has 1 point"),
    ],
)
def test_a_string_needs_its_points(codes, found):
    with pytest.raises(SurveyError) as raised:
        sort_codes(spots_of(*codes), ROLES)
    assert found in raised.value.found
    assert "at least" in raised.value.expected
    assert raised.value.place.line is not None


def test_points_at_one_place_count_once():
    with pytest.raises(SurveyError, match="2 points"):
        sort_codes(spots_of(*["WE"] * 4, xy=[[0, 0], [1, 0], [1, 0], [0, 0]]), ROLES)


def test_a_survey_without_codes_is_all_ground():
    work = sort_codes(spots_of("", "", ""), {})
    assert work.ground.all()
    assert work.breaklines == work.outlines == ()


def test_soft_lines_are_ground_and_no_breaklines():
    work = sort_codes(spots_of("SB1", "GS", "SB1", "TB1", "TB1", "SB2", "SB2"), ROLES)
    assert [(line.code, line.rows.tolist()) for line in work.soft] == [
        ("SB1", [0, 2]),
        ("SB2", [5, 6]),
    ]
    assert [line.code for line in work.breaklines] == ["TB1"]
    assert work.ground.all()


def test_rock_plants_and_machines_are_off_the_ground_and_told_apart():
    work = sort_codes(spots_of("BLD2", "GS", "SHR", "VAN", "RK", "BLD1", "GS"), ROLES)
    assert work.ground.tolist() == [False, True, False, False, False, False, True]
    assert {role: rows.tolist() for role, rows in work.apart.items()} == {
        Role.ROCK: [0, 5],
        Role.PLANT: [2],
        Role.MACHINE: [3],
    }


def test_a_soft_line_needs_two_places():
    with pytest.raises(SurveyError, match="soft breakline 'SB1' has 1 point"):
        sort_codes(spots_of("GS", "SB1"), ROLES)
