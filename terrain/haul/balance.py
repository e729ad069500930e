"""What is dug against what is put back, and what leaves."""

from collections.abc import Sequence
from dataclasses import dataclass

from terrain.earthwork.soil import Soil, bank_to_loose, compacted_to_bank
from terrain.haul.heap import ConeHeap, cone_heap
from terrain.haul.loads import Truck, load_volume, loads

REPOSE_DEG = 34.0  # moist common earth, about 1.5:1 (common practice)


@dataclass(frozen=True)
class SoilWork:
    """Work in one soil: dug in bank measure, placed in compacted measure, m³.

    A soil that is `kept_apart`, as stripped topsoil is, makes up for what another soil lacks only
    when nothing else is left.
    """

    soil: Soil
    excavation_bank_m3: float
    placed_compacted_m3: float
    kept_apart: bool = False


@dataclass(frozen=True)
class SoilBalance:
    """What becomes of one soil; a negative surplus must be brought in.

    Attributes
    ----------
    soil
        The soil.
    excavation_bank_m3, placed_compacted_m3
        Dug in it, and to be made of it.
    surplus_bank_m3, surplus_loose_m3
        What is left over after other soils have taken what they lack.
    load_m3, load_kg
        Of one load.
    weight_binds
        True where the payload, not the body, limits the load.
    loads
        Trucks away, or in; each carries one soil.
    """

    soil: Soil
    excavation_bank_m3: float
    placed_compacted_m3: float
    surplus_bank_m3: float
    surplus_loose_m3: float
    load_m3: float
    load_kg: float
    weight_binds: bool
    loads: int


@dataclass(frozen=True)
class Balance:
    """The soil balance; a negative surplus must be brought in.

    Attributes
    ----------
    soils
        Soil by soil.
    excavation_bank_m3, placed_compacted_m3
        Sums over the soils.
    reused_bank_m3
        Bank volume that becomes the placed soil.
    surplus_bank_m3, surplus_loose_m3
        What is left over.
    load_m3, load_kg
        Of one load with the density of the surplus as a whole.
    weight_binds
        True where the payload, not the body, limits that load.
    loads
        Trucks away (or, for a negative surplus, trucks in), the soils' together.
    heap
        The surplus if it were heaped on level ground, or None.
    """

    soils: tuple[SoilBalance, ...]
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
    """Set off placed soil against dug soil; the rest is loaded, each soil on its own.

    Placed soil is taken from the same soil's spoil while it lasts, then from the others' in
    proportion, from those kept apart last.
    """
    surplus = _left_over(works)
    soils = tuple(
        _soil_balance(work, volume, truck) for work, volume in zip(works, surplus, strict=True)
    )
    dug, bank = sum(work.excavation_bank_m3 for work in works), sum(surplus)
    loose = sum(each.surplus_loose_m3 for each in soils)
    mass = sum(abs(each.surplus_bank_m3) * each.soil.bank_density for each in soils)
    density = mass / abs(loose) if loose else works[0].soil.loose_density
    one_load = load_volume(truck, density)
    return Balance(
        soils=soils,
        excavation_bank_m3=dug,
        placed_compacted_m3=sum(work.placed_compacted_m3 for work in works),
        reused_bank_m3=dug - bank,
        surplus_bank_m3=bank,
        surplus_loose_m3=loose,
        load_m3=one_load,
        load_kg=one_load * density,
        weight_binds=one_load < truck.volume_m3,
        loads=sum(each.loads for each in soils),
        heap=cone_heap(loose, REPOSE_DEG) if loose > 0 else None,
    )


def _left_over(works: Sequence[SoilWork]) -> list[float]:
    """Bank volume left of each soil, m³: none below 0, or none above."""
    left = [w.excavation_bank_m3 - compacted_to_bank(w.placed_compacted_m3, w.soil) for w in works]
    short = -sum(volume for volume in left if volume < 0)
    over = sum(volume for volume in left if volume > 0)
    if short > over:
        return [min(volume, 0.0) * (1 - over / short) for volume in left]
    left = [max(volume, 0.0) for volume in left]
    for kept_apart in (False, True):
        rows = [row for row, work in enumerate(works) if work.kept_apart is kept_apart]
        held = sum(left[row] for row in rows)
        taken = min(short, held)
        for row in rows:
            left[row] *= 1 - taken / held if held else 0.0
        short -= taken
    return left


def _soil_balance(work: SoilWork, surplus_bank: float, truck: Truck) -> SoilBalance:
    loose = bank_to_loose(surplus_bank, work.soil)
    one_load = load_volume(truck, work.soil.loose_density)
    return SoilBalance(
        soil=work.soil,
        excavation_bank_m3=work.excavation_bank_m3,
        placed_compacted_m3=work.placed_compacted_m3,
        surplus_bank_m3=surplus_bank,
        surplus_loose_m3=loose,
        load_m3=one_load,
        load_kg=one_load * work.soil.loose_density,
        weight_binds=one_load < truck.volume_m3,
        loads=loads(abs(loose), one_load),
    )
