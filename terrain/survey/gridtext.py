"""Whether an ESRI ASCII grid is whole: a header, then one number for every node.

GDAL reads `12.x4` as 12 and says nothing, so a damaged text is found here, before it is read.
"""

import re
from pathlib import Path

import numpy as np

from terrain.errors import Place, SurveyError
from terrain.survey.opening import cannot_open

_HEADER = {
    b"ncols", b"nrows", b"xllcorner", b"yllcorner", b"xllcenter", b"yllcenter", b"cellsize", b"dx",
    b"dy", b"nodata_value",
}  # fmt: skip
_NEEDED = ((b"ncols",), (b"nrows",), (b"xllcorner", b"xllcenter"), (b"yllcorner", b"yllcenter"))
_NUMBER_BYTES = b"0123456789+-.,eE \t\r\n\f\v"
_WORD = re.compile(rb"[A-Za-z]")
_EXPECTED = "an ESRI ASCII grid: ncols, nrows, xllcorner, yllcorner, cellsize, then the heights"


def is_grid_text(path: Path) -> bool:
    """Whether a file begins as an ESRI ASCII grid does (`.asc` is also used for spot heights)."""
    try:
        with Path(path).open("rb") as source:
            return source.read(200).lstrip().lower().startswith((b"ncols", b"nrows"))
    except OSError:
        return False


def check_grid_text(path: Path, *, most: int) -> None:
    """Refuse a grid with a wrong header, a field that is no number, or too few or many of them.

    Parameters
    ----------
    path
        The file.
    most
        Largest number of nodes that may be read.

    Raises
    ------
    SurveyError
        With the line.
    """
    header: dict[bytes, float] = {}
    found, line, wanted = 0, 0, 0
    try:
        with path.open("rb") as source:
            for line, text in enumerate(source, start=1):
                fields = text.split()
                if not fields:
                    continue
                if not found and _WORD.match(fields[0]) and fields[0].lower() != b"nan":
                    key = _key(path, line, fields, header)
                    header[key] = _value(path, line, fields)
                    continue
                if not found:
                    wanted = _nodes(path, header, most)
                _check_numbers(path, line, text, fields)
                found += len(fields)
                if found > wanted:
                    break
    except OSError as error:
        raise cannot_open(path, error, "raster") from None
    wanted = wanted or _nodes(path, header, most)
    if found != wanted:
        more = "more than " if found > wanted else f"{found:,} of "
        raise SurveyError(
            f"the grid has {more}{wanted:,} heights",
            place=Place(path, line),
            expected=f"{int(header[b'nrows']):,} rows of {int(header[b'ncols']):,} heights, as its "
            "header promises",
            mend="copy or export the file again; nothing of it was used",
        )


def _key(path: Path, line: int, fields: list[bytes], header: dict[bytes, float]) -> bytes:
    key = fields[0].lower()
    if key not in _HEADER or key in header or len(fields) != 2:
        raise SurveyError(
            f"the header has the line {b' '.join(fields)[:60].decode('latin-1')!r}",
            place=Place(path, line),
            expected=_EXPECTED,
            mend="export the grid again",
        )
    return key


def _value(path: Path, line: int, fields: list[bytes]) -> float:
    try:
        value = float(fields[1].replace(b",", b"."))
    except ValueError:
        value = np.inf
    sizes = (b"ncols", b"nrows", b"cellsize", b"dx", b"dy")
    no_data = fields[0].lower() == b"nodata_value"
    if (np.isinf(value) or (np.isnan(value) and not no_data)) or (
        fields[0].lower() in sizes and value <= 0
    ):
        raise SurveyError(
            f"{fields[1][:40].decode('latin-1')!r} is no {fields[0].decode('latin-1')}",
            place=Place(path, line),
            expected="a number greater than 0" if fields[0].lower() in sizes else "a number",
            mend="export the grid again",
        )
    return value


def _nodes(path: Path, header: dict[bytes, float], most: int) -> int:
    """How many heights the header promises."""
    missing = [either[0] for either in _NEEDED if not any(key in header for key in either)]
    if b"cellsize" not in header and not {b"dx", b"dy"} <= header.keys():
        missing.append(b"cellsize")
    if missing:
        raise SurveyError(
            f"the header has no {' and no '.join(key.decode() for key in missing)}",
            place=Place(path),
            expected=_EXPECTED,
            mend="export the grid again, or give the raster as GeoTIFF",
        )
    columns, rows = header[b"ncols"], header[b"nrows"]
    if columns % 1 or rows % 1:
        raise SurveyError(
            f"{columns:g} columns and {rows:g} rows", place=Place(path), expected="whole numbers"
        )
    if columns * rows > most:
        raise too_many(path, int(columns), int(rows), most)
    return int(columns) * int(rows)


def too_many(path: Path, columns: int, rows: int, most: int) -> SurveyError:
    """Return the error for a raster that does not fit in memory."""
    return SurveyError(
        f"{columns:,} × {rows:,} heights are too many",
        place=Place(path),
        expected=f"at most {most:,} heights",
        mend="cut the raster to the site and some metres around it, or make its cells larger",
    )


def _check_numbers(path: Path, line: int, text: bytes, fields: list[bytes]) -> None:
    rest = text.translate(None, _NUMBER_BYTES)
    plain = not rest or not rest.lower().replace(b"nan", b"")
    try:
        values = np.array(text.replace(b",", b".").split(), dtype=np.float64)
    except ValueError:
        plain = False
    if plain and not np.isinf(values).any():
        return
    wrong = next((field for field in fields if not _is_number(field)), fields[0])
    raise SurveyError(
        f"{wrong[:40].decode('latin-1')!r} is not a number",
        place=Place(path, line),
        expected="a height for every node, parted by spaces",
        mend="copy or export the file again; nothing of it was used",
    )


def _is_number(field: bytes) -> bool:
    try:
        value = float(field.replace(b",", b"."))
    except ValueError:
        return False
    return not np.isinf(value) and b"_" not in field
