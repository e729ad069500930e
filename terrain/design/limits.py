"""What no plan can mean: refused before anything is computed."""

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.errors import Place, PlanError
from terrain.surface import Surface
from terrain.units import Unit

MOST_DEPTH_M = 30.0  # beyond this a depth is a slip of the pen or of the unit
MOST_OFF_GROUND_M = 20.0  # so is a level this far from the ground


def check_cell(cell: float, outline: shapely.Polygon, unit: Unit) -> None:
    """An outline at least two cells wide, or a PlanError."""
    width = 2 * shapely.maximum_inscribed_circle(outline, tolerance=0.01 * cell).length
    if cell > width / 2:
        raise PlanError(
            f"the outline is {unit.length(width)} wide, a cell of the computing grid "
            f"{unit.length(cell)}",
            place=Place(key="outline"),
            expected="an outline at least two cells wide",
            mend="take a smaller cell in [site], or check the outline's size and unit",
        )


def check_on_survey(
    outline: shapely.Polygon | shapely.MultiPolygon, existing: Surface, unit: Unit
) -> None:
    """An outline on the surveyed ground, or a PlanError that says how far it is off."""
    outside = outline.difference(existing.footprint)
    if outside.area <= 1e-6 * outline.area:
        return
    corners = shapely.points(shapely.get_coordinates(outside))
    far = float(shapely.distance(corners, existing.footprint).max())
    xmin, ymin, xmax, ymax = existing.footprint.bounds
    raise PlanError(
        f"{unit.area_text(outside.area, 2)} of it lie outside the survey, "
        f"by up to {unit.length(max(far, 0.01 * unit.metres))} (over-dig included)",
        place=Place(key="outline"),
        expected=f"an outline and its over-dig inside the surveyed ground, which is "
        f"{unit.length(xmax - xmin, 1)} by {unit.length(ymax - ymin, 1)}",
        mend="survey farther out, move the outline, or check its unit and that easting comes first",
    )


def check_depth(depth: float, what: str, key: str, unit: Unit) -> None:
    """A depth that can be meant, or a PlanError."""
    if depth > MOST_DEPTH_M:
        raise PlanError(
            f"{unit.length(depth)} {what}",
            place=Place(key=key),
            expected=f"at most {unit.length(MOST_DEPTH_M, 1)}",
            mend=f"check the number and its unit; a bare number is in {unit.plural}",
        )


def check_level(
    level: float, key: str, outline: shapely.Polygon, existing: Surface, unit: Unit
) -> None:
    """A level near the ground, or a PlanError."""
    ground = ground_inside(outline, existing)
    low, high = float(ground.min()), float(ground.max())
    away = max(level - high, low - level)
    if away > MOST_OFF_GROUND_M:
        raise PlanError(
            f"the level {unit.length(level)} is {unit.length(away, 1)} "
            f"{'above' if level > high else 'below'} the ground inside the outline, "
            f"which lies from {unit.length(low)} to {unit.length(high)}",
            place=Place(key=key),
            expected=f"a level within {unit.length(MOST_OFF_GROUND_M, 1)} of the ground",
            mend=f"check the level and its unit; a bare number is in {unit.plural}",
        )


def ground_inside(outline: shapely.Polygon, existing: Surface) -> FloatArray:
    """Heights of the ground at a lattice of places inside an outline that lies on the survey."""
    xmin, ymin, xmax, ymax = outline.bounds
    x, y = np.meshgrid(np.linspace(xmin, xmax, 101), np.linspace(ymin, ymax, 101))
    places = np.column_stack([x.ravel(), y.ravel()])
    inside = places[shapely.contains_xy(outline, places[:, 0], places[:, 1])]
    middle = shapely.get_coordinates(outline.representative_point())
    ground = existing.elevation(np.concatenate([inside, middle]))
    known: FloatArray = ground[np.isfinite(ground)]
    return known
