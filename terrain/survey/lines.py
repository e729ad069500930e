"""Lines from GeoJSON and GeoPackage: breaklines, outlines and single shots.

RFC 7946 lays GeoJSON in degrees of WGS 84. Files of surveys often hold lengths instead, with the
`crs` member of the older format, or without a word. A file with neither is taken to be in degrees
if all of it fits on the globe and no more than a twentieth of a degree (some 5 km) apart: in
lengths that would be a site of 5 centimetres.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from terrain.arrays import FloatArray, IntArray
from terrain.errors import Place, SurveyError
from terrain.survey.codes import OFF_GROUND, CodeString, Linework, Role, role_of
from terrain.survey.geojson import read_geojson
from terrain.survey.geometries import Shape, Shapes
from terrain.survey.geopackage import read_geopackage
from terrain.survey.spots import Spots
from terrain.survey.stated import Stated, stated_by
from terrain.units import Unit

ENDINGS = (".geojson", ".json", ".gpkg")

_CODES = ("code", "layer", "type")
_NAMES = ("name",)
_WGS84 = "EPSG:4326"
_SITE_DEGREES = 0.05


@dataclass(frozen=True)
class Line:
    """A line, a ring or a single point.

    Attributes
    ----------
    xyz
        Vertices, shape (k, 3), m; NaN heights where the file has none. A closed line does not
        repeat its first vertex.
    closed
        The last vertex joins the first.
    code
        What it is, from the attribute code, layer or type; empty if there is none.
    name
        Its name, else its id in the file, else its number.
    feature
        Number of its feature in the file, from 1; the parts of one feature share it.
    hole
        It is the border of a hole in the closed line before it.
    """

    xyz: FloatArray
    closed: bool
    code: str
    name: str
    feature: int
    hole: bool = False


@dataclass(frozen=True)
class Lines:
    """The lines of a file.

    Attributes
    ----------
    lines
        In the order of the file.
    source
        The file.
    unit
        Unit that the file states; None if it states none.
    crs
        Coordinate system that the file states, as a code or WKT; None if there is none.
    degrees
        Vertices hold longitude and latitude in degrees, and heights in metres.
    """

    lines: tuple[Line, ...]
    source: Path
    unit: Unit | None
    crs: str | None
    degrees: bool


def read_lines(path: Path, *, unit: Unit, layer: str | None = None) -> Lines:
    """Read lines, polygons and points.

    Parameters
    ----------
    path
        GeoJSON (.geojson, .json) or GeoPackage (.gpkg).
    unit
        Unit of the coordinates, where the file names no coordinate system.
    layer
        Layer of a GeoPackage; may be left out where there is only one.

    Raises
    ------
    SurveyError
        The file is torn, is neither, or a geometry is no line, polygon or point.
    """
    path = Path(path)
    if path.suffix.lower() == ".gpkg":
        shapes = read_geopackage(path, layer)
    else:
        shapes = read_geojson(path)
        if layer is not None:
            raise SurveyError(
                f"a GeoJSON file has no layer {layer!r}",
                place=Place(path),
                expected="a GeoPackage, if a layer is named",
                mend="leave the layer out",
            )
    stated = _stated(path, shapes)
    degrees = stated.degrees if stated else shapes.crs is None and _looks_like_degrees(shapes)
    metres = stated.metres if stated else unit.metres
    scale = np.full(3, metres)
    if degrees:
        scale[:] = 1.0
    if stated is not None and stated.height_metres is not None:
        scale[2] = stated.height_metres
    lines = tuple(_line(path, shape, scale, degrees=degrees) for shape in shapes.shapes)
    if not lines:
        raise SurveyError(
            "the file has no lines",
            place=Place(path),
            expected="lines, polygons or points",
            mend="export the lines again" if layer is None else "check which layer holds them",
        )
    return Lines(
        lines=lines,
        source=path,
        unit=stated.unit if stated else None,
        crs=stated.crs if stated else _WGS84 if degrees else None,
        degrees=degrees,
    )


def _stated(path: Path, shapes: Shapes) -> Stated | None:
    if shapes.crs is None:
        return None
    stated = stated_by(shapes.crs)
    if stated is None:
        raise SurveyError(
            f"the coordinate system {shapes.crs[:60]!r} is not known",
            place=Place(path, key="crs"),
            expected="a code such as EPSG:26915",
            mend="export the lines in the coordinate system of the site",
        )
    return stated


def _looks_like_degrees(shapes: Shapes) -> bool:
    plan = np.vstack([shape.xyz[:, :2] for shape in shapes.shapes] or [np.zeros((0, 2))])
    if len(plan) < 2 or np.abs(plan[:, 0]).max() > 180 or np.abs(plan[:, 1]).max() > 90:
        return False
    return bool(0 < np.ptp(plan, axis=0).max() < _SITE_DEGREES)


def _line(path: Path, shape: Shape, scale: FloatArray, *, degrees: bool) -> Line:
    plan = shape.xyz[:, :2]
    if degrees and (np.abs(plan) > (180.0, 90.0)).any():
        east, north = plan[(np.abs(plan) > (180.0, 90.0)).any(axis=1)][0]
        raise SurveyError(
            f"longitude {east:g}, latitude {north:g} is not on the globe",
            place=Place(path, key=f"feature {shape.feature}"),
            expected="degrees of longitude and latitude, as the file's coordinate system says",
            mend="name the coordinate system that the coordinates are in",
        )
    xyz = shape.xyz * scale
    closed = shape.ring or (len(xyz) > 3 and bool((plan[0] == plan[-1]).all()))
    return Line(
        xyz=xyz[:-1] if closed else xyz,
        closed=closed,
        code=_attribute(shape.attributes, _CODES),
        name=_attribute(shape.attributes, _NAMES) or shape.id or str(shape.feature),
        feature=shape.feature,
        hole=shape.hole,
    )


def _attribute(attributes: Mapping[str, str], keys: tuple[str, ...]) -> str:
    known = {key.strip().lower(): value.strip() for key, value in attributes.items()}
    return next((known[key] for key in keys if known.get(key)), "")


def lines_to_spots(lines: Lines, roles: Mapping[str, Role]) -> tuple[Spots, Linework]:
    """Make shots and linework of lines, so that they join a survey of spot heights.

    A line's role is that of its code. Without a code an open line is a breakline, a closed one an
    outline and a point is ground.

    Parameters
    ----------
    lines
        In lengths, not in degrees.
    roles
        Base code → role.

    Returns
    -------
    Spots, Linework
        A shot for every vertex: its name the line's and the vertex's number, its line the number
        of the feature. Vertices of an outline without heights have NaN heights and are not ground;
        lines to be ignored, and holes of outlines, have none.

    Raises
    ------
    SurveyError
        A code is unknown, ground has no height, or a line has too few points.
    """
    if lines.degrees:
        raise SurveyError(
            "the lines are in degrees, which are not lengths",
            place=Place(lines.source),
            expected="lines in the coordinate system of the site",
            mend='name the coordinate system of the site with crs in [site], such as "EPSG:26915"',
        )
    parts: list[FloatArray] = []
    names: list[str] = []
    codes: list[str] = []
    features: list[int] = []
    ground: list[bool] = []
    strings: dict[Role, list[CodeString]] = {
        Role.BREAKLINE: [], Role.SOFT_BREAKLINE: [], Role.OUTLINE: []
    }  # fmt: skip
    apart: dict[Role, list[int]] = {}
    for line in lines.lines:
        role = _role(lines, line, roles)
        if role is Role.IGNORE or (role is Role.OUTLINE and line.hole):
            continue
        has_heights = bool(np.isfinite(line.xyz[:, 2]).all())
        if not has_heights and role is not Role.OUTLINE:
            raise _no_height(lines, line, role)
        rows = np.arange(len(names), len(names) + len(line.xyz), dtype=np.int64)
        if role in strings:
            strings[role].append(_string(lines, line, role, rows))
        if role in OFF_GROUND:
            apart.setdefault(role, []).extend(rows.tolist())
        parts.append(line.xyz)
        several = len(rows) > 1
        names += [f"{line.name}.{i + 1}" if several else line.name for i in range(len(rows))]
        codes += [line.code] * len(rows)
        features += [line.feature] * len(rows)
        ground += [has_heights and role not in OFF_GROUND] * len(rows)
    spots = Spots(
        xyz=np.vstack(parts) if parts else np.zeros((0, 3)),
        name=np.array(names, dtype=np.str_),
        code=np.array(codes, dtype=np.str_),
        line=np.array(features, dtype=np.int64),
        source=lines.source,
    )
    return spots, Linework(
        np.array(ground, dtype=np.bool_),
        tuple(strings[Role.BREAKLINE]),
        tuple(strings[Role.OUTLINE]),
        tuple(strings[Role.SOFT_BREAKLINE]),
        {role: np.array(rows, dtype=np.int64) for role, rows in apart.items()},
    )


def _role(lines: Lines, line: Line, roles: Mapping[str, Role]) -> Role:
    if not line.code:
        if len(line.xyz) == 1:
            return Role.GROUND
        return Role.OUTLINE if line.closed else Role.BREAKLINE
    role = role_of(line.code, roles)
    if role is None:
        raise SurveyError(
            f"unknown code {line.code!r}",
            place=_place(lines, line),
            expected=f"a code of the plan: {', '.join(sorted(roles)) or 'none'}",
            mend=f'add a line such as {line.code} = "breakline" to [codes] in the plan',
        )
    return role


def _place(lines: Lines, line: Line) -> Place:
    return Place(lines.source, key=f"feature {line.feature} ({line.name})")


def _no_height(lines: Lines, line: Line, role: Role) -> SurveyError:
    missing = int(np.flatnonzero(~np.isfinite(line.xyz[:, 2]))[0]) + 1
    none = bool(np.isnan(line.xyz[:, 2]).all())
    found = "its points have no heights" if none else f"its point {missing} has no height"
    return SurveyError(
        f"{role.replace('_', ' ')}: {found}",
        place=_place(lines, line),
        expected="[easting, northing, elevation] for every point",
        mend='export the line in 3D, or give its code the role "outline" or "ignore"',
    )


def _string(lines: Lines, line: Line, role: Role, rows: IntArray) -> CodeString:
    closed = role is Role.OUTLINE
    fewest = 3 if closed else 2
    different = len(np.unique(line.xyz[:, :2], axis=0))
    if different < fewest:
        raise SurveyError(
            f"{role.replace('_', ' ')} with {different} point{'s' if different > 1 else ''}",
            place=_place(lines, line),
            expected=f"at least {fewest} points at different places",
            mend="draw the line with all its points, or give it a code for ground",
        )
    if line.closed and not closed:
        rows = np.append(rows, rows[0])
    return CodeString(line.code or line.name, rows, closed)
