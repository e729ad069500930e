"""Whether what is dug and raised ends inside the survey."""

from collections.abc import Sequence

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.compose import compose_at
from terrain.design.shapes import Element
from terrain.errors import Place, PlanError
from terrain.surface import Surface
from terrain.units import Unit

STEP_M = 0.25  # between the places of the survey's border that are looked at
TOLERANCE_M = 0.02


def check_daylight(
    elements: Sequence[Element], existing: Surface, *, unit: Unit, origin: FloatArray
) -> None:
    """Refuse a cut or a fill that would go on where nobody measured.

    Parameters
    ----------
    elements, existing
        In local coordinates (true minus `origin`).
    unit
        Of the message.
    origin
        Shape (2,), m.

    Raises
    ------
    PlanError
        At the border of the survey the ground is still cut or raised; names the element, the place
        and by how much.
    """
    border = _border(existing)
    if not len(border):
        return
    at = compose_at(border, elements, existing)
    for name, change, owner, mend in (
        ("cut", at.existing - at.dig, at.dig_owner, "steepen cut_batter"),
        ("raised", at.subgrade - at.existing, at.fill_owner, "lower the level or the freeboard"),
    ):
        worst = int(np.argmax(np.nan_to_num(change)))
        if change[worst] > TOLERANCE_M and owner[worst] >= 0:
            east, north = (border[worst] + origin) / unit.metres
            raise PlanError(
                f"at the survey's border (E {east:.1f}, N {north:.1f}) the ground is still {name} "
                f"by {unit.length(float(change[worst]))}: the rest of it cannot be measured",
                place=Place(key=f'element "{elements[owner[worst]].name}"'),
                expected="a dig and fill that end inside the surveyed ground",
                mend=f"survey farther out, {mend}, or move the outline",
            )


def _border(existing: Surface) -> FloatArray:
    """Places just inside the survey's border, shape (n, 2)."""
    inner = shapely.segmentize(existing.footprint.buffer(-0.001).boundary, STEP_M)
    places: FloatArray = shapely.get_coordinates(inner)
    return places
