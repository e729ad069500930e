"""The three states of soil: bank (in place), loose (in the bucket), compacted (placed)."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Soil:
    """How a soil changes volume.

    Attributes
    ----------
    name
        As in the plan file.
    swell
        `loose / bank − 1`.
    shrink
        `1 − compacted / bank`.
    bank_density
        kg/m³ in place.
    """

    name: str
    swell: float
    shrink: float
    bank_density: float

    @property
    def loose_density(self) -> float:
        """kg/m³ in the bucket: the mass stays when the volume swells."""
        return self.bank_density / (1 + self.swell)


def bank_to_loose(volume: float, soil: Soil) -> float:
    """Loose volume of a bank volume, m³."""
    return volume * (1 + soil.swell)


def loose_to_bank(volume: float, soil: Soil) -> float:
    """Bank volume of a loose volume, m³."""
    return volume / (1 + soil.swell)


def bank_to_compacted(volume: float, soil: Soil) -> float:
    """Compacted volume of a bank volume, m³."""
    return volume * (1 - soil.shrink)


def compacted_to_bank(volume: float, soil: Soil) -> float:
    """Bank volume that a compacted volume is made from, m³."""
    return volume / (1 - soil.shrink)
