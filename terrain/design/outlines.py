"""From the five ways of giving an outline to one sound polygon."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import shapely
from shapely.validation import explain_validity

from terrain.arrays import FloatArray
from terrain.design.tables import OutlineTable
from terrain.errors import Place, PlanError, SurveyError, nearest
from terrain.survey.lines import Lines, read_lines
from terrain.units import Unit

CIRCLE_CORNERS = 256


def outline_polygon(
    table: OutlineTable,
    *,
    key: str,
    strings: Mapping[str, FloatArray],
    folder: Path,
    unit: Unit,
    origin: FloatArray,
) -> shapely.Polygon:
    """The outline in local coordinates (true minus `origin`).

    Parameters
    ----------
    table
        What the plan file says.
    key
        The plan file's place, for messages.
    strings
        Closed outlines shot in the survey, by code, shape (n, 2 or 3), local m.
    folder
        Where the plan file lies; outline files are looked up from here.
    unit
        Of the coordinates of a file that names no coordinate system.
    origin
        Shape (2,), m.

    Raises
    ------
    PlanError
        No such code, no such file or feature, or an outline that crosses itself.
    """
    if table.code is not None:
        polygon = shapely.Polygon(_string(strings, table.code, key)[:, :2])
    elif table.points is not None:
        polygon = shapely.Polygon(np.array(table.points) - origin)
    elif table.circle is not None:
        circle = table.circle
        polygon = _oval(circle.centre, (2 * circle.radius, 2 * circle.radius), 0.0, origin)
    elif table.ellipse is not None:
        oval = table.ellipse
        polygon = _oval(oval.centre, oval.axes, oval.bearing, origin)
    else:
        polygon = _from_file(folder / str(table.file), table, unit, origin, key)
    points = "its points" if table.code is None else f"the shots of {table.code!r}"
    return _sound(polygon, key, points, origin, unit)


def _string(strings: Mapping[str, FloatArray], code: str, key: str) -> FloatArray:
    if code not in strings:
        known = sorted(strings)
        raise PlanError(
            f"the survey holds no outline with the code {code!r}",
            place=Place(key=f"{key}, outline"),
            expected=f"one of {', '.join(known) or '(no code is an outline in [codes])'}",
            mend=nearest(code, known) if known else 'give its code the role "outline"',
        )
    return strings[code]


def _oval(
    centre: tuple[float, float], axes: tuple[float, float], bearing: float, origin: FloatArray
) -> shapely.Polygon:
    """A polygon with the oval's own area: its corners lie a trace outside it."""
    turn = 2 * np.pi / CIRCLE_CORNERS
    outward = np.sqrt(turn / np.sin(turn)) / 2
    angle = turn * np.arange(CIRCLE_CORNERS)
    along, across = outward * axes[0] * np.cos(angle), outward * axes[1] * np.sin(angle)
    east, north = np.sin(np.radians(bearing)), np.cos(np.radians(bearing))
    ring = np.column_stack([along * east - across * north, along * north + across * east])
    return shapely.Polygon(np.array(centre) - origin + ring)


def _from_file(
    path: Path, table: OutlineTable, unit: Unit, origin: FloatArray, key: str
) -> shapely.Polygon:
    """The polygon of a GeoJSON or GeoPackage file, or a line in it that comes back to its start."""
    place = Place(path, key=f"{key}, outline")
    try:
        lines = read_lines(path, unit=unit, layer=table.layer)
    except SurveyError as error:
        within = Place(path, error.place.line, _joined(place.key, error.place.key))
        raise PlanError(
            error.found, place=within, expected=error.expected, mend=error.mend
        ) from None
    if lines.degrees:
        raise PlanError(
            "the coordinates are degrees, which are not lengths",
            place=place,
            expected="[easting, northing] in the coordinates of the survey",
            mend="export it again in the coordinate system of the survey",
        )
    outlines = _polygons(lines)
    names = ", ".join(dict.fromkeys(outlines)) or "none"
    feature = table.feature
    if feature is None and len(outlines) == 1:
        (found,) = outlines.values()
    elif feature in outlines:
        found = outlines[feature]
    else:
        raise PlanError(
            f"found the polygons: {names}",
            place=place,
            expected=f"one named {feature!r}" if feature else "one polygon, or feature = its name",
            mend='name it in the file ("properties": {"name": …}) and in the plan (feature = …)',
        )
    if len(found) > 1:
        called = f" called {feature!r}" if feature else ""
        raise PlanError(
            f"found {len(found)} polygons{called}",
            place=place,
            expected="one polygon",
            mend="give each polygon of the file its own name",
        )
    outer, *holes = [ring - origin for ring in found[0]]
    return shapely.Polygon(outer, holes)


def _joined(*keys: str | None) -> str:
    return ", ".join(key for key in keys if key)


def _polygons(lines: Lines) -> dict[str, list[list[FloatArray]]]:
    """Rings in plan of the polygons of each name, the outer ring first."""
    polygons: dict[str, list[list[FloatArray]]] = {}
    for line in lines.lines:
        if line.hole:
            polygons[line.name][-1].append(line.xyz[:, :2])
        elif line.closed:
            polygons.setdefault(line.name, []).append([line.xyz[:, :2]])
    return polygons


def _sound(
    polygon: shapely.Polygon, key: str, points: str, origin: FloatArray, unit: Unit
) -> shapely.Polygon:
    if polygon.is_valid and polygon.area > 1e-6:
        return polygon
    reason = explain_validity(polygon)
    where = ""
    if "[" in reason:
        spot = np.array(reason.split("[")[1].rstrip("]").split()[:2], dtype=np.float64) + origin
        where = " at E {:.2f}, N {:.2f}".format(*(spot / unit.metres))
    flat = polygon.convex_hull.area <= 1e-6
    what, where = ("encloses no area", "") if flat else ("crosses itself", where)
    raise PlanError(
        f"the outline {what}{where}",
        place=Place(key=f"{key}, outline"),
        expected="a ring whose sides touch only at its corners",
        mend=f"put {points} in walking order, each once",
    )
