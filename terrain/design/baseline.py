"""The baseline that a plan gives for the sections."""

from collections.abc import Mapping

import numpy as np

from terrain.arrays import FloatArray
from terrain.design.section_tables import SectionsTable, check_corners
from terrain.errors import Place, PlanError, nearest


def baseline_corners(
    table: SectionsTable, strings: Mapping[str, FloatArray], origin: FloatArray
) -> FloatArray | None:
    """Corners of the baseline in walking order, shape (n, 2), local m; None where none is given.

    Parameters
    ----------
    strings
        Lines and outlines shot in the survey, by code, shape (n, 2 or 3), local m.
    origin
        True coordinates less local ones, shape (2,), m.

    Raises
    ------
    PlanError
        The survey holds no such string, or it makes no baseline.
    """
    if table.baseline is not None:
        return np.array(table.baseline) - origin
    if table.code is None:
        return None
    code = table.code.upper()
    if code not in strings:
        known = sorted(strings)
        raise PlanError(
            f"the survey holds no string with the code {table.code!r}",
            place=Place(key="sections.code"),
            expected=f"one of {', '.join(known) or '(no code is a line or an outline in [codes])'}",
            mend=nearest(code, known) if known else 'give its code the role "breakline"',
        )
    corners = strings[code][:, :2]
    check_corners(
        tuple((float(x), float(y)) for x, y in corners), "sections.code", curved=table.curved
    )
    return corners
