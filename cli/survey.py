"""`tarnwright survey`: what was measured, and what ground it makes."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.options import AsJson, LeaveOutOdd, SitePath

if TYPE_CHECKING:
    from terrain.design import Element
    from terrain.site import CheckSurvey, Site, SpotSurvey


def command(
    site: SitePath = Path(), leave_out_odd: LeaveOutOdd = False, as_json: AsJson = False
) -> None:
    """Read the surveys, build the ground, lay the outlines over it."""
    from cli.output import print_json
    from terrain.site import Site

    opened = Site.open(site, leave_out_odd=leave_out_odd)
    if as_json:
        print_json(document(opened))
    else:
        show(opened)
    _ = opened.elements  # what was measured is said before what is wrong with the plan


def document(site: "Site") -> dict[str, Any]:
    """What `--json` prints."""
    points, area = site.ground_points, float(site.existing.footprint.area)
    return {
        "site": site.name,
        "ground": site.plan.ground_survey.name,
        "origin_m": [float(value) for value in site.origin],
        "ground_points": len(points),
        "area_m2": area,
        "lowest_m": float(points[:, 2].min()),
        "highest_m": float(points[:, 2].max()),
        "mean_spacing_m": (area / len(points)) ** 0.5,
        "surveys": [
            *(_spots(site, survey) for survey in site.spot_surveys.values()),
            *(_check(check) for check in site.check_surveys),
        ],
        "elements": [
            {
                "name": laid.element.name,
                "type": laid.element.kind,
                "area_m2": float(laid.element.outline.area),
                "points_inside": laid.points_inside,
                "water_level_m": laid.element.water_level_m,
            }
            for laid in _laid(site)
        ],
    }


@dataclass(frozen=True)
class _Laid:
    """An element over the survey, and how many heights of the ground its outline holds."""

    element: "Element"
    points_inside: int


def _laid(site: "Site") -> list[_Laid]:
    """The plan's elements; none where they cannot be built."""
    import shapely

    from terrain.errors import PlanError

    try:
        elements = site.elements
    except PlanError:
        return []
    x, y = site.ground_points[:, :2].T
    return [
        _Laid(element, int(shapely.intersects_xy(element.outline, x, y).sum()))
        for element in elements
    ]


def _spots(site: "Site", survey: "SpotSurvey") -> dict[str, Any]:
    work = survey.linework
    return {
        "name": survey.table.name,
        "file": survey.table.file,
        "points": len(survey.spots.xyz),
        "ground_points": len(survey.ground),
        "codes": dict(Counter(str(code) for code in survey.spots.code)),
        "breaklines": [line.code for line in work.breaklines],
        "outlines": [line.code for line in work.outlines],
        "odd_heights": [
            {
                "point": odd.name,
                "line": odd.line,
                "easting_m": odd.xyz[0] + float(site.origin[0]),
                "northing_m": odd.xyz[1] + float(site.origin[1]),
                "elevation_m": odd.xyz[2],
                "off_m": odd.off_m,
                "reason": odd.reason,
                "kept": survey.table.odd_heights == "keep",
            }
            for odd in survey.odd
        ],
    }


def _check(check: "CheckSurvey") -> dict[str, Any]:
    return {
        "name": check.table.name,
        "file": check.table.file,
        "points": check.places,
        "compared_at": check.against_ground.places,
        "median_above_ground_m": check.against_ground.median_m,
        "nmad_m": check.against_ground.nmad_m,
    }


def show(site: "Site") -> None:
    """Print what a person wants to know of the surveys."""
    from cli.output import print_lines, print_table

    unit, points, checks = site.unit, site.ground_points, site.check_surveys
    area = float(site.existing.footprint.area)
    low, high = points[:, 2].min(), points[:, 2].max()
    name = site.plan.ground_survey.name
    made_of = "points" if name in site.spot_surveys else "heights gridded from the cloud"
    print_lines(
        f"{site.name}: the ground is made from {len(points):,} {made_of} of {name} "
        f"over {unit.area_text(area)}, from {unit.length(low)} to {unit.length(high)}."
    )
    for survey in site.spot_surveys.values():
        print_lines("")
        print_table(
            f"{survey.table.name} ({survey.table.file}), {len(survey.spots.xyz):,} points",
            ("code", "points", "what it is"),
            _code_rows(survey),
            left=(0, 2),
        )
        _show_odd(site, survey)
    for check in checks:
        against = check.against_ground
        side = "above" if against.median_m >= 0 else "below"
        print_lines(
            "",
            f"{check.table.name} ({check.table.file}), {check.places:,} points, held against the "
            f"ground at {against.places:,} places: it lies {unit.length(abs(against.median_m), 3)} "
            f"{side} (median), scattered by {unit.length(against.nmad_m, 3)} (NMAD)."
            if against.places
            else f"{check.table.name} ({check.table.file}) lies nowhere over the ground.",
        )
    _show_elements(site, made_of)


def _show_elements(site: "Site", made_of: str) -> None:
    from cli.output import print_lines, print_table

    laid = _laid(site)
    if not laid:
        return
    unit = site.unit
    print_lines("")
    print_table(
        "The plan's outlines over the survey",
        ("element", "type", f"area\n{unit.area}", f"{made_of.partition(' ')[0]}\ninside", "water"),
        [
            (
                each.element.name,
                each.element.kind,
                f"{each.element.outline.area / unit.area_m2:,.1f}",
                f"{each.points_inside:,}",
                "–"
                if each.element.water_level_m is None
                else unit.length(each.element.water_level_m),
            )
            for each in laid
        ],
        left=(0, 1),
    )


def _code_rows(survey: "SpotSurvey") -> list[tuple[str, str, str]]:
    codes = [str(code).strip().upper() for code in survey.spots.code]
    roles = {
        code: "ignored"
        for code, ground in zip(codes, survey.linework.ground, strict=True)
        if not ground
    }
    roles |= {line.code: "breakline" for line in survey.linework.breaklines}
    roles |= {line.code: "outline" for line in survey.linework.outlines}
    return [
        (code or "(none)", f"{count:,}", roles.get(code, "spots"))
        for code, count in Counter(codes).items()
    ]


def _show_odd(site: "Site", survey: "SpotSurvey") -> None:
    from cli.output import counted, print_lines, print_table

    if not survey.odd:
        return
    unit = site.unit
    kept = survey.table.odd_heights == "keep"
    print_lines("")
    print_table(
        f"{counted(len(survey.odd), 'height')} far from the neighbours, "
        f"{'kept' if kept else 'left out'}",
        ("point", "line", "elevation", "off by", "beside"),
        [
            (
                odd.name,
                str(odd.line),
                unit.length(odd.xyz[2]),
                f"{odd.off_m / unit.metres:+.2f} {unit.symbol}",
                odd.reason.partition(" but ")[0] if " but " in odd.reason else "ground around it",
            )
            for odd in survey.odd
        ],
        left=(0, 4),
    )
    if kept:
        print_lines('Leave them out with --leave-out-odd, or odd_heights = "leave_out".')
