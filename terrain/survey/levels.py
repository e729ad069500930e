"""A level book: staff readings on known and new points, reduced, checked and closed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from terrain.arrays import FloatArray, IntArray, StrArray
from terrain.errors import Place, SurveyError
from terrain.survey.book_order import book_sights, in_order, known_heights
from terrain.survey.book_rows import KINDS, Book, Shot, book_shots, in_one_row, open_book
from terrain.survey.closing import ChainReading, Closure, close_lines, limit_of, suspects
from terrain.survey.reduction import Arithmetic, arithmetic, height_of_instrument
from terrain.survey.setting_out import Baseline, NamedGrid
from terrain.survey.spots import Spots
from terrain.units import Unit

LONGEST_STAFF_M = 6.1  # 20 ft, the longest staff in common use
USUAL_SIGHT_M = 40.0
REPEATS_WITHIN_M = 0.05  # ground shot twice at a stake; more is another stake
_BOOKED_WITHIN_M = 0.002  # heights are booked to the millimetre, or to hundredths of a foot
_NAN = float("nan")


@dataclass(frozen=True)
class Setup:
    """One standing of the instrument: its height, m, and the point and line of its backsight."""

    plane_m: float
    on: str
    line: int


@dataclass(frozen=True)
class Repeat:
    """A place that was levelled more than once, and by how much its heights differ."""

    name: str
    lines: tuple[int, ...]
    heights_m: tuple[float, ...]

    @property
    def spread_m(self) -> float:
        """Highest less lowest, m."""
        return max(self.heights_m) - min(self.heights_m)


@dataclass(frozen=True)
class LevelBook:
    """A reduced level book.

    Attributes
    ----------
    spots
        Heights with a place, true coordinates in m; one for each place.
    name, line
        (n,) points of the book in its order, and their lines in the file.
    reduced_m, height_m
        (n,) heights as reduced, and after the misclosure is distributed.
    setups
        Standings of the instrument.
    arithmetic
        The checks at the foot of the page.
    closures
        Stretches between known points; none if the book returns to none.
    checks
        Side shots on known points: row and height less known height, m.
    repeats
        Places levelled more than once.
    """

    spots: Spots
    name: StrArray
    line: IntArray
    reduced_m: FloatArray
    height_m: FloatArray
    setups: tuple[Setup, ...]
    arithmetic: Arithmetic
    closures: tuple[Closure, ...]
    checks: tuple[tuple[int, float], ...]
    repeats: tuple[Repeat, ...]

    @property
    def worst(self) -> Closure | None:
        """The closure nearest to its limit; None if the book closes on no known point."""
        return max(
            self.closures, key=lambda c: abs(c.misclosure_m) / max(c.limit_m, 1e-12), default=None
        )

    @property
    def misclosure_m(self) -> float | None:
        """Misclosure of the closure nearest to its limit, m; None if there is none."""
        return None if self.worst is None else self.worst.misclosure_m

    @property
    def limit_m(self) -> float | None:
        """What that misclosure may be, m."""
        return None if self.worst is None else self.worst.limit_m

    @property
    def adjusted(self) -> bool:
        """Whether a misclosure was distributed."""
        return any(closure.misclosure_m != 0 for closure in self.closures)


def read_level_book(
    path: Path,
    *,
    unit: Unit,
    benchmarks: Mapping[str, float],
    where: NamedGrid | Baseline | None = None,
    limit_m: float | None = None,
    sight_m: float = USUAL_SIGHT_M,
    staff_m: float = LONGEST_STAFF_M,
) -> LevelBook:
    """Read and reduce a level book.

    One row a point, in the order of the sights: the first has a backsight on a known point, a
    turning point has a foresight and the next setup's backsight (in one row, or in two), side
    shots have their own column. A book without such a column has them under foresights; a
    foresight is then a turning point where a backsight follows on it. A reading on a staff held
    upside down has a minus or the word `inv`. A column of elevations that is mostly filled is
    the booker's own reduction and is checked; entries here and there are known heights.

    Parameters
    ----------
    path
        CSV, parted by commas, semicolons or tabs, with a header.
    unit
        Unit of bare numbers, of stations and of coordinates.
    benchmarks
        Name → known height, m.
    where
        Grid or baseline that gives points their places; None if the book has coordinates.
    limit_m
        Allowed misclosure, m; by default 12 mm times the root of the kilometres levelled.
    sight_m
        Length of a sight, m, where the book has no distances.
    staff_m
        Longest reading that the staff allows, m.

    Raises
    ------
    SurveyError
        The book cannot be read, contradicts itself, or does not close.
    UnitError
        The book names another unit.
    """
    path = Path(path)
    book, rows = open_book(path, unit, staff_m, on_baseline=isinstance(where, Baseline))
    shots, sums = book_shots(book, rows, where)
    shots = in_one_row(shots)
    known = known_heights(book, shots, benchmarks)
    shots = in_order(book, shots, known)
    sights = book_sights(shots, known)
    heights, planes = height_of_instrument(sights)
    checked = arithmetic(sights)
    _hold_sums(book, sums, checked)
    ties = {i: known[s.key] for i, s in enumerate(shots) if s.key in known and "s" not in s.kinds}
    closing = close_lines(
        sights,
        heights,
        ties,
        sight_lengths=np.array([shot.lengths for shot in shots]),
        usual_sight_m=sight_m,
        limit_m=limit_m,
    )
    for closure in closing.closures:
        if not closure.holds:
            raise _does_not_close(book, shots, closure)
    checks = _checks(book, shots, known, closing.heights, limit_m, sight_m)
    _hold_booked(book, shots, heights, closing.heights)
    spots, repeats = _spots(book, shots, closing.heights)
    backs = [shot for shot in shots if "b" in shot.kinds]
    return LevelBook(
        spots=spots,
        name=np.array([shot.name for shot in shots], dtype=np.str_),
        line=np.array([shot.line for shot in shots], dtype=np.int64),
        reduced_m=heights,
        height_m=closing.heights,
        setups=tuple(
            Setup(float(plane), shot.name, shot.line)
            for plane, shot in zip(planes, backs, strict=True)
        ),
        arithmetic=checked,
        closures=closing.closures,
        checks=checks,
        repeats=repeats,
    )


def _hold_sums(book: Book, sums: Mapping[str, tuple[int, float]], checked: Arithmetic) -> None:
    for kind, ours in (("back", checked.back), ("fore", checked.fore)):
        line, booked = sums.get(kind, (0, ours))
        if abs(booked - ours) > _BOOKED_WITHIN_M:
            raise SurveyError(
                f"the sum of the {KINDS[kind]} is booked as {book.unit.length(booked, 3)}",
                place=book.place(line, KINDS[kind]),
                expected=f"{book.unit.length(ours, 3)}, the sum of the readings above",
                mend="compare the readings with the paper book; one is missing or mistyped",
            )


def _hold_booked(
    book: Book, shots: Sequence[Shot], reduced: FloatArray, adjusted: FloatArray
) -> None:
    """Hold the booker's own heights against the reduction, before and after the adjustment."""
    booked = np.array([shot.level for shot in shots])
    off = [np.abs(booked - heights) > _BOOKED_WITHIN_M for heights in (reduced, adjusted)]
    if off[0].any() and off[1].any():
        row = int(np.argmax(off[0]))
        raise SurveyError(
            f"the height of {shots[row].name!r} is booked as "
            f"{book.unit.length(float(booked[row]), 3)}",
            place=book.place(shots[row].line, "elevation"),
            expected=f"{book.unit.length(float(reduced[row]), 3)}, as the readings reduce",
            mend="correct the reading or the height; heights that are known belong in a column "
            "known elevation, or under benchmarks in the plan",
        )


def _does_not_close(book: Book, shots: Sequence[Shot], closure: Closure) -> SurveyError:
    readings = []
    for row in range(closure.first, closure.last + 1):
        shot = shots[row]
        where = f"line {shot.line}: the {{}} on {shot.name!r}"
        if np.isfinite(shot.fore) and row > closure.first:
            readings.append(ChainReading(where.format("FS"), shot.fore_text, shot.fore, -1))
        if np.isfinite(shot.back) and row < closure.last:
            readings.append(ChainReading(where.format("BS"), shot.back_text, shot.back, 1))
    hints = suspects(closure, readings, book.unit)
    unit, last = book.unit, shots[closure.last]
    over = f"{unit.length(closure.distance_m, 0)} in {closure.setups} setup"
    return SurveyError(
        f"the levels miss the benchmark {last.name!r} by {unit.length(closure.misclosure_m, 3)}",
        place=book.place(last.line),
        expected=f"within {unit.length(closure.limit_m, 3)} after {over}"
        f"{'' if closure.setups == 1 else 's'}",
        mend="; ".join(
            hints or ("no single reading explains it: level the line again, or allow more",)
        ),
    )


def _checks(
    book: Book,
    shots: Sequence[Shot],
    known: Mapping[str, float],
    heights: FloatArray,
    limit_m: float | None,
    sight_m: float,
) -> tuple[tuple[int, float], ...]:
    """Side shots on known points against their known heights."""
    checks = []
    for row, shot in enumerate(shots):
        if shot.kinds != "s" or shot.key not in known:
            continue
        off = float(heights[row] - known[shot.key])
        limit = limit_of(2 * sight_m) if limit_m is None else limit_m
        if abs(off) > limit + 1e-9:
            unit = book.unit
            raise SurveyError(
                f"the IS on the benchmark {shot.name!r} misses it by {unit.length(off, 3)}",
                place=book.place(shot.line, "IS"),
                expected=f"within {unit.length(limit, 3)}",
                mend="check the reading and the benchmark, and whether the level was knocked",
            )
        checks.append((row, off))
    return tuple(checks)


def _spots(
    book: Book, shots: Sequence[Shot], heights: FloatArray
) -> tuple[Spots, tuple[Repeat, ...]]:
    """One spot for each place: its turning point's height, or the mean of its side shots."""
    rows_at: dict[tuple[float, float], list[int]] = {}
    for row, shot in enumerate(shots):
        if shot.east_north is not None:
            place = (round(shot.east_north[0], 4), round(shot.east_north[1], 4))
            rows_at.setdefault(place, []).append(row)
    if len(rows_at) < 3:
        raise SurveyError(
            f"{len(rows_at)} point{'' if len(rows_at) == 1 else 's'} with a place",
            place=Place(book.path),
            expected="at least 3 points",
            mend="check that the whole book was exported",
        )
    repeats, firsts, z = [], [], []
    for rows in rows_at.values():
        levelled = [float(heights[row]) for row in rows]
        if len(rows) > 1:
            lines = tuple(shots[row].line for row in rows)
            repeat = Repeat(shots[rows[0]].name, lines, tuple(levelled))
            if repeat.spread_m > REPEATS_WITHIN_M:
                raise _two_heights(book, repeat)
            repeats.append(repeat)
        turning = [row for row in rows if "s" not in shots[row].kinds]
        z.append(float(np.mean(heights[turning or rows])))
        firsts.append(rows[0])
    chosen = [shots[row] for row in firsts]
    spots = Spots(
        xyz=np.array(
            [(*(shot.east_north or (_NAN, _NAN)), h) for shot, h in zip(chosen, z, strict=True)]
        ),
        name=np.array([shot.name for shot in chosen], dtype=np.str_),
        code=np.array([shot.code for shot in chosen], dtype=np.str_),
        line=np.array([shot.line for shot in chosen], dtype=np.int64),
        source=book.path,
    )
    return spots, tuple(repeats)


def _two_heights(book: Book, repeat: Repeat) -> SurveyError:
    heights = " and ".join(book.unit.length(height, 3) for height in repeat.heights_m)
    others = ", ".join(map(str, repeat.lines[:-1]))
    return SurveyError(
        f"{repeat.name!r} has the heights {heights} (also line {others})",
        place=book.place(repeat.lines[-1], "point"),
        expected=f"one height, or several within {book.unit.length(REPEATS_WITHIN_M)}",
        mend="one of the rows is another point: correct its name or its place",
    )
