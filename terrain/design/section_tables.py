"""The table that says where the sections of the trapezoid method lie."""

from itertools import pairwise
from typing import Annotated

from pydantic import Field, model_validator

from terrain.design.quantities import Extent, Name, Place
from terrain.design.table import Table
from terrain.errors import Place as ErrorPlace
from terrain.errors import PlanError


class SectionsTable(Table):
    """Baseline and stations of the sections that volumes are measured by."""

    baseline: Annotated[tuple[Place, ...], Field(min_length=2, max_length=1000)] | None = None
    """Corners of the baseline in walking order; the long axis of the works unless given."""
    code: Name | None = None
    """Surveyed string that is the baseline, by its full code such as BL1, instead of corners."""
    curved: bool = False
    """Whether the baseline is an arc: through its first corner, a second one, to the third."""
    spacing: Extent | None = None
    """Distance between stations; put in until the volume settles unless given."""

    @model_validator(mode="after")
    def _one_line(self) -> "SectionsTable":
        if self.baseline is not None and self.code is not None:
            raise PlanError(
                "the baseline is given by baseline and code",
                expected="one of baseline or code",
            )
        if self.baseline is not None:
            check_corners(self.baseline, "baseline", curved=self.curved)
        elif self.curved and self.code is None:
            raise PlanError(
                "an arc without a baseline",
                place=ErrorPlace(key="curved"),
                expected="baseline = its beginning, a place on the way, its end",
            )
        return self


def check_corners(corners: tuple[Place, ...], key: str, *, curved: bool) -> None:
    """No two corners in a row are one place; an arc goes through three that are not in line.

    Raises
    ------
    PlanError
        Naming what is wrong.
    """
    place = ErrorPlace(key=key)
    for one, other in pairwise(corners):
        if max(abs(one[0] - other[0]), abs(one[1] - other[1])) < 1e-3:
            raise PlanError(
                "two places in a row are the same",
                place=place,
                expected="places that are apart, in walking order",
            )
    if not curved:
        return
    if len(corners) != 3:
        raise PlanError(
            f"an arc with {len(corners)} places",
            place=place,
            expected="three: its beginning, a place on the way, its end",
            mend="leave out curved for a line with corners",
        )
    (x1, y1), (x2, y2), (x3, y3) = corners
    twice = abs((x2 - x1) * (y3 - y1) - (x3 - x1) * (y2 - y1))
    longest = max(x1, x2, x3) - min(x1, x2, x3) + max(y1, y2, y3) - min(y1, y2, y3)
    if twice < 1e-4 * longest**2:
        raise PlanError(
            "the three places of an arc are in line",
            place=place,
            expected="a place on the way that lies off the straight line",
            mend="leave out curved for a straight line",
        )
