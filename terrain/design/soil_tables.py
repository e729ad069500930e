"""The tables that say what the ground is made of, and how it lies in strata."""

from typing import Literal

from pydantic import model_validator

from terrain.design.quantities import Density, Extent, Level, Name, Shrink, Swell
from terrain.design.slope_tables import StrengthTable
from terrain.design.table import Table
from terrain.errors import Place as ErrorPlace
from terrain.errors import PlanError

Digging = Literal["easy", "medium", "hard", "rock"]
GoodFor = Literal["rim", "backfill", "mound", "pad", "trench", "stockpile"]


class SoilTable(Table):
    """How a soil changes volume when it is dug and placed."""

    name: Name
    """Name of the soil, used by soil of an element; the first is the default."""
    swell: Swell = (0.15, 0.25, 0.35)
    """Loose over bank volume, less 1: one number, or [low, likely, high]."""
    shrink: Shrink = (0.05, 0.10, 0.15)
    """Compacted over bank volume, taken from 1: one number, or [low, likely, high]."""
    bank_density: Density = 1900.0
    """Density in place, such as "1900 kg/m3"."""
    digging: Digging = "medium"
    """How hard it digs: easy (sand, topsoil), medium, hard (stiff clay), rock (broken first)."""
    organic: bool | None = None
    """Whether it holds roots and humus: never put under liner. A stripped stratum's soil does."""
    good_for: tuple[GoodFor, ...] | None = None
    """What it may be placed as; left out, anything, but organic soil only on a heap that stays."""
    strength: StrengthTable = StrengthTable()
    """How strong it is, for the slopes that stand in it."""


class StratumTable(Table):
    """A layer of the ground; it reaches down to the top of the next one, the last without end."""

    name: Name
    """What the stratum is called in answers; the uppermost stands first in the file."""
    soil: Name | None = None
    """Name of its soil, where that is not the stratum's own name."""
    depth: Extent | None = None
    """Depth of its top below the existing ground; the first stratum begins at the ground."""
    level: Level | None = None
    """Elevation of its top, instead of depth."""
    survey: Name | None = None
    """Survey that found its top by probing or boring, instead of depth."""
    strip: bool = False
    """Whether this, the first stratum, is stripped also from under everything that is raised."""

    @property
    def soil_name(self) -> str:
        """Name of its soil."""
        return self.soil or self.name

    @property
    def tops(self) -> tuple[str, ...]:
        """Keys that say where it begins."""
        return tuple(k for k in ("depth", "level", "survey") if getattr(self, k) is not None)

    @model_validator(mode="after")
    def _one_top(self) -> "StratumTable":
        if len(self.tops) > 1:
            raise PlanError(
                f"its top is given by {' and '.join(self.tops)}",
                expected="one of depth, level or survey",
            )
        return self


def check_strata(strata: tuple[StratumTable, ...]) -> None:
    """Only the first begins at the ground, and only the first can be stripped.

    Raises
    ------
    PlanError
        Naming the stratum.
    """
    for row, stratum in enumerate(strata):
        place = ErrorPlace(key=f'stratum "{stratum.name}"')
        if row == 0 and stratum.tops:
            raise PlanError(
                f"the first stratum has a {stratum.tops[0]}",
                place=place,
                expected="none: it begins at the ground",
                mend="put the uppermost stratum, such as topsoil, first",
            )
        if row > 0 and not stratum.tops:
            raise PlanError(
                "where it begins is missing",
                place=place,
                expected="depth (below the ground), level or survey of its top",
            )
        if stratum.strip and (row > 0 or len(strata) == 1):
            what = "no stratum is below it" if row == 0 else "others lie on it"
            raise PlanError(
                f"it is stripped, but {what}",
                place=place,
                expected="strip = true for the first of two or more strata",
            )
