"""Soil that is carried about the site, by a track loader or a tracked dumper."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Carry:
    """Loose soil that goes from one place of the site to another."""

    volume_loose_m3: float
    distance_m: float


@dataclass(frozen=True)
class Carrier:
    """A machine that carries.

    Attributes
    ----------
    name
        What it is called in answers.
    load_m3
        Loose soil that it takes at once.
    loaded_m_s, empty_m_s
        Speeds out and back.
    fixed_s
        Time of a round that the distance does not change: filling, turning, dumping.
    """

    name: str
    load_m3: float
    loaded_m_s: float
    empty_m_s: float
    fixed_s: float

    def round_s(self, distance_m: float) -> float:
        """Time of one round."""
        return self.fixed_s + distance_m / self.loaded_m_s + distance_m / self.empty_m_s

    def loose_m3_per_h(self, distance_m: float, *, efficiency: float) -> float:
        """What it carries over a distance."""
        return 3600 / self.round_s(distance_m) * self.load_m3 * efficiency


def carrying_hours(carry: Carry, carrier: Carrier, *, efficiency: float) -> float:
    """Time that a carrier takes, h."""
    return carry.volume_loose_m3 / carrier.loose_m3_per_h(carry.distance_m, efficiency=efficiency)
