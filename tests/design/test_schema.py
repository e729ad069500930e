"""The published schema of `site.toml`: in step with the models, and told from outside."""

import json
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from sample_surveys import site_folder
from terrain.design.plan import check_plan
from terrain.design.schema import DRAFT, PUBLISHED, plan_schema
from terrain.errors import PlanError
from tests.design.test_examples import EXAMPLES

SCHEMA = json.loads(PUBLISHED.read_text(encoding="utf-8"))
VALIDATOR = Draft202012Validator(SCHEMA)
NAMED = [("site.toml", SCHEMA), *SCHEMA["$defs"].items()]
KEYS = [
    pytest.param(key, id=f"{name}.{word}")
    for name, table in NAMED
    for word, key in table["properties"].items()
]
POND = """
[site]
name = "x"
[[survey]]
name = "rover"
file = "rover.csv"
[[element]]
type = "basin"
name = "pond"
level = 100
outline = { circle = { centre = [10, 10], radius = 3 } }
"""


def plan(more: str = "") -> dict:
    return tomllib.loads(POND + more)


def test_the_published_file_is_in_step_with_the_models():
    """If not: python -m terrain.design.schema."""
    assert plan_schema() == SCHEMA


def test_it_is_a_schema_of_the_draft_it_names():
    assert SCHEMA["$schema"] == DRAFT == Draft202012Validator.META_SCHEMA["$id"]
    Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("key", KEYS)
def test_every_key_is_described_in_one_line(key: dict):
    told = key.get("description", "")
    assert 4 < len(told) < 140
    assert "\n" not in told
    assert told[0] != told[0].lower() or told.startswith("[")
    assert told.endswith(".")


@pytest.mark.parametrize(
    "file",
    [*EXAMPLES, site_folder() / "site.toml"],
    ids=lambda file: f"{file.parent.name}-{file.stem}",
)
def test_what_the_program_accepts_the_schema_accepts(file: Path):
    data = tomllib.loads(file.read_text(encoding="utf-8"))
    assert [error.message for error in VALIDATOR.iter_errors(data)] == []


@pytest.mark.parametrize(
    "more",
    [
        'floor = "3 ft 6 in"', 'floor = "18 in"', 'floor = ".9 m"', "floor = 1", "floor = 0.9",
        'floor = "0.9"', 'batter = "1.5:1"', 'batter = "vertical"', "batter = 2",
        'cut_batter = "0:1"', 'rock = [{ count = 3, size = "50 cm" }]',
        "rock = [{ count = 3, size = [0.9, 0.7, 0.5] }]",
        'rock = [{ count = 3, size = 0.5, density = "165 lb/ft3" }]',
        '[truck]\nvolume = "12 yd3"\npayload = "34000 lb"', "[water]\npond = -2.5",
        '[water]\npond = "-3 ft"', '[[soil]]\nname = "loam"\nswell = 0.2\nshrink = [0.1, 0.1, 0.2]',
    ],
)  # fmt: skip
def test_both_accept(more: str):
    data = plan(more)
    check_plan(data, Path("site.toml"))
    assert [error.message for error in VALIDATOR.iter_errors(data)] == []


@pytest.mark.parametrize(
    "more",
    [
        "flor = 1", 'floor = "deep"', "floor = -1", "floor = [1]", "floor = true",
        'batter = "steep"', 'batter = "1.5"', "batter = -1", "freeboard = -0.1",
        "rock = [{ count = 3, size = [0.9, 0.7] }]", "rock = [{ count = 0, size = 0.5 }]",
        "rock = [{ count = 3, size = 0.5, density = 2650 }]", "[truck]\nvolume = 9",
        '[truck]\nvolume = "9"', '[codes]\nGS = "dirt"', '[[element]]\ntype = "pond"\nname = "b"',
        '[[element]]\ntype = "mound"\nname = "b"', '[[survey]]\nname = "drone"',
        '[[soil]]\nname = "loam"\nswell = [0.1, 0.2]',
    ],
)  # fmt: skip
def test_both_refuse(more: str):
    data = plan(more)
    with pytest.raises(PlanError):
        check_plan(data, Path("site.toml"))
    assert not VALIDATOR.is_valid(data)


def test_a_default_length_says_its_unit():
    """A bare number would be in the file's unit, which may be feet."""
    basin, truck = (SCHEMA["$defs"][name]["properties"] for name in ("BasinElement", "TruckTable"))
    assert basin["edge_allowance"]["default"] == "0.3 m"
    assert basin["batter"]["default"] == "1:1"
    assert truck["volume"]["default"] == "10 m3"
    lengths = [key for _, table in NAMED for key in table["properties"].values() if measured(key)]
    bare = [key for key in lengths if isinstance(key.get("default"), int | float)]
    assert len(lengths) > 50
    assert bare == []


def measured(key: dict) -> bool:
    return key.get("type") == ["number", "string"]
