"""A survey laid on the site: by control points, from its coordinate system, to the benchmark."""

from dataclasses import replace

import numpy as np

from terrain.design.survey_tables import SurveyTable
from terrain.errors import Place, PlanError, SurveyError, TerrainError, UnitError
from terrain.measured.control import register
from terrain.measured.reading import Frame, Reading, read_file
from terrain.surface import Grid
from terrain.surface.thinning import thin_grid
from terrain.units import METRE, Unit

USUAL_THIN_M = 0.01  # a raster that must be turned becomes triangles that follow it this closely


def read_survey(table: SurveyTable, frame: Frame) -> Reading:
    """Read a survey and lay it on the site, in true coordinates.

    Raises
    ------
    SurveyError, UnitError, SurfaceError
        The file is not what its name or the plan says, or cannot lie on the site.
    PlanError
        The coordinate system of the site is none.
    """
    try:
        return _thinned(_raised(_laid(read_file(table, frame), frame)))
    except (SurveyError, UnitError) as error:
        raise _of_survey(error, frame, table) from None


def _of_survey(error: TerrainError, frame: Frame, table: SurveyTable) -> TerrainError:
    """The same error with the survey's file named."""
    place = replace(error.place, file=error.place.file or frame.path_of(table))
    return type(error)(error.found, place=place, expected=error.expected, mend=error.mend)


def _laid(reading: Reading, frame: Frame) -> Reading:
    table = reading.table
    if reading.registration is not None:
        return reading
    unit = reading.unit or frame.unit_of(table)
    if table.control:
        registration = register(table, unit, in_space=False)
        moved = _as_points(reading).moved(registration.apply)
        return replace(moved, registration=registration)
    source = table.crs or reading.crs
    if frame.crs is not None:
        return _carried(reading, source or frame.crs, frame.crs, unit)
    if table.crs is None:
        return reading
    idle = f"{table.crs} is its coordinate system, but [site] names none to carry it to"
    return replace(reading, remarks=(*reading.remarks, idle))


def _carried(reading: Reading, source: str, target: str, unit: Unit) -> Reading:
    """The same in the coordinate system of the site; `unit` is that of its own coordinates."""
    from terrain.survey.place import (  # noqa: PLC0415 - loads pyproj
        check_unit,
        cross,
        crs_named,
        plan_crs,
        plan_unit,
        site_crs,
    )

    try:
        there = site_crs(target)
    except SurveyError as error:
        raise PlanError(
            error.found, place=Place(key="site, crs"), expected=error.expected, mend=error.mend
        ) from None
    here = crs_named(source)
    if source == target or plan_crs(here) == plan_crs(there):
        said = plan_unit(here)  # the wrong foot is wrong by 2 parts in a million
        if said is not None and METRE not in (
            said,
            unit,
        ):
            check_unit(here, unit, largest_m=float(np.abs(reading.xyz[:, :2]).max()))
        return reading
    points = _as_points(reading)
    if plan_crs(here).is_geographic:
        degrees = np.array([1 / unit.metres, 1 / unit.metres, 1.0])
        points = points.moved(lambda xyz: xyz * degrees)
    low, high = points.xyz[:, :2].min(axis=0), points.xyz[:, :2].max(axis=0)
    near = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    crossing = cross(source, target, near=near, unit=unit)
    remarks = [f"carried from {crossing.source} to {crossing.target}"]
    if crossing.ballpark:
        remarks.append("the change of datum is not known here and was left out: metres may be lost")
    if crossing.missing:
        remarks.append(f"a better way needs {', '.join(crossing.missing)}, which is not here")
    return replace(points.moved(crossing.apply), remarks=(*reading.remarks, *remarks))


def _as_points(reading: Reading) -> Reading:
    """The same with a grid as triangles, which can be turned."""
    if not isinstance(reading.heights, Grid):
        return reading
    tolerance = reading.table.thin or USUAL_THIN_M
    return replace(reading, heights=thin_grid(reading.heights, tolerance_m=tolerance))


def _raised(reading: Reading) -> Reading:
    """The same, shifted to the benchmark of the site."""
    up = reading.table.raise_by
    if up == 0:
        return reading
    if isinstance(reading.heights, Grid):
        return replace(reading, heights=Grid(reading.heights.lattice, reading.heights.z + up))
    return reading.moved(lambda xyz: xyz + np.array([0.0, 0.0, up]))


def _thinned(reading: Reading) -> Reading:
    """The same as few triangles, if the plan asks for it."""
    if reading.table.thin is None or not isinstance(reading.heights, Grid):
        return reading
    return _as_points(reading)
