"""Spot heights from delimited text: any column order, one message per mistake."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
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
    is_geographic,
    layout_of,
    metres_of,
    read_heading,
    sigma_column,
    unit_in_comment,
    unit_row,
)
from terrain.survey.delimited import (
    LOOKED_AT,
    NUMBER,
    Lines,
    blocks,
    data_lines,
    decode,
    find_delimiter,
    find_header,
    hold_last_number,
    is_remark,
    looks_numeric,
    may_have_decimal_commas,
    numbers,
    read_survey_bytes,
    wrong_width,
)
from terrain.units import Unit

_AXES = ("easting", "northing", "elevation")
_UNKNOWN = frozenset({"", "-", "--", "?", "na", "n/a", "nan", "none", "null"})
_SUMMARIES = frozenset({
    "count", "end", "eof", "max", "maximum", "mean", "average", "min", "minimum", "number",
    "points", "rows", "shots", "std", "sum", "summary", "total", "totals",
})  # fmt: skip
_LONG = 1_000_000  # bytes from which the one-pass reader is worth its loading
_HEAD = 65_536  # bytes that surely hold the lines that decide the layout


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
    sigma
        (n,) standard deviation of each elevation as the instrument states it, m; NaN where the
        file does not say.
    """

    xyz: FloatArray
    name: StrArray
    code: StrArray
    line: IntArray
    source: Path
    sigma: FloatArray = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        if len(self.sigma) != len(self.xyz):
            object.__setattr__(self, "sigma", np.full(len(self.xyz), np.nan))


@dataclass(frozen=True)
class _Table:
    """How the lines of a file hold its points."""

    layout: Layout
    delimiter: str
    first: int  # index of the first line of points


def read_spots(path: Path, *, unit: Unit, columns: str | None = None) -> Spots:
    """Read spot heights from a CSV or text file.

    Commas, semicolons (decimal commas allowed), tabs or spaces part the fields. Blank lines, lines
    that begin with `#` or `//`, remarks above the header, a row of units under it and totals at
    the end are no points. Of the columns of quality, the vertical accuracy is kept.

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
    raw = read_survey_bytes(path)
    if len(raw) > _LONG:
        spots = _read_plain(path, raw, unit, columns)
        if spots is not None:
            return spots
    text = decode(path, raw)
    is_open = not text.endswith(("\n", "\r"))
    lines, comments = data_lines(path, text)
    del raw, text
    _check_remarks(comments, unit)
    if not lines.text:
        raise SurveyError(
            "the file has no points",
            place=Place(path),
            expected="a row for each point: name, northing, easting, elevation, code",
            mend="export the survey again",
        )
    table = _table(lines, columns, unit)
    if is_open:
        hold_last_number(lines.part(table.first), table.delimiter)
    return _read_lines(_without_totals(lines.part(table.first), table), table, unit)


def _read_lines(lines: Lines, table: _Table, unit: Unit) -> Spots:
    """Read points from lines of any sort, with a message for each mistake."""
    layout, decimal_comma = table.layout, may_have_decimal_commas(table.delimiter)
    fields = _fields(lines, table)
    count = len(lines.text)
    if count < 3:
        raise SurveyError(
            f"{count} point{'' if count == 1 else 's'}",
            place=Place(lines.source),
            expected="at least 3 points",
            mend="check that the whole survey was exported",
        )
    xyz = np.column_stack(
        [
            numbers(lines, fields[layout.position[axis]], axis, decimal_comma=decimal_comma)
            for axis in _AXES
        ]
    )
    sigma = np.empty(0)
    if "sigma" in layout.position:
        texts = fields[layout.position["sigma"]]
        sigma = np.array(
            [
                _sigma(text, Place(lines.source, line, "accuracy"), decimal_comma=decimal_comma)
                for text, line in zip(texts, lines.number, strict=True)
            ]
        )
    return Spots(
        xyz=np.ascontiguousarray(xyz * unit.metres),
        name=_texts(fields, layout, "point", [str(i + 1) for i in range(count)]),
        code=_texts(fields, layout, "code", [""] * count),
        line=np.array(lines.number, dtype=np.int64),
        source=lines.source,
        sigma=sigma * layout.sigma_unit,
    )


def _read_plain(path: Path, raw: bytes, unit: Unit, columns: str | None) -> Spots | None:
    """Read a long file without any peculiarity in one pass; None if it has one."""
    from terrain.survey.plain_rows import plain_rows  # noqa: PLC0415 - numba, for long files only

    cut = raw.rfind(b"\n", 0, _HEAD)
    try:
        head = raw[: cut + 1].decode("ascii")
    except UnicodeDecodeError:
        return None
    if "\r" in head.replace("\r\n", ""):
        return None
    lines, comments = data_lines(path, head)
    if len(lines.text) <= 2 * LOOKED_AT:
        return None
    _check_remarks(comments, unit)
    table = _table(lines, columns, unit)
    if not raw.endswith(b"\n") and _may_be_cut(path, raw, table.delimiter):
        return None
    first = lines.number[table.first]
    start = len("".join(head.splitlines(keepends=True)[: first - 1]))
    rows = plain_rows(raw[start:].rstrip(b"\r\n "), table.delimiter, table.layout.width)
    if rows is None:
        return None
    at, decimal_comma = table.layout.position, may_have_decimal_commas(table.delimiter)
    axes = [rows.floats(at[axis], decimal_comma=decimal_comma) for axis in _AXES]
    sigma: FloatArray | None = np.empty(0)
    if "sigma" in at:
        sigma = rows.floats(at["sigma"], decimal_comma=decimal_comma)
    if any(axis is None for axis in axes) or sigma is None or (sigma < 0).any():
        return None
    names = rows.texts(at["point"]) if "point" in at else _row_numbers(len(rows))
    if names[-1].split()[:1] and names[-1].split()[0].lower() in _SUMMARIES:
        return None
    xyz = np.column_stack([axis for axis in axes if axis is not None])
    xyz *= unit.metres
    return Spots(
        xyz=xyz,
        name=names,
        code=rows.texts(at["code"]) if "code" in at else np.zeros(len(rows), dtype="U1"),
        line=np.arange(first, first + len(rows), dtype=np.int64),
        source=path,
        sigma=sigma * table.layout.sigma_unit,
    )


def _may_be_cut(path: Path, raw: bytes, delimiter: str) -> bool:
    tail = raw[-_HEAD:].decode("ascii", errors="replace").split("\n")[1:]
    try:
        hold_last_number(Lines(path, tail, list(range(len(tail)))), delimiter)
    except SurveyError:
        return True
    return False


def _row_numbers(count: int) -> StrArray:
    return np.arange(1, count + 1).astype(f"U{len(str(count))}")


def _check_remarks(remarks: Lines, unit: Unit) -> None:
    for text, line in zip(remarks.text, remarks.number, strict=True):
        said = unit_in_comment(text)
        if said and contradicts(said, unit):
            raise _other_unit(remarks.source, line, f"the comment {text!r}", unit)


def _other_unit(path: Path, line: int, what: str, unit: Unit) -> UnitError:
    return UnitError(
        f"{what} names another unit than the plan's {unit.key!r}",
        place=Place(path, line),
        expected=f"coordinates in {unit.plural}, the unit of the plan",
        mend="export the survey in the plan's unit, or change [site] unit in the plan",
    )


def _names_columns(fields: Sequence[str]) -> bool:
    named = {read_heading(text).column for text in fields}
    return named.issuperset(NEEDED)


def _table(lines: Lines, columns: str | None, unit: Unit) -> _Table:
    """Find the header above the points, or the first point where there is none."""
    top = find_header(lines, _names_columns)
    if top is None:
        top = 0
        while top < len(lines.text) - 1 and is_remark(lines.text[top]):
            top += 1
    _check_remarks(lines.part(0, top), unit)
    delimiter = find_delimiter(lines.text[top:])
    for text, line in zip(lines.text[:top], lines.number[:top], strict=True):
        if sum(looks_numeric(word) for word in text.split(delimiter)) >= len(NEEDED):
            raise SurveyError(
                f"a row of numbers stands above the header of line {lines.number[top]}",
                place=Place(lines.source, line),
                expected="the header first, then the points",
                mend="move the header to the top, or mark the row as a remark with #",
            )
    rows = next(blocks(lines.part(top, top + 2), delimiter, size=2))
    head = rows[0]
    layout, has_header = _layout(lines.source, lines.number[top], head, columns, unit)
    first = top + has_header
    if has_header and len(rows) > 1 and len(rows[1]) == len(head):
        units = unit_row(rows[1])
        if units is not None:
            layout = _with_units(
                layout, rows[1], units, Place(lines.source, lines.number[first]), unit
            )
            first += 1
    return _Table(layout, delimiter, first)


def _with_units(
    layout: Layout, row: Sequence[str], units: Sequence[str | None], place: Place, unit: Unit
) -> Layout:
    """Hold the row of units under the header against the unit of the file."""
    assert place.file is not None
    assert place.line is not None
    for axis in _AXES:
        said = units[layout.position[axis]]
        if said and contradicts(said, unit):
            text = row[layout.position[axis]].strip()
            raise _other_unit(Path(place.file), place.line, f"{text!r} under the header", unit)
    if "sigma" not in layout.position:
        return layout
    said = units[layout.position["sigma"]]
    return replace(layout, sigma_unit=metres_of(said, unit)) if said else layout


def _without_totals(lines: Lines, table: _Table) -> Lines:
    """Drop totals and remarks that stand below the last point."""
    layout = table.layout
    last = len(lines.text)
    while last > 0:
        text = lines.text[last - 1]
        word = text.strip('" ').replace(table.delimiter, " ").split(" ")[0].rstrip(":=").lower()
        is_total = word in _SUMMARIES
        if not is_total and not is_remark(text):
            break
        row = [field.strip() for field in text.split(table.delimiter)]
        is_point = len(row) == layout.width and all(
            looks_numeric(row[layout.position[axis]]) for axis in _AXES
        )
        if is_point and is_total:
            raise SurveyError(
                f"the last row is called {row[0]!r}, like a total",
                place=Place(lines.source, lines.number[last - 1]),
                expected="a row for each point",
                mend="remove the row if it is no point, or give the point another name",
            )
        if is_point:
            break
        last -= 1
    return lines.part(0, last)


def _fields(lines: Lines, table: _Table) -> list[list[str]]:
    """Texts of each column."""
    layout, delimiter = table.layout, table.delimiter
    fields: list[list[str]] = [[] for _ in range(layout.width)]
    done = 0
    for block in blocks(lines, delimiter):
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
    is_header = not any(looks_numeric(text) for text in head) and bool(
        named or any(map(is_geographic, head))
    )
    if is_header:
        for heading in headings:
            if heading.column in NEEDED and heading.unit and contradicts(heading.unit, unit):
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
    layout = _headed(path, line, headings)
    sigma = sigma_column(headings, unit)
    if sigma is not None:
        position = layout.position | {"sigma": sigma[0]}
        layout = replace(layout, position=position, sigma_unit=sigma[1])
    return layout, True


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
    if missing and any(is_geographic(heading.text) for heading in headings):
        raise SurveyError(
            f"the header gives latitude and longitude, and no {' and no '.join(missing)}; "
            f"found {found}",
            place=Place(path, line),
            expected="eastings and northings in the unit of the plan",
            mend="export the points again with projected (grid) coordinates",
        )
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
    raise wrong_width(row, width, delimiter, place)


def _sigma(text: str, place: Place, *, decimal_comma: bool) -> float:
    """Accuracy of a height as written, NaN where nothing is said."""
    plain = text.strip()
    if plain.lower() in _UNKNOWN:
        return np.nan
    written = plain.replace(",", ".") if decimal_comma else plain
    if NUMBER.fullmatch(written) is None or float(written) < 0 or np.isinf(float(written)):
        raise SurveyError(
            f"{plain!r} is not an accuracy",
            place=place,
            expected="a number from 0, or nothing where the accuracy is not known",
            mend="correct the number, or remove the column",
        )
    return float(written)


def _texts(
    fields: Sequence[Sequence[str]], layout: Layout, column: str, default: list[str]
) -> StrArray:
    position = layout.position.get(column)
    texts = default if position is None else [text.strip() for text in fields[position]]
    return np.array(texts, dtype=np.str_)
