"""The balance at its likely soil factors, with the loads that the ranges allow."""

from collections.abc import Sequence
from dataclasses import dataclass

from terrain.haul.balance import Balance
from terrain.haul.draws import spread


@dataclass(frozen=True)
class Haulage:
    """Likely balance, and how many loads it may be.

    Attributes
    ----------
    likely
        At the likely factors.
    loads_low, loads_high
        Exceeded in nine and in one of ten draws of swell, shrink and the ± of the excavation; they
        hold the likely loads between them, also where a range lies to one side of what is likely.
    """

    likely: Balance
    loads_low: int
    loads_high: int


def haulage(likely: Balance, drawn: Sequence[Balance]) -> Haulage:
    """Span the loads of the drawn balances."""
    loads = spread([each.loads for each in drawn])
    return Haulage(likely, min(likely.loads, int(loads.low)), max(likely.loads, int(loads.high)))
