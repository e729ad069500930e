"""Everything in a survey that should be looked at, each with its place, size and reason."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.spatial import cKDTree

from terrain.arrays import FloatArray, IntArray
from terrain.survey.codes import CodeString, Linework, Role
from terrain.survey.pole import pole_runs
from terrain.survey.screening import (
    SAME_HEIGHT_M,
    HeightsOff,
    Outlook,
    disagreeing,
    groups,
    heights_off,
    levelled,
    look_around,
)
from terrain.survey.spots import Spots
from terrain.survey.walked import beside_its_line, crossings, walked_back

NEAR_M = 0.05  # nearer than this, two shots were meant for one place
UNLIKE_M = 0.05  # what two shots of one place may differ by: noise of a rover (common practice)


class Kind(StrEnum):
    """What is wrong, or worth knowing. The words are those of `leave_out` in a plan."""

    DUPLICATES = "duplicates"
    TWO_HEIGHTS = "two heights"
    NEAR_DUPLICATES = "near duplicates"
    CROSSINGS = "crossings"
    SELF_CROSSINGS = "self crossings"
    ORDER = "order"
    SPIKES = "spikes"
    PITS = "pits"
    BUSTS = "busts"
    JUMPS = "jumps"
    POLE_HEIGHT = "pole height"
    ROCKS = "rocks"
    PLANTS = "plants"
    MACHINES = "machines"


KIND_OF_ROLE = {Role.ROCK: Kind.ROCKS, Role.PLANT: Kind.PLANTS, Role.MACHINE: Kind.MACHINES}


@dataclass(frozen=True)
class Finding:
    """Something of a survey that should be looked at.

    Attributes
    ----------
    kind
        What it is.
    rows
        The shots that it is about, rows of the spots.
    name, line
        The shot that is named: its point and its line of the file.
    xyz
        Where it is, m.
    size_m
        How large it is, m: up (+) or down (−) where it is a height.
    reason
        The same in words, lengths in metres.
    suspects
        Rows that go if it is left out.
    opened
        Steps of strings, rows of their two ends, that are no longer joined if it is left out.
    left_out_by_default
        Whether it is left out without being asked for.
    """

    kind: Kind
    rows: tuple[int, ...]
    name: str
    line: int
    xyz: tuple[float, float, float]
    size_m: float
    reason: str
    suspects: tuple[int, ...] = ()
    opened: tuple[tuple[int, int], ...] = ()
    left_out_by_default: bool = False


def screen(
    spots: Spots, linework: Linework, *, tolerance_m: float | None = None
) -> tuple[Finding, ...]:
    """Screen a survey for what cannot be true, or needs a person to look.

    Parameters
    ----------
    spots
        The survey.
    linework
        What its codes say.
    tolerance_m
        Smallest height worth a question, m; see `odd_heights`.

    Returns
    -------
    tuple of Finding
        By kind in the order of `Kind`, then by line of the file.
    """
    lines = (*linework.breaklines, *linework.soft)
    walked = [string.rows for string in (*lines, *linework.outlines)]
    outlook = look_around(spots, linework.ground, walked)
    off = heights_off(outlook, tolerance_m=tolerance_m)
    found = [
        *_duplicates(spots, off),
        *_near_duplicates(spots, off, walked),
        *_crossings(spots, lines),
        *(finding for line in (*lines, *linework.outlines) for finding in _order(spots, line)),
        *_jumps(spots, (*lines, *linework.outlines)),
        *_off_ground(spots, linework),
    ]
    runs = list(_runs(spots, outlook, off, tolerance_m))
    told = {row for finding in (*found, *runs) if _explains(finding) for row in finding.suspects}
    found += [*runs, *_single_heights(spots, off, (*lines, *linework.outlines), told)]
    kinds = list(Kind)
    return tuple(sorted(found, key=lambda each: (kinds.index(each.kind), each.line)))


def _explains(finding: Finding) -> bool:
    """Whether the heights of a finding's shots need no second finding."""
    return finding.kind in {Kind.TWO_HEIGHTS, Kind.NEAR_DUPLICATES, Kind.POLE_HEIGHT}


def _finding(
    spots: Spots,
    kind: Kind,
    rows: Iterable[int],
    size: float,
    reason: str,
    *,
    at: FloatArray | None = None,
    suspects: Iterable[int] = (),
    opened: tuple[tuple[int, int], ...] = (),
    left_out_by_default: bool = False,
) -> Finding:
    rows = tuple(int(row) for row in rows)
    x, y, z = (float(value) for value in (spots.xyz[rows[0]] if at is None else at))
    return Finding(
        kind,
        rows,
        str(spots.name[rows[0]]),
        int(spots.line[rows[0]]),
        (x, y, z),
        size,
        reason,
        tuple(int(row) for row in suspects),
        opened,
        left_out_by_default,
    )


def _point(spots: Spots, row: int) -> str:
    return f"{spots.name[row]} (line {spots.line[row]})"


def _side(height: float) -> str:
    return "above" if height > 0 else "below"


def _duplicates(spots: Spots, off: HeightsOff) -> Iterator[Finding]:
    """Shots at exactly one place: with one height, or with different ones."""
    unlike = disagreeing(spots, off)
    apart = {i for i, _ in unlike}
    for i, best in unlike:
        row, other = int(off.rows[i]), int(off.rows[best])
        height = float(spots.xyz[row, 2] - spots.xyz[other, 2])
        reason = (
            f"same place as {_point(spots, other)} but {abs(height):.3f} m {_side(height)} it; "
            "only one height can stand"
        )
        kind = Kind.TWO_HEIGHTS
        yield _finding(spots, kind, (row, other), height, reason, suspects=[row])
    candidates = np.flatnonzero(off.doubled)
    for group in groups(candidates, off.place[candidates]):
        same = [int(off.rows[i]) for i in group if int(i) not in apart]
        if len(same) > 1:
            reason = f"shot {len(same)} times at one place and height; counts once, harmless"
            yield _finding(spots, Kind.DUPLICATES, same, 0.0, reason, suspects=same[1:])


def _near_duplicates(spots: Spots, off: HeightsOff, walked: list[IntArray]) -> Iterator[Finding]:
    """Shots within a few centimetres of each other whose heights differ.

    Shots of two different strings are not: the head and the foot of a wall are shot so.
    """
    if len(off.first) < 2:
        return
    level = levelled(spots.xyz[off.rows])
    string = np.full(len(spots.xyz), -1, dtype=np.int64)
    for k, rows in enumerate(walked):
        string[rows] = k
    first = off.first
    pairs = first[cKDTree(level[first, :2]).query_pairs(NEAR_M, output_type="ndarray")]
    height = level[pairs[:, 0], 2] - level[pairs[:, 1], 2]
    of = string[off.rows[pairs]]
    wall = (of[:, 0] != of[:, 1]) & (of >= 0).all(axis=1)
    for i, j in pairs[(np.abs(height) > UNLIKE_M) & ~wall]:
        fit = np.nan_to_num(np.abs(off.nearest_m[[i, j]]), nan=np.inf)
        worse, other = (int(off.rows[k]) for k in ((i, j) if fit[0] > fit[1] else (j, i)))
        apart = spots.xyz[worse] - spots.xyz[other]
        reason = (
            f"{np.hypot(*apart[:2]) * 1000:.0f} mm from {_point(spots, other)} in plan but "
            f"{abs(apart[2]):.2f} m {_side(apart[2])} it"
        )
        yield _finding(
            spots,
            Kind.NEAR_DUPLICATES,
            (worse, other),
            float(apart[2]),
            reason,
            suspects=[worse],
        )


def _crossings(spots: Spots, lines: tuple[CodeString, ...]) -> Iterator[Finding]:
    """Lines that cross with two heights, and lines that cross themselves."""
    for met in crossings(spots.xyz, lines):
        step, other = met.rows
        height = float(met.z[0] - met.z[1])
        itself = met.strings[0] == met.strings[1]
        if abs(height) <= SAME_HEIGHT_M and not itself:
            continue
        length = [float(np.hypot(*np.diff(spots.xyz[ends, :2], axis=0)[0])) for ends in met.rows]
        longer = 0 if length[0] >= length[1] else 1
        a, b = (int(row) for row in met.rows[longer])
        one, two = (lines[k].code for k in met.strings)
        between = [f"{spots.name[ends[0]]}–{spots.name[ends[1]]}" for ends in met.rows]
        said = f"{one} crosses {'itself' if itself else two}"
        reason = (
            f"{said}: {between[0]} at {met.z[0]:.2f} m, {between[1]} at {met.z[1]:.2f} m, "
            f"{abs(height):.2f} m apart; if left out, {lines[met.strings[longer]].code} is not "
            f"joined from {spots.name[a]} to {spots.name[b]}"
        )
        kind = Kind.SELF_CROSSINGS if itself else Kind.CROSSINGS
        at = np.append(met.xy, met.z.mean())
        rows = (*step, *other)
        yield _finding(spots, kind, rows, height, reason, at=at, opened=((a, b),))


def _order(spots: Spots, line: CodeString) -> Iterator[Finding]:
    for back in walked_back(spots.xyz, line.rows):
        a, b = back.rows
        reason = (
            f"{line.code} goes back {back.back_m:.2f} m from {_point(spots, a)} to "
            f"{_point(spots, b)}: shots out of order?"
        )
        at = (spots.xyz[a] + spots.xyz[b]) / 2
        yield _finding(spots, Kind.ORDER, back.rows, back.back_m, reason, at=at, opened=back.steps)


def _jumps(spots: Spots, lines: tuple[CodeString, ...]) -> Iterator[Finding]:
    for line in lines:
        back = {row for each in walked_back(spots.xyz, line.rows) for row in each.rows}
        for row, aside in beside_its_line(spots.xyz, line.rows):
            if row not in back:
                reason = f"{aside:.2f} m beside {line.code} as the shots before and after walk it"
                yield _finding(spots, Kind.JUMPS, [row], aside, reason, suspects=[row])


def _runs(
    spots: Spots, outlook: Outlook, off: HeightsOff, tolerance_m: float | None
) -> Iterator[Finding]:
    for run in pole_runs(spots, outlook, off, tolerance_m=tolerance_m):
        first, last = run.rows[0], run.rows[-1]
        how = "high" if run.off_m > 0 else "low"
        reason = (
            f"shots {spots.name[first]}–{spots.name[last]} are all {abs(run.off_m):.2f} m {how}: "
            "pole height changed?"
        )
        yield _finding(spots, Kind.POLE_HEIGHT, run.rows, run.off_m, reason, suspects=run.rows)


def _single_heights(
    spots: Spots, off: HeightsOff, lines: tuple[CodeString, ...], told: set[int]
) -> Iterator[Finding]:
    """Single shots off the ground, or off their string."""
    code = {int(row): line.code for line in lines for row in line.rows}
    for i in np.flatnonzero(off.odd & ~off.doubled):
        row, height = int(off.rows[i]), float(off.typical_m[i])
        if row in told:
            continue
        size = f"{abs(height):.2f} m {_side(height)}"
        if row in code:
            kind, reason = Kind.BUSTS, f"{size} its string {code[row]} and the ground beside it"
        else:
            kind = Kind.SPIKES if height > 0 else Kind.PITS
            reason = f"{size} the ground around it"
        yield _finding(spots, kind, [row], height, reason, suspects=[row])


def _off_ground(spots: Spots, linework: Linework) -> Iterator[Finding]:
    """Shots that their codes say are on rock, plants or machines, together for each full code."""
    ground = spots.xyz[linework.ground]
    tree = cKDTree(ground[:, :2]) if len(ground) else None
    for role, rows in linework.apart.items():
        codes = np.char.upper(np.char.strip(spots.code[rows]))
        for code in np.unique(codes):
            own = rows[codes == code]
            top = own[np.argmax(spots.xyz[own, 2])]
            size, above = 0.0, ""
            if tree is not None:
                _, near = tree.query(spots.xyz[own, :2], k=[1, 2, 3][: len(ground)])
                over = spots.xyz[own, 2] - np.median(ground[near, 2], axis=1)
                top, size = own[np.argmax(over)], float(over.max())
                above = f", up to {size:.2f} m above the ground beside"
            shots = "shot" if len(own) == 1 else "shots"
            reason = f"{len(own)} {shots} on a {role.value} by code {code}{above}"
            yield _finding(
                spots,
                KIND_OF_ROLE[role],
                own,
                size,
                reason,
                at=spots.xyz[top],
                suspects=own,
                left_out_by_default=True,
            )
