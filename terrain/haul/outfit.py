"""The machines on a job, and the hours that a soil balance keeps them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from terrain.design.soil_tables import Digging
from terrain.earthwork.soil import bank_to_loose
from terrain.haul.balance import Balance, SoilBalance
from terrain.haul.digging import Digger, cycle_time
from terrain.haul.fleet import Fleet, Round, fill_truck, run_fleet


@dataclass(frozen=True)
class Outfit:
    """Machines and working time.

    Attributes
    ----------
    bucket_m3
        Heaped volume of the excavator's bucket.
    cycle_s
        Time of a pass where the plan says it, else None: by the soil.
    quickness
        What the passes an hour of a bulk dig are multiplied by where it does not: for swing and
        depth, and for digging to shape.
    haul_s, dump_s, return_s, spot_s
        Times of a truck's round, without loading.
    trucks
        On the job, or None: as many as keep the excavator busy.
    digging
        How hard each soil digs.
    efficiency
        Share of an hour that is worked.
    day_h
        Length of a day's work.
    """

    bucket_m3: float
    cycle_s: float | None
    quickness: float
    haul_s: float
    dump_s: float
    return_s: float
    spot_s: float
    trucks: int | None
    digging: Mapping[str, Digging]
    efficiency: float
    day_h: float

    def digger(self, soil: str, fill: float) -> Digger:
        """The excavator in a soil that fills this share of its bucket."""
        cycle = self.cycle_s
        if cycle is None:
            cycle = cycle_time(self.bucket_m3, self.digging[soil]) / self.quickness
        return Digger(self.bucket_m3 * fill, cycle, self.efficiency)

    def fleet(self, each: SoilBalance, fill: float, trucks: int | None) -> Fleet:
        """Trucks that carry what is left over of a soil, or what is missing; none has no load."""
        digger = self.digger(each.soil.name, fill)
        filling = fill_truck(each.load_m3, digger.pass_m3)
        going = Round(
            load_s=filling.passes * digger.cycle_s,
            haul_s=self.haul_s,
            dump_s=self.dump_s,
            return_s=self.return_s,
            spot_s=self.spot_s,
        )
        return run_fleet(filling, going, efficiency=self.efficiency, trucks=trucks, most=each.loads)


@dataclass(frozen=True)
class Hours:
    """How long the excavator works, and trucks that bring soil in.

    Attributes
    ----------
    beside_h
        Digging what is laid aside.
    loading_h
        Digging what is loaded on trucks, at the pace of the fleet.
    bringing_h
        Trucks that bring in what is missing, while the excavator works.
    """

    beside_h: float
    loading_h: float
    bringing_h: float

    @property
    def whole_h(self) -> float:
        """The longer of digging and bringing in."""
        return max(self.beside_h + self.loading_h, self.bringing_h)


def most_carried(balance: Balance) -> SoilBalance | None:
    """The soil of which most is on trucks, which the number of trucks is reckoned by."""
    carried = [each for each in balance.soils if each.loads]
    return max(carried, key=lambda each: abs(each.surplus_loose_m3), default=None)


def laid_aside(each: SoilBalance) -> float:
    """What is dug of a soil and not loaded on trucks, heaps that stay included, m³ loose."""
    leaves = max(each.surplus_loose_m3, 0.0)
    return max(bank_to_loose(each.excavation_bank_m3, each.soil) - leaves, 0.0)


def hours(balance: Balance, outfit: Outfit, fills: Sequence[float], trucks: int) -> Hours:
    """Hours of a balance with a number of trucks.

    Parameters
    ----------
    fills
        Share of the bucket that each soil fills.
    """
    beside = loading = bringing = 0.0
    for each, fill in zip(balance.soils, fills, strict=True):
        beside += laid_aside(each) / outfit.digger(each.soil.name, fill).loose_m3_per_h
        if each.loads:
            fleet = outfit.fleet(each, fill, trucks)
            loading += max(each.surplus_loose_m3, 0.0) / fleet.loose_m3_per_h
            bringing += max(-each.surplus_loose_m3, 0.0) / fleet.trucks_m3_per_h
    return Hours(beside, loading, bringing)
