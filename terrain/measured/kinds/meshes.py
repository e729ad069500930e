"""Scanned meshes."""

from dataclasses import replace

from terrain.design.survey_tables import SurveyTable
from terrain.measured.control import register, stood_up
from terrain.measured.reading import Frame, Reading
from terrain.surface.draped import ground_from_triangles
from terrain.survey.meshes import Triangles, read_mesh

Y_UP = (".gltf", ".glb")  # by their specification
LEAST_IN_SPACE = 3  # control points that turn a scan upright
COARSE_STEP_M = 0.005  # between neighbouring numbers of single precision


def read(table: SurveyTable, frame: Frame) -> Reading:
    """Read a mesh, lay it by its control points and take it as ground.

    Control points are measured in the file's own axes, whichever of them points up.
    """
    path, unit = frame.path_of(table), frame.unit_of(table)
    if not table.control:
        told = read_mesh(path, unit=unit, up="y") if table.up == "y" else read_mesh(path, unit=unit)
        return ground_of_mesh(table, "scanned mesh", told)
    mesh = read_mesh(path, unit=unit, up="z")
    y_up = table.up == "y" or path.suffix.lower() in Y_UP
    in_space = len(table.control) >= LEAST_IN_SPACE
    fit = register(table, mesh.unit or unit, in_space=in_space, y_up=y_up and not in_space)
    xyz = mesh.xyz if in_space or not y_up else stood_up(mesh.xyz)
    laid = replace(mesh, xyz=fit.apply(xyz))
    return replace(ground_of_mesh(table, "scanned mesh", laid), registration=fit)


def ground_of_mesh(table: SurveyTable, kind: str, mesh: Triangles) -> Reading:
    """Take triangles as ground, seen from above."""
    ground = ground_from_triangles(mesh, cell=table.cell)
    remarks = []
    if not ground.is_whole:
        remarks.append(
            f"parts lie above each other over {ground.overhang_share:.1%} of it; the highest was "
            "taken"
        )
    if mesh.step_m > COARSE_STEP_M:
        remarks.append(f"its coordinates are written in steps of {mesh.step_m:.3g} m")
    return Reading(
        table,
        kind,
        len(mesh.xyz),
        ground.surface,
        mesh.crs,
        unit=mesh.unit,
        remarks=tuple(remarks),
    )
