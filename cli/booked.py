"""What `haul` tells of machines, trucks, days and the tip."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from terrain.booking import Amount, Booking, SoilPace
    from terrain.haul.fleet import Fleet
    from terrain.haul.hand import HandWork
    from terrain.site import Site


def booked_document(site: "Site") -> dict[str, Any]:
    """Keys of `haul --json`."""
    booking, plan = site.booking, site.plan
    loads, days = booking.loads_drawn, booking.days_drawn
    return {
        "days": booking.days.likely,
        "days_low": booking.days.low,
        "days_high": booking.days.high,
        "production": _production(site),
        "fleet": _fleet(booking),
        "carried": [
            {
                "machine": each.carrier.name,
                "volume_loose_m3": each.carry.volume_loose_m3,
                "distance_m": each.carry.distance_m,
                "load_m3": each.carrier.load_m3,
                "work_h": each.hours,
            }
            for each in booking.carried
        ],
        "tip": {}
        if booking.fee is None
        else {
            "distance_m": plan.tip.distance,
            "currency": plan.tip.currency,
            "fee": booking.fee.likely,
            "fee_low": booking.fee.low,
            "fee_high": booking.fee.high,
        },
        "draws": {
            "seed": plan.work.seed,
            "loads": {"p10": loads.low, "p50": loads.middle, "p90": loads.high},
            "days": {"p10": days.low, "p50": days.middle, "p90": days.high},
        },
    }


def _production(site: "Site") -> dict[str, Any]:
    booking = site.booking
    if booking.hand is not None:
        hand = booking.hand
        return {
            "by": "hand",
            "people": site.plan.work.people,
            "work_h": hand.person_hours / site.plan.work.people,
            "dig_person_h": hand.dig_h,
            "load_person_h": hand.load_h,
            "place_person_h": hand.place_h,
        }
    assert booking.hours is not None
    return {
        "by": "excavator",
        "bucket_m3": site.plan.excavator.bucket,
        "work_h": booking.hours.whole_h,
        "beside_h": booking.hours.beside_h,
        "loading_h": booking.hours.loading_h,
        "bringing_h": booking.hours.bringing_h,
        "soils": [_pace(each) for each in booking.paces],
    }


def _pace(pace: "SoilPace") -> dict[str, Any]:
    digger = pace.digger
    return {
        "soil": pace.soil.name,
        "fill_share": pace.fill,
        "pass_m3": digger.pass_m3,
        "cycle_s": digger.cycle_s,
        "loose_m3_per_h": digger.loose_m3_per_h,
        "bank_m3_per_h": pace.bank_m3_per_h,
        "passes": 0 if pace.fleet is None else pace.fleet.filling.passes,
    }


def _fleet(booking: "Booking") -> dict[str, Any]:
    fleet = booking.fleet
    if fleet is None:
        return {}
    going = fleet.round
    return {
        "soil": booking.most,
        "trucks": fleet.trucks,
        "trucks_to_keep_busy": fleet.keep_busy,
        "passes": fleet.filling.passes,
        "load_m3": fleet.filling.load_m3,
        "round_s": going.whole_s,
        "load_s": going.load_s,
        "haul_s": going.haul_s,
        "dump_s": going.dump_s,
        "return_s": going.return_s,
        "spot_s": going.spot_s,
        "loose_m3_per_h": fleet.loose_m3_per_h,
        "limited_by": fleet.limited_by,
    }


def show_booked(site: "Site") -> None:
    """Print what the operator and whoever books the trucks need."""
    from cli.output import print_lines

    booking, unit = site.booking, site.unit
    if booking.hand is not None:
        _show_hand(site, booking.hand)
    else:
        _show_digging(site)
    if booking.fleet is not None:
        _show_fleet(site, booking.fleet)
    print_lines(_days(booking))
    for each in booking.carried:
        print_lines(
            f"The {each.carrier.name} carries {unit.volume_text(each.carry.volume_loose_m3)} loose "
            f"{unit.length(each.carry.distance_m, 0)} far on the mean: {_hours(each.hours)}."
        )
    if booking.fee is not None:
        fee, tip = booking.fee, site.plan.tip
        print_lines(
            f"The tip takes about {fee.likely:,.0f} {tip.currency}{_span(fee, 0)}, at "
            f"{tip.fee:,g} for each {_per(tip.per)}."
        )
    assumed = [f"[{key}]" for key in ("excavator", "truck", "tip") if _is_assumed(site, key)]
    if assumed:
        print_lines(
            f"The plan says nothing in {', '.join(assumed)}: usual numbers stand in for it."
        )


def _is_assumed(site: "Site", key: str) -> bool:
    needed = (key == "excavator" and site.booking.hand is None) or (
        key != "excavator" and site.booking.fleet is not None
    )
    return needed and key not in site.plan.model_fields_set


def _show_digging(site: "Site") -> None:
    from cli.output import number, print_table

    unit, booking = site.unit, site.booking
    print_table(
        f"The excavator, bucket of {unit.volume_text(site.plan.excavator.bucket, 2)} heaped",
        (
            "",
            f"a pass\n{unit.volume} loose",
            "takes\ns",
            f"an hour\n{unit.volume} loose",
            f"an hour\n{unit.volume} bank",
            "passes\na truck",
        ),
        [
            (
                each.soil.name,
                f"{each.digger.pass_m3 / unit.volume_m3:.2f}",
                f"{each.digger.cycle_s:.0f}",
                number(each.digger.loose_m3_per_h / unit.volume_m3),
                number(each.bank_m3_per_h / unit.volume_m3),
                "–" if each.fleet is None else f"{each.fleet.filling.passes:,}",
            )
            for each in booking.paces
        ],
    )


def _show_hand(site: "Site", hand: "HandWork") -> None:
    from cli.output import counted, print_lines

    print_lines(
        f"So little is dug by hand: {hand.person_hours:,.1f} person-hours, {hand.dig_h:,.1f} of "
        f"digging, {hand.load_h:,.1f} of loading and {hand.place_h:,.1f} of wheeling and placing, "
        f"for {counted(site.plan.work.people, 'person').replace('persons', 'people')}."
    )


def _show_fleet(site: "Site", fleet: "Fleet") -> None:
    from cli.output import counted, print_lines

    unit, going, booking = site.unit, fleet.round, site.booking
    hand = booking.hand is not None
    print_lines(
        f"A truck's round of {_minutes(going.whole_s)} min: loading {_minutes(going.load_s)}, "
        f"out {_minutes(going.haul_s)}, at the tip {_minutes(going.dump_s)}, back "
        f"{_minutes(going.return_s)}, backing up {going.spot_s / 60:.1f}."
    )
    trucks = counted(fleet.trucks, "truck")
    if hand or site.haul.likely.surplus_loose_m3 < 0:
        print_lines(f"Reckoned with {trucks}.")
        return
    pace = f"{unit.volume_text(fleet.loose_m3_per_h)} loose an hour leave"
    enough = min(fleet.keep_busy, site.haul.likely.loads)
    busy = f"{counted(enough, 'truck')} would keep the excavator busy"
    if fleet.limited_by == "trucks":
        print_lines(f"With {trucks} the trucks set the pace: {pace}; {busy}.")
    else:
        keep = "keeps" if fleet.trucks == 1 else "keep"
        print_lines(f"{trucks} {keep} the excavator busy, which sets the pace: {pace}.")


def _days(booking: "Booking") -> str:
    days = booking.days
    hours = ""
    if booking.hours is not None and days.likely < 2:
        hours = f" ({_hours(booking.hours.whole_h)})"
    return f"The dig takes about {days.likely:,.1f} days{hours}{_span(days, 1)}."


def _span(amount: "Amount", digits: int) -> str:
    """From low to high, where that can be seen."""
    low, high = (f"{value:,.{digits}f}" for value in (amount.low, amount.high))
    return "" if low == high else f", {low} to {high} in four cases of five"


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:,.0f}"


def _hours(hours: float) -> str:
    return f"{hours:,.1f} h"


def _per(per: str) -> str:
    return {"m3": "m³ loose", "yd3": "yd³ loose"}.get(per, per)
