"""The plan file: what is measured, where water stands, what is to be built.

The models mirror `site.toml`. Every length is in metres once a model holds it.
"""

import difflib
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails

from terrain.design.quantities import (
    Batter,
    Density,
    Extent,
    Length,
    Level,
    Mass,
    Place,
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

    name: str
    unit: Literal["m", "ft", "us-ft"] = "m"
    crs: str | None = None
    cell: Extent = 0.1
    ground: str | None = None
    origin: Place | None = None


class SurveyTable(_Model):
    """One measurement file."""

    name: str
    file: str
    columns: str | None = None
    odd_heights: Literal["keep", "leave_out"] = "keep"
    noise: Extent | None = None
    longest_border: Extent | None = None
    cell: Extent | None = None


class SoilTable(_Model):
    """How a soil changes volume when it is dug and placed."""

    name: str
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

    name: str
    thickness: Extent


class LiftTable(_Model):
    """A level layer in a pit."""

    name: str
    thickness: Extent
    voids: Annotated[float, Field(ge=0, lt=1)] = 0.4


class ShelfStep(_Model):
    """A shelf along a bank."""

    depth: Extent
    width: Extent
    riser: Batter = 0.0


class BankTable(_Model):
    """A stretch of the edge, walked with the water on the left, with its own profile."""

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

    name: str = "rock"
    count: Annotated[int, Field(ge=1, le=100_000)]
    size: Extent | tuple[Extent, Extent, Extent]
    embedded: Annotated[float, Field(ge=0, le=1)] = 0.3
    density: Density = 2650.0

    @property
    def axes(self) -> tuple[float, float, float]:
        """Length along the edge, width across it, height; m."""
        return self.size if isinstance(self.size, tuple) else (self.size,) * 3


class OutlineTable(_Model):
    """One of four ways to give an outline."""

    code: str | None = None
    points: Annotated[tuple[Place, ...], Field(min_length=3)] | None = None
    circle: CircleTable | None = None
    file: str | None = None
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
    name: str
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
    water: dict[str, Level] = {}
    soil: tuple[SoilTable, ...] = (SoilTable(name="common earth"),)
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
            place = f"element {element.name!r}"
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
    try:
        with path.open("rb") as file:
            data = tomllib.load(file)
    except FileNotFoundError:
        raise PlanError(
            f"there is no {path.name} in {path.parent}",
            expected="a site folder or its site.toml",
            mend="`tarnwright new FOLDER` starts one",
        ) from None
    except OSError as error:
        raise PlanError(f"cannot be read ({error.strerror})", place=ErrorPlace(path)) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PlanError(
            f"is not valid TOML: {error}",
            place=ErrorPlace(path),
            expected="a text file of [tables] and key = value lines",
            mend="look at the place named; texts need quotes",
        ) from None
    return check_plan(data, path)


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
    first = problems[0]
    more = f" (and {len(problems) - 1} more problem(s))" if len(problems) > 1 else ""
    where = _where(first, data)
    cause = first.get("ctx", {}).get("error")
    if isinstance(cause, TerrainError):
        inner = f"{where}, {cause.place.key}".strip(", ") if cause.place.key else where
        return PlanError(
            cause.found + more,
            place=ErrorPlace(path, key=inner or None),
            expected=cause.expected,
            mend=cause.mend,
        )
    if first["type"] == "extra_forbidden":
        word = str(first["loc"][-1])
        known = _known_keys(first)
        return PlanError(
            f"unknown key {word!r}{more}",
            place=ErrorPlace(path, key=where or None),
            expected=f"one of {', '.join(known)}",
            mend=_nearest(word, known),
        )
    if first["type"] == "missing":
        return PlanError(
            f"the key is missing{more}",
            place=ErrorPlace(path, key=where),
            expected=f"{first['loc'][-1]} = …",
        )
    return PlanError(
        f"found {_short(first['input'])}{more}",
        place=ErrorPlace(path, key=where),
        expected=first["msg"][0].lower() + first["msg"][1:],
    )


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
            number = f'"{name}"' if isinstance(name, str) else f"[{key + 1}]"
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
