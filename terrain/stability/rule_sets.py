"""Reading sets of rules for the sides of excavations."""

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from terrain.errors import Place, PlanError, nearest


@dataclass(frozen=True)
class SoilClass:
    """What a class of soil may stand at: run over rise, and whether it may be benched."""

    run_per_rise: float
    bench: bool


@dataclass(frozen=True)
class RuleSet:
    """One set of rules.

    Attributes
    ----------
    name, source
        What it is, and where it is published.
    classes
        By the name of the class.
    default_class
        What soil is where nobody classified it.
    unprotected_m
        Depth up to which sides may be upright, where a competent person sees no sign of cave-in.
    engineer_m
        Depth from which an engineer must design.
    first_bench_m, later_bench_m
        Highest upright step of a benched side, the lowest and the others.
    spoil_m
        Least distance of spoil and machines from the edge.
    egress_from_m, egress_within_m, trench_m
        Depth from which a trench needs a way out, how near it must be, and how wide at the
        bottom a trench is at most.
    """

    name: str
    source: str
    classes: dict[str, SoilClass]
    default_class: str
    unprotected_m: float
    engineer_m: float
    first_bench_m: float
    later_bench_m: float
    spoil_m: float
    egress_from_m: float
    egress_within_m: float
    trench_m: float


def rule_set(name: str, folder: Path | None = None) -> RuleSet:
    """Open a set of rules by its name, or a file of the site's own.

    Parameters
    ----------
    name
        One of those that come with the package, or a `.toml` file beside the plan.
    folder
        Of the plan.

    Raises
    ------
    PlanError
        There is no such set, or a key of it is missing or out of range.
    """
    if name.endswith(".toml"):
        file = (folder or Path()) / name
        try:
            text = file.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise PlanError(
                f"its rules cannot be read: {error}",
                place=Place(file),
                expected="a file of rules beside the plan",
                mend="name one that is there, or a set that comes with the package",
            ) from None
        return _rules(text, file)
    known = {
        Path(str(one)).stem: one
        for one in files("terrain.stability").joinpath("rules").iterdir()
        if str(one).endswith(".toml")
    }
    if name not in known:
        raise PlanError(
            f"there are no rules {name!r}",
            place=Place(key="slopes.rules"),
            expected=f"{', '.join(sorted(known))}, or a .toml file",
            mend=nearest(name, sorted(known)),
        )
    return _rules(known[name].read_text(encoding="utf-8"), Path(f"{name}.toml"))


def _rules(text: str, file: Path) -> RuleSet:
    try:
        table: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(
            str(error), place=Place(file), expected="[tables] and key = value lines"
        ) from None

    def number(*keys: str) -> float:
        value: Any = table
        for key in keys:
            value = value.get(key) if isinstance(value, dict) else None
        if not isinstance(value, int | float) or isinstance(value, bool) or not 0 <= value < 100:
            raise PlanError(
                f"{value!r}",
                place=Place(file, key=".".join(keys)),
                expected="a number from 0 to 100",
                mend="give it in metres, or as run over rise",
            )
        return float(value)

    classes = {
        str(name): SoilClass(
            number("class", name, "run_per_rise"), bool(table["class"][name].get("bench", False))
        )
        for name in _named(table, file)
    }
    default = str(table.get("default_class", ""))
    if default not in classes:
        raise PlanError(
            f"{default!r}",
            place=Place(file, key="default_class"),
            expected=f"one of {', '.join(classes)}",
            mend="name the most cautious class",
        )
    return RuleSet(
        str(table.get("name", file.stem)),
        str(table.get("source", "not stated")),
        classes,
        default,
        number("depth", "unprotected_m"),
        number("depth", "engineer_m"),
        number("bench", "first_m"),
        number("bench", "later_m"),
        number("edge", "spoil_m"),
        number("egress", "from_m"),
        number("egress", "within_m"),
        number("egress", "widest_m"),
    )


def _named(table: dict[str, Any], file: Path) -> list[str]:
    classes = table.get("class")
    if not isinstance(classes, dict) or not classes or not all(map(_is_table, classes.values())):
        raise PlanError(
            "it names no class of soil",
            place=Place(file, key="class"),
            expected="[class.NAME] tables with run_per_rise and bench",
            mend="copy the set that comes with the package and change it",
        )
    return list(classes)


def _is_table(value: object) -> bool:
    return isinstance(value, dict)
