"""The prism method: triangles split exactly on the line where cut turns to fill."""

import shapely

from terrain.earthwork.adaptive import refined_volume
from terrain.earthwork.cutfill import CutFill
from terrain.earthwork.grid import grid_volume
from terrain.earthwork.refinement import tin_volume
from terrain.surface import Lattice, Surface, Tin

USUAL_TOLERANCE = 3e-3  # of the cut and fill by four corners


def prism_volume(
    before: Surface,
    after: Surface,
    lattice: Lattice,
    *,
    region: shapely.Polygon | shapely.MultiPolygon | None = None,
    tolerance_m3: float | None = None,
) -> CutFill:
    """Cut and fill by triangular prisms.

    Two triangulated surfaces are measured over their common refinement, exact to rounding
    (`tin_volume`); any others over cells that are split until the bound is under the tolerance
    (`refined_volume`).

    Parameters
    ----------
    before, after
        Cut is where `after` is below `before`.
    lattice
        Where to begin with surfaces that are not triangles.
    region
        Count only inside this; everywhere by default.
    tolerance_m3
        Bound to reach, m³; by default 3 thousandths of the cut and fill by four corners.
    """
    if isinstance(before, Tin) and isinstance(after, Tin):
        return tin_volume(before, after, region=region)
    if tolerance_m3 is None:
        rough = grid_volume(before, after, lattice, region=region)
        tolerance_m3 = USUAL_TOLERANCE * (rough.cut_m3 + rough.fill_m3)
    return refined_volume(before, after, lattice, tolerance_m3=tolerance_m3, region=region)
