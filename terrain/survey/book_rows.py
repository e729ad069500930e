"""The rows of a level book, as they stand in a file."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from terrain.errors import Place, SurveyError, UnitError
from terrain.survey.book_columns import BookLayout, book_layout, names_book_columns
from terrain.survey.columns import contradicts, unit_in_comment, unit_row
from terrain.survey.delimited import (
    NUMBER,
    Lines,
    blocks,
    data_lines,
    decode,
    find_delimiter,
    find_header,
    hold_last_number,
    is_remark,
    may_have_decimal_commas,
    not_a_number,
    read_survey_bytes,
    wrong_width,
)
from terrain.survey.setting_out import Baseline, NamedGrid, read_offset, read_station
from terrain.survey.staff import likely_unit, read_staff
from terrain.units import Unit

_NAN = float("nan")
KINDS = {"back": "BS", "side": "IS", "fore": "FS"}
_TURNING = re.compile(r"(tp|cp|turn|change)", re.IGNORECASE)
_SUMS = re.compile(r"Σ|(page\s+)?(sums?|totals?)\b", re.IGNORECASE)
_CHECKS = re.compile(r"(arithmetic\s+)?(check|difference|diff)\W*", re.IGNORECASE)


@dataclass(frozen=True)
class Shot:
    """A row of the book."""

    line: int
    name: str
    code: str = ""
    remarks: str = ""
    back: float = _NAN
    side: float = _NAN
    fore: float = _NAN
    back_text: str = ""
    fore_text: str = ""
    known: float = _NAN
    level: float = _NAN
    lengths: tuple[float, float] = (_NAN, _NAN)
    east_north: tuple[float, float] | None = None

    @property
    def key(self) -> str:
        """The name without what people write differently each time."""
        return name_key(self.name)

    @property
    def kinds(self) -> str:
        """Which sights the row has: any of b, s and f."""
        sights = zip("bsf", (self.back, self.side, self.fore), strict=True)
        return "".join(kind for kind, reading in sights if np.isfinite(reading))

    @property
    def is_turning(self) -> bool:
        """Whether the book calls it a turning or change point."""
        return any(_TURNING.match(text) for text in (self.name, self.remarks))


def name_key(name: str) -> str:
    """A name without what people write differently each time: `bm-1` is `BM 1`."""
    return re.sub(r"[\s\-_.]+", "", name).upper()


@dataclass(frozen=True)
class Book:
    """The rows of a file and what they are read with."""

    path: Path
    unit: Unit
    layout: BookLayout
    decimal_comma: bool
    staff_m: float

    def place(self, line: int, key: str | None = None) -> Place:
        """Where in the book something is."""
        return Place(self.path, line, key)


def open_book(
    path: Path, unit: Unit, staff_m: float, *, on_baseline: bool
) -> tuple[Book, list[tuple[int, list[str]]]]:
    """Find the header and split the rows under it."""
    text = decode(path, read_survey_bytes(path))
    lines, comments = data_lines(path, text)
    top = find_header(lines, names_book_columns)
    if top is None:
        first = lines.text[0][:60] if lines.text else ""
        raise SurveyError(
            f"no header names the columns of a level book, the first row is {first!r}",
            place=Place(path, lines.number[0] if lines.number else None),
            expected="a header such as point,BS,IS,FS,remarks",
            mend="add a row that names the columns",
        )
    for remarks in (comments, lines.part(0, top)):
        _check_unit(remarks, unit)
    lines = lines.part(top)
    delimiter = find_delimiter(lines.text)
    if delimiter == " ":
        raise SurveyError(
            "the columns are parted by spaces",
            place=Place(path, lines.number[0]),
            expected="cells parted by commas, semicolons or tabs; a level book has empty cells",
            mend="export the book again as CSV",
        )
    if not text.endswith(("\n", "\r")):
        hold_last_number(lines.part(1), delimiter)
    rows = [row for block in blocks(_without_remarks(lines, delimiter), delimiter) for row in block]
    layout = book_layout(path, lines.number[0], rows[0], unit, on_baseline=on_baseline)
    kept = []
    for line, row in zip(lines.number[1:], rows[1:], strict=False):
        if not any(text.strip() for text in row):
            continue
        if len(row) > layout.width and not any(text.strip() for text in row[layout.width :]):
            row = row[: layout.width]  # noqa: PLW2901 - empty cells beyond the last column
        if len(row) != layout.width:
            raise wrong_width(row, layout.width, delimiter, Place(path, line))
        kept.append((line, row))
    if kept:
        units = unit_row(kept[0][1])
        if units is not None:
            for text, said in zip(kept[0][1], units, strict=True):
                if said and contradicts(said, unit):
                    raise _other_unit(Place(path, kept[0][0]), text.strip(), unit)
            kept = kept[1:]
    book = Book(path, unit, layout, may_have_decimal_commas(delimiter), staff_m)
    return book, kept


def _check_unit(remarks: Lines, unit: Unit) -> None:
    for text, line in zip(remarks.text, remarks.number, strict=True):
        said = unit_in_comment(text)
        if said and contradicts(said, unit):
            raise _other_unit(Place(remarks.source, line), text, unit)


def _other_unit(place: Place, text: str, unit: Unit) -> UnitError:
    return UnitError(
        f"{text!r} names another unit than the survey's {unit.key!r}",
        place=place,
        expected=f"readings in {unit.plural}",
        mend="give the survey its own unit in the plan",
    )


def _without_remarks(lines: Lines, delimiter: str) -> Lines:
    last = len(lines.text)
    while last > 1 and is_remark(lines.text[last - 1]) and delimiter not in lines.text[last - 1]:
        last -= 1
    return lines.part(0, last)


def book_shots(
    book: Book, rows: Sequence[tuple[int, list[str]]], where: NamedGrid | Baseline | None
) -> tuple[list[Shot], dict[str, tuple[int, float]]]:
    """Read the cells of each row, and the sums at the foot of the page."""
    layout = book.layout
    if where is None and not {"easting", "northing"} <= layout.position.keys():
        raise SurveyError(
            "nothing says where the points are",
            place=Place(book.path),
            expected="columns easting and northing, or a grid or a baseline in the plan",
            mend="add level_book.grid or level_book.baseline to the survey, or the two columns",
        )
    if "offset" in layout and not isinstance(where, Baseline):
        raise SurveyError(
            "the book has offsets, the plan no baseline",
            place=Place(book.path, key="offset"),
            expected="the two ends of the line that stations and offsets are measured from",
            mend="add level_book.baseline to the survey",
        )
    shots: list[Shot] = []
    pages: list[dict[str, tuple[int, float]]] = []
    for line, row in rows:
        name = layout.cell(row, "point")
        label = name or layout.cell(row, "remarks")
        if _SUMS.match(label):
            pages.append(_page_sums(book, line, row))
            continue
        if _CHECKS.fullmatch(label) or (is_remark(label) and sum(map(bool, row)) == 1):
            continue
        shots.append(_shot(book, line, row, name, where))
    if not any(shot.kinds for shot in shots):
        raise SurveyError(
            "the book has no readings",
            place=Place(book.path),
            expected="a row for each point, with its backsight, side shot or foresight",
            mend="export the book again",
        )
    return shots, pages[0] if len(pages) == 1 else {}


def _shot(
    book: Book, line: int, row: Sequence[str], name: str, where: NamedGrid | Baseline | None
) -> Shot:
    cell = book.layout.cell
    readings = {kind: _reading(book, line, cell(row, kind), kind) for kind in KINDS}
    lengths = [
        _number(book, line, cell(row, f"{kind} distance"), f"{kind} distance")
        for kind in ("back", "fore")
    ]
    return Shot(
        line,
        name,
        cell(row, "code"),
        cell(row, "remarks"),
        **readings,
        back_text=cell(row, "back"),
        fore_text=cell(row, "fore"),
        known=_number(book, line, cell(row, "known"), "known elevation"),
        level=_number(book, line, cell(row, "level"), "elevation"),
        lengths=(lengths[0], lengths[1]),
        east_north=_east_north(book, line, row, name, where),
    )


def _reading(book: Book, line: int, text: str, kind: str) -> float:
    if text in ("", "-", "--"):
        return _NAN
    place = book.place(line, KINDS[kind])
    reading = read_staff(text, book.unit, place, decimal_comma=book.decimal_comma)
    if abs(reading) > book.staff_m:
        raise SurveyError(
            f"a reading of {text}, longer than the staff",
            place=place,
            expected=f"at most {book.unit.length(book.staff_m)}",
            mend=likely_unit(reading, book.staff_m, book.unit),
        )
    return reading


def _number(book: Book, line: int, text: str, key: str) -> float:
    """Length of a cell in m, NaN if it is empty."""
    if text in ("", "-", "--"):
        return _NAN
    plain = text.replace(",", ".") if book.decimal_comma else text
    if NUMBER.fullmatch(plain) is None or not np.isfinite(float(plain)):
        raise not_a_number(book.place(line, key), text)
    return float(plain) * book.unit.metres


def _east_north(
    book: Book, line: int, row: Sequence[str], name: str, where: NamedGrid | Baseline | None
) -> tuple[float, float] | None:
    """Place of a row; None if it has none."""
    cell = book.layout.cell
    east, north = (_number(book, line, cell(row, key), key) for key in ("easting", "northing"))
    if np.isfinite(east) != np.isfinite(north):
        missing = "northing" if np.isfinite(east) else "easting"
        raise not_a_number(book.place(line, missing), "")
    if np.isfinite(east):
        return east, north
    if isinstance(where, NamedGrid):
        return where.position(name)
    if isinstance(where, Baseline):
        return _beside_line(book, line, row, where)
    return None


def _beside_line(
    book: Book, line: int, row: Sequence[str], where: Baseline
) -> tuple[float, float] | None:
    text, beside = book.layout.cell(row, "chainage"), book.layout.cell(row, "offset")
    if not text and not beside:
        return None
    place = book.place(line, "station")
    station = read_station(text, book.unit, place, decimal_comma=book.decimal_comma)
    if not where.holds(station):
        ends = (where.start_station_m, where.start_station_m + where.length_m)
        raise SurveyError(
            f"station {text} is beyond the baseline",
            place=place,
            expected=f"{book.unit.length(ends[0])} to {book.unit.length(ends[1])}",
            mend="correct the station, or lengthen the baseline in the plan",
        )
    offset = 0.0
    if "offset" in book.layout:
        place = book.place(line, "offset")
        offset = read_offset(beside, book.unit, place, decimal_comma=book.decimal_comma)
    return where.position(station, offset)


def _page_sums(book: Book, line: int, row: Sequence[str]) -> dict[str, tuple[int, float]]:
    sums = {}
    for kind in ("back", "fore"):
        text = book.layout.cell(row, kind)
        if text:
            place = book.place(line, KINDS[kind])
            value = read_staff(text, book.unit, place, decimal_comma=book.decimal_comma)
            sums[kind] = (line, value)
    return sums


def in_one_row(shots: Sequence[Shot]) -> list[Shot]:
    """Join a turning point whose foresight and backsight stand in two rows."""
    joined: list[Shot] = []
    for shot in shots:
        last = joined[-1] if joined else None
        if (
            last is not None
            and last.kinds == "f"
            and shot.kinds == "b"
            and shot.key in ("", last.key)
        ):
            lengths = (shot.lengths[0], last.lengths[1])
            known = shot.known if np.isnan(last.known) else last.known
            joined[-1] = replace(
                last, back=shot.back, back_text=shot.back_text, lengths=lengths, known=known
            )
        else:
            joined.append(shot)
    return joined
