"""One number of a plan, taken through a range: what comes of each value, here or in processes."""

import math
import multiprocessing
import os
import re
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from terrain.comparison import amounts, amounts_by_element
from terrain.design.changing import Setting, change_plan, read_path
from terrain.design.plan import check_plan
from terrain.design.tables import Plan
from terrain.errors import PlanError, TerrainError, UnitError, nearest
from terrain.site import Site
from terrain.units import METRE, parse_length

MOST_VALUES = 1000
WORTH_S = 10.0  # processes are started for what would take longer than this
_END = re.compile(r"\s*([-+−]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*", re.DOTALL)


@dataclass(frozen=True)
class Sweep:
    """The values of one key, in order.

    Attributes
    ----------
    key
        Its path as the user wrote it.
    numbers
        Evenly spaced, in `unit`.
    unit
        What stands after each number in the plan; empty for bare numbers.
    """

    key: str
    numbers: tuple[float, ...]
    unit: str

    def setting(self, number: float) -> Setting:
        """The key set to one of the numbers."""
        value: float | str = f"{number!r} {self.unit}" if self.unit else number
        return Setting(f"{self.key}={value}", read_path(self.key), value, "--sweep")


@dataclass(frozen=True)
class Step:
    """What came of one value: the quantities asked for, or why the plan cannot be built."""

    number: float
    found: dict[str, float]
    problem: str = ""


@dataclass(frozen=True)
class Task:
    """What every value is worked on with; it can be sent to another process."""

    tables: dict[str, Any]
    path: Path
    settings: tuple[Setting, ...]
    sweep: Sweep
    keys: tuple[str, ...]
    leave_out_odd: bool


def read_sweep(said: str) -> Sweep:
    """Read `KEY=A:B:N`: N even steps from A to B, such as `pond.floor=0.9 m:1.8 m:10`.

    Raises
    ------
    PlanError
        Naming what is not understood.
    """
    key, equals, ends = said.partition("=")
    parts = ends.split(":")
    if not equals or len(parts) != 3:
        raise _no_sweep(said, "it is not KEY=FROM:TO:COUNT")
    read_path(key)
    count = parts[2].strip()
    if not (count.isascii() and count.isdecimal()) or not 2 <= int(count[:9]) <= MOST_VALUES:
        raise _no_sweep(said, f"the count is {count!r}")
    first, last, unit = _ends(parts[0], parts[1], said)
    steps = int(count) - 1
    numbers = [first + (last - first) * k / steps for k in range(steps)] + [last]
    if float(first).is_integer() and all(abs(n - round(n)) < 1e-9 for n in numbers):
        numbers = [round(n) for n in numbers]
    return Sweep(key.strip(), tuple(numbers), unit)


def _ends(first: str, last: str, said: str) -> tuple[float, float, str]:
    """Two numbers and the unit that both have; lengths in two units become metres."""
    ends = [_END.fullmatch(text) for text in (first, last)]
    if ends[0] is not None and ends[1] is not None and ends[0][2] == ends[1][2]:
        low, high = (float(end[1].replace("−", "-")) for end in ends if end is not None)
        if math.isfinite(low) and math.isfinite(high):
            return low, high, ends[0][2]
    if any(end is not None and not end[2] for end in ends):
        raise _no_sweep(said, "one end has a unit, the other has none")
    try:
        return parse_length(first, METRE), parse_length(last, METRE), "m"
    except UnitError:
        raise _no_sweep(said, "its ends are no numbers in one unit") from None


def _no_sweep(said: str, why: str) -> PlanError:
    return PlanError(
        f"--sweep {said}: {why}",
        expected=f"KEY=FROM:TO:COUNT with 2 to {MOST_VALUES} values",
        mend='for example --sweep "pond.over_dig.side=0.3 m:1 m:8"',
    )


def changed_site(site: Site, task: Task, settings: Sequence[Setting]) -> Site:
    """The site under the plan with some values set; only what they change is done again."""
    plan = change_plan(task.tables, settings, task.path)
    return site.revised(left_out(plan) if task.leave_out_odd else plan)


def left_out(plan: Plan) -> Plan:
    """The plan with odd heights of every survey left out."""
    tables = tuple(t.model_copy(update={"odd_heights": "leave_out"}) for t in plan.survey)
    return plan.model_copy(update={"survey": tables})


def look_up(site: Site, keys: Sequence[str]) -> dict[str, float]:
    """Numbers of a site by dotted path into what `compare`, `volumes` and `haul` tell as JSON.

    Raises
    ------
    TerrainError
        A path leads to no number.
    """
    near: dict[str, Any] = {**amounts(site), "elements": amounts_by_element(site)}
    found = {key: _number_at(near, read_path(key)) for key in keys}
    if None in found.values():
        from cli import haul, volumes

        whole = {**haul.document(site), **volumes.document(site)}
        for key in (key for key, value in found.items() if value is None):
            found[key] = _number_at(whole, read_path(key))
            if found[key] is None:
                raise _unknown(key, {**whole, **near})
    return {key: value for key, value in found.items() if value is not None}


def _number_at(document: Any, path: Sequence[str]) -> float | None:
    here = document
    for step in path:
        try:
            here = here[int(step[:9])] if isinstance(here, list) else here[step]
        except (LookupError, TypeError, ValueError):
            return None
    return here if isinstance(here, int | float) and not isinstance(here, bool) else None


def _unknown(key: str, document: Mapping[str, Any]) -> TerrainError:
    here: Any = document
    path = read_path(key)
    for step in path[:-1]:
        if not isinstance(here, Mapping) or step not in here:
            break
        here = here[step]
    names = [str(name) for name in here] if isinstance(here, Mapping) else []
    word = next((step for step in path if step not in names), path[-1])
    return TerrainError(
        f"there is no quantity {key!r}",
        expected="a number in the JSON of compare, volumes or haul, such as liner_m2 or "
        "elements.NAME.excavation_bank_m3",
        mend=nearest(word, names),
    )


def steps(site: Site, task: Task, *, jobs: int | None = None) -> Iterator[Step]:
    """What comes of each value, in order.

    Parameters
    ----------
    jobs
        Processes; by default none are started where they would not pay.
    """
    numbers = task.sweep.numbers
    if jobs is None:
        began = time.perf_counter()
        yield _step(site, task, numbers[0])
        numbers = numbers[1:]
        cores = os.cpu_count() or 1
        worth = (time.perf_counter() - began) * len(numbers) > WORTH_S
        jobs = min(cores, len(numbers)) if worth else 1
    if jobs == 1:
        yield from (_step(site, task, number) for number in numbers)
        return
    with ProcessPoolExecutor(
        min(jobs, len(numbers)),
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_begin,
        initargs=(task,),
    ) as pool:
        yield from pool.map(_step_here, numbers)


def _step(site: Site, task: Task, number: float) -> Step:
    settings = [*task.settings, task.sweep.setting(number)]
    try:
        return Step(number, look_up(changed_site(site, task, settings), task.keys))
    except TerrainError as error:
        return Step(number, {}, error.found)


_AT_WORK: list[tuple[Site, Task]] = []  # of a process that was started for a sweep


def _begin(task: Task) -> None:
    plan = check_plan(task.tables, task.path)
    site = Site(left_out(plan) if task.leave_out_odd else plan, task.path)
    _AT_WORK[:] = [(site, task)]


def _step_here(number: float) -> Step:
    site, task = _AT_WORK[0]
    return _step(site, task, number)
