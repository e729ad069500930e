"""Spot heights."""

from terrain.design.survey_tables import SurveyTable
from terrain.measured.reading import Frame, Reading
from terrain.survey.spots import read_spots


def read(table: SurveyTable, frame: Frame) -> Reading:
    """Read delimited text."""
    path, unit = frame.path_of(table), frame.unit_of(table)
    spots = read_spots(path, unit=unit, columns=table.columns)
    return Reading(table, "spot heights", len(spots.xyz), spots)
