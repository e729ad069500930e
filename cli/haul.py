"""`tarnwright haul`: what goes back, what leaves, in how many loads."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.options import AsJson, LeaveOutOdd, Seed, SitePath

if TYPE_CHECKING:
    from terrain.haul import Haulage, SoilBalance
    from terrain.site import Site
    from terrain.units import Unit


def command(
    site: SitePath = Path(),
    leave_out_odd: LeaveOutOdd = False,
    seed: Seed = None,
    as_json: AsJson = False,
) -> None:
    """Balance the soil, lay the heaps, count loads and days."""
    from cli.opening import open_site
    from cli.output import print_json

    opened = open_site(site, leave_out_odd=leave_out_odd)
    if seed is not None:
        work = opened.plan.work.model_copy(update={"seed": seed})
        opened = opened.revised(opened.plan.model_copy(update={"work": work}))
    if as_json:
        print_json(document(opened))
    else:
        show(opened)


def document(site: "Site") -> dict[str, Any]:
    """What `--json` prints."""
    from cli.balance_table import moves_document
    from cli.booked import booked_document
    from cli.heap_table import heaps_document

    haulage = site.haul
    likely = haulage.likely
    heap = likely.heap
    return {
        "site": site.name,
        "excavation_bank_m3": likely.excavation_bank_m3,
        "placed_compacted_m3": likely.placed_compacted_m3,
        "reused_bank_m3": likely.reused_bank_m3,
        "kept_bank_m3": likely.kept_bank_m3,
        "leaves_bank_m3": likely.leaves_bank_m3,
        "comes_in_bank_m3": likely.comes_in_bank_m3,
        "surplus_bank_m3": likely.surplus_bank_m3,
        "surplus_loose_m3": likely.surplus_loose_m3,
        "load_m3": likely.load_m3,
        "load_kg": likely.load_kg,
        "weight_binds": likely.weight_binds,
        "loads": likely.loads,
        "loads_low": haulage.loads_low,
        "loads_high": haulage.loads_high,
        "soils": [
            {
                "soil": each.soil.name,
                "excavation_bank_m3": each.excavation_bank_m3,
                "placed_compacted_m3": each.placed_compacted_m3,
                "kept_bank_m3": each.kept_bank_m3,
                "surplus_bank_m3": each.surplus_bank_m3,
                "surplus_loose_m3": each.surplus_loose_m3,
                "load_m3": each.load_m3,
                "load_kg": each.load_kg,
                "weight_binds": each.weight_binds,
                "loads": each.loads,
            }
            for each in likely.soils
        ],
        "heap": {}
        if heap is None
        else {
            "volume_loose_m3": heap.volume_loose_m3,
            "height_m": heap.height_m,
            "diameter_m": heap.diameter_m,
            "repose_deg": heap.repose_deg,
        },
        **moves_document(site),
        **heaps_document(site),
        **booked_document(site),
    }


def show(site: "Site") -> None:
    """Print the balance as a person reads it."""
    from cli.balance_table import show_moves
    from cli.booked import show_booked
    from cli.heap_table import show_heaps
    from cli.output import print_lines, print_table

    unit, haulage = site.unit, site.haul
    likely = haulage.likely
    print_lines(f"{site.name}: {_loads(haulage)}.", "")
    rows = [
        ("dug", likely.excavation_bank_m3, "bank (in place)"),
        ("put back and raised", likely.placed_compacted_m3, "compacted"),
        ("  which takes", likely.reused_bank_m3, "bank"),
        ("left on heaps that stay", likely.kept_bank_m3, "bank"),
        ("left over", likely.leaves_bank_m3, "bank"),
        ("missing", likely.comes_in_bank_m3, "bank"),
        ("  on the trucks", likely.trucked_loose_m3, "loose"),
    ]
    always = {"dug", "put back and raised", "  which takes", "  on the trucks"}
    rows = [row for row in rows if row[0] in always or row[1]]
    print_table(
        "Soil balance",
        ("", unit.volume, "measured"),
        [(what, f"{volume / unit.volume_m3:,.1f}", how) for what, volume, how in rows],
        left=(0, 2),
    )
    print_lines("")
    show_moves(site)
    print_lines("")
    hauled = [each for each in likely.soils if each.loads]
    if len(hauled) > 1:
        _show_soils(hauled, unit)
        print_lines("")
    else:
        fills = "payload is reached first" if likely.weight_binds else "body is full first"
        print_lines(
            f"One load: {unit.volume_text(likely.load_m3)} loose, "
            f"{unit.mass_text(likely.load_kg)}; the {fills}."
        )
    show_booked(site)
    if site.heaps.heaps:
        show_heaps(site)
    elif likely.heap is not None:
        print_lines(
            f"Heaped on level ground instead: a cone {unit.length(likely.heap.height_m, 1)} high "
            f"and {unit.length(likely.heap.diameter_m, 1)} across, sides at "
            f"{likely.heap.repose_deg:.0f}°."
        )


def _show_soils(soils: Sequence["SoilBalance"], unit: "Unit") -> None:
    """Print what is hauled of each soil: loads are not mixed."""
    from cli.output import number, print_table

    print_table(
        f"On the trucks, soil by soil ({unit.volume}; load in {unit.mass})",
        ("", "goes", "bank", "loose", "one load\nloose", "weighs", "loads", "filled by"),
        [
            (
                each.soil.name,
                "away" if each.surplus_bank_m3 > 0 else "in",
                *(
                    number(abs(volume) / unit.volume_m3)
                    for volume in (each.surplus_bank_m3, each.surplus_loose_m3, each.load_m3)
                ),
                number(each.load_kg / unit.mass_kg),
                f"{each.loads:,}",
                "weight" if each.weight_binds else "volume",
            )
            for each in soils
        ],
        left=(0, 1, 7),
    )


def _loads(haulage: "Haulage") -> str:
    from cli.output import counted

    likely = haulage.likely
    if likely.loads == haulage.loads_high == 0:
        return "no soil leaves or comes in"
    leave = sum(each.loads for each in likely.soils if each.surplus_bank_m3 > 0)
    come = likely.loads - leave
    said = []
    if leave or not come:
        said.append(f"{counted(leave, 'load')} {'leaves' if leave == 1 else 'leave'}")
    if come:
        said.append(f"{counted(come, 'load')} {'comes' if come == 1 else 'come'} in")
    low, high = haulage.loads_low, haulage.loads_high
    span = "the same number" if low == high else f"{low:,} to {high:,}"
    return (
        f"{' and '.join(said)}, {span} in four cases of five over the range of "
        "the soil and the ± of the dig"
    )
