"""Trucks that go round between an excavator and a tip."""

import math
from dataclasses import dataclass
from typing import Literal

ROUNDED = 1e-9


@dataclass(frozen=True)
class Filling:
    """How a truck is filled: whole passes of the bucket, of which the last may be a part one."""

    load_m3: float
    passes: int


@dataclass(frozen=True)
class Round:
    """Times of one round of a truck, s."""

    load_s: float
    haul_s: float
    dump_s: float
    return_s: float
    spot_s: float

    @property
    def whole_s(self) -> float:
        """The round, without waiting."""
        return self.load_s + self.haul_s + self.dump_s + self.return_s + self.spot_s


@dataclass(frozen=True)
class Fleet:
    """What an excavator and its trucks take away together.

    Attributes
    ----------
    filling
        Of one truck.
    round
        Of one truck.
    trucks
        On the job.
    keep_busy
        Trucks that keep the excavator busy: the round over the time of loading, rounded up.
    excavator_m3_per_h, trucks_m3_per_h
        Loose volume that either could load or carry alone.
    """

    filling: Filling
    round: Round
    trucks: int
    keep_busy: int
    excavator_m3_per_h: float
    trucks_m3_per_h: float

    @property
    def loose_m3_per_h(self) -> float:
        """What leaves in an hour: the smaller of the two."""
        return min(self.excavator_m3_per_h, self.trucks_m3_per_h)

    @property
    def limited_by(self) -> Literal["excavator", "trucks"]:
        """Which of them sets the pace."""
        return "trucks" if self.trucks_m3_per_h < self.excavator_m3_per_h else "excavator"


def fill_truck(limit_m3: float, pass_m3: float) -> Filling:
    """Fill a truck to its limit by whole passes, the last of which may be a part one.

    A part pass takes as long as a whole one; a truck that is not filled costs a load in so many.

    Parameters
    ----------
    limit_m3
        Loose volume that the truck may take, by its body or its payload.
    pass_m3
        Loose volume of one pass.
    """
    return Filling(limit_m3, max(1, math.ceil(limit_m3 / pass_m3 - ROUNDED)))


def run_fleet(
    filling: Filling, going: Round, *, efficiency: float, trucks: int | None, most: int
) -> Fleet:
    """What leaves in an hour with a number of trucks, or with as many as keep the excavator busy.

    N = round / loading; trucks alone carry n · load / round, the excavator alone loads
    load / loading, each for the share of the hour that is worked (Nunnally, *Construction Methods
    and Management*, ch. 5, from memory).

    Parameters
    ----------
    most
        Loads there are: no more trucks are taken than that, unless their number is given.
    """
    keep_busy = math.ceil(going.whole_s / going.load_s - ROUNDED)
    number = min(keep_busy, most) if trucks is None else trucks
    return Fleet(
        filling=filling,
        round=going,
        trucks=number,
        keep_busy=keep_busy,
        excavator_m3_per_h=3600 * filling.load_m3 / going.load_s * efficiency,
        trucks_m3_per_h=3600 * number * filling.load_m3 / going.whole_s * efficiency,
    )
