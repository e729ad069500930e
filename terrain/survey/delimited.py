"""Delimited text as survey files hold it: bytes to lines, lines to fields, fields to numbers."""

import csv
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from terrain.arrays import FloatArray
from terrain.errors import Place, SurveyError
from terrain.survey.opening import cannot_open

LOOKED_AT = 50  # lines that decide the delimiter and where the header is
_BLOCK = 20_000  # rows split at a time
NUMBER = re.compile(r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?")
DELIMITERS = {"\t": "tabs", ";": "semicolons", ",": "commas", " ": "spaces"}
_DECIMAL_COMMA = ";\t"  # delimiters beside which a comma can only be decimal
_BOMS = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}
_THOUSANDS = re.compile(r"[-+]?\d{1,3}([ ,.'’\u00a0\u202f]\d{3})+([.,]\d*)?")
_ANGLE = re.compile(
    r"[-+]?\d+\s*[°ºd]|\d+\s*['′]\s*\d|[NSEW]\s*\d+[\s.\d]*$|\d+\s+\d+(\s+\d+)?[\s.\d]*[NSEW]?$",
    re.I,
)
_KEY_AND_VALUE = re.compile(r"[^\W\d][^,;\t:=]{0,40}[:=]")


@dataclass(frozen=True)
class Lines:
    """Lines that hold data, with their numbers in the file."""

    source: Path
    text: list[str]
    number: list[int]

    def part(self, first: int, last: int | None = None) -> "Lines":
        """Lines from `first` up to, without, `last`."""
        return Lines(self.source, self.text[first:last], self.number[first:last])


def read_survey_bytes(path: Path) -> bytes:
    """Bytes of a text file that is not empty.

    Raises
    ------
    SurveyError
        The file cannot be opened, or has nothing in it.
    """
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
    return raw


def decode(path: Path, raw: bytes) -> str:
    """Text from bytes in UTF-8, or in UTF-16 with its mark.

    Raises
    ------
    SurveyError
        The bytes are no text.
    """
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
        said = "UTF-16, as its mark says" if encoding == "utf-16" else "UTF-8"
        raise SurveyError(
            f"byte 0x{raw[error.start]:02x} is not text in {said}",
            place=Place(path, raw.count(b"\n", 0, error.start) + 1),
            expected=f"text in {said}",
            mend="save the file again as UTF-8",
        ) from None


def data_lines(path: Path, text: str) -> tuple[Lines, Lines]:
    """Part the lines of data from comments, which begin with `#` or `//`; blank ones go."""
    lines = re.split(r"\r\n|\n|\r", text) if "\r" in text else text.split("\n")
    kept, comments = Lines(path, [], []), Lines(path, [], [])
    for i, line in enumerate(lines, start=1):
        plain = line.strip(" \r")
        if plain.startswith(("#", "//")):
            comments.text.append(plain)
            comments.number.append(i)
        elif plain and not plain.isspace():
            kept.text.append(plain)
            kept.number.append(i)
    return kept, comments


def find_header(lines: Lines, names_columns: Callable[[Sequence[str]], bool]) -> int | None:
    """Index of the first line whose fields, however they are parted, name the columns."""
    for i, line in enumerate(lines.text[:LOOKED_AT]):
        for delimiter in DELIMITERS:
            fields = _loosely(line, delimiter)
            if names_columns(fields) and not any(map(looks_numeric, fields)):
                return i
    return None


def _loosely(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=delimiter != "\t"), [])
    except csv.Error:
        return []


def looks_numeric(text: str) -> bool:
    """Whether a field is a number, with a decimal point or comma."""
    return bool(NUMBER.fullmatch(text.strip().replace(",", ".")))


def is_remark(line: str) -> bool:
    """Whether a line says something of the survey, `job: pond`, instead of holding a point."""
    words = re.split(r"[\s,;]+", line)
    return bool(_KEY_AND_VALUE.match(line.lstrip('"'))) and sum(map(looks_numeric, words)) < 3


def find_delimiter(lines: Sequence[str]) -> str:
    """Tab, semicolon, comma or space: what parts the fields of most lines."""
    looked_at = lines[:LOOKED_AT]
    for delimiter in ("\t", ";", ","):
        if all(line.count(delimiter) >= 2 for line in looked_at):
            return delimiter
    counts = {d: sum(line.count(d) >= 2 for line in looked_at) for d in "\t;,"}
    best = max(counts, key=lambda d: counts[d])
    if 2 * counts[best] > len(looked_at):
        return best
    return next((d for d in "\t;," if d in lines[0] and " " not in lines[0]), " ")


def may_have_decimal_commas(delimiter: str) -> bool:
    """Whether a comma between such delimiters is decimal."""
    return delimiter in _DECIMAL_COMMA


def blocks(lines: Lines, delimiter: str, *, size: int = _BLOCK) -> Iterator[list[list[str]]]:
    """Split lines into rows of fields, one row a line; rows are short-lived to spare memory.

    Raises
    ------
    SurveyError
        A quote is not closed on its line.
    """
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


def _unpaired_quote(lines: Lines, start: int, why: str) -> SurveyError:
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


def wrong_width(row: Sequence[str], width: int, delimiter: str, place: Place) -> SurveyError:
    """Return the error for a row that has more or fewer fields than there are columns."""
    count = f"{len(row)} field{'' if len(row) == 1 else 's'}"
    return SurveyError(
        f"{count}, parted by {DELIMITERS[delimiter]}",
        place=place,
        expected=f"{width} fields, one for each column",
        mend="add the missing fields or remove the extra ones; quote a text that holds a delimiter",
    )


def hold_last_number(lines: Lines, delimiter: str) -> None:
    """Hold the last number of a text that ends without a line break against those above it.

    Raises
    ------
    SurveyError
        It has fewer decimals than all of them: the copying of the file stopped within it.
    """
    last = [line.rsplit(delimiter, 1)[-1].strip(' "') for line in lines.text[-LOOKED_AT:]]
    found = [NUMBER.fullmatch(text.replace(",", ".")) for text in last]
    decimals = [len(text.replace(",", ".").partition(".")[2]) for text in last]
    above = {places for places, number in zip(decimals[:-1], found[:-1], strict=True) if number}
    if len(above) == 1 and found[-1] and decimals[-1] < min(above):
        raise SurveyError(
            f"the file ends within a row, with {last[-1]!r}",
            place=Place(lines.source, lines.number[-1]),
            expected=f"{min(above)} decimals as in the rows above, and a line break",
            mend="copy or export the file again; if it is whole, write the number in full",
        )


def numbers(lines: Lines, texts: Sequence[str], axis: str, *, decimal_comma: bool) -> FloatArray:
    """Finite numbers from the texts of a column, (n,).

    Raises
    ------
    SurveyError
        A text is not a finite number, or decimal points and commas stand in one column.
    """
    written = texts
    if decimal_comma and any("," in text for text in texts):
        if any("." in text for text in texts):
            raise _both_marks(lines, texts, axis)
        texts = [text.replace(",", ".") for text in texts]
    try:
        values = np.array(list(map(float, texts)), dtype=np.float64)
    except ValueError:
        values = None
    joined = "".join(texts)
    plain = joined.isascii() and "_" not in joined  # float() also takes 1_000 and other digits
    if values is not None and plain and np.isfinite(values).all():
        return values
    for text, said, line in zip(texts, written, lines.number, strict=True):
        if NUMBER.fullmatch(text.strip(" \t\xa0")) is None or not math.isfinite(float(text)):
            raise not_a_number(Place(lines.source, line, axis), said)
    return np.array([float(text) for text in texts])


def _both_marks(lines: Lines, texts: Sequence[str], axis: str) -> SurveyError:
    first = ["," in text for text in texts].index(True)
    other = next(text.strip() for text in texts if "." in text)
    return SurveyError(
        f"{texts[first].strip()!r} has a comma, {other!r} a point",
        place=Place(lines.source, lines.number[first], axis),
        expected="one decimal mark throughout the column, and no mark between thousands",
        mend="export the numbers without thousands separators and with one decimal mark",
    )


def not_a_number(place: Place, text: str) -> SurveyError:
    """Return the error for a field that should be a number, with the likeliest mend."""
    plain = text.strip()
    mend = "correct the number"
    if not plain:
        mend = "fill in the number, or remove the row"
    elif _THOUSANDS.fullmatch(plain):
        mend = (
            "write the number without thousands separators; where commas are decimal, "
            "part the fields by semicolons"
        )
    elif place.key in ("northing", "easting") and _ANGLE.search(plain):
        mend = (
            "these look like degrees of latitude and longitude: export projected eastings and "
            "northings"
        )
    elif "," in plain:
        mend = "write decimal points, or part the fields by semicolons where commas are decimal"
    elif place.key in ("northing", "easting") and re.search(r"[A-Za-z]", plain):
        mend = "correct the number, or check the order of the columns"
    what = f"{plain!r} is not a number" if plain else "the field is empty"
    return SurveyError(what, place=place, expected="a finite number", mend=mend)
