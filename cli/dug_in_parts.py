"""The dig told apart by soil stratum, depth, zone and day."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from terrain.site import Site
    from terrain.spoil import SoilPart, Spoil
    from terrain.units import Unit

MOST_BANDS = 100


def band_height(text: str, site: "Site") -> float:
    """Height of a depth band as it was asked for, m.

    Raises
    ------
    UnitError
        It is no length, not more than 0, or so small that bands cannot be read.
    """
    from terrain.errors import Place, UnitError
    from terrain.units import parse_length

    place = Place(key="--bands")
    try:
        height = parse_length(text, site.unit)
    except UnitError as error:
        raise UnitError(
            error.found, place=place, expected=error.expected, mend=error.mend
        ) from None
    dug = (account.quantities.max_depth_m for account in site.volumes.accounts)
    least = max(0.01, max(dug, default=0.0) / MOST_BANDS)
    if not height >= least:
        raise UnitError(
            f"bands of {text}",
            place=place,
            expected=f"a height of {site.unit.length(least)} or more",
        )
    return height


def parts_of_dig(spoil: "Spoil") -> dict[str, Any]:
    """What `volumes --json` says of the parts."""
    band = spoil.dug.band_m
    days = any(day is not None for day in spoil.by_day)
    return {
        "strata": [{"stratum": part.stratum, **_soil_states(part)} for part in spoil.parts],
        "strip": _strip(spoil),
        "bands": [
            {"from_m": upper, "to_m": lower, "bank_m3": volume}
            for upper, lower, volume in spoil.bands()
        ],
        "zones": [
            {"zone": name, "bank_m3": volume}
            for name, volume in spoil.by_zone.items()
            if spoil.zones
        ],
        "days": [{"day": day, "bank_m3": volume} for day, volume in spoil.by_day.items() if days],
        "parts": [
            {
                "element": cell.element,
                "stratum": cell.stratum,
                "soil": cell.soil,
                "from_m": cell.band * band,
                "to_m": (cell.band + 1) * band,
                "zone": cell.zone,
                "day": cell.day,
                "bank_m3": cell.bank_m3,
                "under_fill_m3": cell.under_fill_m3,
            }
            for cell in spoil.cells
        ],
    }


def _soil_states(part: "SoilPart") -> dict[str, Any]:
    return {
        "soil": part.soil.name,
        "digging": part.soil.digging,
        "bank_m3": part.bank_m3,
        "loose_m3": part.loose_m3,
        "compacted_m3": part.compacted_m3,
        "mass_kg": part.mass_kg,
        "under_fill_m3": part.under_fill_m3,
        "unsurveyed_m3": part.unsurveyed_m3,
    }


def _strip(spoil: "Spoil") -> dict[str, Any]:
    if spoil.strip is None:
        return {}
    return {
        "stratum": spoil.strip.name,
        "area_m2": spoil.stripped_m2,
        "bank_m3": spoil.stripped_m3,
        "under_fill_m2": spoil.under_fill_m2,
        "under_fill_m3": spoil.stripped.whole_m3,
    }


def show_parts(spoil: "Spoil", unit: "Unit") -> None:
    """Print the dig by what the plan names: strata, zones, days."""
    from cli.output import print_lines

    if spoil.plan.stratum:
        _show_strata(spoil, unit)
        print_lines("")
    if spoil.zones:
        names = [name or "elsewhere" for name in spoil.by_zone]
        _show(spoil, unit, "zone", dict(zip(names, spoil.by_zone.values(), strict=True)))
    days = spoil.by_day
    if len(days) > 1:
        names = ["no day" if day is None else f"day {day}" for day in days]
        _show(spoil, unit, "day", dict(zip(names, days.values(), strict=True)))


def _show_strata(spoil: "Spoil", unit: "Unit") -> None:
    from cli.output import number, print_lines, print_table

    columns = [
        (part.bank_m3, part.under_fill_m3, part.loose_m3, part.compacted_m3) for part in spoil.parts
    ]
    sums = [sum(values) for values in zip(*columns, strict=True)]
    names = [(part.stratum or "(by element)", part.soil.name) for part in spoil.parts]
    digging = [part.soil.digging for part in spoil.parts]
    print_table(
        f"Dig by stratum, from above ({unit.volume})",
        ("", "soil", "dig\nin place", "under fill\nin place", "both\nloose", "both\ncompacted",
         "digging"),
        [
            (*name, *(number(value / unit.volume_m3) for value in values), how)
            for name, values, how in zip(
                (*names, ("together", "")), (*columns, sums), (*digging, ""), strict=True
            )
        ],
        left=(0, 1, 6),
    )  # fmt: skip
    if spoil.strip is not None:
        under_fill = (
            f", {unit.area_text(spoil.under_fill_m2)} of it under what is raised; "
            f"{unit.volume_text(spoil.stripped.whole_m3)} more fill takes its place there"
        )
        print_lines(
            f"{spoil.strip.name}: stripped over {unit.area_text(spoil.stripped_m2)}"
            f"{under_fill if spoil.under_fill_m2 else ''}."
        )
    for part in spoil.parts:
        if part.unsurveyed_m3 > 0.005 * spoil.dug.whole_m3:
            print_lines(
                f"{part.stratum}: the survey of its top does not reach "
                f"{part.unsurveyed_m3 / spoil.dug.whole_m3:.0%} of the dig; there it is taken to "
                "be absent."
            )


def _show(spoil: "Spoil", unit: "Unit", what: str, volumes: dict[str, float]) -> None:
    from cli.output import number, print_lines, print_table

    print_table(
        f"Dig by {what} ({unit.volume} in place)",
        ("", "dig"),
        [
            (name, number(volume / unit.volume_m3))
            for name, volume in {**volumes, "together": spoil.dug.whole_m3}.items()
            if volume
        ],
    )
    print_lines("")


def show_bands(spoil: "Spoil", unit: "Unit") -> None:
    """Print the dig by depth below the existing ground."""
    from cli.output import number, print_lines, print_table
    from terrain.earthwork.breakdown import Axis

    by_stratum = spoil.dug.by(Axis.STRATUM, Axis.BAND) / unit.volume_m3
    names = [stratum.name for stratum in spoil.plan.stratum]
    rows = list(range(len(names)))
    if names and by_stratum[-1].any():
        rows, names = [*rows, len(rows)], [*names, "(by element)"]
    print_table(
        f"Dig by depth below the ground ({unit.volume} in place)",
        ("from", "to", "dig", *names),
        [
            (
                unit.length(upper),
                unit.length(lower),
                number(volume / unit.volume_m3),
                *(number(by_stratum[row, band]) for row in rows),
            )
            for band, (upper, lower, volume) in enumerate(spoil.bands())
        ],
        left=(),
    )
    print_lines("")
