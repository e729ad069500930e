"""Roles told from codes: by name, by how a string was walked, and never against `sort_codes`."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sample_surveys import site_folder
from terrain.design import read_plan
from terrain.survey import Role, Spots, read_spots, sort_codes
from terrain.survey.proposals import propose_roles
from terrain.units import METRE


def spots(*strings: tuple[str, list[tuple[float, float]]]) -> Spots:
    xy = np.array([place for _, places in strings for place in places], dtype=np.float64)
    code = np.array([code for code, places in strings for _ in places])
    number = np.arange(1, len(xy) + 1)
    xyz = np.column_stack([xy, np.full(len(xy), 100.0)])
    return Spots(xyz, number.astype(np.str_), code, number, Path("made.csv"))


def ring(east: float, north: float, radius: float = 3.0, count: int = 12):
    turn = 2 * np.pi * np.arange(count) / count
    return list(zip(east + radius * np.cos(turn), north + radius * np.sin(turn), strict=True))


def line(north: float, count: int = 8):
    return [(3.0 * k, north + 0.3 * (k % 2)) for k in range(count)]


def roles(survey: Spots) -> dict[str, Role]:
    return {each.code: each.role for each in propose_roles(survey)}


def test_the_sample_site_is_read_as_its_plan_says():
    plan = read_plan(site_folder() / "site.toml")
    found = roles(read_spots(site_folder() / "rover.csv", unit=METRE))
    assert found == {code: Role(role) for code, role in plan.codes.items()} | {"RK": Role.ROCK}


@pytest.mark.parametrize(
    ("code", "places", "role"),
    [
        ("WE1", ring(10, 10), Role.OUTLINE),
        ("we", ring(10, 10), Role.OUTLINE),
        ("POND", ring(10, 10)[:-2], Role.OUTLINE),  # a quarter of the edge was out of reach
        ("WE1", line(5), Role.BREAKLINE),  # one bank of a stream
        ("WE1", ring(10, 10, 8, 24)[:8], Role.BREAKLINE),  # and one in a bend
        ("Q7", ring(10, 10), Role.OUTLINE),
        ("Q", ring(10, 10), Role.OUTLINE),
        ("Q7", line(5), Role.BREAKLINE),
        ("Q", line(5), Role.BREAKLINE),
        ("Q7", line(5) + line(5.8)[::-1], Role.BREAKLINE),  # to and fro along a bank
        ("TB1", ring(10, 10), Role.BREAKLINE),  # the bank round a hollow
        ("GS", line(5), Role.GROUND),
        ("GS2", ring(10, 10), Role.GROUND),
        ("RK", ring(10, 10), Role.ROCK),
        ("BOULDER3", line(5), Role.ROCK),
        ("HEDGE", line(5), Role.PLANT),
        ("DIGGER", ring(10, 10), Role.MACHINE),
        ("TBM", [(1, 1)], Role.IGNORE),
        ("SBL1", line(5), Role.SOFT_BREAKLINE),
        ("SBL2", ring(10, 10), Role.SOFT_BREAKLINE),
        ("TREE", [(1, 1), (22, 4), (6, 19), (15, 15), (3, 9), (19, 11), (9, 2)], Role.GROUND),
        ("TREE3", [(1, 1)], Role.GROUND),
    ],
)  # fmt: skip
def test_one_string(code: str, places: list, role: Role):
    base = code.upper().rstrip("0123456789")
    survey = spots(("GS", line(0)), (code, places))
    assert roles(survey)[base] is role
    sort_codes(survey, roles(survey))


def test_what_is_only_a_guess_is_said():
    told = {each.code: each for each in propose_roles(spots(("GS", line(0)), ("XYZ", [(1, 1)])))}
    assert told["GS"].known
    assert not told["XYZ"].known
    assert "unknown" in told["XYZ"].reason


def test_a_string_of_one_shot_gets_a_line_of_its_own():
    survey = spots(("TB1", line(0)), ("TB2", line(5)), ("TB3", [(1, 9)]))
    assert roles(survey) == {"TB": Role.BREAKLINE, "TB3": Role.GROUND}
    assert {each.code for each in sort_codes(survey, roles(survey)).breaklines} == {"TB1", "TB2"}


def test_a_line_of_its_own_does_not_catch_longer_numbers():
    survey = spots(("TB1", [(1, 9)]), ("TB12", line(0)), ("TB2", line(5)))
    work = sort_codes(survey, roles(survey))
    assert {each.code for each in work.breaklines} == {"TB12", "TB2"}


def test_without_codes_there_is_nothing_to_propose():
    assert propose_roles(spots(("", line(0)))) == ()


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["WE", "WE1", "WE12", "TB", "TB1", "TB11", "TB-1", "A1-2", "A", "A1",
                             "7", "GS", "GS 2", "RK", "x.y", "x.y3", "É", "1A"]),
            st.integers(0, 6), st.integers(0, 6),
        ),
        min_size=3, max_size=40,
    )
)  # fmt: skip
def test_sort_codes_takes_every_proposal(shots: list[tuple[str, int, int]]):
    survey = spots(*((code, [(east, north)]) for code, east, north in shots))
    proposed = propose_roles(survey)
    work = sort_codes(survey, {each.code: each.role for each in proposed})
    by_role = {role: sum(p.shots for p in proposed if p.role is role) for role in Role}
    assert sum(by_role.values()) == len(shots)
    off_ground = (Role.IGNORE, Role.ROCK, Role.PLANT, Role.MACHINE)
    assert int((~work.ground).sum()) == sum(by_role[role] for role in off_ground)
    assert {role: len(rows) for role, rows in work.apart.items()} == {
        role: by_role[role] for role in off_ground[1:] if by_role[role]
    }
    assert len(work.breaklines) == sum(p.strings for p in proposed if p.role is Role.BREAKLINE)
    assert len(work.outlines) == sum(p.strings for p in proposed if p.role is Role.OUTLINE)
