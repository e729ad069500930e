"""The account of one element: what is dug, what fills the room again, what water it holds."""

from dataclasses import dataclass

from terrain.earthwork.quantities import ElementQuantities


@dataclass(frozen=True)
class RockVolumes:
    """Rock of one element, m³ and kg: whole, its part in the soil, its part under water."""

    whole_m3: float
    in_soil_m3: float
    in_water_m3: float
    mass_kg: float


@dataclass(frozen=True)
class ElementAccount:
    """One element's quantities after rock has taken its place.

    Attributes
    ----------
    quantities
        As measured between the surfaces.
    rock
        What its rocks displace.
    backfill_compacted_m3
        Over-dug room less the rock embedded in it; never negative.
    rock_too_much_m3
        Embedded rock that the over-dug room cannot hold.
    water_m3
        Free water less the rock in it, and the water in the voids of the lifts.
    """

    quantities: ElementQuantities
    rock: RockVolumes
    backfill_compacted_m3: float
    rock_too_much_m3: float
    water_m3: float


def settle(quantities: ElementQuantities, rock: RockVolumes) -> ElementAccount:
    """Let the rock displace soil in the over-dug room, and water above the finish."""
    left = quantities.over_dig_room_m3 - rock.in_soil_m3
    pores = sum(lift.pore_water_m3 for lift in quantities.lifts)
    return ElementAccount(
        quantities=quantities,
        rock=rock,
        backfill_compacted_m3=max(left, 0.0),
        rock_too_much_m3=max(-left, 0.0),
        water_m3=max(quantities.free_water_m3 - rock.in_water_m3, 0.0) + pores,
    )
