"""The JSON Schema of `site.toml`, from which editors complete keys and tell what they mean.

`python -m terrain.design.schema` writes it again after the models changed.
"""

import json
from pathlib import Path
from typing import Any

from terrain.design.quantities import QUANTITY
from terrain.design.tables import Plan

DRAFT = "https://json-schema.org/draft/2020-12/schema"
PUBLISHED = Path(__file__).with_name("site.schema.json")
_SI = {
    "length": "m",
    "volume": "m3",
    "mass": "kg",
    "density": "kg/m3",
    "flow": "m3/s",
    "speed": "m/s",
    "time": "s",
    "pressure": "Pa",
}


def plan_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of a plan file, as its models stand."""
    made: dict[str, Any] = _for_editors(Plan.model_json_schema())
    for table in (made, *made["$defs"].values()):
        for key in table["properties"].values():
            if "$ref" in key and "description" not in key:  # pydantic drops the same words twice
                key["description"] = made["$defs"][key["$ref"].rpartition("/")[2]]["description"]
    return {"$schema": DRAFT, "title": "site.toml", **made}


def _for_editors(node: Any) -> Any:
    """Without what a TOML file cannot say (null) and what no reader needs (made-up titles).

    Defaults that are quantities get their unit, because a bare number is in the file's own.
    """
    if isinstance(node, list):
        return [_for_editors(item) for item in node]
    if not isinstance(node, dict):
        return node
    plain = {
        key: {name: _for_editors(each) for name, each in item.items()}
        if key in ("properties", "$defs")
        else _for_editors(item)
        for key, item in node.items()
        if key != "discriminator" and not (key == "title" and isinstance(item, str))
    }
    kinds = [kind for kind in plain.get("anyOf", []) if kind != {"type": "null"}]
    if "anyOf" in plain:
        plain["anyOf"] = kinds
    if len(kinds) == 1:
        plain = {**kinds[0], **{key: item for key, item in plain.items() if key != "anyOf"}}
    told = plain.get("description")
    if isinstance(told, str):
        plain["description"] = " ".join(told.split())
    quantity = next(
        (each[QUANTITY] for each in (node, *node.get("anyOf", [])) if QUANTITY in each), None
    )
    plain.pop(QUANTITY, None)
    default = plain.get("default")
    if quantity and default is not None:
        plain["default"] = _written(default, quantity)
    elif default is None or _tells_nothing(default):
        plain.pop("default", None)
    return plain


def _tells_nothing(default: Any) -> bool:
    """Whether a default is a table, whose own keys tell theirs, or a list without numbers."""
    return isinstance(default, dict) or (
        isinstance(default, list) and not any(isinstance(item, int | float) for item in default)
    )


def _written(default: Any, kind: str) -> Any:
    """A default as a plan file would say it."""
    if kind == "batter":
        return f"{default:g}:1" if default else "vertical"
    return f"{default:g} {_SI[kind]}"


def write_schema() -> None:
    """Write the published schema anew."""
    text = json.dumps(plan_schema(), indent=2, ensure_ascii=False)
    PUBLISHED.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    write_schema()
