"""The sights of a level book, held against the order in which a level is used."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from terrain.errors import Place, SurveyError, nearest
from terrain.survey.book_rows import Book, Shot, name_key
from terrain.survey.reduction import Sights

_NAN = float("nan")


def known_heights(
    book: Book, shots: Sequence[Shot], benchmarks: Mapping[str, float]
) -> dict[str, float]:
    """Heights that are known: of the plan, and of the book where it gives some."""
    names = {shot.key: shot.name for shot in shots if shot.name}
    known = {}
    for name, height in benchmarks.items():
        if name_key(name) not in names:
            raise SurveyError(
                f"the book never names the benchmark {name!r}",
                place=Place(book.path, key="benchmarks"),
                expected="benchmarks that the book was levelled from or closed on",
                mend=nearest(name, list(names.values())[:20]),
            )
        known[name_key(name)] = height
    sighted = [shot for shot in shots if shot.kinds]
    booked = sum(np.isfinite(shot.level) for shot in sighted)
    sparse = 2 * booked <= len(sighted)
    for shot in shots:
        height = shot.known
        if np.isnan(height) and (sparse or not shot.kinds):
            height = shot.level
        if np.isnan(height):
            continue
        if not shot.key:
            raise SurveyError(
                "a known height belongs to no point",
                place=book.place(shot.line, "point"),
                expected="the name of the benchmark",
                mend="write the name",
            )
        before = known.setdefault(shot.key, height)
        if abs(before - height) > 0.0005:
            raise SurveyError(
                f"{shot.name!r} is known as {book.unit.length(height, 3)} here, "
                f"and as {book.unit.length(before, 3)} elsewhere",
                place=book.place(shot.line, "known elevation"),
                expected="one known height for each benchmark",
                mend="correct one of them, in the book or under benchmarks in the plan",
            )
    first = sighted[0]
    if first.key not in known and np.isfinite(first.level):
        known[first.key] = first.level
    return known


def in_order(book: Book, shots: Sequence[Shot], known: Mapping[str, float]) -> list[Shot]:
    """Hold the sights against the order in which a level is used."""
    for shot in shots:
        if not shot.kinds and np.isnan(shot.known) and np.isnan(shot.level):
            raise SurveyError(
                f"{shot.name!r} has no reading",
                place=book.place(shot.line, "IS"),
                expected="a BS, an IS or an FS, or the known height of a benchmark",
                mend="write the reading, or remove the row",
            )
    shots = [shot for shot in shots if shot.kinds]
    ordered: list[Shot] = []
    standing = False
    for i, given in enumerate(shots):
        shot = given
        if len(shot.kinds) > 1 and "s" in shot.kinds:
            other = "BS" if "b" in shot.kinds else "FS"
            article = "a" if other == "BS" else "an"
            raise SurveyError(
                f"{shot.name!r} has {article} {other} and an IS in one row",
                place=book.place(shot.line, "IS"),
                expected="one of BS, IS and FS; BS and FS together on a turning point",
                mend=f"a turning point has an FS instead of the IS; else remove the {other}",
            )
        starts = shot.kinds == "b"
        if starts and shot.key not in known:
            raise _no_start(book, shot, known, first=i == 0)
        if not standing and not starts:
            raise _no_backsight(book, shot, ordered[-1] if ordered else None)
        following = shots[i + 1] if i + 1 < len(shots) else None
        ends = following is None or following.kinds == "b"
        if shot.kinds == "f" and not ends:
            if "side" in book.layout or shot.is_turning:
                raise SurveyError(
                    f"the FS on {shot.name!r} has no BS after it",
                    place=book.place(shot.line, "BS"),
                    expected="a BS on the same point from the next setup",
                    mend="write the BS, or move a side shot to the column IS",
                )
            shot = replace(shot, side=shot.fore, fore=_NAN)
        if shot.kinds == "s" and ends and shot.key in known:
            shot = replace(shot, fore=shot.side, side=_NAN)
        if "b" in shot.kinds and ends:
            raise SurveyError(
                f"no sight follows the BS on {shot.name!r}",
                place=book.place(shot.line, "BS"),
                expected="side shots or an FS from the setup of each BS",
                mend="add the readings that are missing, or remove the BS",
            )
        standing = "b" in shot.kinds or "f" not in shot.kinds
        if shot.kinds == "s" and shot.east_north is None and shot.key not in known:
            raise SurveyError(
                f"nothing says where {shot.name!r} is",
                place=book.place(shot.line, "point"),
                expected="easting and northing, a stake of the grid, or a station on the baseline",
                mend="give the shot a place, or remove it",
            )
        ordered.append(shot)
    return ordered


def _no_start(book: Book, shot: Shot, known: Mapping[str, float], *, first: bool) -> SurveyError:
    names = ", ".join(sorted(known)) or "none"
    if first:
        return SurveyError(
            f"the height of {shot.name!r}, where the book begins, is not known",
            place=book.place(shot.line, "point"),
            expected=f"a first backsight on a benchmark; known: {names}",
            mend="give its height under benchmarks in the plan, or in a column known elevation",
        )
    return SurveyError(
        f"the BS on {shot.name!r} follows no FS on it, and its height is not known",
        place=book.place(shot.line, "FS"),
        expected=f"an FS on the same point before the level is moved, or a benchmark: {names}",
        mend="write the FS that was taken on it, or correct the name",
    )


def _no_backsight(book: Book, shot: Shot, last: Shot | None) -> SurveyError:
    kind = "IS" if shot.kinds == "s" else "FS"
    before = (
        f"the FS on {last.name!r} in line {last.line} ended the setup"
        if last
        else "the book begins with it"
    )
    return SurveyError(
        f"the {kind} on {shot.name!r} has no BS before it: {before}",
        place=book.place(shot.line, "BS"),
        expected="a BS on a known point, or on the last turning point, first in each setup",
        mend="write the BS of this setup",
    )


def book_sights(shots: Sequence[Shot], known: Mapping[str, float]) -> Sights:
    """Readings of shots that are in order."""
    return Sights(
        back=np.array([shot.back for shot in shots]),
        side=np.array([shot.side for shot in shots]),
        fore=np.array([shot.fore for shot in shots]),
        start=np.array([known[shot.key] if shot.kinds == "b" else _NAN for shot in shots]),
    )
