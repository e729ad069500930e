"""`tarnwright progress`: how far the dig is, by surveys made while digging."""

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.options import CHECK_FAILED, AsJson, LeaveOutOdd, OutFolder, SitePath

if TYPE_CHECKING:
    from terrain.design.survey_tables import SurveyTable
    from terrain.progress import DayProgress, Figures, Pace, Patch, Progress, Trucked
    from terrain.site import Site
    from terrain.units import Unit

MOST_TOLD = 6  # places in the table; all are in the JSON and in the record

AsDugFiles = Annotated[
    list[Path] | None,
    typer.Option(
        "--as-dug",
        metavar="FILE",
        help="A survey made while digging, besides those of the plan; may be given again.",
        show_default=False,
    ),
]
Dates = Annotated[
    list[str] | None,
    typer.Option(
        "--date",
        metavar="DAY",
        help="Its day, such as 2026-05-04; one for each --as-dug.",
        show_default=False,
    ),
]
Tolerance = Annotated[
    str | None,
    typer.Option(
        "--within",
        help='How far off the dig still counts as down, such as "5 cm", instead of the plan\'s.',
        show_default=False,
    ),
]
LoadsSent = Annotated[
    int | None,
    typer.Option(
        "--loads",
        min=0,
        help="Trucks that left up to the last survey, instead of the plan's.",
        show_default=False,
    ),
]


def command(
    site: SitePath = Path(),
    as_dug: AsDugFiles = None,
    dates: Dates = None,
    within: Tolerance = None,
    loads: LoadsSent = None,
    out: OutFolder = None,
    leave_out_odd: LeaveOutOdd = False,
    as_json: AsJson = False,
) -> None:
    """Hold as-dug surveys against the dig, and keep a record."""
    from cli.opening import open_site
    from cli.output import print_json
    from terrain.exchange.record import record_progress
    from terrain.review.progress_sheet import progress_sheet
    from terrain.units import parse_length
    from terrain.whole import whole_file

    more = _more_surveys(as_dug or [], dates or [])
    opened = open_site(site, leave_out_odd=leave_out_odd, more=more)
    tolerance = None if within is None else parse_length(within, opened.unit)
    if tolerance is not None and tolerance <= 0:
        raise typer.BadParameter('--within is a length of more than 0, such as "5 cm"')
    progress = opened.progress(tolerance_m=tolerance, loads=loads)
    folder = out or opened.folder / "out"
    record = record_progress(folder / "record.gpkg", opened, progress)
    with whole_file(folder / "progress.png") as temporary:
        progress_sheet(opened, progress, temporary)
    files = [record, folder / "progress.png"]
    if as_json:
        print_json({**document(opened, progress), "files": [str(file) for file in files]})
    else:
        show(opened, progress)
        _say_files(files)
    last = progress.days[-1]
    if last.whole.too_deep_m3 > 0 or last.outside_m3 > 0:
        raise typer.Exit(CHECK_FAILED)


def _more_surveys(files: Sequence[Path], dates: Sequence[str]) -> list["SurveyTable"]:
    """Tables of the surveys that the command names."""
    from terrain.design.progress_tables import read_date
    from terrain.design.survey_tables import SurveyTable

    if len(files) != len(dates):
        raise typer.BadParameter("give one --date for each --as-dug, in the same order")
    return [
        SurveyTable(name=file.name, file=str(file.resolve()), as_dug=read_date(day))
        for file, day in zip(files, dates, strict=True)
    ]


def document(site: "Site", progress: "Progress") -> dict[str, Any]:
    """What `--json` prints."""
    return {
        "site": site.name,
        "planned_bank_m3": progress.planned_m3,
        "within_m": progress.tolerance_m,
        "days": [_day_document(site, day) for day in progress.days],
        "paces": [
            {
                "since": pace.since.isoformat(),
                "bank_m3_a_day": pace.m3_a_day,
                "days_left": pace.days_left,
            }
            for pace in progress.paces
        ],
    }


def _day_document(site: "Site", day: "DayProgress") -> dict[str, Any]:
    return {
        "date": day.day.isoformat(),
        "surveys": [table.name for table in day.surveys],
        "covers_share": day.covers_share,
        **_figures_document(day.whole),
        "taken_m3": day.taken_m3,
        "outside_m2": day.outside_m2,
        "outside_m3": day.outside_m3,
        "outside_m": day.outside_m,
        "elements": {each.name: _figures_document(each) for each in day.elements},
        "places": [
            {
                "kind": patch.kind,
                "element": patch.element,
                "easting_m": patch.middle[0] + float(site.origin[0]),
                "northing_m": patch.middle[1] + float(site.origin[1]),
                "area_m2": patch.area_m2,
                "most_m": patch.most_m,
                "volume_m3": patch.volume_m3,
            }
            for patch in day.patches
        ],
        "trucks": None if day.trucked is None else _trucks_document(day.trucked),
    }


def _figures_document(figures: "Figures") -> dict[str, Any]:
    return {key: value for key, value in asdict(figures).items() if key != "name"}


def _trucks_document(trucked: "Trucked") -> dict[str, Any]:
    low, likely, high = trucked.swell_planned
    return {
        "loads_sent": trucked.sent.loads,
        "load_m3": trucked.sent.load_m3,
        "on_site_loose_m3": trucked.sent.on_site_m3,
        "hauled_bank_m3": trucked.hauled_bank_m3,
        "loads_foretold": trucked.foretold.likely,
        "loads_foretold_low": trucked.foretold.low,
        "loads_foretold_high": trucked.foretold.high,
        "loads_planned": trucked.planned,
        "weight_binds": trucked.by_weight,
        "swell_planned": {"low": low, "likely": likely, "high": high},
        "swell_shown": None if trucked.swell is None else asdict(trucked.swell),
    }


def show(site: "Site", progress: "Progress") -> None:
    """Print the days and what to do next."""
    from cli.output import SHORT_CAUTION, print_lines, print_table

    unit, last = site.unit, progress.days[-1]
    print_table(
        f"{site.name}: progress of the dig ({unit.volume} in place)",
        ("", "dug", "±", "of plan", "left", "±", "to put\nback", "±", "survey\nreaches", "of dig"),
        [
            (
                day.day.isoformat(),
                *_row(day.whole, unit),
                f"{day.covers_share:.0%}",
                "" if day.covers_share >= day.whole.reached_share - 0.005
                else f"{day.whole.reached_share:.0%} so far",
            )
            for day in progress.days
        ],
        left=(0, 9),
    )  # fmt: skip
    print_lines("")
    if len(last.elements) > 1:
        print_table(
            f"By element, {last.day.isoformat()}",
            ("", "dug", "±", "of plan", "left", "±", "to put\nback", "±"),
            [(each.name, *_row(each, unit)) for each in last.elements if each.planned_m3 > 0],
        )
        print_lines("")
    print_lines(*_sentences(last, progress, unit))
    _show_patches(site, last)
    if last.trucked is not None:
        print_lines(*_trucks_said(last.trucked, unit))
    for pace in progress.paces:
        print_lines(_pace_said(pace, last, unit))
    print_lines(SHORT_CAUTION)


def _row(figures: "Figures", unit: "Unit") -> tuple[str, ...]:
    from cli.output import number

    def volume(value: float) -> str:
        return number(value / unit.volume_m3)

    share = round(figures.dug_m3 / figures.planned_m3, 2) + 0.0  # never "-0%"
    return (
        *(volume(figures.dug_m3), volume(figures.dug_pm_m3), f"{share:.0%}"),
        *(volume(figures.left_m3), volume(figures.left_pm_m3)),
        *(volume(figures.too_deep_m3), volume(figures.too_deep_pm_m3)),
    )


def _sentences(day: "DayProgress", progress: "Progress", unit: "Unit") -> list[str]:
    whole, said = day.whole, []
    within = unit.length(progress.tolerance_m)
    if whole.too_deep_m2:
        said.append(
            f"Too deep by more than {within}: {unit.area_text(whole.too_deep_m2, 1)}, by up to "
            f"{unit.length(whole.too_deep_m)}; put {unit.volume_text(whole.too_deep_m3)} back."
        )
    if day.outside_m2:
        said.append(
            f"Dug outside the plan: {unit.area_text(day.outside_m2, 1)}, up to "
            f"{unit.length(day.outside_m)} deep, {unit.volume_text(day.outside_m3)}."
        )
    if whole.too_high_m2:
        said.append(
            f"Not yet down: {unit.area_text(whole.too_high_m2, 1)}, up to "
            f"{unit.length(whole.too_high_m)} too high, {unit.volume_text(whole.too_high_m3)}."
        )
    if whole.reached_share < 0.995:
        said.append(
            f"No survey reaches {1 - whole.reached_share:.0%} of the dig; nothing counts as dug "
            "there."
        )
    if whole.came_back_m3 > 0:
        said.append(
            f"{unit.volume_text(whole.came_back_m3)} lie in the dig again that were out before."
        )
    if whole.fill_planned_m3 > 0:
        said.append(
            f"Filled: {unit.volume_text(whole.fill_placed_m3)} of "
            f"{unit.volume_text(whole.fill_planned_m3)} compacted."
        )
    return said


def _show_patches(site: "Site", day: "DayProgress") -> None:
    from cli.output import number, print_lines, print_table

    unit = site.unit

    def row(patch: "Patch") -> tuple[str, ...]:
        east, north = (site.origin + patch.middle) / unit.metres
        return (
            patch.kind,
            patch.element or "",
            number(patch.volume_m3 / unit.volume_m3),
            number(patch.area_m2 / unit.area_m2),
            number(patch.most_m / unit.metres, 2),
            f"{east:.1f}",
            f"{north:.1f}",
        )

    if day.patches:
        print_lines("")
        more = len(day.patches) - MOST_TOLD
        print_table(
            f"Where (around easting, northing){f'; {more} more in the record' * (more > 0)}",
            ("", "", unit.volume, unit.area, f"up to\n{unit.symbol}", "E", "N"),
            [row(patch) for patch in day.patches[:MOST_TOLD]],
            left=(0, 1),
        )
        print_lines("")


def _trucks_said(trucked: "Trucked", unit: "Unit") -> list[str]:
    from cli.output import counted

    sent, foretold = trucked.sent, trucked.foretold
    low, likely, high = trucked.swell_planned
    span = f"{foretold.likely:,.0f}"
    if foretold.low < foretold.high:
        span += f" ({foretold.low:,.0f} to {foretold.high:,.0f})"
    said = [f"{counted(sent.loads, 'load')} sent; what is dug makes {span} by the plan's swell."]
    said.append(f"  The whole job: {counted(trucked.planned, 'load')}.")
    if trucked.by_weight:
        said.append("Trucks are full by weight, so that their number does not show the swell.")
    elif trucked.swell is not None:
        shown = trucked.swell
        said.append(
            f"The loads show a swell of {shown.likely:.0%} ({shown.low:.0%} to {shown.high:.0%}); "
            f"the plan has {likely:.0%} ({low:.0%} to {high:.0%})."
        )
        if sent.on_site_m3 == 0:
            said.append(
                "  If soil of the dig still lies on heaps, tell it with on_site in [[loads_sent]]."
            )
    else:
        said.append("Too little is surely dug for the loads to show its swell.")
    return said


def _pace_said(pace: "Pace", last: "DayProgress", unit: "Unit") -> str:
    from datetime import timedelta
    from math import ceil

    rate = unit.volume_text(pace.m3_a_day)
    if pace.days_left <= 0:
        return f"Since {pace.since.isoformat()}: {rate} a calendar day; nothing is left."
    days = ceil(pace.days_left - 1e-9)
    end = last.day + timedelta(days=days)
    return (
        f"At the pace since {pace.since.isoformat()} ({rate} a calendar day): "
        f"{days:,} more days, until {end.isoformat()}."
    )


def _say_files(files: Sequence[Path]) -> None:
    from cli.output import print_lines

    print_lines(*(str(file) for file in files))
