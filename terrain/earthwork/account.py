"""The account of one element: what is dug, what fills the room again, what water it holds."""

from dataclasses import dataclass

from terrain.earthwork.quantities import ElementQuantities


@dataclass(frozen=True)
class RockVolumes:
    """Rock of one element, m³ and kg.

    Attributes
    ----------
    whole_m3
        `in_soil_m3 + in_gravel_m3 + in_water_m3 + dry_m3`.
    in_soil_m3, in_gravel_m3, in_water_m3, dry_m3
        Its parts in soil, in drapes and lifts, in open water, and above all of these.
    pore_water_m3
        Water that its part in lifts keeps out of their voids.
    mass_kg
        Of the whole.
    """

    whole_m3: float
    in_soil_m3: float
    in_water_m3: float
    mass_kg: float
    in_gravel_m3: float = 0.0
    pore_water_m3: float = 0.0

    @property
    def dry_m3(self) -> float:
        """What stands in the air."""
        return self.whole_m3 - self.in_soil_m3 - self.in_gravel_m3 - self.in_water_m3


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
        Over-dug room less the rock embedded in it, never negative, and what goes back over a
        trench.
    rock_too_much_m3
        Embedded rock that the over-dug room cannot hold.
    gravel_m3
        Drapes, lifts and other stone beds less the rock in them; never negative.
    water_m3
        Free water less the rock in it, and the water in the voids of the lifts.
    """

    quantities: ElementQuantities
    rock: RockVolumes
    backfill_compacted_m3: float
    rock_too_much_m3: float
    gravel_m3: float
    water_m3: float


def settle(
    quantities: ElementQuantities, rock: RockVolumes, pipe_m3: float = 0.0
) -> ElementAccount:
    """Let rock displace soil in the over-dug room, gravel on it, and water above the finish.

    A pipe takes its volume from the gravel around it.
    """
    left = quantities.over_dig_room_m3 - rock.in_soil_m3
    gravel = quantities.drape_m3 + quantities.stone_m3 - pipe_m3
    pores = sum(lift.pore_water_m3 for lift in quantities.lifts)
    return ElementAccount(
        quantities=quantities,
        rock=rock,
        backfill_compacted_m3=max(left, 0.0) + quantities.returned_compacted_m3,
        rock_too_much_m3=max(-left, 0.0),
        gravel_m3=max(gravel - rock.in_gravel_m3, 0.0),
        water_m3=max(quantities.free_water_m3 - rock.in_water_m3, 0.0)
        + max(pores - rock.pore_water_m3, 0.0),
    )
