"""Field codes to linework: which shots are ground, which walk a line, which lie off the ground."""

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from terrain.arrays import BoolArray, IntArray
from terrain.errors import Place, SurveyError
from terrain.survey.spots import Spots


class Role(StrEnum):
    """What a field code says of its shots.

    A soft breakline has triangle edges along it but is no break in slope. Shots of rock, plants
    and machines lie off the ground, and are told apart from those to be ignored.
    """

    GROUND = "ground"
    BREAKLINE = "breakline"
    SOFT_BREAKLINE = "soft_breakline"
    OUTLINE = "outline"
    ROCK = "rock"
    PLANT = "plant"
    MACHINE = "machine"
    IGNORE = "ignore"


FEWEST_POINTS = {Role.BREAKLINE: 2, Role.SOFT_BREAKLINE: 2, Role.OUTLINE: 3}
OFF_GROUND = (Role.ROCK, Role.PLANT, Role.MACHINE)


@dataclass(frozen=True)
class CodeString:
    """Shots of one full code, in walking order.

    Attributes
    ----------
    code
        The full code in capitals, string number included: `TB12`.
    rows
        (k,) rows of the spots, in the order of the file.
    closed
        The last shot joins the first.
    """

    code: str
    rows: IntArray
    closed: bool


@dataclass(frozen=True)
class Linework:
    """The shots of a survey, sorted by what their codes say.

    Attributes
    ----------
    ground
        (n,) true where a shot lies on the ground; shots of lines and outlines do.
    breaklines, outlines, soft
        Strings in the order in which their first shot stands in the file; `soft` are lines that
        triangles follow without a break in slope.
    apart
        Rows of the shots on rock, plants and machines, by role; those that occur.
    """

    ground: BoolArray
    breaklines: tuple[CodeString, ...]
    outlines: tuple[CodeString, ...]
    soft: tuple[CodeString, ...] = ()
    apart: Mapping[Role, IntArray] = field(default_factory=dict)


def _base_of(code: str, bases: tuple[str, ...]) -> str | None:
    """Longest known base that `code` is made of, alone or followed by a string number."""
    fitting = (
        base
        for base in bases
        if code.startswith(base) and re.fullmatch(r"(?:[-_. ]?\d+)?", code[len(base) :])
    )
    return max(fitting, key=len, default=None)


def role_of(code: str, roles: Mapping[str, Role]) -> Role | None:
    """What one full code says of its shots, as `sort_codes` reads it; None if nobody knows it."""
    table = {base.strip().upper(): Role(role) for base, role in roles.items()}
    base = _base_of(code.strip().upper(), tuple(table))
    return None if base is None else table[base]


def _unknown_code(spots: Spots, code: str, rows: IntArray, bases: tuple[str, ...]) -> SurveyError:
    letters = re.sub(r"[-_. ]?\d+$", "", code)
    near = difflib.get_close_matches(code, bases, n=1, cutoff=0.0) if bases else []
    near = difflib.get_close_matches(letters, bases, n=1, cutoff=0.4) or near
    shots = f"{len(rows)} shots have" if len(rows) > 1 else "1 shot has"
    known = ", ".join(sorted(bases)) or "none"
    guess = f"; the nearest known code is {near[0]!r}" if near else ""
    return SurveyError(
        f"unknown code {code!r} ({shots} it){guess}",
        place=Place(spots.source, int(spots.line[rows[0]]), "code"),
        expected=f"a code of the plan, alone or with a string number: {known}",
        mend=f'correct the code, or add a line such as {letters} = "ground" to [codes] in the plan',
    )


def _string(spots: Spots, code: str, role: Role, rows: IntArray) -> CodeString:
    closed = role is Role.OUTLINE
    plan = spots.xyz[rows, :2]
    if closed and len(rows) > 1 and np.array_equal(plan[0], plan[-1]):
        rows = rows[:-1]
    different = len(np.unique(spots.xyz[rows, :2], axis=0))
    fewest = FEWEST_POINTS[role]
    if different < fewest:
        raise SurveyError(
            f"{role.replace('_', ' ')} {code!r} has {different} point{'s' * (different > 1)}",
            place=Place(spots.source, int(spots.line[rows[0]]), "code"),
            expected=f"at least {fewest} points at different places",
            mend=f"shoot or add the missing points of {code!r}, or give the shots a ground code",
        )
    return CodeString(code, rows, closed)


def sort_codes(spots: Spots, roles: Mapping[str, Role]) -> Linework:
    """Sort shots by the roles of their codes and join strings.

    A code is a known base, alone or followed by the number of a string: `TB1` and `TB12` are two
    strings of `TB`. The longest known base wins, capitals do not matter, and an empty code is
    ground. A string joins the shots of the same full code in the order of the file.

    Parameters
    ----------
    spots
        The survey.
    roles
        Base code → role.

    Raises
    ------
    SurveyError
        A code is not in the table, or a string has too few points.
    """
    table = {base.strip().upper(): Role(role) for base, role in roles.items()}
    bases = tuple(table)
    n = len(spots.code)
    ground = np.ones(n, dtype=np.bool_)
    codes, first, of_row = np.unique(
        np.char.upper(np.char.strip(spots.code)), return_index=True, return_inverse=True
    )
    order = np.argsort(of_row, kind="stable")
    rows_of = np.split(order, np.cumsum(np.bincount(of_row, minlength=len(codes)))[:-1])
    strings: dict[Role, list[CodeString]] = {role: [] for role in FEWEST_POINTS}
    apart: dict[Role, list[IntArray]] = {}
    for index in np.argsort(first):
        code, rows = str(codes[index]), rows_of[index].astype(np.int64)
        if not code:
            continue
        base = _base_of(code, bases)
        if base is None:
            raise _unknown_code(spots, code, rows, bases)
        role = table[base]
        if role in strings:
            strings[role].append(_string(spots, code, role, rows))
        elif role is not Role.GROUND:
            ground[rows] = False
        if role in OFF_GROUND:
            apart.setdefault(role, []).append(rows)
    return Linework(
        ground,
        tuple(strings[Role.BREAKLINE]),
        tuple(strings[Role.OUTLINE]),
        tuple(strings[Role.SOFT_BREAKLINE]),
        {role: np.sort(np.concatenate(rows)) for role, rows in apart.items()},
    )
