"""What is booked for the work: the excavator's days, trucks, carriers or hands, and the tip."""

from collections.abc import Sequence
from dataclasses import dataclass

from terrain.design import Plan
from terrain.design.machine_tables import TipTable
from terrain.design.soil_tables import SoilTable
from terrain.earthwork.soil import Soil
from terrain.haul.balance import Balance
from terrain.haul.carrying import Carrier, Carry, carrying_hours
from terrain.haul.digging import Digger, bucket_fill, swing_depth
from terrain.haul.draws import Draw, Range, SoilRange, Spread, spread
from terrain.haul.fleet import Fleet
from terrain.haul.hand import HandWork, hand_work
from terrain.haul.loads import Truck, load_volume
from terrain.haul.outfit import Hours, Outfit, hours, most_carried
from terrain.units import parse_mass, parse_volume


@dataclass(frozen=True)
class SoilPace:
    """How one soil is dug, and carried away or brought in.

    Attributes
    ----------
    soil
        At its likely factors.
    fill
        Share of the bucket that is filled.
    digger
        The excavator in it.
    fleet
        Its trucks; None where none are needed.
    """

    soil: Soil
    fill: float
    digger: Digger
    fleet: Fleet | None

    @property
    def bank_m3_per_h(self) -> float:
        """What is dug an hour, in place."""
        return self.digger.loose_m3_per_h / (1 + self.soil.swell)


@dataclass(frozen=True)
class Carried:
    """What one machine carries about the site: all of it, over the mean way, in so many hours."""

    carrier: Carrier
    carry: Carry
    hours: float


@dataclass(frozen=True)
class Amount:
    """A likely number, and what nine draws of ten and one of ten exceed."""

    likely: float
    low: float
    high: float


@dataclass(frozen=True)
class Booking:
    """What is booked.

    Attributes
    ----------
    paces
        Soil by soil, those that are dug or carried.
    fleet
        Trucks in the soil of which most is carried; None where no truck is needed.
    most
        Name of that soil.
    hours
        The excavator's; None where all is dug by hand.
    hand
        Work with hand tools; None where the excavator digs.
    days
        Of either.
    draws
        Loads and days as drawn.
    carried
        What is carried about the site.
    fee
        What the tip takes; None where its fee is not given or nothing leaves.
    """

    paces: tuple[SoilPace, ...]
    fleet: Fleet | None
    most: str | None
    hours: Hours | None
    hand: HandWork | None
    days: Amount
    loads_drawn: Spread
    days_drawn: Spread
    carried: tuple[Carried, ...]
    fee: Amount | None


def truck_of(plan: Plan) -> Truck:
    """The truck as it is filled."""
    return Truck(plan.truck.body, plan.truck.payload)


def soil_ranges(plan: Plan) -> tuple[SoilRange, ...]:
    """What the factors of each soil may be."""
    return tuple(
        SoilRange(table.name, table.swell, table.shrink, _fill(plan, table), table.bank_density)
        for table in plan.soil
    )


def likely_soils(plan: Plan) -> tuple[Soil, ...]:
    """Each soil at its likely factors."""
    return tuple(
        Soil(table.name, table.swell[1], table.shrink[1], table.bank_density) for table in plan.soil
    )


def _fill(plan: Plan, table: SoilTable) -> Range:
    told = plan.excavator.fill
    return bucket_fill(table.digging) if told is None else (told, told, told)


def outfit_of(plan: Plan, mean_depth_m: float) -> Outfit:
    """The plan's machines.

    Parameters
    ----------
    mean_depth_m
        Of the dig.
    """
    truck, excavator, work, tip = plan.truck, plan.excavator, plan.work, plan.tip
    return Outfit(
        bucket_m3=excavator.bucket,
        cycle_s=excavator.cycle,
        quickness=(swing_depth(excavator.swing, mean_depth_m / excavator.reach) * excavator.pace),
        haul_s=tip.distance / truck.haul_speed,
        dump_s=truck.dump + tip.wait,
        return_s=tip.distance / truck.return_speed,
        spot_s=truck.spot,
        trucks=truck.number,
        digging={table.name: table.digging for table in plan.soil},
        efficiency=work.minutes / 60,
        day_h=work.day / 3600,
    )


def book(
    plan: Plan,
    outfit: Outfit,
    likely: Balance,
    drawn: Sequence[tuple[Draw, Balance]],
    carries: Sequence[Carry],
) -> Booking:
    """Reckon what is booked for a balance, and how far that may be off.

    The number of trucks is fixed by the likely balance; what is drawn changes their rounds.
    """
    fills = [each.fill[1] for each in soil_ranges(plan)]
    most = most_carried(likely)
    fleet = None
    if most is not None:
        fleet = outfit.fleet(most, fills[likely.soils.index(most)], outfit.trucks)
    trucks = 1 if fleet is None else fleet.trucks
    if most is not None and most.surplus_loose_m3 < 0:
        trucks = outfit.trucks or 1
        fleet = outfit.fleet(most, fills[likely.soils.index(most)], trucks)
    by_hand = likely.excavation_bank_m3 <= plan.work.by_hand

    def days(balance: Balance, fills: Sequence[float]) -> float:
        if by_hand:
            return _hand_work(plan, balance).person_hours / plan.work.people / outfit.day_h
        return hours(balance, outfit, fills, trucks).whole_h / outfit.day_h

    loads_drawn = spread([balance.loads for _, balance in drawn])
    days_drawn = spread([days(balance, draw.fills) for draw, balance in drawn])
    return Booking(
        paces=_paces(likely, outfit, fills, trucks),
        fleet=fleet,
        most=None if most is None else most.soil.name,
        hours=None if by_hand else hours(likely, outfit, fills, trucks),
        hand=_hand_work(plan, likely) if by_hand else None,
        days=_amount(days(likely, fills), days_drawn),
        loads_drawn=loads_drawn,
        days_drawn=days_drawn,
        carried=_carried(plan, outfit, likely, carries),
        fee=_fee_amount(plan.tip, likely, [balance for _, balance in drawn]),
    )


def _amount(likely: float, drawn: Spread) -> Amount:
    return Amount(likely, min(likely, drawn.low), max(likely, drawn.high))


def _paces(
    likely: Balance, outfit: Outfit, fills: Sequence[float], trucks: int
) -> tuple[SoilPace, ...]:
    return tuple(
        SoilPace(
            soil=each.soil,
            fill=fill,
            digger=outfit.digger(each.soil.name, fill),
            fleet=outfit.fleet(each, fill, trucks) if each.loads else None,
        )
        for each, fill in zip(likely.soils, fills, strict=True)
        if each.loads or each.excavation_bank_m3 > 0
    )


def _hand_work(plan: Plan, balance: Balance) -> HandWork:
    works = [
        hand_work(
            each.excavation_bank_m3,
            min(max(each.surplus_bank_m3, 0.0), each.excavation_bank_m3),
            table.digging,
        )
        for each, table in zip(balance.soils, plan.soil, strict=True)
    ]
    return HandWork(
        sum(work.dig_h for work in works),
        sum(work.load_h for work in works),
        sum(work.place_h for work in works),
    )


def _carriers(plan: Plan, outfit: Outfit, likely: Balance) -> list[Carrier]:
    """The plan's carriers in the soil of which most is dug."""
    dug = max(likely.soils, key=lambda each: each.excavation_bank_m3)
    table = plan.soil[likely.soils.index(dug)]
    carriers = []
    if plan.loader is not None:
        told, loader = plan.loader.fill, plan.loader
        carriers.append(
            Carrier(
                name="track loader",
                load_m3=loader.bucket * (bucket_fill(table.digging)[1] if told is None else told),
                loaded_m_s=loader.loaded_speed,
                empty_m_s=loader.empty_speed,
                fixed_s=loader.fixed,
            )
        )
    if plan.dumper is not None:
        dumper = plan.dumper
        digger = outfit.digger(table.name, _fill(plan, table)[1])
        load = load_volume(Truck(dumper.volume, dumper.payload), dug.soil.loose_density)
        carriers.append(
            Carrier(
                name="tracked dumper",
                load_m3=load,
                loaded_m_s=dumper.loaded_speed,
                empty_m_s=dumper.empty_speed,
                fixed_s=dumper.fixed + load / digger.pass_m3 * digger.cycle_s,
            )
        )
    return carriers


def _carried(
    plan: Plan, outfit: Outfit, likely: Balance, carries: Sequence[Carry]
) -> tuple[Carried, ...]:
    """Each carry by the machine that does it sooner, what a machine carries told together.

    What lies within twice the excavator's reach it lays there itself.
    """
    carriers = _carriers(plan, outfit, likely)
    done: dict[Carrier, list[tuple[Carry, float]]] = {}
    for carry in carries:
        if carriers and carry.distance_m > 2 * plan.excavator.reach:
            options = [
                (carrying_hours(carry, carrier, efficiency=outfit.efficiency), carrier)
                for carrier in carriers
            ]
            spent, carrier = min(options, key=lambda option: option[0])
            done.setdefault(carrier, []).append((carry, spent))
    return tuple(_together(carrier, parts) for carrier, parts in done.items())


def _together(carrier: Carrier, parts: Sequence[tuple[Carry, float]]) -> Carried:
    volume = sum(carry.volume_loose_m3 for carry, _ in parts)
    way = sum(carry.volume_loose_m3 * carry.distance_m for carry, _ in parts)
    return Carried(carrier, Carry(volume, way / volume), sum(spent for _, spent in parts))


def _fee_amount(tip: TipTable, likely: Balance, drawn: Sequence[Balance]) -> Amount | None:
    if tip.fee is None or all(each.surplus_loose_m3 <= 0 for each in likely.soils):
        return None
    fees = spread([_fee(tip, balance) for balance in drawn])
    return _amount(_fee(tip, likely), fees)


def _fee(tip: TipTable, balance: Balance) -> float:
    """What the tip takes for what leaves."""
    leaving = [each for each in balance.soils if each.surplus_loose_m3 > 0]
    if tip.per == "load":
        amount = float(sum(each.loads for each in leaving))
    elif tip.per in ("t", "ton"):
        mass = sum(each.surplus_bank_m3 * each.soil.bank_density for each in leaving)
        amount = mass / parse_mass(f"1 {tip.per}")
    else:
        loose = sum(each.surplus_loose_m3 for each in leaving)
        amount = loose / parse_volume(f"1 {tip.per}")
    return amount * (tip.fee or 0.0)
