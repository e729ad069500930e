"""From the five ways of giving an outline to one sound polygon."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.validation import explain_validity

from terrain.arrays import FloatArray
from terrain.design.tables import OutlineTable
from terrain.errors import Place, PlanError, nearest
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
        circle = table.circle
        polygon = _oval(circle.centre, (2 * circle.radius, 2 * circle.radius), 0.0, origin)
    elif table.ellipse is not None:
        oval = table.ellipse
        polygon = _oval(oval.centre, oval.axes, oval.bearing, origin)
    else:
        corners = _from_geojson(folder / str(table.file), table.feature, key)
        rings = [np.array(ring, dtype=np.float64)[:, :2] * unit.metres - origin for ring in corners]
        polygon = shapely.Polygon(rings[0], rings[1:])
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


def _from_geojson(path: Path, feature: str | None, key: str) -> list[list[Any]]:
    place = Place(path, key=f"{key}, outline")
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise PlanError(
            "there is no such file",
            place=place,
            expected=f"a GeoJSON file at {path}",
            mend="correct the file's name in the plan",
        ) from None
    except OSError as error:
        raise PlanError(
            f"cannot be read: {error.strerror or error}",
            place=place,
            expected="a GeoJSON file (RFC 7946) that this user may read",
        ) from None
    except json.JSONDecodeError as error:
        raise PlanError(
            f"is torn or no JSON: {error.msg} at column {error.colno}",
            place=Place(path, error.lineno, place.key),
            expected="a GeoJSON file (RFC 7946)",
            mend="export it again",
        ) from None
    except (ValueError, RecursionError):
        raise PlanError(
            "is no JSON text in UTF-8", place=place, expected="a GeoJSON file (RFC 7946)"
        ) from None
    polygons = _polygons(data)
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
        plan = [[corner[:2] for corner in ring] for ring in rings]
        sound = bool(plan) and all(_is_ring(ring) for ring in plan)
    except (TypeError, ValueError):
        sound = False
    if not sound:
        raise PlanError(
            "the polygon's coordinates are not closed rings of numbers",
            place=place,
            expected="rings of 4 or more [easting, northing] in the plan's unit, the last corner "
            "the first",
            mend="export it again as polygons, in the survey's coordinates (not in degrees)",
        )
    return plan


def _polygons(data: Any) -> dict[str, Any]:
    """Coordinates of each polygon by its name, or by its number where it has none."""
    features = data.get("features", [data]) if isinstance(data, dict) else []
    polygons = {}
    for number, item in enumerate(features if isinstance(features, list) else [], start=1):
        geometry = item.get("geometry", item) if isinstance(item, dict) else None
        if isinstance(geometry, dict) and geometry.get("type") == "Polygon":
            properties = item.get("properties")
            named = properties if isinstance(properties, dict) else {}
            polygons[str(named.get("name", item.get("id", number)))] = geometry.get("coordinates")
    return polygons


def _is_ring(corners: list[Any]) -> bool:
    ring = np.array(corners, dtype=np.float64)
    return (
        ring.shape == (max(len(ring), 4), 2)
        and bool(np.isfinite(ring).all())
        and bool((ring[0] == ring[-1]).all())
    )


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
