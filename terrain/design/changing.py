"""Changing one value of a plan by its key path: `pond.over_dig.side`, `soil.clay.swell`."""

import copy
import re
import tomllib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, time
from pathlib import Path
from typing import Any

from terrain.design.plan import check_plan
from terrain.design.tables import Plan
from terrain.errors import Place, PlanError, nearest

_LISTS = ("survey", "soil", "stratum", "zone", "element")
_LEVELS_AND_CODES = ("water", "codes")  # whose keys are the user's own names
_STEP = re.compile(r'\s*(?:"([^"]*)"|\'([^\']*)\'|([^."\']+))\s*(?:\.|$)')
DEEPEST = 12


@dataclass(frozen=True)
class Setting:
    """A key path and the value to stand there.

    Attributes
    ----------
    said
        As the user wrote it, for messages.
    path
        Its steps: names, keys, and numbers into lists, counted from 0.
    value
        As a plan file would hold it.
    option
        Of the command line that it came with, for messages.
    """

    said: str
    path: tuple[str, ...]
    value: Any
    option: str = "--set"


def read_setting(said: str) -> Setting:
    """Read `KEY=VALUE`; the value is TOML, or else a text as it stands.

    Raises
    ------
    PlanError
        There is no `=`, or no key before it.

    Examples
    --------
    >>> setting = read_setting("pond.over_dig.side=2 ft")
    >>> setting.path, setting.value
    (('pond', 'over_dig', 'side'), '2 ft')
    """
    key, equals, value = said.partition("=")
    if not equals or not key.strip():
        raise PlanError(
            f"{said!r} sets nothing",
            expected='KEY=VALUE such as pond.over_dig.side="2 ft" or water.pond=101.4',
        )
    return Setting(said, read_path(key), _value(value.strip()))


def read_path(key: str) -> tuple[str, ...]:
    """Split a key path at its dots; a name that holds dots stands in quotes.

    Raises
    ------
    PlanError
        A step is empty, or a quote is not closed.

    Examples
    --------
    >>> read_path('"no. 2 pit".lifts.0.thickness')
    ('no. 2 pit', 'lifts', '0', 'thickness')
    """
    steps: list[str] = []
    at = 0
    while at < len(key) or key.endswith("."):
        step = _STEP.match(key, at)
        name = next((part for part in step.groups() if part is not None), "") if step else ""
        if step is None or not name.strip() or len(steps) == DEEPEST:
            raise PlanError(
                f"{key!r} is not a key path",
                expected="names and keys with dots between them, such as pond.over_dig.side",
                mend="put a name that holds dots in quotes: '\"no. 2 pit\".depth'",
            )
        steps.append(name.strip())
        at = step.end()
    if not steps:
        raise PlanError("the key path is empty", expected="one such as pond.over_dig.side")
    return tuple(steps)


def _value(text: str) -> Any:
    """What TOML makes of a text, or the text; dates and times are none of a plan's values."""
    try:
        read = tomllib.loads(f"value = {text}\n")
    except (ValueError, RecursionError):
        return text
    value = read["value"]
    return text if len(read) != 1 or isinstance(value, date | time) else value


def change_plan(tables: dict[str, Any], settings: Sequence[Setting], path: Path) -> Plan:
    """The plan with some values set; the tables stay as they are.

    Parameters
    ----------
    tables
        A whole plan file, valid as it stands.
    path
        The file, named in messages.

    Raises
    ------
    PlanError
        A key leads nowhere, or the plan would be wrong with the value. It names the setting.
    """
    changed = copy.deepcopy(tables)
    for setting in settings:
        apply(changed, setting)
    try:
        return check_plan(changed, path)
    except PlanError as error:
        raise blame(settings, error) from None


def blame(settings: Iterable[Setting], error: PlanError) -> PlanError:
    """The same error, laid to settings instead of the file."""
    said = " ".join(f"{setting.option} {setting.said}" for setting in settings)
    where = f"{said}: {error.place.key}" if error.place.key else said
    return PlanError(error.found, place=Place(key=where), expected=error.expected, mend=error.mend)


def apply(tables: dict[str, Any], setting: Setting, *, new_table: Callable[[], Any] = dict) -> None:
    """Put the value of a setting into the tables of a plan file.

    Parameters
    ----------
    tables
        Dictionaries and lists, of any kind that behaves so; changed in place.
    new_table
        Makes the table that a path goes through where the file has none; an element's `over_dig`
        begins as the site's.

    Raises
    ------
    PlanError
        The path leads nowhere.
    """
    try:
        _apply(tables, setting, new_table)
    except PlanError as error:
        raise blame([setting], error) from None


def find(tables: dict[str, Any], path: Sequence[str]) -> Any:
    """What stands at a key path; None where nothing does."""
    try:
        here, steps = _begin(tables, tuple(path))
        for step in steps:
            here = here[_key(here, step, "")]
    except (PlanError, LookupError, TypeError):
        return None
    return here


def _apply(tables: dict[str, Any], setting: Setting, new_table: Callable[[], Any]) -> None:
    here, steps = _begin(tables, setting.path)
    if not steps:
        raise PlanError(
            f"{'.'.join(setting.path)} is a whole table",
            expected="the path of one value in it",
            mend=nearest("", _keys(here)),
        )
    told = setting.path[: len(setting.path) - len(steps)]
    if told in {(key,) for key in _LEVELS_AND_CODES} and steps[0] not in here:
        raise PlanError(
            f"{told[0]} has no {steps[0]!r}",
            expected=f"one of {', '.join(here) or '(none)'}",
            mend=nearest(steps[0], list(here)),
        )
    for count, step in enumerate(steps, start=1):
        name = ".".join(setting.path[: len(told) + count - 1])
        key = _key(here, step, name)
        if count == len(steps):
            here[key] = copy.deepcopy(setting.value)
        else:
            if isinstance(here, dict) and key not in here:
                here[key] = new_table()
                if key == "over_dig":  # of an element; without one it has the site's
                    here[key].update(_plain(tables.get("over_dig", {})))
            here = here[key]


def _begin(tables: dict[str, Any], path: tuple[str, ...]) -> tuple[Any, tuple[str, ...]]:
    """The table that the first steps name, and the steps that are left.

    A path begins with a table of the plan, with `TYPE.NAME` of an element, or with its NAME.
    """
    elements = _list(tables, "element")
    head, rest = path[0], path[1:]
    of_type = [element for element in elements if element.get("type") == head]
    if of_type and rest:
        named = _named(of_type, rest[0])
        if named is not None:
            return named, rest[1:]
    named = _named(elements, head)
    if head in _LISTS and rest:
        return _one_of(_list(tables, head), head, rest[0]), rest[1:]
    if head in Plan.model_fields and head not in _LISTS and (named is None or head in tables):
        if not rest:
            raise PlanError(
                f"{head} is a whole table", expected=f"the path of one value, such as {head}.KEY"
            )
        return (tables, path) if head not in _LEVELS_AND_CODES else (tables.get(head, {}), rest)
    if named is not None:
        return named, rest
    if of_type:
        names = [str(element.get("name")) for element in of_type]
        word = rest[0] if rest else ""
        raise PlanError(
            f"there is no {head} {word!r}" if rest else f"{head} is a kind of element",
            expected=f"{head}.NAME, with one of {', '.join(names)}",
            mend=nearest(word, names),
        )
    known = [
        *(str(element.get("name")) for element in elements),
        *(key for key in Plan.model_fields if key not in ("element", "codes")),
    ]
    raise PlanError(
        f"the plan has no element or table {head!r}",
        expected="an element's name, its type and name, or a table such as water or soil",
        mend=nearest(head, known),
    )


def _list(tables: dict[str, Any], key: str) -> list[dict[str, Any]]:
    return [table for table in tables.get(key, []) if isinstance(table, dict)]


def _named(tables: Sequence[dict[str, Any]], name: str) -> dict[str, Any] | None:
    return next((table for table in tables if str(table.get("name", "")).strip() == name), None)


def _one_of(tables: Sequence[dict[str, Any]], what: str, word: str) -> dict[str, Any]:
    """A table of a list, by its name or its number from 0."""
    named = _named(tables, word)
    if named is not None:
        return named
    if word.isdecimal() and word.isascii() and int(word[:9]) < len(tables):
        return tables[int(word[:9])]
    names = [str(table.get("name")) for table in tables if "name" in table]
    raise PlanError(
        f"there is no {what} {word!r}",
        expected=f"one of {', '.join(names) or '(none)'}"
        + (f", or a number from 0 to {len(tables) - 1}" if tables else ""),
        mend=nearest(word, names) if names else "",
    )


def _key(here: Any, step: str, name: str) -> str | int:
    """A step as the key of a table or the number of a list's item, which must be there."""
    if isinstance(here, dict):
        return step
    if isinstance(here, list):
        rows = [row for row, item in enumerate(here) if isinstance(item, dict)]
        if rows and not (step.isdecimal() and step.isascii()):
            item = _one_of([here[row] for row in rows], name, step)
            return next(row for row in rows if here[row] is item)
        if step.isdecimal() and step.isascii() and int(step[:9]) < len(here):
            return int(step[:9])
        raise PlanError(
            f"{name} has no item {step!r}",
            expected=f"a number from 0 to {len(here) - 1}"
            if here
            else "an item: the list is empty",
        )
    raise PlanError(
        f"{name} is {here!r}, not a table", expected=f"{name}=VALUE, or a table in the plan"
    )


def _plain(table: Any) -> Any:
    """A table without the comments that another kind of it may carry."""
    return copy.deepcopy(table.unwrap() if hasattr(table, "unwrap") else table)


def _keys(here: Any) -> list[str]:
    return [str(key) for key in here] if isinstance(here, dict) else []
