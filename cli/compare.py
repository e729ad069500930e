"""`tarnwright compare`: what moves between two plans, or when one value of a plan is changed."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.options import CHECK_FAILED, AsJson, LeaveOutOdd, OutFolder, SitePath

if TYPE_CHECKING:
    from cli.sweeping import Task
    from terrain.comparison import Amounts, Comparison
    from terrain.design.changing import Setting
    from terrain.site import Site

DEFAULT_SWEPT = ("excavation_bank_m3", "backfill_compacted_m3", "loads", "liner_m2")

Other = Annotated[
    Path | None,
    typer.Argument(help="The second plan: a site folder or a plan file.", show_default=False),
]
Sets = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        help='Instead of a second plan, a value to change, such as pond.over_dig.side="2 ft"; '
        "may be given again.",
        show_default=False,
    ),
]
SweepOf = Annotated[
    str | None,
    typer.Option(
        "--sweep",
        metavar="KEY=FROM:TO:COUNT",
        help='Take one number through a range, such as "pond.floor=0.9 m:1.8 m:10".',
        show_default=False,
    ),
]
Asked = Annotated[
    list[str] | None,
    typer.Option(
        "--of",
        metavar="QUANTITY",
        help="What a sweep shows: any number in the JSON of compare, volumes or haul by its "
        "dotted path; may be given again.",
        show_default="dig, backfill, loads, liner",
    ),
]
Jobs = Annotated[
    int | None,
    typer.Option(min=1, max=64, help="Processes of a sweep.", show_default="as many as are of use"),
]
SaveAs = Annotated[
    Path | None,
    typer.Option(
        "--save",
        help="Write the changed plan as a new file beside the old one.",
        show_default=False,
    ),
]


def command(
    site: SitePath = Path(),
    other: Other = None,
    settings: Sets = None,
    sweep: SweepOf = None,
    asked: Asked = None,
    jobs: Jobs = None,
    save: SaveAs = None,
    out: OutFolder = None,
    leave_out_odd: LeaveOutOdd = False,
    as_json: AsJson = False,
) -> None:
    """Say what moves between two plans, or two values in one."""
    from cli.opening import open_site
    from terrain.design.changing import read_setting

    sets = tuple(read_setting(said) for said in settings or ())
    _check_usage(other, sets, sweep, asked, save)
    before = open_site(site, leave_out_odd=leave_out_odd)
    folder = out or before.folder / "out"
    if other is not None:
        _compare(before, _second(before, other, leave_out_odd), (), folder, as_json)
        return
    task = _task(before, sets, sweep, asked, leave_out_odd)
    if save is not None:
        _save(before, task, save)
    if sweep is not None:
        from cli.sweep_table import sweep_through

        sweep_through(before, task, folder, jobs=jobs, as_json=as_json)
        return
    from cli.sweeping import changed_site

    _compare(before, changed_site(before, task, sets), sets, folder, as_json)


def _check_usage(
    other: Path | None,
    sets: Sequence["Setting"],
    sweep: str | None,
    asked: list[str] | None,
    save: Path | None,
) -> None:
    if other is None and not sets and sweep is None:
        raise typer.BadParameter("name a second plan, or give --set or --sweep")
    if other is not None and (sets or sweep is not None):
        raise typer.BadParameter("name a second plan, or give --set or --sweep, not both")
    if asked and sweep is None:
        raise typer.BadParameter("--of says what a --sweep shows")
    if save is not None and not sets:
        raise typer.BadParameter("--save writes the plan that --set changes")


def _second(before: "Site", path: Path, leave_out_odd: bool) -> "Site":
    """The second site; the ground of the first is kept where both lie in one folder."""
    from terrain.site import Site

    after = Site.open(path, leave_out_odd=leave_out_odd)
    if after.folder.resolve() != before.folder.resolve():
        return after
    revised = before.revised(after.plan)
    revised.path, revised.folder = after.path, after.folder
    return revised


def _task(
    site: "Site",
    sets: tuple["Setting", ...],
    sweep: str | None,
    asked: list[str] | None,
    leave_out_odd: bool,
) -> "Task":
    from cli.sweeping import Sweep, Task, read_sweep
    from terrain.design.plan import plan_tables

    return Task(
        tables=plan_tables(site.path),
        path=site.path,
        settings=sets,
        sweep=Sweep("", (), "") if sweep is None else read_sweep(sweep),
        keys=tuple(dict.fromkeys(asked or DEFAULT_SWEPT)),
        leave_out_odd=leave_out_odd,
    )


def _save(site: "Site", task: "Task", name: Path) -> None:
    """Write the changed plan under a new name in the same folder, comments and all."""
    import tomlkit

    from terrain.design.changing import apply, change_plan
    from terrain.design.plan import check_plan
    from terrain.errors import OutputError, Place
    from terrain.whole import whole_file

    target = site.folder / name if name.parent == Path() else name
    if target.resolve().parent != site.folder.resolve() or os.path.lexists(target):
        there = os.path.lexists(target)
        raise OutputError(
            "is there already" if there else "is in another folder than the plan",
            place=Place(target),
            expected=f"a new name in {site.folder}, where the plan's surveys lie",
            mend="choose another name for --save",
        )
    plan = change_plan(task.tables, task.settings, task.path)
    document = tomlkit.parse(site.path.read_bytes().decode("utf-8-sig"))
    for setting in task.settings:
        apply(document, setting, new_table=tomlkit.inline_table)
    text = tomlkit.dumps(document)
    if check_plan(tomlkit.parse(text).unwrap(), target) != plan:
        raise OutputError(
            "the changed plan cannot be written with its comments",
            place=Place(target),
            mend="change the value in a copy of the file by hand",
        )
    with whole_file(target) as temporary:
        temporary.write_bytes(text.encode("utf-8"))


def _compare(
    before: "Site", after: "Site", sets: tuple["Setting", ...], folder: Path, as_json: bool
) -> None:
    from cli.output import print_json
    from terrain.comparison import Comparison, amounts, amounts_by_element
    from terrain.design.changing import blame
    from terrain.errors import PlanError
    from terrain.review.difference_sheet import difference_sheet
    from terrain.whole import whole_file

    comparison = Comparison(before, after)
    first, parts = amounts(before), amounts_by_element(before)
    try:
        second, others = amounts(after), amounts_by_element(after)
        failing = comparison.now_failing
    except PlanError as error:
        if not sets:
            raise
        raise blame(sets, error) from None
    with whole_file(folder / "difference.png") as temporary:
        difference_sheet(comparison, temporary)
    told = _document(comparison, first, second, parts, others)
    if as_json:
        print_json({**told, "files": [str(folder / "difference.png")]})
    else:
        _show(comparison, told, folder / "difference.png")
    if failing:
        raise typer.Exit(CHECK_FAILED)


def _document(
    comparison: "Comparison",
    first: "Amounts",
    second: "Amounts",
    parts: dict[str, "Amounts"],
    others: dict[str, "Amounts"],
) -> dict[str, Any]:
    from terrain.comparison import moved

    return {
        "site": comparison.before.name,
        "same_ground": comparison.same_ground,
        "before": first,
        "after": second,
        "difference": moved(first, second),
        "elements": {
            name: {
                "before": parts.get(name, {}),
                "after": others.get(name, {}),
                "difference": moved(parts.get(name, {}), others.get(name, {})),
            }
            for name in dict.fromkeys((*parts, *others))
        },
        "where": [
            {
                "element": each.element,
                "lower_m2": each.lower_m2,
                "lower_m3": each.lower_m3,
                "deepest_m": each.deepest_m,
                "higher_m2": each.higher_m2,
                "higher_m3": each.higher_m3,
                "highest_m": each.highest_m,
                "easting_m": each.centroid_m[0],
                "northing_m": each.centroid_m[1],
            }
            for each in comparison.where
        ],
        "now_failing": [
            {"check": each.check, "element": each.element, "found": each.found}
            for each in comparison.now_failing
        ],
    }


ROWS = {
    "excavation_bank_m3": "dig, in place",
    "backfill_compacted_m3": "backfill, compacted",
    "fill_compacted_m3": "rim, fill, compacted",
    "gravel_m3": "layers and lifts",
    "rock_m3": "rock",
    "rock_kg": "rock, weight",
    "rocks": "rocks",
    "water_m3": "water",
    "liner_m2": "liner, edges included",
    "liner_bought_m2": "liner from rolls",
    "liner_rolls": "rolls of liner",
    "underlay_m2": "underlay",
    "underlay_bought_m2": "underlay from rolls",
    "surplus_bank_m3": "left over, in place",
    "surplus_loose_m3": "left over, loose",
    "loads": "loads",
    "days": "days of work",
    "dig_area_m2": "area dug",
    "max_depth_m": "deepest dig",
    "max_water_depth_m": "deepest water",
}


def _show(comparison: "Comparison", told: dict[str, Any], picture: Path) -> None:
    from cli.output import SHORT_CAUTION, print_lines, print_table, warn

    unit = comparison.before.unit
    if not told["same_ground"]:
        warn("the two plans stand on different grounds; what moves is of both plan and ground")
    head = ("", "in", "before", "after", "difference")
    rows = _rows(comparison, told["before"], told["after"])
    if rows:
        print_table(f"{comparison.before.name}: what moves", head, rows, left=(0, 1))
    else:
        print_lines(f"{comparison.before.name}: no quantity moves.")
    for name, each in told["elements"].items():
        parts = _rows(comparison, each["before"], each["after"])
        if parts:
            new = " (only in the second plan)" if not each["before"] else ""
            gone = " (only in the first plan)" if not each["after"] else ""
            print_lines("")
            print_table(f"{name}{new}{gone}", head, parts, left=(0, 1))
    print_lines("")
    for each in comparison.where:
        said = [
            f"{unit.area_text(area, 1)} {word} by up to {unit.length(most)}"
            for area, most, word in (
                (each.lower_m2, each.deepest_m, "lower"),
                (each.higher_m2, each.highest_m, "higher"),
            )
            if area
        ]
        east, north = (f"{value / unit.metres:,.1f}" for value in each.centroid_m)
        print_lines(f"{each.element}: {' and '.join(said)}, around {east} E, {north} N.")
    if not comparison.where:
        print_lines("No level on the ground differs.")
    for finding in comparison.now_failing:
        print_lines(f"Now fails: {finding.check}, {finding.element}: {finding.found}.")
        print_lines(f"  to mend: {finding.mend}")
    print_lines(str(picture), SHORT_CAUTION)


def _rows(
    comparison: "Comparison", first: "Amounts", second: "Amounts"
) -> list[tuple[str, str, str, str, str]]:
    """Rows of what moves by as much as can be read in the table."""
    from cli.measures import measure

    rows = []
    for key, words in ROWS.items():
        if key not in first and key not in second:
            continue
        symbol, factor, digits = measure(key, comparison.before.unit)
        old, new = (table.get(key, 0) / factor for table in (first, second))
        difference = f"{new - old:+,.{digits}f}"
        if difference.strip("+-0.,"):
            rows.append((words, symbol, f"{old:,.{digits}f}", f"{new:,.{digits}f}", difference))
    return rows
