"""LandXML 1.2: triangulated surfaces that other programs and machines read."""

from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from xml.sax.saxutils import quoteattr

import numpy as np

from terrain.arrays import FloatArray, Int32Array
from terrain.errors import OutputError, Place
from terrain.surface import Tin
from terrain.units import FOOT, METRE, US_SURVEY_FOOT, Unit
from terrain.whole import whole_file

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"
_UNSAID = datetime(1970, 1, 1)
_AT_ONCE = 50_000  # points or faces written in one go
# attributes that the schema requires, in its own words
_UNITS = {
    METRE: '<Metric areaUnit="squareMeter" linearUnit="meter" volumeUnit="cubicMeter" '
    'temperatureUnit="celsius" pressureUnit="milliBars"/>',
    FOOT: '<Imperial areaUnit="squareFoot" linearUnit="foot" volumeUnit="cubicYard" '
    'temperatureUnit="fahrenheit" pressureUnit="inchHG"/>',
    US_SURVEY_FOOT: '<Imperial areaUnit="squareFoot" linearUnit="USSurveyFoot" '
    'volumeUnit="cubicYard" temperatureUnit="fahrenheit" pressureUnit="inchHG"/>',
}


def write_landxml(
    path: Path,
    surfaces: Mapping[str, Tin],
    *,
    unit: Unit,
    crs: str | None,
    origin: FloatArray,
    time: datetime | None = None,
) -> Path:
    """Write surfaces to a LandXML 1.2 file, whole or not at all.

    The same surfaces give the same bytes. Numbers are written in full: what is read back differs
    by rounding alone.

    Parameters
    ----------
    path
        The file; written to a temporary name beside it and renamed.
    surfaces
        Name → surface in local coordinates, m.
    unit
        Unit of the numbers in the file.
    crs
        Coordinate system; noted as its EPSG code if it is one, else by its name.
    origin
        True coordinates of the local origin, shape (2,), m.
    time
        When the file is said to be made, which the schema requires; the beginning of 1970 unless
        given, so that nothing depends on the clock.

    Raises
    ------
    OutputError
        There is no surface, a surface has a point that is no number, or the file cannot be
        written.
    """
    path = Path(path)
    if not surfaces:
        raise OutputError(
            "there is no surface to write", place=Place(path), expected="at least one surface"
        )
    shift = np.append(np.asarray(origin, dtype=np.float64), 0.0)
    for name, tin in surfaces.items():
        if not (len(tin.triangles) and np.isfinite(tin.points).all() and np.isfinite(shift).all()):
            raise OutputError(
                f"the surface {name!r} has no triangles, or a point that is not a number",
                place=Place(path),
                expected="triangles between finite points",
            )
    with whole_file(path) as free, free.open("w", encoding="utf-8", newline="\n") as out:
        out.writelines(_head(unit, crs, time or _UNSAID))
        for name, tin in surfaces.items():
            out.writelines(_surface(name, tin, shift, unit))
        out.write("</Surfaces>\n</LandXML>\n")
    return path


def _head(unit: Unit, crs: str | None, time: datetime) -> Iterator[str]:
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield (
        f'<LandXML xmlns="{NAMESPACE}" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        f'xsi:schemaLocation="{NAMESPACE} {NAMESPACE}/LandXML-1.2.xsd" '
        f'version="1.2" date="{time:%Y-%m-%d}" time="{time:%H:%M:%S}" language="English" '
        'readOnly="false">\n'
    )
    yield f"<Units>{_UNITS[unit]}</Units>\n"
    if crs is not None:
        authority, _, code = crs.partition(":")
        is_epsg = authority.upper() == "EPSG" and code.isdigit()
        yield f"<CoordinateSystem name={_quoted(crs)}"
        yield f' epsgCode="{code}"/>\n' if is_epsg else "/>\n"
    yield '<Application name="tarnwright"/>\n<Surfaces>\n'


def _surface(name: str, tin: Tin, shift: FloatArray, unit: Unit) -> Iterator[str]:
    points = (tin.points + shift) / unit.metres
    triangles = _counter_clockwise(tin)
    area, sloped = _areas(tin)
    used = points[np.unique(triangles), 2]
    yield f"<Surface name={_quoted(name)}>\n"
    yield (
        f'<Definition surfType="TIN" area2DSurf="{area / unit.metres**2!r}" '
        f'area3DSurf="{sloped / unit.metres**2!r}" '
        f'elevMax="{float(used.max())!r}" elevMin="{float(used.min())!r}">\n<Pnts>\n'
    )
    for start in range(0, len(points), _AT_ONCE):
        rows = points[start : start + _AT_ONCE].tolist()
        yield from (
            f'<P id="{i}">{north!r} {east!r} {up!r}</P>\n'
            for i, (east, north, up) in enumerate(rows, start=start + 1)
        )
    yield "</Pnts>\n<Faces>\n"
    for start in range(0, len(triangles), _AT_ONCE):
        corners = (triangles[start : start + _AT_ONCE].astype(np.int64) + 1).tolist()
        yield from (f"<F>{a} {b} {c}</F>\n" for a, b, c in corners)
    yield "</Faces>\n</Definition>\n</Surface>\n"


def _counter_clockwise(tin: Tin) -> Int32Array:
    corners = tin.points[tin.triangles, :2]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    turned = one[:, 0] * two[:, 1] < one[:, 1] * two[:, 0]
    triangles: Int32Array = np.where(turned[:, None], tin.triangles[:, ::-1], tin.triangles)
    return triangles


def _areas(tin: Tin) -> tuple[float, float]:
    """Area in plan and along the slope, m²."""
    corners = tin.points[tin.triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
    return float(np.abs(normal[:, 2]).sum()), float(np.linalg.norm(normal, axis=1).sum())


def _quoted(text: str) -> str:
    """An attribute's value; characters that XML does not know are left out."""
    return quoteattr("".join(c for c in text if c.isprintable() and not "\ud800" <= c <= "\udfff"))
