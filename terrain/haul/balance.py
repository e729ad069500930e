"""What is dug against what is put back, and what leaves."""

from collections.abc import Sequence
from dataclasses import dataclass

from terrain.earthwork.soil import Soil, bank_to_loose, compacted_to_bank
from terrain.haul.heap import ConeHeap, cone_heap
from terrain.haul.loads import Truck, load_volume, loads

_NOTHING = 1e-9  # of what is moved: less is a rounding of the solver
REPOSE_DEG = 34.0  # moist common earth, about 1.5:1 (common practice)


@dataclass(frozen=True)
class SoilWork:
    """What is done with one soil, m³.

    Attributes
    ----------
    excavation_bank_m3
        Dug in it, in place.
    placed_compacted_m3
        Placed of it, wherever it comes from.
    kept_bank_m3
        Of what is dug, what stays on a heap.
    """

    soil: Soil
    excavation_bank_m3: float
    placed_compacted_m3: float
    kept_bank_m3: float = 0.0

    @property
    def surplus_bank_m3(self) -> float:
        """What leaves, or below 0 what comes in: nothing is lost."""
        placed = compacted_to_bank(self.placed_compacted_m3, self.soil)
        left = self.excavation_bank_m3 - placed - self.kept_bank_m3
        return left if abs(left) > _NOTHING * (self.excavation_bank_m3 + placed) else 0.0


@dataclass(frozen=True)
class SoilBalance:
    """What becomes of one soil; a negative surplus must be brought in.

    Attributes
    ----------
    soil
        The soil.
    excavation_bank_m3, placed_compacted_m3, kept_bank_m3
        Dug in it, placed of it, and left on a heap that stays.
    surplus_bank_m3, surplus_loose_m3
        What leaves, or below 0 what comes in.
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
    kept_bank_m3: float
    surplus_bank_m3: float
    surplus_loose_m3: float
    load_m3: float
    load_kg: float
    weight_binds: bool
    loads: int

    @property
    def kept_loose_m3(self) -> float:
        """What is left on a heap that stays, as it lies there."""
        return bank_to_loose(self.kept_bank_m3, self.soil)


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
        What leaves less what comes in; one soil may leave while another comes in.
    load_m3, load_kg
        Of one load with the density of all that is on the trucks.
    weight_binds
        True where the payload, not the body, limits that load.
    loads
        Trucks away and trucks in, the soils' together.
    heap
        What leaves if it were heaped on level ground, or None.
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

    @property
    def leaves_bank_m3(self) -> float:
        """What leaves, of all soils."""
        return sum(max(each.surplus_bank_m3, 0.0) for each in self.soils)

    @property
    def comes_in_bank_m3(self) -> float:
        """What comes in, of all soils."""
        return sum(max(-each.surplus_bank_m3, 0.0) for each in self.soils)

    @property
    def kept_bank_m3(self) -> float:
        """What is left on heaps that stay."""
        return sum(each.kept_bank_m3 for each in self.soils)

    @property
    def trucked_loose_m3(self) -> float:
        """What leaves and what comes in, as it lies on the trucks."""
        return sum(abs(each.surplus_loose_m3) for each in self.soils)


def balance(works: Sequence[SoilWork], truck: Truck) -> Balance:
    """Set off placed soil against dug soil; the rest is loaded, each soil on its own.

    Which soil is placed where is decided before, in `terrain.haul.transport`.
    """
    soils = tuple(_soil_balance(work, truck) for work in works)
    bank = sum(each.surplus_bank_m3 for each in soils)
    trucked = sum(abs(each.surplus_loose_m3) for each in soils)
    leaves = sum(max(each.surplus_loose_m3, 0.0) for each in soils)
    mass = sum(abs(each.surplus_bank_m3) * each.soil.bank_density for each in soils)
    density = mass / trucked if trucked else works[0].soil.loose_density
    one_load = load_volume(truck, density)
    return Balance(
        soils=soils,
        excavation_bank_m3=sum(work.excavation_bank_m3 for work in works),
        placed_compacted_m3=sum(work.placed_compacted_m3 for work in works),
        reused_bank_m3=sum(compacted_to_bank(w.placed_compacted_m3, w.soil) for w in works),
        surplus_bank_m3=bank,
        surplus_loose_m3=sum(each.surplus_loose_m3 for each in soils),
        load_m3=one_load,
        load_kg=one_load * density,
        weight_binds=one_load < truck.volume_m3,
        loads=sum(each.loads for each in soils),
        heap=cone_heap(leaves, REPOSE_DEG) if leaves > 0 else None,
    )


def _soil_balance(work: SoilWork, truck: Truck) -> SoilBalance:
    loose = bank_to_loose(work.surplus_bank_m3, work.soil)
    one_load = load_volume(truck, work.soil.loose_density)
    return SoilBalance(
        soil=work.soil,
        excavation_bank_m3=work.excavation_bank_m3,
        placed_compacted_m3=work.placed_compacted_m3,
        kept_bank_m3=work.kept_bank_m3,
        surplus_bank_m3=work.surplus_bank_m3,
        surplus_loose_m3=loose,
        load_m3=one_load,
        load_kg=one_load * work.soil.loose_density,
        weight_binds=one_load < truck.volume_m3,
        loads=loads(abs(loose), one_load),
    )
