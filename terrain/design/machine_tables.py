"""The tables that say which machines and hands move the soil, and where what is left over goes.

A default is common practice for a small site: a midi excavator, hired tippers on country roads.
"""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from terrain.design.quantities import Duration, Extent, Length, Mass, Name, Speed, Volume
from terrain.design.table import Table
from terrain.errors import Place as ErrorPlace
from terrain.errors import PlanError

Share = Annotated[float, Field(gt=0, le=1.5)]
_KM_H = 1 / 3.6


class TruckTable(Table):
    """What one load may hold, and how a truck goes to the tip and back."""

    volume: Volume = 10.0
    """Heaped volume of the body, such as "10 m3"."""
    struck: Volume | None = None
    """Volume of the body filled level with its sides, such as "8 m3"."""
    filled: Literal["heaped", "struck"] = "heaped"
    """How far the body is filled: struck for wet soil that does not heap, or a sheeted body."""
    payload: Mass = 16000.0
    """What it may carry, such as "16 t"."""
    number: Annotated[int, Field(ge=1, le=100)] | None = None
    """Trucks on the job; as many as keep the excavator busy unless given."""
    haul_speed: Speed = 40 * _KM_H
    """Mean speed to the tip, loaded, such as "40 km/h"."""
    return_speed: Speed = 50 * _KM_H
    """Mean speed back, empty."""
    dump: Duration = 78.0
    """Time to turn and dump; 1.3 min unless given, usual for a body that tips to the rear."""
    spot: Duration = 18.0
    """Time to back up to the excavator; 0.3 min unless given."""

    @property
    def body(self) -> float:
        """Volume that the body is filled to, m³ loose."""
        return self.struck if self.filled == "struck" and self.struck is not None else self.volume

    @model_validator(mode="after")
    def _struck_below_heaped(self) -> "TruckTable":
        if self.filled == "struck" and self.struck is None:
            raise PlanError(
                'filled = "struck", but the struck volume is missing',
                place=ErrorPlace(key="struck"),
                expected='the volume of the body filled level, such as struck = "8 m3"',
            )
        if self.struck is not None and self.struck > self.volume:
            raise PlanError(
                f"a struck volume of {self.struck:g} m3 is more than the heaped {self.volume:g} m3",
                place=ErrorPlace(key="struck"),
                expected="volume (heaped) at least as large as struck (level with the sides)",
            )
        return self


class ExcavatorTable(Table):
    """The machine that digs and loads."""

    bucket: Volume = 0.3
    """Heaped volume of the bucket; 0.3 m3 unless given, a midi excavator's."""
    fill: Share | None = None
    """Share of the bucket that is filled; by how hard the soil digs unless given."""
    cycle: Annotated[Duration, Field(gt=0)] | None = None
    """Time of one pass, such as "18 s"; by bucket, soil, swing, depth and pace unless given."""
    swing: Annotated[float, Field(ge=10, le=180)] = 90.0
    """Angle between digging and dumping, degrees."""
    reach: Extent = 4.0
    """Greatest depth that it can dig."""
    pace: Annotated[float, Field(gt=0, le=1)] = 0.5
    """Share of a bulk dig's pace, where shelves and faces are dug to shape and to level."""


class WorkTable(Table):
    """How long is worked, and how."""

    minutes: Annotated[float, Field(gt=0, le=60)] = 50.0
    """Minutes worked in an hour."""
    day: Annotated[Duration, Field(gt=0, le=86400)] = 8 * 3600.0
    """Length of a day's work, such as "8 h"."""
    by_hand: Annotated[Volume, Field(gt=0)] = 5.0
    """Volume in place up to which a dig is done with hand tools; 5 m3 unless given."""
    people: Annotated[int, Field(ge=1, le=100)] = 2
    """People with hand tools."""
    seed: Annotated[int, Field(ge=0)] = 1
    """Seed of the draws behind the low and high numbers of loads and days."""


class TipTable(Table):
    """Where what is left over is taken."""

    distance: Length = 10000.0
    """Way from the site to the tip, such as "12 km"; 10 km unless given."""
    wait: Duration = 480.0
    """Time at the gate: weighing, ticket, queue; 8 min unless given."""
    fee: Annotated[float, Field(ge=0)] | None = None
    """What the tip takes for each of per."""
    per: Literal["load", "t", "ton", "m3", "yd3"] = "load"
    """What the fee is for: a load, a mass (ton of 2,000 lb) or a loose volume."""
    currency: Name = "money"
    """What the fee is paid in, such as "EUR"."""


class LoaderTable(Table):
    """A track loader, which digs into a heap, carries and dumps."""

    bucket: Volume = 0.8
    """Heaped volume of its bucket."""
    fill: Share | None = None
    """Share of the bucket that is filled; by how hard the soil digs unless given."""
    loaded_speed: Speed = 3 * _KM_H
    """Speed with a full bucket."""
    empty_speed: Speed = 6 * _KM_H
    """Speed back."""
    fixed: Duration = 24.0
    """Time to fill, turn and dump; 0.4 min unless given."""


class DumperTable(Table):
    """A tracked dumper, which the excavator fills."""

    volume: Volume = 1.0
    """Heaped volume of its skip."""
    payload: Mass = 2000.0
    """What it may carry, such as "2 t"."""
    loaded_speed: Speed = 4 * _KM_H
    """Speed with a load."""
    empty_speed: Speed = 6 * _KM_H
    """Speed back."""
    fixed: Duration = 60.0
    """Time to turn at both ends and dump; 1 min unless given."""
