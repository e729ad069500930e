"""`tarnwright haul`: what goes back, what leaves, in how many loads."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.options import AsJson, LeaveOutOdd, SitePath

if TYPE_CHECKING:
    from terrain.haul import Haulage, SoilBalance
    from terrain.site import Site
    from terrain.units import Unit


def command(
    site: SitePath = Path(), leave_out_odd: LeaveOutOdd = False, as_json: AsJson = False
) -> None:
    """Balance the soil and count the truck loads."""
    from cli.opening import open_site
    from cli.output import print_json

    opened = open_site(site, leave_out_odd=leave_out_odd)
    if as_json:
        print_json(document(opened))
    else:
        show(opened)


def document(site: "Site") -> dict[str, Any]:
    """What `--json` prints."""
    haulage = site.haul
    likely = haulage.likely
    heap = likely.heap
    return {
        "site": site.name,
        "excavation_bank_m3": likely.excavation_bank_m3,
        "placed_compacted_m3": likely.placed_compacted_m3,
        "reused_bank_m3": likely.reused_bank_m3,
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
    }


def show(site: "Site") -> None:
    """Print the balance as a person reads it."""
    from cli.output import print_lines, print_table

    unit, haulage = site.unit, site.haul
    likely = haulage.likely
    away = likely.surplus_bank_m3 >= 0
    print_lines(f"{site.name}: {_loads(haulage)}.", "")
    rows = [
        ("dug", likely.excavation_bank_m3, "bank (in place)"),
        ("put back and raised", likely.placed_compacted_m3, "compacted"),
        ("  which takes", likely.reused_bank_m3, "bank"),
        ("left over" if away else "missing", abs(likely.surplus_bank_m3), "bank"),
        ("  on the trucks", abs(likely.surplus_loose_m3), "loose"),
    ]
    print_table(
        "Soil balance",
        ("", unit.volume, "measured"),
        [(what, f"{volume / unit.volume_m3:,.1f}", how) for what, volume, how in rows],
        left=(0, 2),
    )
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
    if likely.heap is not None:
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
        ("", "bank", "loose", "one load\nloose", "weighs", "loads", "filled by"),
        [
            (
                each.soil.name,
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
        left=(0, 6),
    )


def _loads(haulage: "Haulage") -> str:
    from cli.output import counted

    likely = haulage.likely
    if likely.loads == haulage.loads_high == 0:
        return "no soil leaves or comes in"
    one = likely.loads == 1
    leave = (
        ("leaves" if one else "leave")
        if likely.surplus_bank_m3 >= 0
        else ("comes in" if one else "come in")
    )
    return (
        f"{counted(likely.loads, 'load')} {leave}, {haulage.loads_low} to {haulage.loads_high} "
        "over the range of the soil and the ± of the dig"
    )
