"""LandXML files."""

from terrain.design.survey_tables import SurveyTable
from terrain.measured.kinds.meshes import ground_of_mesh
from terrain.measured.reading import Frame, Reading
from terrain.survey.landxml import (
    read_landxml,
    read_landxml_lines,
    read_landxml_points,
    read_landxml_surface,
)
from terrain.survey.lines import lines_to_spots


def read(table: SurveyTable, frame: Frame) -> Reading:
    """Read its surface; its lines or points if it has none, or if they join another survey."""
    path, unit = frame.path_of(table), frame.unit_of(table)
    file = read_landxml(path, unit=unit)
    if any(len(surface.faces) for surface in file.surfaces) and table.joins is None:
        mesh = read_landxml_surface(path, unit=unit, name=table.layer)
        return ground_of_mesh(table, "LandXML surface", mesh)
    if any(surface.breaklines for surface in file.surfaces):
        lines = read_landxml_lines(path, unit=unit, name=table.layer)
        spots, linework = lines_to_spots(lines, frame.roles)
        return Reading(
            table, "LandXML breaklines", len(spots.xyz), spots, file.crs, file.unit, linework
        )
    points = read_landxml_points(path, unit=unit)
    return Reading(table, "LandXML points", len(points.xyz), points, file.crs, file.unit)
