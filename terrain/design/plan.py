"""Reading a plan file, and saying what is wrong with it."""

import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from terrain.design.problems import first_problem
from terrain.design.tables import Plan
from terrain.errors import Place, PlanError
from terrain.units import METRE, UNITS


def read_plan(path: Path) -> Plan:
    """Read and check a plan file.

    Raises
    ------
    PlanError
        The file is missing or no TOML, a key is unknown, or a value cannot be built. The message
        names the element and the key.
    """
    return check_plan(plan_tables(path), path)


def plan_tables(path: Path) -> dict[str, Any]:
    """The tables of a plan file as they stand, unchecked.

    Raises
    ------
    PlanError
        The file is missing, cannot be read, or is no TOML.
    """
    expected = "a text file of [tables] and key = value lines"
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise PlanError(
            f"there is no {path.name} in {path.parent}",
            expected="a site folder or its site.toml",
            mend="`tarnwright new FOLDER` starts one",
        ) from None
    except OSError as error:
        raise PlanError(
            f"cannot be read: {error.strerror or error}",
            place=Place(path),
            expected="a plan file that this user may read",
            mend="check its permissions, or name a site folder",
        ) from None
    except UnicodeDecodeError:
        raise PlanError(
            "is not text in UTF-8",
            place=Place(path),
            expected=expected,
            mend="save it again as UTF-8, or name another file",
        ) from None
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise PlanError(
            "lists are nested too deeply", place=Place(path), expected=expected
        ) from None
    except ValueError as error:
        said = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", str(error), re.DOTALL)
        what = f"{said[1]} (column {said[3]})" if said else str(error)
        raise PlanError(
            f"is not valid TOML: {what}",
            place=Place(path, int(said[2]) if said else None),
            expected=expected,
            mend="look at that place and the line before it; texts need quotes",
        ) from None


def check_plan(data: dict[str, Any], path: Path) -> Plan:
    """Turn the tables of a plan file into a `Plan`; `path` is only named in messages."""
    site = data.get("site")
    key = site.get("unit", "m") if isinstance(site, dict) else "m"
    unit = UNITS.get(key, METRE) if isinstance(key, str) else METRE
    try:
        return Plan.model_validate(data, context={"unit": unit})
    except ValidationError as error:
        raise first_problem(error, data, path) from None
