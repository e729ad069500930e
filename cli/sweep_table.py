"""A sweep as a table, a CSV file and a plot."""

import csv
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from cli.options import CHECK_FAILED

if TYPE_CHECKING:
    from cli.sweeping import Step, Task
    from terrain.review.sweep_plot import Curve
    from terrain.site import Site


def sweep_through(
    site: "Site", task: "Task", folder: Path, *, jobs: int | None, as_json: bool
) -> None:
    """Work through a sweep; exit with 3 where some value makes a plan that cannot be built."""
    from cli.output import print_json, print_lines, progress_bar
    from cli.sweeping import changed_site, look_up, steps
    from terrain.design.changing import blame
    from terrain.errors import PlanError
    from terrain.review.sweep_plot import sweep_plot
    from terrain.whole import whole_file

    _check_values(task)
    base = changed_site(site, task, task.settings)
    try:
        as_planned = look_up(base, task.keys)
    except PlanError as error:
        raise blame(task.settings, error) if task.settings else error from None
    done: list[Step] = []
    with progress_bar("values", len(task.sweep.numbers)) as advance:
        for step in steps(base, task, jobs=jobs):
            done.append(step)
            advance()
    if all(step.problem for step in done):
        first = [*task.settings, task.sweep.setting(done[0].number)]
        try:
            look_up(changed_site(base, task, first), task.keys)
        except PlanError as error:
            raise error if error.place.file is None else blame(first, error) from None
    files = [folder / "sweep.csv", folder / "sweep.png"]
    with whole_file(files[0]) as temporary:
        _write_csv(done, task, temporary)
    planned = _planned(site, task)
    with whole_file(files[1]) as temporary:
        sweep_plot(
            _curves(site, task, done, as_planned),
            [step.number for step in done],
            temporary,
            title=site.name,
            along=f"{task.sweep.key}, {task.sweep.unit}".strip(", "),
            planned=planned,
        )
    if as_json:
        values = [
            {"value": step.number, **step.found, "problem": step.problem or None} for step in done
        ]
        print_json(
            {
                "site": site.name,
                "key": task.sweep.key,
                "unit": task.sweep.unit,
                "as_planned": {"value": planned, **as_planned},
                "values": values,
                "files": [str(file) for file in files],
            }
        )
    else:
        _show(site, task, done)
        print_lines(*(str(file) for file in files))
    if any(step.problem for step in done):
        raise typer.Exit(CHECK_FAILED)


def _check_values(task: "Task") -> None:
    """Raise what is wrong with the first value where no value is allowed, before all the work."""
    from terrain.design.changing import change_plan
    from terrain.errors import PlanError

    errors = []
    for number in task.sweep.numbers:
        try:
            change_plan(task.tables, [*task.settings, task.sweep.setting(number)], task.path)
        except PlanError as error:
            errors.append(error)
        else:
            return
    raise errors[0]


def _planned(site: "Site", task: "Task") -> float | None:
    """The number that the plan has now, in the sweep's unit, where it has one."""
    from terrain.design.changing import find, read_path
    from terrain.errors import UnitError
    from terrain.units import parse_length

    value = find(task.tables, read_path(task.sweep.key))
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    if not task.sweep.unit and not isinstance(value, str):
        return float(value)
    try:
        return parse_length(value, site.unit) / (
            parse_length(f"1 {task.sweep.unit}", site.unit) if task.sweep.unit else site.unit.metres
        )
    except UnitError:
        return None


def _write_csv(done: Sequence["Step"], task: "Task", path: Path) -> None:
    unit = f" ({task.sweep.unit})" if task.sweep.unit else ""
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow([f"{task.sweep.key}{unit}", *task.keys, "problem"])
        rows.writerows(
            [repr(step.number), *(step.found.get(key, "") for key in task.keys), step.problem]
            for step in done
        )


def _curves(
    site: "Site", task: "Task", done: Sequence["Step"], as_planned: dict[str, float]
) -> list["Curve"]:
    from cli.measures import measure
    from terrain.review.sweep_plot import Curve

    curves = []
    for key in task.keys:
        symbol, factor, _ = measure(key, site.unit)
        heights = [step.found[key] / factor if key in step.found else None for step in done]
        curves.append(Curve(_words(key), symbol, tuple(heights), as_planned[key] / factor))
    return curves


def _words(key: str) -> str:
    """`elements.pond.rock_kg` as `pond: rock`."""
    from cli.compare import ROWS

    *steps, last = key.split(".")
    bare = ROWS.get(last) or last.replace("_", " ")
    where = " ".join(step for step in steps if step != "elements")
    return f"{where}: {bare}" if where else bare


def _show(site: "Site", task: "Task", done: Sequence["Step"]) -> None:
    from cli.measures import measure
    from cli.output import print_lines, print_table

    shown = [measure(key, site.unit) for key in task.keys]
    heads = [
        f"{_words(key)}\n{symbol}" for key, (symbol, _, _) in zip(task.keys, shown, strict=True)
    ]

    def cells(step: "Step") -> list[str]:
        if step.problem:
            return ["✗"] * len(task.keys)
        return [
            f"{step.found[key] / factor:,.{digits}f}"
            for key, (_, factor, digits) in zip(task.keys, shown, strict=True)
        ]

    print_table(
        f"{site.name}: {task.sweep.key}",
        (task.sweep.unit or "value", *heads),
        [(f"{step.number:g}", *cells(step)) for step in done],
        left=(),
    )
    for step in done:
        if step.problem:
            print_lines(f"✗ {step.number:g} {task.sweep.unit}".strip() + f": {step.problem}")
