"""Spot heights from delimited text: any column order, one message per mistake."""

import csv
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from terrain.arrays import FloatArray, IntArray, StrArray
from terrain.errors import Place, SurveyError, UnitError
from terrain.survey.columns import (
    LETTERS,
    NEEDED,
    TWO_ORDERS,
    Heading,
    Layout,
    contradicts,
    layout_of,
    read_heading,
    unit_in_comment,
)
from terrain.survey.opening import cannot_open
from terrain.units import Unit

_LOOKED_AT = 50  # rows that decide the delimiter
_BLOCK = 20_000  # rows split at a time
_NUMBER = re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?")
_DELIMITERS = {"\t": "tabs", ";": "semicolons", ",": "commas", " ": "spaces"}
_BOMS = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}


@dataclass(frozen=True)
class Spots:
    """Surveyed points in the order of their file.

    Attributes
    ----------
    xyz
        (n, 3) easting, northing, elevation, m.
    name
        (n,) point names; the row's number where the file has no such column.
    code
        (n,) field codes as written; empty where the file has none.
    line
        (n,) line of the file, from 1.
    source
        The file.
    """

    xyz: FloatArray
    name: StrArray
    code: StrArray
    line: IntArray
    source: Path


@dataclass(frozen=True)
class _Lines:
    """Lines that hold data, with their numbers in the file."""

    source: Path
    text: list[str]
    number: list[int]


def read_spots(path: Path, *, unit: Unit, columns: str | None = None) -> Spots:
    """Read spot heights from a CSV or text file.

    Commas, semicolons (decimal commas allowed), tabs or spaces part the fields. Lines that begin
    with `#` and blank lines are left out.

    Parameters
    ----------
    path
        The file.
    unit
        Unit of its coordinates; a header or comment that names another one is an error.
    columns
        One letter per column: P point, N northing, E easting, Z elevation, D code, * skipped.
        Needed where no header names the columns.

    Raises
    ------
    SurveyError
        The file cannot be read, or a row is not what its columns say.
    UnitError
        The file names another unit.
    """
    path = Path(path)
    lines = _data_lines(path, _decode(path), unit)
    if not lines.text:
        raise SurveyError(
            "the file has no points",
            place=Place(path),
            expected="a row for each point: name, northing, easting, elevation, code",
            mend="export the survey again",
        )
    delimiter = _delimiter(lines.text)
    head = next(_blocks(lines, delimiter, size=1))[0]
    layout, has_header = _layout(path, lines.number[0], head, columns, unit)
    if has_header:
        lines = _Lines(path, lines.text[1:], lines.number[1:])
    fields = _fields(lines, layout, delimiter)
    count = len(lines.text)
    if count < 3:
        raise SurveyError(
            f"{count} point{'' if count == 1 else 's'}",
            place=Place(path),
            expected="at least 3 points",
            mend="check that the whole survey was exported",
        )
    xyz = np.column_stack(
        [
            _numbers(lines, fields[layout.position[axis]], axis, decimal_comma=delimiter in ";\t")
            for axis in ("easting", "northing", "elevation")
        ]
    )
    return Spots(
        xyz=np.ascontiguousarray(xyz * unit.metres),
        name=_texts(fields, layout, "point", [str(i + 1) for i in range(count)]),
        code=_texts(fields, layout, "code", [""] * count),
        line=np.array(lines.number, dtype=np.int64),
        source=path,
    )


def _decode(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except IsADirectoryError:
        raise SurveyError(
            "this is a folder", place=Place(path), expected="a file", mend="name a file inside it"
        ) from None
    except OSError as error:
        raise cannot_open(path, error, "survey") from None
    if not raw.strip(b"\x00 \t\r\n\xef\xbb\xbf"):
        raise SurveyError(
            "the file is empty",
            place=Place(path),
            expected="a row for each point",
            mend="export the survey again",
        )
    encoding = _BOMS.get(raw[:2], "utf-8-sig")
    if encoding == "utf-8-sig" and b"\x00" in raw:
        raise SurveyError(
            "this is a binary file",
            place=Place(path),
            expected="text: CSV or TXT (clouds end in .las or .laz)",
            mend="export the points as CSV",
        )
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError as error:
        raise SurveyError(
            f"byte 0x{raw[error.start]:02x} is not text in UTF-8",
            place=Place(path, raw.count(b"\n", 0, error.start) + 1),
            expected="text in UTF-8",
            mend="save the file again as UTF-8",
        ) from None


def _data_lines(path: Path, text: str, unit: Unit) -> _Lines:
    lines = re.split(r"\r\n|\n|\r", text) if "\r" in text else text.split("\n")
    kept, number = [], []
    for i, line in enumerate(lines, start=1):
        plain = line.strip(" \r")
        if plain.startswith("#"):
            said = unit_in_comment(plain)
            if said and contradicts(said, unit):
                raise _other_unit(path, i, f"the comment {plain!r}", unit)
        elif plain and not plain.isspace():
            kept.append(plain)
            number.append(i)
    return _Lines(path, kept, number)


def _other_unit(path: Path, line: int, what: str, unit: Unit) -> UnitError:
    return UnitError(
        f"{what} names another unit than the plan's {unit.key!r}",
        place=Place(path, line),
        expected=f"coordinates in {unit.plural}, the unit of the plan",
        mend="export the survey in the plan's unit, or change [site] unit in the plan",
    )


def _delimiter(lines: Sequence[str]) -> str:
    looked_at = lines[:_LOOKED_AT]
    for delimiter in ("\t", ";", ","):
        if all(line.count(delimiter) >= 2 for line in looked_at):
            return delimiter
    counts = {d: sum(line.count(d) >= 2 for line in looked_at) for d in "\t;,"}
    best = max(counts, key=lambda d: counts[d])
    if 2 * counts[best] > len(looked_at):
        return best
    return next((d for d in "\t;," if d in lines[0] and " " not in lines[0]), " ")


def _blocks(lines: _Lines, delimiter: str, *, size: int) -> Iterator[list[list[str]]]:
    """Split lines into rows of fields, one row a line; rows are short-lived to spare memory."""
    reader = csv.reader(
        lines.text, delimiter=delimiter, skipinitialspace=delimiter != "\t", strict=True
    )
    done = 0
    while True:
        try:
            rows = list(islice(reader, size))
        except csv.Error as error:
            raise _unpaired_quote(lines, done, str(error)) from None
        done += len(rows)
        if done != reader.line_num:
            raise _unpaired_quote(lines, done - len(rows), "a quoted text runs over the line's end")
        if not rows:
            return
        yield rows


def _unpaired_quote(lines: _Lines, start: int, why: str) -> SurveyError:
    at = next(
        (i for i in range(start, len(lines.text)) if lines.text[i].count('"') % 2),
        next((i for i in range(start, len(lines.text)) if '"' in lines.text[i]), start),
    )
    return SurveyError(
        f"the row cannot be split into fields: {why}",
        place=Place(lines.source, lines.number[at]),
        expected='one point on one line, quotes in pairs such as "top of bank"',
        mend="close or remove the quote",
    )


def _fields(lines: _Lines, layout: Layout, delimiter: str) -> list[list[str]]:
    """Texts of each column."""
    fields: list[list[str]] = [[] for _ in range(layout.width)]
    done = 0
    for block in _blocks(lines, delimiter, size=_BLOCK):
        rows = block
        if set(map(len, rows)) != {layout.width}:
            rows = [
                _even_row(row, layout, delimiter, Place(lines.source, lines.number[done + i]))
                for i, row in enumerate(rows)
            ]
        for column, texts in zip(fields, zip(*rows, strict=True), strict=True):
            column.extend(texts)
        done += len(rows)
    return fields


def _layout(
    path: Path, line: int, head: Sequence[str], columns: str | None, unit: Unit
) -> tuple[Layout, bool]:
    """Columns from the letters or the header, and whether the first line is a header."""
    headings = [read_heading(text) for text in head]
    named = {heading.column for heading in headings if heading.column}
    is_header = not any(_looks_numeric(text) for text in head) and bool(named)
    if is_header:
        for heading in headings:
            if heading.unit and contradicts(heading.unit, unit):
                raise _other_unit(path, line, f"the column {heading.text!r}", unit)
    if columns is not None:
        layout = _lettered(path, columns)
        if is_header:
            _check_against_header(path, line, headings, columns, layout)
        return layout, is_header
    if not is_header:
        raise SurveyError(
            f"no header names the columns, the first row is {' '.join(head)[:60]!r}",
            place=Place(path, line),
            expected="a header such as point,northing,easting,elevation,code, or columns in the "
            f"plan: {TWO_ORDERS}",
            mend="say which order it is with columns; a wrong guess would turn the site over",
        )
    return _headed(path, line, headings), True


def _looks_numeric(text: str) -> bool:
    return bool(_NUMBER.fullmatch(text.strip().replace(",", ".")))


def _lettered(path: Path, columns: str) -> Layout:
    letters = columns.strip().upper()
    place = Place(path, key="columns")
    expected = f"letters such as {TWO_ORDERS}; * skips a column"
    unknown = sorted(set(letters) - set(LETTERS))
    if unknown:
        raise SurveyError(
            f"columns {columns!r} has the unknown letter {unknown[0]!r}",
            place=place,
            expected=expected,
            mend="use P, N, E, Z, D and *",
        )
    twice = [letter for letter in "PNEZD" if letters.count(letter) > 1]
    if twice:
        raise SurveyError(
            f"columns {columns!r} names {LETTERS[twice[0]]} twice",
            place=place,
            expected=expected,
            mend="name each column once",
        )
    layout = layout_of([LETTERS[letter] for letter in letters])
    missing = [name for name in NEEDED if name not in layout.position]
    if missing:
        raise SurveyError(
            f"columns {columns!r} has no {' and no '.join(missing)}",
            place=place,
            expected=expected,
            mend="add the missing letters where the columns stand in the file",
        )
    return layout


def _headed(path: Path, line: int, headings: Sequence[Heading]) -> Layout:
    names = [heading.column for heading in headings]
    found = ", ".join(repr(heading.text) for heading in headings)
    twice = [name for name in LETTERS.values() if name and names.count(name) > 1]
    if twice:
        both = [repr(heading.text) for heading in headings if heading.column == twice[0]]
        raise SurveyError(
            f"{' and '.join(both)} both name the {twice[0]}",
            place=Place(path, line),
            expected=f"one column for the {twice[0]}",
            mend="rename or remove one of them, or give columns in the plan",
        )
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise SurveyError(
            f"the header has no column for the {' and the '.join(missing)}; found {found}",
            place=Place(path, line),
            expected="columns northing, easting and elevation (point and code if there are any)",
            mend=f"add or rename the column, or give columns in the plan: {TWO_ORDERS}",
        )
    return layout_of(names)


def _check_against_header(
    path: Path, line: int, headings: Sequence[Heading], columns: str, layout: Layout
) -> None:
    for name, position in layout.position.items():
        heading = headings[position] if position < len(headings) else None
        if heading is not None and heading.column not in ("", name):
            raise SurveyError(
                f"columns {columns!r} makes column {position + 1} the {name}, "
                f"the header calls it {heading.text!r}",
                place=Place(path, line),
                expected="columns in the plan that agree with the header",
                mend="leave columns out, or correct it",
            )


def _even_row(row: list[str], layout: Layout, delimiter: str, place: Place) -> list[str]:
    """A row of the layout's width; only what cannot be mistaken is evened out."""
    width = layout.width
    if len(row) == width:
        return row
    if len(row) > width and not any(text.strip() for text in row[width:]):
        return row[:width]
    if delimiter == " " and layout.code_is_last:
        if len(row) == width - 1:
            return [*row, ""]
        if len(row) > width:
            return [*row[: width - 1], " ".join(row[width - 1 :])]
    count = f"{len(row)} field{'' if len(row) == 1 else 's'}"
    raise SurveyError(
        f"{count}, parted by {_DELIMITERS[delimiter]}",
        place=place,
        expected=f"{width} fields, one for each column",
        mend="add the missing fields or remove the extra ones; quote a text that holds a delimiter",
    )


def _numbers(lines: _Lines, texts: Sequence[str], axis: str, *, decimal_comma: bool) -> FloatArray:
    """Finite numbers from texts."""
    if decimal_comma and any("," in text for text in texts):
        texts = [text.replace(",", ".") for text in texts]
    try:
        values = np.array(list(map(float, texts)), dtype=np.float64)
    except ValueError:
        values = None
    joined = "".join(texts)
    plain = joined.isascii() and "_" not in joined  # float() also takes 1_000 and other digits
    if values is not None and plain and np.isfinite(values).all():
        return values
    for text, line in zip(texts, lines.number, strict=True):
        if _NUMBER.fullmatch(text.strip()) is None or not math.isfinite(float(text)):
            raise _not_a_number(Place(lines.source, line, axis), text)
    return np.array([float(text) for text in texts])


def _not_a_number(place: Place, text: str) -> SurveyError:
    mend = "correct the number"
    if not text.strip():
        mend = "fill in the number, or remove the row"
    elif "," in text:
        mend = "write decimal points, or part the fields by semicolons where commas are decimal"
    elif place.key in ("northing", "easting") and re.search(r"[A-Za-z]", text):
        mend = "correct the number, or check the order of the columns"
    what = f"{text.strip()!r} is not a number" if text.strip() else "the field is empty"
    return SurveyError(what, place=place, expected="a finite number", mend=mend)


def _texts(
    fields: Sequence[Sequence[str]], layout: Layout, column: str, default: list[str]
) -> StrArray:
    position = layout.position.get(column)
    texts = default if position is None else [text.strip() for text in fields[position]]
    return np.array(texts, dtype=np.str_)
