"""The examples that document `site.toml`: each opens and computes, together they show every key."""

from functools import cache
from importlib.resources import files
from pathlib import Path

import pytest
from pydantic import BaseModel

from terrain.design.tables import Plan
from terrain.site import Site

EXAMPLES = sorted(
    (file for file in map(Path, map(str, files("terrain.design").joinpath("examples").iterdir()))
     if file.suffix == ".toml"),
    key=lambda file: file.stem,
)  # fmt: skip


@cache
def opened(file: Path) -> Site:
    return Site.open(file)


def models(annotation: object) -> set[type[BaseModel]]:
    """Every model that an annotation leads to, itself included."""
    found: set[type[BaseModel]] = set()
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        found.add(annotation)
        for field in annotation.model_fields.values():
            found |= models(field.annotation)
    for part in getattr(annotation, "__args__", ()):
        found |= models(part)
    return found


def home(model: type[BaseModel], field: str) -> str:
    """The model that declares a field, and the field's key in a plan file."""
    owner = next(
        each for each in reversed(model.__mro__) if field in vars(each).get("__annotations__", {})
    )
    return f"{owner.__name__}.{model.model_fields[field].alias or field}"


def shown(value: object) -> set[str]:
    """The keys that a plan's file sets, in every model inside it."""
    if isinstance(value, BaseModel):
        inside = (shown(getattr(value, field)) for field in value.model_fields_set)
        return set().union({home(type(value), field) for field in value.model_fields_set}, *inside)
    if isinstance(value, tuple):
        return set().union(*map(shown, value))
    return set()


def test_every_key_of_every_table_is_shown_by_an_example():
    every = {home(model, field) for model in models(Plan) for field in model.model_fields}
    assert len(every) > 100
    assert "SurveyTable.columns" in every
    found = set().union(*(shown(opened(file).plan) for file in EXAMPLES))
    assert sorted(every - found) == []


def test_every_kind_of_element_is_shown_by_an_example():
    kinds = {
        model.model_fields["type"].annotation.__args__[0]  # type: ignore[union-attr]
        for model in models(Plan)
        if "type" in model.model_fields
    }
    assert {"basin", "stream", "keep_out"} <= kinds
    assert kinds == {element.type for file in EXAMPLES for element in opened(file).plan.element}


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda file: file.stem)
def test_an_example_is_computed_and_passes_its_checks(file: Path):
    site = opened(file)
    assert [element.name for element in site.elements]
    assert len(site.elements) == len(site.plan.element)
    volumes = site.volumes
    moved = volumes.excavation_bank_m3 + volumes.fill_compacted_m3
    # nothing is dug deeper than 2 m or raised higher than 2 m in a survey of 30 m by 20 m
    assert 1 < moved < 2 * 30 * 20
    assert [finding for finding in site.checks if not finding.passed] == []


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda file: file.stem)
def test_an_example_says_what_it_shows_in_few_lines(file: Path):
    lines = file.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "#:schema ../site.schema.json"
    assert lines[1].startswith("# ")
    assert len(lines) < 80
