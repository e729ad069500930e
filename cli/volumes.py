"""`tarnwright volumes`: how much is dug, put back, raised and filled."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.options import AsJson, LeaveOutOdd, SitePath

if TYPE_CHECKING:
    from terrain.design import Element
    from terrain.earthwork.account import ElementAccount
    from terrain.site import Site


def command(
    site: SitePath = Path(), leave_out_odd: LeaveOutOdd = False, as_json: AsJson = False
) -> None:
    """Measure dig, backfill, fill, stone, water and liner."""
    from cli.opening import open_site
    from cli.output import print_json

    opened = open_site(site, leave_out_odd=leave_out_odd)
    if as_json:
        print_json(document(opened))
    else:
        show(opened)


def document(site: "Site") -> dict[str, Any]:
    """What `--json` prints."""
    volumes = site.volumes
    return {
        "site": site.name,
        "cell_m": site.lattice.cell,
        "excavation_bank_m3": volumes.excavation_bank_m3,
        "excavation_bank_pm_m3": volumes.excavation_pm.pm_m3,
        "excavation_pm_parts": [
            {"name": part.name, "pm_m3": part.pm_m3} for part in volumes.excavation_pm.parts
        ],
        "backfill_compacted_m3": volumes.backfill_compacted_m3,
        "fill_compacted_m3": volumes.fill_compacted_m3,
        "rock_m3": sum(account.rock.whole_m3 for account in volumes.accounts),
        "rock_kg": sum(account.rock.mass_kg for account in volumes.accounts),
        "water_m3": volumes.water_m3,
        "liner_m2": volumes.liner_m2,
        "methods": {
            name: {
                "cut_m3": answer.cut_m3,
                "fill_m3": answer.fill_m3,
                "bound_m3": answer.bound_m3,
            }
            for name, answer in volumes.methods.by_name.items()
        },
        "elements": {
            element.name: {"type": element.kind, **_element(account)}
            for element, account in zip(site.elements, volumes.accounts, strict=True)
        },
    }


def _element(account: "ElementAccount") -> dict[str, Any]:
    quantities = account.quantities
    return {
        "excavation_bank_m3": quantities.excavation_bank_m3,
        "backfill_compacted_m3": account.backfill_compacted_m3,
        "fill_compacted_m3": quantities.fill_compacted_m3,
        "over_dig_room_m3": quantities.over_dig_room_m3,
        "drape_m3": quantities.drape_m3,
        "lifts": [
            {
                "name": lift.name,
                "volume_m3": lift.volume_m3,
                "pore_water_m3": lift.pore_water_m3,
            }
            for lift in quantities.lifts
        ],
        "rock_m3": account.rock.whole_m3,
        "rock_in_soil_m3": account.rock.in_soil_m3,
        "rock_in_water_m3": account.rock.in_water_m3,
        "rock_kg": account.rock.mass_kg,
        "rock_too_much_m3": account.rock_too_much_m3,
        "water_m3": account.water_m3,
        "water_area_m2": quantities.water_area_m2,
        "dig_area_m2": quantities.dig_area_m2,
        "max_depth_m": quantities.max_depth_m,
        "max_water_depth_m": quantities.max_water_depth_m,
    }


def show(site: "Site") -> None:
    """Print the quantities as a person reads them."""
    from cli.output import SHORT_CAUTION, print_lines

    if not site.elements:
        print_lines(f"{site.name}: nothing is to be dug; the plan has no [[element]].")
        return
    unit, pm = site.unit, site.volumes.excavation_pm
    least = 0.05 * unit.volume_m3
    size = unit.volume_text(pm.pm_m3) if pm.pm_m3 >= least else f"less than 0.1 {unit.volume}"
    doubt = f"± {size} at 95 %, mostly {pm.parts[0].name}"
    print_lines(
        f"{site.name}: dig {unit.volume_text(site.volumes.excavation_bank_m3)} in place "
        f"({doubt if math.isfinite(pm.pm_m3) else 'its ± is not known'}).",
        "",
    )
    _show_elements(site)
    print_lines("")
    _show_lifts(site)
    _show_methods(site)
    rock = sum(account.rock.whole_m3 for account in site.volumes.accounts)
    mass = sum(account.rock.mass_kg for account in site.volumes.accounts)
    liner = f"Liner, edges included: {unit.area_text(site.volumes.liner_m2)}."
    print_lines("", liner)
    if rock > 0:
        print_lines(f"Rock: {unit.volume_text(rock)}, {unit.mass_text(mass)}.")
    print_lines(*_notes(site), SHORT_CAUTION)


def _show_elements(site: "Site") -> None:
    from cli.output import number, print_table

    unit, accounts = site.unit, site.volumes.accounts
    columns = [
        (
            account.quantities.excavation_bank_m3 / unit.volume_m3,
            account.backfill_compacted_m3 / unit.volume_m3,
            account.quantities.fill_compacted_m3 / unit.volume_m3,
            _layers(account) / unit.volume_m3,
            account.rock.whole_m3 / unit.volume_m3,
            account.water_m3 / unit.water_m3,
        )
        for account in accounts
    ]
    digits = (1, 1, 1, 1, 1, 1 if unit.water_m3 > 0.1 else 0)
    sums = [sum(values) for values in zip(*columns, strict=True)]
    names = [element.name for element in site.elements]
    depths = [number(a.quantities.max_depth_m / unit.metres, 2) for a in accounts]
    water = "water" if unit.water == unit.volume else f"water\n{unit.water}"
    print_table(
        f"By element ({unit.volume}; depth in {unit.symbol})",
        (
            "",
            "dig\nin place",
            "backfill\ncompacted",
            "rim, fill\ncompacted",
            "layers\nand lifts",
            "rock",
            water,
            "deepest\ndig",
        ),
        [
            (name, *map(number, values, digits), depth)
            for name, values, depth in zip(
                (*names, "together"), (*columns, sums), (*depths, ""), strict=True
            )
        ],
    )


def _layers(account: "ElementAccount") -> float:
    return account.quantities.drape_m3 + sum(lift.volume_m3 for lift in account.quantities.lifts)


def _show_lifts(site: "Site") -> None:
    from cli.output import number, print_lines, print_table

    unit = site.unit
    rows = [
        (
            element.name,
            lift.name,
            number(lift.volume_m3 / unit.volume_m3),
            number(lift.pore_water_m3 / unit.water_m3, 1 if unit.water_m3 > 0.1 else 0),
        )
        for element, account in zip(site.elements, site.volumes.accounts, strict=True)
        for lift in account.quantities.lifts
    ]
    if rows:
        print_table(
            "Lifts, from the floor up",
            ("pit", "lift", unit.volume, f"water in its voids\n{unit.water}"),
            rows,
            left=(0, 1),
        )
        print_lines("")


def _show_methods(site: "Site") -> None:
    from cli.output import print_table

    unit = site.unit
    print_table(
        f"The same by three methods ({unit.volume})",
        ("", "dig", "rim, fill", "± of the method"),
        [
            (
                name,
                *(
                    f"{value / unit.volume_m3:,.1f}"
                    for value in (answer.cut_m3, answer.fill_m3, answer.bound_m3)
                ),
            )
            for name, answer in site.volumes.methods.by_name.items()
        ],
    )


def _notes(site: "Site") -> list[str]:
    """What the quantities do not show and a person must know."""
    unit, notes = site.unit, []
    if site.lattice.cell > 1.001 * site.plan.site.cell:
        notes.append(
            f"The survey is large: computed with cells of {unit.length(site.lattice.cell)} instead "
            f"of {unit.length(site.plan.site.cell)}."
        )
    for element, account in zip(site.elements, site.volumes.accounts, strict=True):
        wanted = _floor(element)
        reached = account.quantities.max_water_depth_m
        if 0 < reached < 0.9 * wanted:
            notes.append(
                f"{element.name}: its floor of {unit.length(wanted)} is never reached: the banks "
                f"meet at {unit.length(reached)}. Make them steeper, or the outline wider."
            )
        if account.rock_too_much_m3 > 0:
            notes.append(
                f"{element.name}: its rock needs {unit.volume_text(account.rock_too_much_m3)} more "
                "room than the over-dig leaves. Dig wider, or embed less."
            )
    return notes


def _floor(element: "Element") -> float:
    """Depth of the planned floor under the water; 0 where lifts or no water stand in the hole."""
    dug = element.excavation
    if dug is None or dug.lifts or element.water_level_m is None:
        return 0.0
    return max(profile.floor for profile in dug.profiles)
