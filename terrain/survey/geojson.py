"""GeoJSON, RFC 7946 and the format before it: geometries read strictly.

GDAL also reads GeoJSON, and passes over broken coordinates without a word; here they are errors.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from terrain.arrays import FloatArray
from terrain.errors import Place, SurveyError
from terrain.survey.geometries import Shape, Shapes, no_line, plain_attributes
from terrain.survey.opening import cannot_open

_EXPECTED = "a GeoJSON file (RFC 7946)"
_KINDS = ("Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon")
_MOST_BYTES = 200_000_000


def read_geojson(path: Path) -> Shapes:
    """Read the shapes of a GeoJSON file.

    Raises
    ------
    SurveyError
        It is torn or no GeoJSON, or coordinates are not numbers or a ring is not closed.
    """
    document = _document(path)
    shapes = [
        shape
        for number, feature in enumerate(_features(path, document), start=1)
        for shape in _shapes_of(path, number, feature)
    ]
    return Shapes(tuple(shapes), _crs(path, document))


def _document(path: Path) -> dict[str, Any]:
    place = Place(path)
    raw = _raw(path)
    try:
        document = json.loads(raw.decode("utf-8-sig"), parse_constant=_no_constant)
    except json.JSONDecodeError as error:
        raise SurveyError(
            f"is torn or no JSON: {error.msg} at column {error.colno}",
            place=Place(path, error.lineno),
            expected=_EXPECTED,
            mend="export it again",
        ) from None
    except (ValueError, RecursionError):
        raise SurveyError(
            "is no JSON text in UTF-8", place=place, expected=_EXPECTED, mend="export it again"
        ) from None
    if not isinstance(document, dict) or not isinstance(document.get("type"), str):
        raise SurveyError(
            "is JSON, but no GeoJSON", place=place, expected=_EXPECTED, mend="export it as GeoJSON"
        )
    return document


def _raw(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        raw = path.read_bytes() if size <= _MOST_BYTES else b""
    except OSError as error:
        raise cannot_open(path, error, "GeoJSON file") from None
    if size > _MOST_BYTES:
        raise SurveyError(
            f"{size / 1e6:,.0f} MB of text are too many",
            place=Place(path),
            expected=f"at most {_MOST_BYTES / 1e6:,.0f} MB",
            mend="cut the lines to the site, or give them as a GeoPackage",
        )
    return raw


def _no_constant(word: str) -> float:
    raise ValueError(word)  # NaN and Infinity are no JSON


def _features(path: Path, document: dict[str, Any]) -> list[Any]:
    if document["type"] != "FeatureCollection":
        return [document]
    features = document.get("features")
    if not isinstance(features, list):
        raise SurveyError(
            "has no list of features",
            place=Place(path, key="features"),
            expected=_EXPECTED,
            mend="export it again",
        )
    return features


def _crs(path: Path, document: dict[str, Any]) -> str | None:
    """Name in the `crs` member of the older format (GeoJSON 2008, section 3)."""
    member = document.get("crs")
    if member is None:
        return None
    properties = member.get("properties") if isinstance(member, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else None
    if not isinstance(name, str):
        raise SurveyError(
            "names no coordinate system",
            place=Place(path, key="crs"),
            expected='{"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26915"}}',
            mend="export it again",
        )
    return name


def _shapes_of(path: Path, number: int, feature: Any) -> Iterator[Shape]:
    if not isinstance(feature, dict):
        raise no_line(path, number, "is no feature")
    properties = feature.get("properties")
    named = properties if isinstance(properties, dict) else {}
    identity = feature.get("id")
    attributes = plain_attributes(iter(named.items()))
    name = str(identity) if isinstance(identity, str | int) else ""
    geometry = feature.get("geometry") if feature.get("type") == "Feature" else feature
    for xyz, ring, hole in _pieces(path, number, geometry):
        yield Shape(xyz, ring, hole, attributes, name, number)


def _pieces(path: Path, number: int, geometry: Any) -> Iterator[tuple[FloatArray, bool, bool]]:
    """Vertices, whether they are a ring, and whether that is a hole."""
    if geometry is None:
        return  # RFC 7946, section 3.2: a feature without a place
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if kind == "GeometryCollection" and isinstance(geometry.get("geometries"), list):
        for part in geometry["geometries"]:
            if isinstance(part, dict) and part.get("type") == "GeometryCollection":
                raise no_line(path, number, "is a collection of collections")
            yield from _pieces(path, number, part)
        return
    if kind not in _KINDS:
        raise no_line(path, number, f"has the geometry {str(kind)[:40]!r}")
    coordinates = geometry.get("coordinates")
    parts = coordinates if kind.startswith("Multi") else [coordinates]
    if not isinstance(parts, list) or not all(isinstance(part, list) for part in parts):
        raise _no_numbers(path, number, kind)
    for part in filter(None, parts):
        if kind.endswith("Point"):
            yield _vertices(path, number, kind, [part]), False, False
        elif kind.endswith("LineString"):
            yield _vertices(path, number, kind, part), False, False
        else:
            for index, ring in enumerate(part):
                yield _ring(path, number, kind, ring), True, index > 0


def _ring(path: Path, number: int, kind: str, corners: Any) -> FloatArray:
    xyz = _vertices(path, number, kind, corners)
    if len(xyz) < 4 or (xyz[0, :2] != xyz[-1, :2]).any():
        raise _no_numbers(path, number, kind)
    return xyz


def _vertices(path: Path, number: int, kind: str, positions: Any) -> FloatArray:
    """Vertices (k, 3), NaN heights where a position has two numbers."""
    if not isinstance(positions, list) or not positions:
        raise _no_numbers(path, number, kind)
    if kind.endswith("LineString") and len(positions) < 2:
        raise no_line(path, number, "is a line of one point")
    for position in positions:
        sound = isinstance(position, list) and len(position) >= 2
        if not sound or not all(type(value) in (int, float) for value in position):
            raise _no_numbers(path, number, kind)
    xyz = np.full((len(positions), 3), np.nan)
    try:
        for row, position in enumerate(positions):
            xyz[row, : min(len(position), 3)] = position[:3]
    except OverflowError:
        raise _no_numbers(path, number, kind) from None
    if not np.isfinite(xyz[:, :2]).all() or np.isinf(xyz[:, 2]).any():
        raise _no_numbers(path, number, kind)
    return xyz


def _no_numbers(path: Path, number: int, kind: str) -> SurveyError:
    if kind.endswith("Polygon"):
        return SurveyError(
            "the polygon's coordinates are not closed rings of numbers",
            place=Place(path, key=f"feature {number}"),
            expected="rings of 4 or more [easting, northing], the last corner the first",
            mend="export it again as polygons",
        )
    return SurveyError(
        f"the coordinates of the {kind} are not numbers",
        place=Place(path, key=f"feature {number}"),
        expected="[easting, northing] or [easting, northing, elevation] for every point",
        mend="export it again",
    )
