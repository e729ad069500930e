"""GeoPackage: lines of one layer, through GDAL, after SQLite has said that the file is whole."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.errors import Place, SurveyError, nearest
from terrain.survey.geometries import Shape, Shapes, no_line, plain_attributes
from terrain.survey.hushed import hushed
from terrain.survey.opening import cannot_open

_MAGIC = b"SQLite format 3\x00"
_ENVELOPES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}  # bytes, GeoPackage 1.3, table 7
_STRAIGHT = range(1, 8)  # ISO WKB: point to geometry collection, all of straight pieces
_MEND_COPY = "copy or export the file again; nothing of it was used"


def read_geopackage(path: Path, layer: str | None) -> Shapes:
    """Read the shapes of one layer of a GeoPackage.

    Raises
    ------
    SurveyError
        The file is damaged or no GeoPackage, there is no such layer, several and none is named, or
        a geometry has curves.
    """
    name, count = _checked(path, layer)
    from pyogrio import raw  # noqa: PLC0415 - slow to import, and few sites have a GeoPackage

    try:
        with hushed():
            meta, fids, geometry, columns = raw.read(
                path.resolve(),
                layer=name,
                return_fids=True,
                IMMUTABLE="YES",
                datetime_as_string=True,
            )
            shapes = shapely.from_wkb(geometry)
    except Exception as error:  # a damaged page fails wherever it is met
        raise _damaged(path, str(error).split("\n")[0]) from None
    if len(shapes) != count:
        raise _damaged(path, f"{len(shapes):,} of {count:,} features could be read")
    fields = [str(field) for field in meta["fields"]]
    return Shapes(
        tuple(
            Shape(
                _vertices(path, row + 1, xyz),
                ring,
                hole,
                plain_attributes(
                    (field, _plain(column[row]))
                    for field, column in zip(fields, columns, strict=True)
                ),
                str(fids[row]),
                row + 1,
            )
            for row, shape in enumerate(shapes)
            for xyz, ring, hole in _pieces(shape)
        ),
        _crs(meta["crs"]),
    )


def _plain(value: Any) -> object:
    return value.item() if isinstance(value, np.generic) else value


def _crs(text: str | None) -> str | None:
    """The layer's coordinate system; GeoPackage calls "undefined" what has none."""
    return None if text is None or "undefined" in text.lower() else text


def _checked(path: Path, layer: str | None) -> tuple[str, int]:
    """Name of the layer and how many features it has, if the file is whole."""
    _check_file(path)
    # immutable: a file that is only read gets no journal beside it
    uri = f"file:{quote(str(path.resolve()))}?mode=ro&immutable=1"
    try:
        with closing(sqlite3.connect(uri, uri=True)) as base:
            verdict = base.execute("PRAGMA quick_check(1)").fetchone()[0]
            if verdict != "ok":
                raise _damaged(path, str(verdict).replace("\n", " "))
            layers = dict(
                base.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall()
            )
            name = _chosen(path, layers, layer)
            query = f"SELECT substr({_quoted(layers[name])}, 1, 80) FROM {_quoted(name)}"
            heads = [row[0] for row in base.execute(query)]
    except (sqlite3.Error, UnicodeError) as error:
        raise _damaged(path, str(error)) from None
    for number, head in enumerate(heads, start=1):
        _check_geometry(path, number, head)
    return name, len(heads)


def _check_file(path: Path) -> None:
    if path.is_dir():
        raise SurveyError(
            "this is a folder", place=Place(path), expected="a GeoPackage", mend="name a file in it"
        )
    try:
        with path.open("rb") as source:
            head = source.read(len(_MAGIC))
        log = path.with_name(path.name + "-wal")
        pending = log.stat().st_size if log.exists() else 0
    except OSError as error:
        raise cannot_open(path, error, "GeoPackage") from None
    if head != _MAGIC:
        raise SurveyError(
            f"not a GeoPackage, it begins with {head[:8]!r}" if head else "the file is empty",
            place=Place(path),
            expected="a GeoPackage",
            mend="export the lines as GeoPackage or GeoJSON",
        )
    if pending:
        raise SurveyError(
            f"another program has not finished writing it ({log.name} lies beside it)",
            place=Place(path),
            expected="a GeoPackage that is saved and closed",
            mend="close it in the program that draws the lines",
        )


def _quoted(name: str) -> str:
    doubled = name.replace('"', '""')
    return f'"{doubled}"'


def _chosen(path: Path, layers: dict[str, str], layer: str | None) -> str:
    if layer in layers:
        return str(layer)
    if layer is None and len(layers) == 1:
        return next(iter(layers))
    found = f"there is no layer {layer!r}" if layer else f"the file has {len(layers)} layers"
    raise SurveyError(
        found,
        place=Place(path),
        expected=f"one of {', '.join(map(repr, layers))}" if layers else "a layer of lines",
        mend=nearest(layer, list(layers)) if layer and layers else "name one of them in the plan",
    )


def _check_geometry(path: Path, number: int, head: Any) -> None:
    """Refuse a blob that is no geometry, or one with curves, which GDAL would cut into pieces."""
    if head is None:
        return
    if not isinstance(head, bytes) or head[:2] != b"GP" or len(head) < 8:
        raise _damaged(path, f"feature {number} holds no geometry")
    at = 8 + _ENVELOPES.get(head[3] >> 1 & 7, 80)
    if len(head) < at + 5:
        raise _damaged(path, f"the geometry of feature {number} is cut short")
    order = "little" if head[at] == 1 else "big"
    kind = int.from_bytes(head[at + 1 : at + 5], order)  # type: ignore[arg-type]
    if (kind & 0x0FFFFFFF) % 1000 not in _STRAIGHT:
        raise no_line(path, number, "has curves, or is no line")


def _damaged(path: Path, why: str) -> SurveyError:
    return SurveyError(
        f"the GeoPackage is damaged: {why}",
        place=Place(path),
        expected="a whole GeoPackage with a layer of lines",
        mend=_MEND_COPY,
    )


def _pieces(shape: Any) -> Iterator[tuple[FloatArray, bool, bool]]:
    """Vertices (k, 3), whether they are a ring, and whether that is a hole."""
    if shape is None or shape.is_empty:
        return
    if shape.geom_type == "Polygon":
        for index, ring in enumerate([shape.exterior, *shape.interiors]):
            yield shapely.get_coordinates(ring, include_z=True), True, index > 0
    elif hasattr(shape, "geoms"):
        for part in shape.geoms:
            yield from _pieces(part)
    else:
        yield shapely.get_coordinates(shape, include_z=True), False, False


def _vertices(path: Path, number: int, xyz: FloatArray) -> FloatArray:
    if not np.isfinite(xyz[:, :2]).all() or np.isinf(xyz[:, 2]).any():
        raise no_line(path, number, "has a coordinate that is not a number")
    return xyz
