"""What every element is resolved in: the plan, the ground, and where coordinates count from."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from terrain.arrays import FloatArray
from terrain.design.tables import Plan
from terrain.surface import Surface
from terrain.units import Unit


@dataclass(frozen=True)
class Setting:
    """A plan on its ground.

    Attributes
    ----------
    existing
        The ground, in local coordinates.
    strings
        Outlines shot in the survey, by code, local m.
    folder
        Of the plan file.
    origin
        True coordinates less local ones, shape (2,), m.
    """

    plan: Plan
    existing: Surface
    strings: Mapping[str, FloatArray]
    folder: Path
    unit: Unit
    origin: FloatArray

    def local(self, place: tuple[float, float]) -> tuple[float, float]:
        """A place of the plan in local coordinates."""
        return place[0] - float(self.origin[0]), place[1] - float(self.origin[1])
