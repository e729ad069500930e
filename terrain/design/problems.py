"""What pydantic finds wrong with a plan, in a builder's words."""

import re
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from terrain.design.tables import Plan
from terrain.errors import Place, PlanError, TerrainError, nearest


def first_problem(error: ValidationError, data: dict[str, Any], path: Path) -> PlanError:
    """The problem to mend first, with its place in the file; unknown keys come before all."""
    problems = sorted(error.errors(), key=lambda problem: problem["type"] != "extra_forbidden")
    first, others = problems[0], len(problems) - 1
    more = f" (and {others} more problem{'s' if others > 1 else ''})" if others else ""
    where = _where(first, data)
    cause = first.get("ctx", {}).get("error")
    if isinstance(cause, TerrainError):
        inner = f"{where}, {cause.place.key}".strip(", ") if cause.place.key else where
        found, expected, mend = cause.found, cause.expected, cause.mend
    else:
        inner = where
        found, expected, mend = _in_plain_words(first, data)
    return PlanError(
        found + more, place=Place(path, key=inner or None), expected=expected, mend=mend
    )


_EXPECTED = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "tuple_type": "a list [ … ]",
    "dict_type": "a table of key = value lines",
    "model_type": "a table of key = value lines",
    "model_attributes_type": "a table of key = value lines",
    "greater_than": "more than {gt:g}",
    "greater_than_equal": "{ge:g} or more",
    "less_than": "less than {lt:g}",
    "less_than_equal": "{le:g} or less",
    "literal_error": "{expected}",
    "union_tag_invalid": "one of {expected_tags}",
    "too_short": "at least {min_length} in the list",
    "too_long": "at most {max_length} in the list",
}
_LISTS = (
    "survey",
    "soil",
    "stratum",
    "zone",
    "loads_sent",
    "element",
)  # at the top of the file these are [[tables]]


def _in_plain_words(problem: ErrorDetails, data: dict[str, Any]) -> tuple[str, str, str]:
    """What was found, what was expected, and how to mend it."""
    kind, context, loc = problem["type"], problem.get("ctx", {}), problem["loc"]
    if kind == "extra_forbidden":
        word, known = str(loc[-1]), _known_keys(problem)
        return f"unknown key {word!r}", f"one of {', '.join(known)}", nearest(word, known)
    if kind in ("missing", "union_tag_not_found"):
        key = loc[-1] if kind == "missing" else "type"
        header = {**dict.fromkeys(_LISTS, f"[[{key}]]"), "site": "[site]"}
        wanted = header.get(str(key)) if len(loc) == 1 else None
        mend = "add it; `tarnwright new FOLDER` writes a plan to look at"
        return f"{key} is missing", wanted or f"{key} = …", mend
    words = re.findall(r"'([^']*)'", str(context.get("expected_tags", context.get("expected", ""))))
    found = context.get("tag") if kind == "union_tag_invalid" else _value_at(loc, data, problem)
    expected = _EXPECTED.get(kind, problem["msg"]).format(**context)
    if len(loc) == 1 and loc[0] in _LISTS and kind == "tuple_type":
        expected = f"[[{loc[0]}]], in double brackets"
    if loc[-1] == "[key]":
        return f"the name {_short(loc[-2])}", expected, ""
    near = nearest(found, words) if words and isinstance(found, str) else ""
    return f"found {_short(found)}", expected, near if near.startswith("did") else ""


def _value_at(loc: tuple[int | str, ...], data: Any, problem: ErrorDetails) -> Any:
    """What the file says at a pydantic location, before any conversion."""
    here = data
    for key in loc:
        if isinstance(here, dict) and key not in here and here.get("type") == key:
            continue
        try:
            here = here[key]
        except (LookupError, TypeError):
            return problem["input"]
    return here


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _where(problem: ErrorDetails, data: dict[str, Any]) -> str:
    """Write `element "pond", shelves[2], depth` for a pydantic location."""
    parts: list[str] = []
    here: Any = data
    for key in problem["loc"]:
        if isinstance(key, int):
            here = here[key] if isinstance(here, list) and key < len(here) else None
            name = here.get("name") if isinstance(here, dict) else None
            told = isinstance(name, str) and name.isprintable()
            number = f'"{name}"' if told else f"[{key + 1}]"
            parts[-1:] = [f"{parts[-1] if parts else ''} {number}".strip()]
        elif isinstance(here, dict) and here.get("type") == key and key not in here:
            continue
        else:
            here = here.get(key) if isinstance(here, dict) else None
            parts.append(str(key))
    return ", ".join(parts)


def _known_keys(problem: ErrorDetails) -> list[str]:
    """Keys of the model in which an unknown key stands."""
    model: Any = Plan
    for key in problem["loc"][:-1]:
        if isinstance(key, int):
            continue
        fields = _fields(model)
        if key in fields:
            model = fields[key]
        elif isinstance(model, dict) and key in model:
            model = model[key]
    return list(_fields(model))


def _fields(model: Any) -> dict[str, Any]:
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return {}
    return {
        field.alias or name: _model_in(field.annotation, field.discriminator)
        for name, field in model.model_fields.items()
    }


def _model_in(annotation: Any, discriminator: Any = None) -> Any:
    """The model (or, for a tagged union, the models by tag) inside an annotation."""
    models = [m for m in _walk(annotation) if isinstance(m, type) and issubclass(m, BaseModel)]
    if len(models) > 1 or discriminator:
        return {m.model_fields["type"].annotation.__args__[0]: m for m in models}  # type: ignore[union-attr]
    return models[0] if models else annotation


def _walk(annotation: Any) -> list[Any]:
    inner = getattr(annotation, "__args__", ())
    return [annotation, *(leaf for part in inner for leaf in _walk(part))]
