"""From the four ways of giving an outline to one sound polygon."""

import difflib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.validation import explain_validity

from terrain.arrays import FloatArray
from terrain.design.plan import CircleTable, OutlineTable
from terrain.errors import Place, PlanError
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
        Of a GeoJSON file's coordinates.
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
        polygon = _circle(table.circle, origin)
    else:
        corners = _from_geojson(folder / str(table.file), table.feature, key)
        rings = [np.array(ring, dtype=np.float64)[:, :2] * unit.metres - origin for ring in corners]
        polygon = shapely.Polygon(rings[0], rings[1:])
    return _sound(polygon, key, origin, unit)


def _string(strings: Mapping[str, FloatArray], code: str, key: str) -> FloatArray:
    if code not in strings:
        known = sorted(strings)
        near = difflib.get_close_matches(code, known, n=1)
        raise PlanError(
            f"the survey holds no outline with the code {code!r}",
            place=Place(key=f"{key}, outline"),
            expected=f"one of {', '.join(known) or '(no code is an outline in [codes])'}",
            mend=f"did you mean {near[0]!r}?" if near else 'give its code the role "outline"',
        )
    return strings[code]


def _circle(circle: CircleTable, origin: FloatArray) -> shapely.Polygon:
    """A polygon with the circle's own area: its corners lie a trace outside it."""
    turn = 2 * np.pi / CIRCLE_CORNERS
    radius = circle.radius * np.sqrt(turn / np.sin(turn))
    angle = turn * np.arange(CIRCLE_CORNERS)
    centre = np.array(circle.centre) - origin
    return shapely.Polygon(centre + radius * np.column_stack([np.cos(angle), np.sin(angle)]))


def _from_geojson(path: Path, feature: str | None, key: str) -> list[list[Any]]:
    place = Place(path, key=f"{key}, outline")
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise PlanError("there is no such file", place=place) from None
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise PlanError(
            f"cannot be read: {error}", place=place, expected="a GeoJSON file (RFC 7946)"
        ) from None
    polygons: dict[str, Any] = {}
    for number, item in enumerate(data.get("features", [data]) if isinstance(data, dict) else []):
        geometry = item.get("geometry", item) if isinstance(item, dict) else None
        if isinstance(geometry, dict) and geometry.get("type") == "Polygon":
            name = (item.get("properties") or {}).get("name", item.get("id", number + 1))
            polygons[str(name)] = geometry.get("coordinates")
    names = ", ".join(polygons) or "none"
    if feature is None and len(polygons) == 1:
        (rings,) = polygons.values()
    elif feature in polygons:
        rings = polygons[feature]
    else:
        raise PlanError(
            f"found the polygons: {names}",
            place=place,
            expected=f"one named {feature!r}" if feature else "one polygon, or feature = its name",
            mend='name it in the file ("properties": {"name": …}) and in the plan (feature = …)',
        )
    try:
        flat = np.array([value for ring in rings for corner in ring for value in corner[:2]])
        sound = flat.dtype.kind in "if" and all(len(ring) >= 4 for ring in rings)
    except TypeError:
        sound = False
    if not sound or not np.isfinite(flat).all():
        raise PlanError(
            "the polygon's coordinates are not numbers",
            place=place,
            expected="closed rings of [easting, northing] in the plan's unit",
        )
    return [list(ring) for ring in rings]


def _sound(polygon: shapely.Polygon, key: str, origin: FloatArray, unit: Unit) -> shapely.Polygon:
    if polygon.is_valid and polygon.area > 1e-6:
        return polygon
    reason = explain_validity(polygon)
    where = ""
    if "[" in reason:
        spot = np.array(reason.split("[")[1].rstrip("]").split()[:2], dtype=np.float64) + origin
        where = " at E {:.2f}, N {:.2f}".format(*(spot / unit.metres))
    what = "crosses itself" if "ntersection" in reason else "encloses no area"
    raise PlanError(
        f"the outline {what}{where}",
        place=Place(key=f"{key}, outline"),
        expected="a ring whose sides touch only at its corners",
        mend="put its points in walking order",
    )
