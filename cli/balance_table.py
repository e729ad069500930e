"""How `haul` says where each soil goes, and in which order the elements are dug."""

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from terrain.site import Site


def moves_document(site: "Site") -> dict[str, Any]:
    """The part of `haul --json` that says where soil goes and when."""
    moves = site.moves
    found, order = moves.transport, moves.order
    uses = found.job.uses
    return {
        "moves": [
            {
                "soil": flow.soil.name,
                "from": start,
                "to": end,
                "use": uses[flow.target].kind if 0 <= flow.target < len(uses) else None,
                "bank_m3": flow.bank_m3,
                "loose_m3": flow.loose_m3,
                "compacted_m3": flow.compacted_m3,
                "mass_kg": flow.mass_kg,
                "distance_m": flow.distance_m,
            }
            for flow in found.flows
            for start, end in (moves.ends(flow),)
        ],
        "order": {
            "steps": [
                {
                    "element": moves.steps[step].element,
                    "day": moves.steps[step].day,
                    "heap_dug_loose_m3": float(dug),
                    "heap_filled_loose_m3": float(filled),
                }
                for step, dug, filled in zip(
                    order.steps, order.during_m3, order.after_m3, strict=True
                )
            ],
            "peak_loose_m3": order.peak_m3,
            "room_loose_m3": moves.room_m3,
            "too_much_loose_m3": moves.too_much_m3,
            "moved_twice_loose_m3": order.twice_m3,
            "every_order_weighed": order.exact,
        },
    }


def show_moves(site: "Site") -> None:
    """Print from where to where each soil goes, then the order of work."""
    from cli.output import number, print_table

    unit, moves = site.unit, site.moves
    flows = moves.transport.flows
    if not flows:
        return
    print_table(
        f"Where the soil goes ({unit.volume}; way in {unit.symbol})",
        ("soil", "from", "to", "in place", "loose", "placed", "way"),
        [
            (
                flow.soil.name,
                *moves.ends(flow),
                number(flow.bank_m3 / unit.volume_m3),
                number(flow.loose_m3 / unit.volume_m3),
                number(flow.compacted_m3 / unit.volume_m3 if moves.is_placed(flow) else 0.0),
                "" if math.isnan(flow.distance_m) else f"{flow.distance_m / unit.metres:,.0f}",
            )
            for flow in flows
        ],
        left=(0, 1, 2),
    )
    if len(moves.steps) > 1:
        _show_order(site)


def _show_order(site: "Site") -> None:
    from cli.output import number, print_lines, print_table

    unit, moves, order = site.unit, site.moves, site.moves.order
    print_lines("")
    print_table(
        f"Order of work, and the soil that waits on a heap through it (loose {unit.volume})",
        ("", "dig", "day", "heap\nwhen dug", "heap\nwhen filled"),
        [
            (
                str(place),
                moves.steps[step].element,
                str(moves.steps[step].day or ""),
                number(dug / unit.volume_m3),
                number(filled / unit.volume_m3),
            )
            for place, (step, dug, filled) in enumerate(
                zip(order.steps, order.during_m3, order.after_m3, strict=True), start=1
            )
        ],
        left=(1,),
    )
    if order.peak_m3 == 0:
        print_lines("Nothing waits: all soil goes straight to its place.")
        return
    if moves.room_m3 is None:
        room = "the plan shows no heap for it"
    elif moves.too_much_m3 > 0:
        room = (
            f"the heaps hold {unit.volume_text(moves.room_m3)}: there is no room for "
            f"{unit.volume_text(moves.too_much_m3)}"
        )
    else:
        room = f"the heaps hold {unit.volume_text(moves.room_m3)}"
    least = "the least of all orders" if order.exact else "the least found"
    print_lines(
        f"At most {unit.volume_text(order.peak_m3)} wait at one time, {least}; {room}. "
        f"{unit.volume_text(order.twice_m3)} are moved twice."
    )
