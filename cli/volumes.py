"""`tarnwright volumes`: how much is dug, put back, raised and filled."""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from cli.options import (
    CHECK_FAILED,
    AsJson,
    BandHeight,
    LeaveOutOdd,
    OutFolder,
    SitePath,
    ThreeMethods,
)

if TYPE_CHECKING:
    from cli.side_by_side import SideBySide
    from terrain.design import Element, StoneGroup
    from terrain.earthwork.account import ElementAccount
    from terrain.earthwork.uncertainty import ElementUncertainty, Part
    from terrain.site import Site
    from terrain.spoil import Spoil
    from terrain.units import Unit


def command(
    site: SitePath = Path(),
    leave_out_odd: LeaveOutOdd = False,
    bands: BandHeight = None,
    methods: ThreeMethods = False,
    out: OutFolder = None,
    as_json: AsJson = False,
) -> None:
    """Measure dig, backfill, fill, stone, water and liner."""
    from cli.dug_in_parts import band_height, parts_of_dig
    from cli.opening import open_site
    from cli.output import print_json
    from cli.side_by_side import sections_document

    opened = open_site(site, leave_out_odd=leave_out_odd)
    folder = out or opened.folder / "out"
    beside = _beside(opened, folder, quiet=as_json) if methods and opened.elements else None
    banded = None if bands is None else opened.spoil_in_bands(band_height(bands, opened))
    if as_json:
        sections = {} if beside is None else {"sections": sections_document(beside)}
        parts = parts_of_dig(banded or opened.spoil)
        print_json({**document(opened), **parts, **sections})
    else:
        show(opened, banded, beside)
    if not all(finding.passed for finding in opened.checks):
        raise typer.Exit(CHECK_FAILED)


def _beside(site: "Site", folder: Path, *, quiet: bool) -> "SideBySide":
    """The methods side by side; where they do not agree, shown before that is said."""
    from cli.side_by_side import show_side_by_side, side_by_side

    beside = side_by_side(site, folder)
    if not (site.methods.agree or quiet):
        show_side_by_side(beside)
    return beside


def document(site: "Site") -> dict[str, Any]:
    """What `--json` prints."""
    from cli.findings import checks_and_water
    from terrain.earthwork.blame import told

    volumes = site.volumes
    sure = {one.name: one for one in volumes.excavation_pm.elements}
    return {
        "site": site.name,
        "cell_m": site.lattice.cell,
        "excavation_bank_m3": volumes.excavation_bank_m3,
        "excavation_bank_pm_m3": volumes.excavation_pm.pm_m3,
        "excavation_pm_parts": _parts(volumes.excavation_pm.parts),
        "excavation_pm_mostly": told(volumes.excavation_pm),
        "backfill_compacted_m3": volumes.backfill_compacted_m3,
        "backfill_compacted_pm_m3": volumes.backfill_pm.pm_m3,
        "fill_compacted_m3": volumes.fill_compacted_m3,
        "fill_compacted_pm_m3": volumes.fill_pm.pm_m3,
        "fill_pm_parts": _parts(volumes.fill_pm.parts),
        "rock_m3": sum(account.rock.whole_m3 for account in volumes.accounts),
        "rock_kg": sum(account.rock.mass_kg for account in volumes.accounts),
        "water_m3": volumes.water_m3,
        "liner_m2": volumes.liner_m2,
        **_liner(site),
        "methods": {
            name: {
                "cut_m3": answer.cut_m3,
                "fill_m3": answer.fill_m3,
                "bound_m3": answer.bound_m3,
            }
            for name, answer in volumes.methods.by_name.items()
        },
        "elements": {
            element.name: {
                "type": element.kind,
                **_element(account, sure.get(element.name)),
                "rocks": [_rocks(g) for g in site.stone_groups if g.element == element.name],
            }
            for element, account in zip(site.elements, volumes.accounts, strict=True)
        },
        **checks_and_water(site),
    }


def _parts(parts: Sequence["Part"]) -> list[dict[str, Any]]:
    return [{"name": part.name, "pm_m3": part.pm_m3} for part in parts]


def _liner(site: "Site") -> dict[str, Any]:
    linings = site.volumes.linings
    return {
        "liner_with_folds_m2": sum(lining.with_folds_m2 for lining in linings),
        "liner_rule_of_thumb_m2": sum(lining.rule.area for lining in linings),
        "liner_bought_m2": sum(lining.bought_m2 for lining in linings),
        "liner_rolls": site.volumes.liner_rolls,
        "underlay_m2": sum(lining.underlay_m2 for lining in linings),
        "underlay_bought_m2": sum(lining.underlay_bought_m2 for lining in linings),
        "liner_sheets": [
            {
                "elements": list(lining.elements),
                "need_m2": lining.need_m2,
                "rule_of_thumb": {"length_m": lining.rule.length, "width_m": lining.rule.width},
                "pieces": [
                    {"width_m": lining.roll.width, "length_m": length}
                    for length in lining.lengths_m
                ],
                "bought_m2": lining.bought_m2,
                "waste_share": lining.waste_share,
            }
            for lining in linings
        ],
    }


def _element(account: "ElementAccount", sure: "ElementUncertainty | None") -> dict[str, Any]:
    quantities = account.quantities
    return {
        "excavation_bank_m3": quantities.excavation_bank_m3,
        "excavation_bank_pm_m3": 0.0 if sure is None else sure.pm_m3,
        "excavation_pm_parts": [] if sure is None else _parts(sure.parts),
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
        "rock_in_gravel_m3": account.rock.in_gravel_m3,
        "rock_in_water_m3": account.rock.in_water_m3,
        "rock_dry_m3": account.rock.dry_m3,
        "rock_kg": account.rock.mass_kg,
        "rock_too_much_m3": account.rock_too_much_m3,
        "gravel_m3": account.gravel_m3,
        "water_m3": account.water_m3,
        "water_area_m2": quantities.water_area_m2,
        "dig_area_m2": quantities.dig_area_m2,
        "max_depth_m": quantities.max_depth_m,
        "max_water_depth_m": quantities.max_water_depth_m,
    }


def _rocks(group: "StoneGroup") -> dict[str, Any]:
    count = len(group.centres)
    return {
        "name": group.name,
        "count": count,
        "crowded": group.crowded,
        "size_m": list(group.form.axes),
        "rock_m3": count * group.form.volume_m3,
        "rock_kg": count * group.form.mass_kg,
    }


def show(site: "Site", banded: "Spoil | None" = None, beside: "SideBySide | None" = None) -> None:
    """Print the quantities as a person reads them, with the depth bands and methods asked for."""
    from cli.dug_in_parts import show_bands, show_parts
    from cli.findings import show_checks, show_water
    from cli.output import SHORT_CAUTION, print_lines
    from cli.side_by_side import show_side_by_side
    from terrain.earthwork.blame import told

    if not site.elements:
        print_lines(f"{site.name}: nothing is to be dug; the plan has no [[element]].")
        return
    unit, pm = site.unit, site.volumes.excavation_pm
    least = 0.05 * unit.volume_m3
    size = unit.volume_text(pm.pm_m3) if pm.pm_m3 >= least else f"less than 0.1 {unit.volume}"
    known = math.isfinite(pm.pm_m3)
    print_lines(
        f"{site.name}: dig {unit.volume_text(site.volumes.excavation_bank_m3)} in place "
        f"({f'± {size} at 95 %' if known else 'its ± is not known'}).",
        *([told(pm)] if known and told(pm) else []),
        "",
    )
    _show_elements(site)
    print_lines("")
    show_parts(site.spoil, unit)
    if banded is not None:
        show_bands(banded, unit)
    show_water(site)
    print_lines("")
    _show_lifts(site)
    if beside is None:
        _show_methods(site)
    else:
        show_side_by_side(beside)
    rock = sum(account.rock.whole_m3 for account in site.volumes.accounts)
    mass = sum(account.rock.mass_kg for account in site.volumes.accounts)
    _show_liner(site)
    if rock > 0:
        print_lines(f"Rock: {unit.volume_text(rock)}, {unit.mass_text(mass)}.")
    print_lines(*_notes(site))
    show_checks(site)
    print_lines(SHORT_CAUTION)


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
    pm = site.volumes.excavation_pm
    sure = {one.name: one.pm_m3 for one in pm.elements}
    sizes = [_size(volume, unit) for volume in (*(sure.get(n, 0.0) for n in names), pm.pm_m3)]
    water = "water" if unit.water == unit.volume else f"water\n{unit.water}"
    print_table(
        f"By element ({unit.volume}; depth in {unit.symbol})",
        (
            "",
            "dig\nin place",
            "±\n95 %",
            "backfill\ncompacted",
            "rim, fill\ncompacted",
            "layers\nand lifts",
            "rock",
            water,
            "deepest\ndig",
        ),
        [
            (name, dig, size, *others, depth)
            for name, (dig, *others), size, depth in zip(
                (*names, "together"),
                (tuple(map(number, values, digits)) for values in (*columns, sums)),
                sizes,
                (*depths, ""),
                strict=True,
            )
        ],
    )


def _size(pm_m3: float, unit: "Unit") -> str:
    from cli.output import number

    return number(pm_m3 / unit.volume_m3) if math.isfinite(pm_m3) else "?"


def _layers(account: "ElementAccount") -> float:
    return account.gravel_m3


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


def _show_liner(site: "Site") -> None:
    from cli.output import counted, number, print_lines, print_table

    unit, volumes = site.unit, site.volumes
    print_lines("", f"Liner, edges included: {unit.area_text(volumes.liner_m2)}.")
    if not volumes.linings:
        return
    roll = volumes.linings[0].roll
    print_table(
        f"Liner by sheet ({unit.area}), cut from rolls {unit.length(roll.width, 1)} wide",
        (
            "sheet",
            "need",
            "with\nfolds",
            "from\nrolls",
            f"lengths to cut\n{unit.symbol}",
            f"in one piece by the\nrule of thumb, {unit.symbol}",
        ),
        [
            (
                " + ".join(lining.elements),
                *(
                    number(area / unit.area_m2, 0)
                    for area in (lining.need_m2, lining.with_folds_m2, lining.bought_m2)
                ),
                _lengths(lining.lengths_m, unit),
                " × ".join(
                    f"{_tenths(side, unit) / 10:,.1f}"
                    for side in (lining.rule.length, lining.rule.width)
                ),
            )
            for lining in volumes.linings
        ],
        left=(0, 4, 5),
    )
    bought = sum(lining.bought_m2 for lining in volumes.linings)
    print_lines(
        f"{counted(volumes.liner_rolls, 'roll')} of {unit.length(roll.length, 1)}; "
        f"{1 - volumes.liner_m2 / bought:.0%} of what is cut are laps, folds and offcuts."
    )
    if roll.underlay_sides:
        sides = "on both sides" if roll.underlay_sides == 2 else "underneath"
        lying, cut = (
            sum(values)
            for values in zip(
                *((sheet.underlay_m2, sheet.underlay_bought_m2) for sheet in volumes.linings),
                strict=True,
            )
        )
        print_lines(
            f"Underlay {sides}: {unit.area_text(lying)}, {unit.area_text(cut)} from rolls "
            f"{unit.length(roll.underlay_width, 1)} wide."
        )
    for lining in volumes.linings:
        if lining.rule.area < lining.need_m2:
            print_lines(
                f"{' + '.join(lining.elements)}: the rule of thumb takes too little for this shape."
            )


def _lengths(metres: Sequence[float], unit: "Unit") -> str:
    """Lengths to cut, longest first: `2 × 8.5, 6.1`."""
    tenths = sorted((_tenths(length, unit) for length in metres), reverse=True)
    return ", ".join(
        (f"{tenths.count(size)} × " if tenths.count(size) > 1 else "") + f"{size / 10:,.1f}"
        for size in dict.fromkeys(tenths)
    )


def _tenths(metres: float, unit: "Unit") -> int:
    """Tenths of a unit, rounded up: sheet is never cut short."""
    return math.ceil(10 * metres / unit.metres - 1e-6)


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
    for group in site.stone_groups:
        where = f"{group.element}, {group.name}"
        if group.crowded:
            notes.append(
                f"{where}: {group.crowded:,} of {len(group.centres):,} rocks overlap; there is no "
                "more room beside each other."
            )
        mended = () if group.form.scan is None else group.form.scan.mended
        notes.extend(f"{where}: its scan was mended: {text}." for text in mended)
    return notes


def _floor(element: "Element") -> float:
    """Depth of the planned floor under the water; 0 where lifts or no water stand in the hole."""
    dug = element.excavation
    if dug is None or dug.lifts or element.water_level_m is None:
        return 0.0
    return max(profile.floor for profile in dug.profiles)
