"""Long tables of plain numbers, read in one pass over their bytes.

Only tables without any peculiarity are taken: ASCII, no quotes or comments, the same fields in
every line. For all others the answer is None, and the patient reader reads or refuses them.
"""

import math

import numpy as np
from numpy.typing import NDArray

from terrain.arrays import BoolArray, FloatArray, Int32Array, StrArray
from terrain.kernels import kernel
from terrain.survey.delimited import NUMBER

_NEWLINE, _RETURN, _SPACE, _QUOTE, _HASH, _SLASH = (ord(c) for c in '\n\r "#/')
_MINUS, _PLUS, _POINT, _ZERO, _NINE = (ord(c) for c in "-+.09")
_BIG_E, _SMALL_E = ord("E"), ord("e")
_LARGEST_EXACT = 2**53
_POWERS = 10.0 ** np.arange(23)  # the powers of ten that a float64 holds exactly


class PlainRows:
    """Fields of a table, as places in its bytes."""

    def __init__(self, raw: NDArray[np.uint8], starts: Int32Array, ends: Int32Array) -> None:
        self._raw, self._starts, self._ends = raw, starts, ends

    def __len__(self) -> int:
        return int(self._starts.shape[1])

    def floats(self, column: int, *, decimal_comma: bool) -> FloatArray | None:
        """Numbers of a column, (n,), each the nearest float64; None if any is not plain."""
        starts, ends = self._starts[column], self._ends[column]
        values = np.empty(len(self))
        hard = np.zeros(len(self), dtype=np.bool_)
        commas, points = _parse(
            self._raw, starts, ends, ord(",") if decimal_comma else _POINT, values, hard
        )
        if commas and points:
            return None
        for row in np.flatnonzero(hard):
            text = bytes(self._raw[starts[row] : ends[row]]).decode("ascii")
            text = text.replace(",", ".") if decimal_comma else text
            if NUMBER.fullmatch(text) is None or not math.isfinite(float(text)):
                return None
            values[row] = float(text)
        return values

    def texts(self, column: int) -> StrArray:
        """Texts of a column, (n,)."""
        starts, ends = self._starts[column], self._ends[column]
        width = max(int((ends - starts).max()), 1)
        letters = np.zeros((len(self), width), dtype=np.uint32)
        _spell(self._raw, starts, ends, letters)
        return letters.view(f"U{width}").ravel()


def plain_rows(raw: bytes, delimiter: str, width: int) -> PlainRows | None:
    """Find the fields of a table of `width` columns; None if any line is peculiar."""
    if delimiter == " " or len(raw) >= np.iinfo(np.int32).max:
        return None
    table = np.frombuffer(raw, dtype=np.uint8)
    count = raw.count(b"\n") + (not raw.endswith(b"\n"))
    starts, ends = (np.empty((width, count), dtype=np.int32) for _ in range(2))
    if not _cut(table, ord(delimiter), starts, ends):
        return None
    return PlainRows(table, starts, ends)


@kernel
def _cut(raw: NDArray[np.uint8], delimiter: int, starts: Int32Array, ends: Int32Array) -> bool:
    width, count = starts.shape
    at, size = 0, len(raw)
    for row in range(count):
        for column in range(width):
            while at < size and raw[at] == _SPACE:
                at += 1
            first = at
            while at < size and raw[at] != delimiter and raw[at] != _NEWLINE:
                if raw[at] > 126 or raw[at] == _QUOTE:
                    return False
                if raw[at] < _SPACE and not (
                    raw[at] == _RETURN and (at + 1 == size or raw[at + 1] == _NEWLINE)
                ):
                    return False
                at += 1
            if (at < size and raw[at] == delimiter) != (column < width - 1):
                return False
            last = at
            while last > first and (raw[last - 1] == _SPACE or raw[last - 1] == _RETURN):
                last -= 1
            if column == 0 and last > first and (raw[first] == _HASH or raw[first] == _SLASH):
                return False
            starts[column, row], ends[column, row] = first, last
            at += 1
    return True


@kernel
def _parse(
    raw: NDArray[np.uint8],
    starts: Int32Array,
    ends: Int32Array,
    mark: int,
    values: FloatArray,
    hard: BoolArray,
) -> tuple[bool, bool]:
    """Read decimals whose digits and power of ten are exact; leave the others to `hard`."""
    marks = points = False
    for row in range(len(starts)):
        at, end = starts[row], ends[row]
        negative = at < end and raw[at] == _MINUS
        if at < end and (negative or raw[at] == _PLUS):
            at += 1
        digits, power, seen, after = np.int64(0), 0, 0, False
        while at < end:
            letter = raw[at]
            if _ZERO <= letter <= _NINE and digits < _LARGEST_EXACT:
                digits = digits * 10 + (letter - _ZERO)
                seen += 1
                power += after
            elif letter in (mark, _POINT) and not after:
                after = True
                points |= letter == _POINT
                marks |= letter == mark
            else:
                break
            at += 1
        if at < end or seen == 0 or digits > _LARGEST_EXACT or power > 22:
            hard[row] = True
            continue
        value = digits / _POWERS[power]
        values[row] = -value if negative else value
    return (marks and mark != _POINT), points


@kernel
def _spell(
    raw: NDArray[np.uint8], starts: Int32Array, ends: Int32Array, letters: NDArray[np.uint32]
) -> None:
    for row in range(len(starts)):
        for k in range(ends[row] - starts[row]):
            letters[row, k] = raw[starts[row] + k]
