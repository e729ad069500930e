"""What a survey is and how it lies on the site, told in words and as JSON."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from terrain.measured import CheckSurvey, Reading, SpotSurvey
    from terrain.site import Site
    from terrain.surface.coverage import RegionCoverage
    from terrain.survey.levels import LevelBook
    from terrain.survey.registration import Registration
    from terrain.survey.suspicion import Suspicion
    from terrain.units import Unit

POOR_SHARE = 0.05  # of an outline on poorly measured ground from which more shots are proposed


def survey_documents(site: "Site") -> list[dict[str, Any]]:
    """Every survey of a site, as `--json` prints it."""
    checks = {check.reading.table.name: check for check in site.check_surveys}
    return [
        {
            **_reading(reading),
            **(_shots(site, site.spot_surveys[name]) if name in site.spot_surveys else {}),
            **(_check(checks[name]) if name in checks else {}),
            "suspicions": [_suspicion(each) for each in site.all_suspicions.get(name, ())],
        }
        for name, reading in site.readings.items()
    ]


def _reading(reading: "Reading") -> dict[str, Any]:
    said: dict[str, Any] = {
        "name": reading.table.name,
        "file": reading.table.file,
        "kind": reading.kind,
        "points": reading.places,
        "coordinate_system": reading.table.crs or reading.crs,
        "remarks": list(reading.remarks),
    }
    if reading.cloud is not None:
        cloud = reading.cloud
        said["cloud"] = {
            "cell_m": cloud.cell,
            "ground_points": cloud.n_ground_points,
            "used_classes": cloud.used_classes,
            "noise_m": cloud.noise_m,
        }
    if reading.book is not None:
        said["level_book"] = _book(reading.book)
    if reading.registration is not None:
        said["registration"] = _registration(reading.registration)
    return said


def _book(book: "LevelBook") -> dict[str, Any]:
    return {
        "setups": len(book.setups),
        "sum_backsights_m": book.arithmetic.back,
        "sum_foresights_m": book.arithmetic.fore,
        "arithmetic_off_m": book.arithmetic.off_m,
        "misclosure_m": book.misclosure_m,
        "limit_m": book.limit_m,
        "adjusted": book.adjusted,
        "lines": [
            {
                "from": str(book.name[closure.first]),
                "to": str(book.name[closure.last]),
                "setups": closure.setups,
                "distance_m": closure.distance_m,
                "misclosure_m": closure.misclosure_m,
                "limit_m": closure.limit_m,
            }
            for closure in book.closures
        ],
    }


def _registration(fit: "Registration") -> dict[str, Any]:
    return {
        "rms_m": fit.rms_m,
        "scale": fit.scale,
        "size_ratio": fit.size_ratio,
        "points": [
            {"name": name, "east_m": east, "north_m": north, "up_m": up}
            for name, (east, north, up) in zip(fit.names, fit.residuals.tolist(), strict=True)
        ],
        "suspect": None if fit.suspect is None else fit.suspect.name,
    }


def _shots(site: "Site", survey: "SpotSurvey") -> dict[str, Any]:
    from collections import Counter

    work, east, north = survey.linework, *map(float, site.origin)
    return {
        "points": len(survey.spots.xyz),
        "ground_points": len(survey.ground),
        "codes": dict(Counter(str(code) for code in survey.spots.code)),
        "breaklines": [line.code for line in work.breaklines],
        "soft_breaklines": [line.code for line in work.soft],
        "outlines": [line.code for line in work.outlines],
        "odd_heights": [
            {
                "point": odd.name,
                "line": odd.line,
                "easting_m": odd.xyz[0] + east,
                "northing_m": odd.xyz[1] + north,
                "elevation_m": odd.xyz[2],
                "off_m": odd.size_m,
                "reason": odd.reason,
                "kept": survey.kept(odd),
            }
            for odd in survey.odd
        ],
        "findings": [
            {
                "kind": str(found.kind),
                "point": found.name,
                "line": found.line,
                "points": [str(survey.spots.name[row]) for row in found.rows],
                "easting_m": found.xyz[0] + east,
                "northing_m": found.xyz[1] + north,
                "elevation_m": found.xyz[2],
                "size_m": found.size_m,
                "reason": found.reason,
                "suspects": [str(survey.spots.name[row]) for row in found.suspects],
                "kept": survey.kept(found),
            }
            for found in survey.findings
        ],
        "left_out": [str(survey.spots.name[row]) for row in survey.left_out],
    }


def _check(check: "CheckSurvey") -> dict[str, Any]:
    return {
        "compared_at": check.against_ground.places,
        "median_above_ground_m": check.against_ground.median_m,
        "nmad_m": check.against_ground.nmad_m,
    }


def _suspicion(said: "Suspicion") -> dict[str, str]:
    return {"kind": str(said.kind), "evidence": said.evidence, "mend": said.mend}


def coverage_documents(site: "Site") -> list[dict[str, Any]]:
    """How well the ground under each element is measured, as `--json` prints it."""
    return [
        {
            "element": region.name,
            "shots": region.shots,
            "mean_pm_m": region.mean_pm_m,
            "largest_pm_m": region.largest_pm_m,
            "largest_at_m": [
                value + float(shift) for value, shift in zip(region.worst, site.origin, strict=True)
            ],
            "poor_share": region.poor_share,
            "volume_pm_m3": region.volume_pm_m3,
            "share_of_all": region.share,
            "sides": [
                {
                    "name": part.name,
                    "shots": part.shots,
                    "mean_pm_m": part.mean_pm_m,
                    "share": part.share,
                }
                for part in region.parts
            ],
            "more_shots": _more_shots(site, region),
        }
        for region in site.coverage
    ]


def _more_shots(site: "Site", region: "RegionCoverage") -> dict[str, Any] | None:
    asked = site.more_shots(region.name) if region.poor_share > POOR_SHARE else None
    if asked is None:
        return None
    return {
        "count": len(asked.places),
        "volume_pm_before_m3": asked.pm_before_m3,
        "volume_pm_after_m3": asked.pm_after_m3,
        "places_m": (asked.places + site.origin).tolist(),
    }


def show_reading(reading: "Reading", unit: "Unit") -> None:
    """Print what a file is, how it was reduced and how it was carried to the site."""
    from cli.output import print_lines, print_table

    table = reading.table
    print_lines("", f"{table.name} ({table.file}): {reading.kind}, {reading.places:,} points.")
    print_lines(*(f"  {remark[0].upper()}{remark[1:]}." for remark in reading.remarks))
    if reading.cloud is not None:
        cloud = reading.cloud
        print_lines(
            f"  Its ground is {cloud.n_ground_points:,} points, "
            f"{'as classified in the file' if cloud.used_classes else 'found by their shape'}, in "
            f"cells of {unit.length(cloud.cell)}; they scatter by {unit.length(cloud.noise_m, 3)}."
        )
    if reading.book is not None:
        _show_book(reading.book, unit)
    fit = reading.registration
    if fit is not None:
        print_table(
            f"  Control points, off by {unit.length(fit.rms_m, 3)} in the mean (RMS)",
            ("point", "east", "north", "up"),
            [
                (name, *(f"{value / unit.metres:+.3f}" for value in residual))
                for name, residual in zip(fit.names, fit.residuals.tolist(), strict=True)
            ],
        )
        if fit.suspect is not None:
            print_lines(
                f"  {fit.suspect.name} does not fit the others: without it they fit within "
                f"{unit.length(fit.suspect.rms_without_m, 3)}."
            )
        if fit.scale != 1:
            print_lines(f"  It was scaled by {fit.scale:.5f} to fit them.")
        elif abs(fit.size_ratio - 1) > 0.01:
            print_lines(
                f"  The control points lie {fit.size_ratio:.4f} times as far apart on the site: "
                "check the unit of the survey, or set control_scale = true."
            )


def _show_book(book: "LevelBook", unit: "Unit") -> None:
    from cli.output import counted, print_lines

    sums = book.arithmetic
    print_lines(
        f"  {counted(len(book.setups), 'setup')}: backsights {unit.length(sums.back, 3)}, "
        f"foresights {unit.length(sums.fore, 3)}; the arithmetic checks to "
        f"{unit.length(abs(sums.off_m), 4)}."
    )
    for closure in book.closures:
        print_lines(
            f"  {book.name[closure.first]} to {book.name[closure.last]}: misclosure "
            f"{unit.length(closure.misclosure_m, 3)}, {unit.length(closure.limit_m, 3)} allowed"
            f"{', distributed' if book.adjusted else ''}."
        )
    if not book.closures:
        print_lines("  The book returns to no known point: nothing tells whether it closes.")


def show_suspicions(site: "Site") -> None:
    """Print what may be wrong with the place of each survey, with the numbers that speak for it."""
    from cli.output import print_lines

    for name, said in site.all_suspicions.items():
        for each in said:
            print_lines("", f"{name}: {each.kind}? {each.evidence}.", f"  to mend:  {each.mend}")


def show_coverage(site: "Site") -> None:
    """Print how well the ground under each element is measured, and where more shots would help."""
    from cli.output import counted, print_lines, print_table

    unit = site.unit
    print_lines("")
    print_table(
        "How sure the ground under each element is",
        (
            "element",
            "heights\ninside",
            "±, mean",
            "±, worst",
            "poorly\nmeasured",
            f"±\n{unit.volume}",
        ),
        [
            (
                region.name,
                f"{region.shots:,}",
                unit.length(region.mean_pm_m, 3),
                unit.length(region.largest_pm_m, 3),
                f"{region.poor_share:.0%}",
                f"{region.volume_pm_m3 / unit.volume_m3:,.1f}",
            )
            for region in site.coverage
        ],
    )
    for region in site.coverage:
        asked = site.more_shots(region.name) if region.poor_share > POOR_SHARE else None
        if asked is None or not len(asked.places):
            continue
        places = "; ".join(
            f"{east / unit.metres:,.1f} E {north / unit.metres:,.1f} N"
            for east, north in (asked.places + site.origin)[:6].tolist()
        )
        more = ", …" if len(asked.places) > 6 else ""
        side = region.parts[0].name if region.parts else ""
        print_lines(
            f"{region.name}: {counted(len(asked.places), 'more shot')} would halve its ±, most of "
            f"it from the {side}: {places}{more}."
        )
