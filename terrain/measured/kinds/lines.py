"""Lines of GeoJSON and GeoPackage files."""

from dataclasses import replace

from terrain.design.survey_tables import SurveyTable
from terrain.measured.reading import Frame, Reading
from terrain.survey.lines import lines_to_spots, read_lines
from terrain.units import METRE

_LONGITUDE_LATITUDE = "OGC:CRS84"


def read(table: SurveyTable, frame: Frame) -> Reading:
    """Read lines with heights, as shots and linework."""
    lines = read_lines(frame.path_of(table), unit=frame.unit_of(table), layer=table.layer)
    crs, unit = lines.crs, lines.unit
    if lines.degrees and frame.crs is not None:  # they are carried to the site from there
        crs, unit = crs or _LONGITUDE_LATITUDE, METRE
        lines = replace(lines, degrees=False)
    spots, linework = lines_to_spots(lines, frame.roles)
    return Reading(table, "lines", len(spots.xyz), spots, crs, unit, linework)
