"""The plan file: what is measured, where water stands, what is to be built.

The models mirror `site.toml`. Every length is in metres once a model holds it.
"""

import difflib
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails

from terrain.design.quantities import (
    Batter,
    Cell,
    Density,
    Extent,
    Length,
    Level,
    Mass,
    Name,
    Place,
    RockSize,
    Shrink,
    Swell,
    Volume,
)
from terrain.errors import Place as ErrorPlace
from terrain.errors import PlanError, TerrainError
from terrain.units import METRE, UNITS


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class SiteTable(_Model):
    """What holds for the whole site."""

    name: Name
    unit: Literal["m", "ft", "us-ft"] = "m"
    crs: Name | None = None
    cell: Cell = 0.1
    ground: str | None = None
    origin: Place | None = None


class SurveyTable(_Model):
    """One measurement file."""

    name: Name
    file: Name
    columns: str | None = None
    odd_heights: Literal["keep", "leave_out"] = "keep"
    noise: Extent | None = None
    longest_border: Extent | None = None
    cell: Cell | None = None


class SoilTable(_Model):
    """How a soil changes volume when it is dug and placed."""

    name: Name
    swell: Swell = (0.15, 0.25, 0.35)
    shrink: Shrink = (0.05, 0.10, 0.15)
    bank_density: Density = 1900.0


class TruckTable(_Model):
    """What one load may hold."""

    volume: Volume = 10.0
    payload: Mass = 16000.0


class OverDigTable(_Model):
    """Extra room dug for setting rock."""

    side: Length = 0.0
    below: Length = 0.0


class LayerTable(_Model):
    """A drape between subgrade and finish; its thickness is measured upright."""

    name: Name
    thickness: Extent


class LiftTable(_Model):
    """A level layer in a pit."""

    name: Name
    thickness: Extent
    voids: Annotated[float, Field(ge=0, lt=1)] = 0.4


class ShelfStep(_Model):
    """A shelf along a bank."""

    depth: Extent
    width: Extent
    riser: Batter = 0.0


class BankTable(_Model):
    """A stretch of the edge, the shorter way round between its ends, with its own profile."""

    start: Annotated[Place, Field(alias="from")]
    end: Annotated[Place, Field(alias="to")]
    shelves: tuple[ShelfStep, ...] = ()
    floor: Length | None = None
    batter: Batter | None = None
    profile: tuple[tuple[Length, Length], ...] | None = None


class RimTable(_Model):
    """The raised edge where the ground is low."""

    crest: Length = 0.6
    batter: Batter = 2.0


class CircleTable(_Model):
    """A round outline."""

    centre: Place
    radius: Extent


class TroughTable(_Model):
    """A channel in a pit's floor, where water or pipes gather."""

    path: Annotated[tuple[Place, ...], Field(min_length=2)]
    width: Extent
    depth: Extent


class RockTable(_Model):
    """Rocks of one size, seated along the edge."""

    name: Name = "rock"
    count: Annotated[int, Field(ge=1, le=100_000)]
    size: RockSize
    embedded: Annotated[float, Field(ge=0, le=1)] = 0.3
    density: Density = 2650.0

    @property
    def axes(self) -> tuple[float, float, float]:
        """Length along the edge, width across it, height; m."""
        return self.size


class OutlineTable(_Model):
    """One of four ways to give an outline."""

    code: str | None = None
    points: Annotated[tuple[Place, ...], Field(min_length=3)] | None = None
    circle: CircleTable | None = None
    file: Name | None = None
    feature: str | None = None

    @model_validator(mode="after")
    def _one_way(self) -> "OutlineTable":
        given = [k for k in ("code", "points", "circle", "file") if getattr(self, k) is not None]
        if len(given) != 1:
            found = " and ".join(given) or "nothing"
            msg = f"an outline is given by {found}"
            raise PlanError(msg, expected="one of code, points, circle, file")
        return self


class _Element(_Model):
    name: Name
    outline: OutlineTable
    soil: str | None = None
    over_dig: OverDigTable | None = None
    layers: tuple[LayerTable, ...] = ()
    rock: tuple[RockTable, ...] = ()


class _Dug(_Element):
    """What stands below a reference level."""

    water: str | None = None
    level: Level | None = None
    below_ground: Literal["mean", "lowest"] | None = None
    cut_batter: Batter = 1.0
    freeboard: Length = 0.0
    rim: RimTable | None = None
    edge_allowance: Length = 0.3
    liner: bool = True

    @model_validator(mode="after")
    def _one_reference(self) -> "_Dug":
        given = [
            key for key in ("water", "level", "below_ground") if getattr(self, key) is not None
        ]
        if len(given) != 1:
            found = " and ".join(given) or "nothing"
            raise PlanError(
                f"depths are measured from {found}",
                expected='one of water = "<a level of [water]>", level = <elevation>, '
                'below_ground = "mean" or "lowest"',
            )
        return self


class BasinElement(_Dug):
    """A pond: any outline, banks with shelves, a floor."""

    type: Literal["basin"]
    shelves: tuple[ShelfStep, ...] = ()
    floor: Length | None = None
    batter: Batter = 1.0
    profile: tuple[tuple[Length, Length], ...] | None = None
    banks: tuple[BankTable, ...] = ()


class ShelfElement(_Dug):
    """A ledge of its own outline and depth."""

    type: Literal["shelf"]
    depth: Extent
    riser: Batter = 0.0


class PlungePoolElement(_Dug):
    """The pool that a fall lands in."""

    type: Literal["plunge_pool"]
    depth: Extent
    shape: Literal["bowl", "straight", "stepped"] = "bowl"
    shelves: tuple[ShelfStep, ...] = ()
    batter: Batter = 0.5


class FilterPitElement(_Dug):
    """A planted pit filled with lifts of stone."""

    type: Literal["filter_pit"]
    depth: Extent
    batter: Batter = 0.0
    trough: TroughTable | None = None
    lifts: tuple[LiftTable, ...] = ()


class MoundElement(_Element):
    """Soil placed above the ground, from a toe outline upward."""

    type: Literal["mound"]
    height: Extent
    batter: Batter = 2.0


ElementTable = Annotated[
    BasinElement | ShelfElement | PlungePoolElement | FilterPitElement | MoundElement,
    Field(discriminator="type"),
]


class Plan(_Model):
    """A whole `site.toml`."""

    site: SiteTable
    survey: Annotated[tuple[SurveyTable, ...], Field(min_length=1)]
    codes: dict[str, Literal["ground", "breakline", "outline", "ignore"]] = {}
    water: dict[Name, Level] = {}
    soil: Annotated[tuple[SoilTable, ...], Field(min_length=1)] = (SoilTable(name="common earth"),)
    truck: TruckTable = TruckTable()
    over_dig: OverDigTable = OverDigTable()
    element: tuple[ElementTable, ...] = ()

    @model_validator(mode="after")
    def _names_agree(self) -> "Plan":
        for kind, names in (
            ("survey", [survey.name for survey in self.survey]),
            ("element", [element.name for element in self.element]),
            ("soil", [soil.name for soil in self.soil]),
        ):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                msg = f"{kind} name {twice[0]!r} is used twice"
                raise PlanError(msg, expected=f"one name for each {kind}")
        _known("site.ground", self.site.ground, [survey.name for survey in self.survey])
        for element in self.element:
            place = f'element "{element.name}"'
            _known(f"{place}, soil", element.soil, [soil.name for soil in self.soil])
            _known(f"{place}, water", getattr(element, "water", None), list(self.water))
        return self

    @property
    def ground_survey(self) -> SurveyTable:
        """The survey that makes the existing ground: the one named, or else the first."""
        named = [survey for survey in self.survey if survey.name == self.site.ground]
        return named[0] if named else self.survey[0]


def _nearest(word: str, known: list[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"did you mean {near[0]!r}?" if near else f"use one of {', '.join(known) or '(none)'}"


def _known(key: str, name: str | None, names: list[str]) -> None:
    if name is not None and name not in names:
        raise PlanError(
            f"{name!r} is not defined in this plan",
            place=ErrorPlace(key=key),
            expected=f"one of {', '.join(names) or '(none defined)'}",
            mend=_nearest(name, names),
        )


def read_plan(path: Path) -> Plan:
    """Read and check a plan file.

    Raises
    ------
    PlanError
        The file is missing or no TOML, a key is unknown, or a value cannot be built. The message
        names the element and the key.
    """
    return check_plan(_tables(path), path)


def _tables(path: Path) -> dict[str, Any]:
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
            place=ErrorPlace(path),
            expected="a plan file that this user may read",
            mend="check its permissions, or name a site folder",
        ) from None
    except UnicodeDecodeError:
        raise PlanError(
            "is not text in UTF-8",
            place=ErrorPlace(path),
            expected=expected,
            mend="save it again as UTF-8, or name another file",
        ) from None
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise PlanError(
            "lists are nested too deeply", place=ErrorPlace(path), expected=expected
        ) from None
    except ValueError as error:
        said = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", str(error), re.DOTALL)
        what = f"{said[1]} (column {said[3]})" if said else str(error)
        raise PlanError(
            f"is not valid TOML: {what}",
            place=ErrorPlace(path, int(said[2]) if said else None),
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
        raise _first_problem(error, data, path) from None


def _first_problem(error: ValidationError, data: dict[str, Any], path: Path) -> PlanError:
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
        found + more, place=ErrorPlace(path, key=inner or None), expected=expected, mend=mend
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
_LISTS = ("survey", "soil", "element")  # at the top of the file these are [[tables]]


def _in_plain_words(problem: ErrorDetails, data: dict[str, Any]) -> tuple[str, str, str]:
    """What was found, what was expected, and how to mend it."""
    kind, context, loc = problem["type"], problem.get("ctx", {}), problem["loc"]
    if kind == "extra_forbidden":
        word, known = str(loc[-1]), _known_keys(problem)
        return f"unknown key {word!r}", f"one of {', '.join(known)}", _nearest(word, known)
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
    near = _nearest(found, words) if words and isinstance(found, str) else ""
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
