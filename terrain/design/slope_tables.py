"""The tables that say how strong the soils are, and what the slopes are checked for."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from terrain.design.quantities import (
    Density,
    Extent,
    FrictionRange,
    Length,
    Level,
    Name,
    Place,
    Pressure,
    PressureRange,
)
from terrain.design.table import Table
from terrain.errors import Place as ErrorPlace
from terrain.errors import PlanError

SoilClassName = Literal["stable rock", "A", "B", "C"]

CAUTIOUS: dict[SoilClassName, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "stable rock": ((50e3, 100e3, 200e3), (32.0, 37.0, 42.0)),
    "A": ((4e3, 8e3, 15e3), (24.0, 27.0, 31.0)),
    "B": ((1e3, 4e3, 8e3), (25.0, 28.0, 32.0)),
    "C": ((0.0, 1e3, 3e3), (26.0, 30.0, 34.0)),
}
"""Effective cohesion (Pa) and angle of friction (degrees), low, likely and high, of soils that
nobody has tested, by class (common practice, cautious)."""


class StrengthTable(Table):
    """How strong a soil is; where nothing is said of it, cautious ranges of its class hold."""

    soil_class: Annotated[SoilClassName, Field(alias="class")] = "C"
    """Class for the sides of excavations: "stable rock", "A", "B" or "C", the weakest."""
    cohesion: PressureRange | None = None
    """Effective cohesion, such as "5 kPa" or [low, likely, high]; undrained strength if so said."""
    friction: FrictionRange | None = None
    """Effective angle of friction in degrees, one or [low, likely, high]."""
    undrained: bool = False
    """Whether cohesion is the undrained strength, without friction."""
    saturated_density: Density | None = None
    """Density under the water line; 5 % over the density in place unless given."""

    @model_validator(mode="after")
    def _undrained_has_a_strength(self) -> "StrengthTable":
        if self.undrained and self.cohesion is None:
            raise PlanError(
                "undrained, but without a strength",
                place=ErrorPlace(key="strength.cohesion"),
                expected="the undrained strength as cohesion",
                mend='give cohesion = "20 kPa", or leave undrained out',
            )
        return self

    @property
    def ranges(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Cohesion (Pa) and angle of friction (degrees), each low, likely, high."""
        cohesion, friction = CAUTIOUS[self.soil_class]
        if self.undrained:
            return self.cohesion or cohesion, (0.0, 0.0, 0.0)
        return self.cohesion or cohesion, self.friction or friction

    @property
    def is_tested(self) -> bool:
        """Whether the plan states the strength itself."""
        return self.cohesion is not None and (self.undrained or self.friction is not None)


class MachineLoadTable(Table):
    """A machine that stands above the faces while they are open."""

    pressure: Pressure = 40e3
    """Pressure under its tracks or wheels, such as "40 kPa"."""
    width: Extent = 2.5
    """How wide it stands, across the face."""
    away: Length = 1.0
    """How far its near track is from the edge."""


class AskedSectionTable(Table):
    """A section that is asked for besides those across the worst faces."""

    name: Name
    """What it is called in answers."""
    start: Annotated[Place, Field(alias="from")]
    """[easting, northing] where it begins."""
    end: Annotated[Place, Field(alias="to")]
    """[easting, northing] where it ends."""


class SlopesTable(Table):
    """What slopes are checked for, and what loads them."""

    rules: Name = "osha"
    """Rules for the sides of the dig: "osha", "metric", or a .toml file beside this one."""
    target_temporary: Annotated[float, Field(gt=0, lt=10)] = 1.3
    """Factor of safety wanted while the dig is open (common practice)."""
    target_permanent: Annotated[float, Field(gt=0, lt=10)] = 1.5
    """Factor of safety wanted of what is built (common practice)."""
    target_drawdown: Annotated[float, Field(gt=0, lt=10)] = 1.2
    """Factor of safety wanted when a pond empties at once behind a leaking liner."""
    lowest: Extent = 0.6
    """Lower faces are not analysed for slips."""
    water_depth: Length | None = None
    """Depth of the water in the ground below the existing surface; 0 for a wet hillside."""
    water_level: Level | None = None
    """Elevation of the water in the ground, instead of its depth."""
    leaking: bool = True
    """Whether ponds are also checked with a leaking liner, and emptied at once."""
    machine: MachineLoadTable | None = None
    """A machine above open faces."""
    seismic: Annotated[float, Field(ge=0, lt=1)] = 0.0
    """Horizontal acceleration as a share of gravity."""
    crack: Length = 0.0
    """Depth of a tension crack behind the crest."""
    crack_water: Length = 0.0
    """Depth of the water in it."""
    interface_friction: FrictionRange = (18.0, 22.0, 28.0)
    """Friction of gravel or soil on the liner, degrees; smooth membranes have little."""
    samples: Annotated[int, Field(ge=10, le=100_000)] = 120
    """How many strengths are drawn from their ranges."""
    seed: Annotated[int, Field(ge=0)] = 20_240
    """Seed that they are drawn from."""
    section: tuple[AskedSectionTable, ...] = ()
    """Sections that are analysed besides."""

    @model_validator(mode="after")
    def _one_water(self) -> "SlopesTable":
        if self.water_depth is not None and self.water_level is not None:
            raise PlanError(
                "the water in the ground has a depth and a level",
                place=ErrorPlace(key="slopes.water_level"),
                expected="one of them",
                mend="remove the other",
            )
        if self.crack_water > self.crack:
            raise PlanError(
                "more water than the crack is deep",
                place=ErrorPlace(key="slopes.crack_water"),
                expected="at most slopes.crack",
                mend="lower it",
            )
        return self
