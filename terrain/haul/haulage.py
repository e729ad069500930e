"""The balance at its likely soil factors, with the loads that the ranges allow."""

from collections.abc import Sequence
from dataclasses import dataclass

from terrain.haul.balance import Balance


@dataclass(frozen=True)
class Haulage:
    """Likely balance, and how many loads it may be.

    Attributes
    ----------
    likely
        At the likely factors.
    loads_low, loads_high
        Least and most over the ranges of swell, shrink and the ± of the excavation.
    """

    likely: Balance
    loads_low: int
    loads_high: int


def haulage(likely: Balance, others: Sequence[Balance]) -> Haulage:
    """Span the loads of the likely balance and of its variants."""
    counts = [likely.loads, *(other.loads for other in others)]
    return Haulage(likely, min(counts), max(counts))
