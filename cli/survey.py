"""`tarnwright survey`: what was measured, and what ground it makes."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.options import AsJson, LeaveOutOdd, SitePath

if TYPE_CHECKING:
    from collections.abc import Callable

    from terrain.design import Element
    from terrain.measured import SpotSurvey
    from terrain.site import Site
    from terrain.survey import Finding

MOST_SHOWN = 20


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
    from cli.measured import coverage_documents, survey_documents

    points, area = site.ground_points, float(site.existing.footprint.area)
    return {
        "site": site.name,
        "ground": " and ".join(table.name for table in site.plan.ground_surveys),
        "origin_m": [float(value) for value in site.origin],
        "ground_points": len(points),
        "area_m2": area,
        "lowest_m": float(points[:, 2].min()),
        "highest_m": float(points[:, 2].max()),
        "mean_spacing_m": (area / len(points)) ** 0.5,
        "surveys": survey_documents(site),
        "coverage": _when_built(site, coverage_documents),
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


def _when_built(
    site: "Site", told: "Callable[[Site], list[dict[str, Any]]]"
) -> list[dict[str, Any]]:
    """What is told of the elements; nothing where they cannot be built."""
    return told(site) if _laid(site) else []


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


def show(site: "Site") -> None:
    """Print what a person wants to know of the surveys."""
    from cli.measured import show_coverage, show_reading, show_suspicions
    from cli.output import print_lines, print_table

    unit, points, checks = site.unit, site.ground_points, site.check_surveys
    area = float(site.existing.footprint.area)
    low, high = points[:, 2].min(), points[:, 2].max()
    names = " and ".join(table.name for table in site.plan.ground_surveys)
    print_lines(
        f"{site.name}: the ground is made from {len(points):,} heights of {names} "
        f"over {unit.area_text(area)}, from {unit.length(low)} to {unit.length(high)}."
    )
    for name, reading in site.readings.items():
        show_reading(reading, unit)
        survey = site.spot_surveys.get(name)
        if survey is None:
            continue
        print_table(
            f"{name}, by code", ("code", "points", "what it is"), _code_rows(survey), left=(0, 2)
        )
        _show_findings(site, survey)
    show_suspicions(site)
    for check in checks:
        table, against = check.reading.table, check.against_ground
        side = "above" if against.median_m >= 0 else "below"
        name = f"{table.name} ({table.file})"
        print_lines(
            "",
            f"{name}, {check.reading.places:,} points, held against the ground "
            f"at {against.places:,} places: it lies {unit.length(abs(against.median_m), 3)} "
            f"{side} (median), scattered by {unit.length(against.nmad_m, 3)} (NMAD)."
            if against.places
            else f"{name} lies nowhere over the ground.",
        )
    _show_elements(site)
    if _laid(site):
        show_coverage(site)


def _show_elements(site: "Site") -> None:
    from cli.output import print_lines, print_table

    laid = _laid(site)
    if not laid:
        return
    unit = site.unit
    print_lines("")
    print_table(
        "The plan's outlines over the survey",
        ("element", "type", f"area\n{unit.area}", "heights\ninside", "water"),
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
    roles |= {line.code: "soft breakline" for line in survey.linework.soft}
    for role, rows in survey.linework.apart.items():
        roles |= {codes[row]: str(role) for row in rows}
    roles |= {line.code: "outline" for line in survey.linework.outlines}
    return [
        (code or "(none)", f"{count:,}", roles.get(code, "spots"))
        for code, count in Counter(codes).items()
    ]


def _show_findings(site: "Site", survey: "SpotSurvey") -> None:
    from cli.output import counted, print_lines, print_table

    if not survey.findings:
        return
    unit = site.unit
    print_lines("")
    print_table(
        f"{counted(len(survey.findings), 'thing')} to look at",
        ("what", "point", "line", "size", "in the ground", "why"),
        [
            (
                str(found.kind),
                found.name,
                str(found.line),
                f"{found.size_m / unit.metres:+.2f} {unit.symbol}" if found.size_m else "–",
                _fate(survey, found),
                found.reason,
            )
            for found in survey.findings[:MOST_SHOWN]
        ],
        left=(0, 1, 4, 5),
    )
    more = len(survey.findings) - MOST_SHOWN
    if more > 0:
        print_lines(f"and {more:,} more: see `tarnwright survey --json`.")
    if any(survey.kept(odd) for odd in survey.odd):
        print_lines(
            "Leave them out with --leave-out-odd, or by name or kind: "
            'leave_out = ["spikes", "P12", "line 40"] under this [[survey]].'
        )


def _fate(survey: "SpotSurvey", found: "Finding") -> str:
    if not found.suspects:
        return "look"
    return "kept" if survey.kept(found) else "left out"
