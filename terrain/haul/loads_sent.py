"""What the trucks say of the dig: loads sent against loads foretold, and the swell they show."""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Sent:
    """What has left the site, and what lies on it loose.

    Attributes
    ----------
    loads
        Trucks that left.
    load_m3
        Loose volume of one.
    on_site_m3
        Loose soil that lies on heaps.
    """

    loads: int
    load_m3: float
    on_site_m3: float = 0.0

    @property
    def loose_m3(self) -> float:
        """All of it, if every truck was full."""
        return self.loads * self.load_m3 + self.on_site_m3


@dataclass(frozen=True)
class Amount:
    """A likely number with its low and high."""

    likely: float
    low: float
    high: float


def swell_shown(sent: Sent, dug_bank_m3: float, pm_m3: float) -> Amount | None:
    """Swell of what was dug, `loose / bank − 1`; None where nothing was sent or is surely dug.

    The low and high are those of the dug volume's ± and of a last truck that was nearly empty.

    Parameters
    ----------
    dug_bank_m3
        Dug, less what was placed for good, in place.
    pm_m3
        Its ± (95 %).
    """
    if sent.loads <= 0 or not dug_bank_m3 > pm_m3:
        return None
    least = sent.loose_m3 - sent.load_m3
    return Amount(
        sent.loose_m3 / dug_bank_m3 - 1,
        least / (dug_bank_m3 + pm_m3) - 1,
        sent.loose_m3 / (dug_bank_m3 - pm_m3) - 1,
    )


def loads_foretold(
    dug_bank_m3: float, swell: tuple[float, float, float], load_m3: Amount, on_site_m3: float
) -> Amount:
    """Loads that a dug volume should have given at the low, likely and high swell.

    Parameters
    ----------
    dug_bank_m3
        Dug, less what was placed for good, in place.
    load_m3
        Loose volume of one load at the likely, low and high swell: a truck that is filled by
        weight takes more of a looser soil.
    on_site_m3
        Loose soil that stayed.
    """

    def loads(factor: float, load: float) -> int:
        return max(0, math.ceil((dug_bank_m3 * (1 + factor) - on_site_m3) / load - 1e-9))

    low, likely, high = swell
    return Amount(loads(likely, load_m3.likely), loads(low, load_m3.low), loads(high, load_m3.high))
