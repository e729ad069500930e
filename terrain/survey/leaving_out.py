"""Which shots a survey goes without: what was found, and what the user says of it."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.errors import Place, PlanError, nearest
from terrain.survey.codes import FEWEST_POINTS, CodeString, Linework, Role
from terrain.survey.findings import Finding, Kind
from terrain.survey.spots import Spots

BRIDGED = 2.5  # times the usual step of a string: as far as it may be joined past missing shots

_NONE: IntArray = np.empty(0, dtype=np.int64)


@dataclass(frozen=True)
class LeftOut:
    """What a survey goes without.

    Attributes
    ----------
    rows
        Shots that are left out, rows of the spots in order.
    restored
        Shots off the ground by their code that are taken as ground all the same.
    opened
        Steps of strings, rows of their two ends, that are not joined.
    """

    rows: IntArray
    restored: IntArray = field(default_factory=lambda: _NONE)
    opened: frozenset[tuple[int, int]] = frozenset()


def left_out(
    spots: Spots,
    findings: Sequence[Finding],
    leave_out: Sequence[str | int] = (),
    *,
    keep: Sequence[str | int] = (),
) -> LeftOut:
    """Decide what a survey goes without.

    Parameters
    ----------
    spots, findings
        The survey, and what `screen` found in it.
    leave_out, keep
        Kinds of finding ("spikes"), point names, or lines of the file ("line 120"). `keep` makes
        exceptions: what it names stays, whatever else is said.

    Raises
    ------
    PlanError
        A word is neither a kind nor a point nor a line of this survey.
    """
    out_kinds, out_rows = _understood(spots, leave_out, "leave_out")
    keep_kinds, keep_rows = _understood(spots, keep, "keep")
    rows = set(out_rows)
    opened: set[tuple[int, int]] = set()
    off_ground: set[int] = set()
    for finding in findings:
        if finding.left_out_by_default:
            off_ground.update(finding.suspects)
        if finding.kind in keep_kinds:
            continue
        if finding.left_out_by_default or finding.kind in out_kinds:
            rows.update(finding.suspects)
            if not keep_rows.intersection(finding.rows):
                opened.update(finding.opened)
        elif set(finding.rows) <= out_rows:
            opened.update(finding.opened)
    rows -= keep_rows
    return LeftOut(_sorted(rows), _sorted(off_ground - rows), frozenset(opened))


def _sorted(rows: Iterable[int]) -> IntArray:
    return np.array(sorted(rows), dtype=np.int64)


def _understood(spots: Spots, words: Sequence[str | int], key: str) -> tuple[set[Kind], set[int]]:
    """Kinds and rows that a list of the plan names."""
    kinds, rows = set(), set[int]()
    for word in words:
        text = str(word).strip()
        kind = text.lower().replace("_", " ")
        if kind in set(Kind):
            kinds.add(Kind(kind))
            continue
        line = re.fullmatch(r"line\s+(\d+)", text, re.IGNORECASE)
        named = spots.line == int(line[1]) if line else spots.name == text
        if not named.any():
            raise PlanError(
                f"{key} names {text!r}, which is no kind of finding, point or line of this survey",
                place=Place(key=key),
                expected=f"one of {', '.join(Kind)}; a point name; or a line such as 'line 120'",
                mend=nearest(kind, [*Kind, *(str(name) for name in spots.name[:10_000])]),
            )
        rows.update(int(row) for row in np.flatnonzero(named))
    return kinds, rows


def without(spots: Spots, linework: Linework, left: LeftOut) -> Linework:
    """The linework of a survey that goes without some shots.

    A line is joined past a missing shot where its neighbours are within 2.5 times its usual step;
    otherwise it is parted there, as it is at every opened step. Pieces of a single shot are no
    lines; the shot stays on the ground. An outline stays closed past missing shots, and goes if
    fewer than three are left.
    """
    gone = np.zeros(len(spots.xyz), dtype=np.bool_)
    gone[left.rows] = True
    ground = linework.ground & ~gone
    ground[left.restored] = True
    outlines = (replace(line, rows=line.rows[~gone[line.rows]]) for line in linework.outlines)
    return Linework(
        ground,
        _parted(spots.xyz, linework.breaklines, gone, left.opened),
        tuple(line for line in outlines if len(line.rows) >= FEWEST_POINTS[Role.OUTLINE]),
        _parted(spots.xyz, linework.soft, gone, left.opened),
        {
            role: np.setdiff1d(rows, left.restored)
            for role, rows in linework.apart.items()
            if not np.isin(rows, left.restored).all()
        },
    )


def _parted(
    xyz: FloatArray,
    lines: tuple[CodeString, ...],
    gone: BoolArray,
    opened: frozenset[tuple[int, int]],
) -> tuple[CodeString, ...]:
    """The pieces that are left of each line, in order."""
    pieces = []
    for line in lines:
        if not gone[line.rows].any() and not opened:
            pieces.append(line)
            continue
        keeps = np.flatnonzero(~gone[line.rows])
        rows = line.rows[keeps]
        usual = float(np.median(np.hypot(*np.diff(xyz[line.rows, :2], axis=0).T)))
        step = np.hypot(*np.diff(xyz[rows, :2], axis=0).T)
        cut = (np.diff(keeps) > 1) & (step > BRIDGED * usual)
        cut |= np.array(
            [(int(a), int(b)) in opened for a, b in pairwise(rows)],
            dtype=np.bool_,
        )
        whole = line.closed and not cut.any()
        pieces += [
            CodeString(line.code, piece, closed=whole)
            for piece in np.split(rows, np.flatnonzero(cut) + 1)
            if len(piece) >= FEWEST_POINTS[Role.BREAKLINE]
        ]
    return tuple(pieces)
