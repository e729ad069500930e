"""Elevation rasters."""

import numpy as np

from terrain.design.survey_tables import SurveyTable
from terrain.measured.reading import Frame, Reading
from terrain.surface import Grid, Lattice
from terrain.survey.rasters import read_raster


def read(table: SurveyTable, frame: Frame) -> Reading:
    """Read heights at nodes."""
    unit = frame.unit_of(table)
    stated = None if table.unit is None else unit
    raster = read_raster(frame.path_of(table), unit=unit, band=table.band, height_unit=stated)
    ny, nx = raster.z.shape
    lattice = Lattice(raster.x0, raster.y0, raster.cell, nx, ny)
    known = int(np.isfinite(raster.z).sum())
    return Reading(table, "raster", known, Grid(lattice, raster.z), raster.crs, raster.unit)
