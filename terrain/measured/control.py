"""How control points carry a survey to the site."""

import numpy as np

from terrain.arrays import FloatArray
from terrain.design.survey_tables import SurveyTable
from terrain.survey.registration import Registration, register_in_space, register_on_level
from terrain.units import Unit


def register(table: SurveyTable, unit: Unit, *, in_space: bool, y_up: bool = False) -> Registration:
    """Fit a survey to its control points.

    Parameters
    ----------
    table
        What the plan says of the survey.
    unit
        Of the survey's own coordinates.
    in_space
        Turn it in space, as a scan without a level needs; else about the plumb line alone.
    y_up
        The survey's own second axis points up.

    Raises
    ------
    SurveyError
        The points are too few, in one line, or mirrored.
    """
    measured = np.array([point.measured for point in table.control]) * unit.metres
    if y_up:
        measured = stood_up(measured)
    site = np.array([point.site for point in table.control])
    fit = register_in_space if in_space else register_on_level
    names = [point.name for point in table.control]
    return fit(measured, site, scale=table.control_scale, names=names)


def stood_up(xyz: FloatArray) -> FloatArray:
    """Turn y up into z up, as `terrain.survey.meshes.read_mesh` does: (n, 3) → (n, 3)."""
    return np.column_stack([xyz[:, 0], -xyz[:, 2], xyz[:, 1]])
