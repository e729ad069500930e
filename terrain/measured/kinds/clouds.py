"""Point clouds."""

from terrain.design.survey_tables import SurveyTable
from terrain.measured.reading import Frame, Reading
from terrain.surface.ground import ground_from_cloud
from terrain.survey.clouds import cloud_header


def read(table: SurveyTable, frame: Frame) -> Reading:
    """Find the ground of a cloud."""
    path, unit = frame.path_of(table), frame.unit_of(table)
    keys = table.filter
    cloud = ground_from_cloud(
        path,
        unit=unit,
        cell=table.cell,
        slope=keys.slope,
        largest_object_m=keys.largest_object / 2,
        step_m=keys.step,
        keep_boulders_m=keys.keep_boulders,
    )
    header = cloud_header(path)
    return Reading(
        table,
        "point cloud",
        cloud.n_points,
        cloud.grid,
        header.wkt,
        header.unit,
        cloud=cloud,
    )
