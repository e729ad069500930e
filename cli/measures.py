"""How a number of a JSON document is shown to a person, by what its name ends in."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from terrain.units import Unit


def measure(key: str, unit: "Unit") -> tuple[str, float, int]:
    """Symbol, one of it in SI, and decimals, of the quantity at the end of a dotted path.

    Examples
    --------
    >>> from terrain.units import METRE
    >>> measure("elements.pond.rock_kg", METRE)
    ('t', 1000.0, 2)
    """
    name = key.rpartition(".")[2]
    if name.endswith("_m3"):
        if name.startswith("water"):
            return unit.water, unit.water_m3, 2 if unit.water_m3 > 0.1 else 0
        return unit.volume, unit.volume_m3, 2
    if name.endswith("_m2"):
        return unit.area, unit.area_m2, 1
    if name.endswith("_kg"):
        return unit.mass, unit.mass_kg, 2
    if name.endswith("_m"):
        return unit.symbol, unit.metres, 2
    if name.startswith("days") or name.endswith(("_deg", "_h", "_s")):
        return "", 1.0, 2
    return "", 1.0, 0
