"""What is dug against what is put back, and what leaves."""

from collections.abc import Sequence
from dataclasses import dataclass

from terrain.earthwork.soil import Soil, bank_to_loose, compacted_to_bank
from terrain.haul.heap import ConeHeap, cone_heap
from terrain.haul.loads import Truck, load_volume, loads

REPOSE_DEG = 34.0  # moist common earth, about 1.5:1 (common practice)


@dataclass(frozen=True)
class SoilWork:
    """Work in one soil: dug in bank measure, placed in compacted measure, m³."""

    soil: Soil
    excavation_bank_m3: float
    placed_compacted_m3: float


@dataclass(frozen=True)
class Balance:
    """The soil balance; a negative surplus must be brought in.

    Attributes
    ----------
    excavation_bank_m3, placed_compacted_m3
        Sums over the soils.
    reused_bank_m3
        Bank volume that becomes the placed soil.
    surplus_bank_m3, surplus_loose_m3
        What is left over.
    load_m3, load_kg
        Of one load.
    weight_binds
        True where the payload, not the body, limits the load.
    loads
        Trucks away (or, for a negative surplus, trucks in).
    heap
        The surplus if it were heaped on level ground, or None.
    """

    excavation_bank_m3: float
    placed_compacted_m3: float
    reused_bank_m3: float
    surplus_bank_m3: float
    surplus_loose_m3: float
    load_m3: float
    load_kg: float
    weight_binds: bool
    loads: int
    heap: ConeHeap | None


def balance(works: Sequence[SoilWork], truck: Truck) -> Balance:
    """Set off placed soil against dug soil; the rest is loaded.

    Placed soil is taken from the same soil's spoil while it lasts, then from the others'. A load is
    reckoned with the loose density of the surplus as a whole.
    """
    left = {
        work.soil: work.excavation_bank_m3 - compacted_to_bank(work.placed_compacted_m3, work.soil)
        for work in works
    }
    short = sum(volume for volume in left.values() if volume < 0)
    over = sum(volume for volume in left.values() if volume > 0)
    kept = max(0.0, 1 + short / over) if over > 0 else 0.0
    if over + short < 0:
        left = {soil: volume for soil, volume in left.items() if volume < 0}
        kept = (over + short) / short if short else 0.0
    else:
        left = {soil: volume for soil, volume in left.items() if volume > 0}
    bank = sum(volume * kept for volume in left.values())
    loose = sum(bank_to_loose(volume * kept, soil) for soil, volume in left.items())
    mass = sum(abs(volume) * kept * soil.bank_density for soil, volume in left.items())
    density = mass / abs(loose) if loose else works[0].soil.loose_density
    one_load = load_volume(truck, density)
    return Balance(
        excavation_bank_m3=sum(work.excavation_bank_m3 for work in works),
        placed_compacted_m3=sum(work.placed_compacted_m3 for work in works),
        reused_bank_m3=sum(work.excavation_bank_m3 for work in works) - bank,
        surplus_bank_m3=bank,
        surplus_loose_m3=loose,
        load_m3=one_load,
        load_kg=one_load * density,
        weight_binds=one_load < truck.volume_m3,
        loads=loads(abs(loose), one_load),
        heap=cone_heap(loose, REPOSE_DEG) if loose > 0 else None,
    )
