"""The tables of a plan file: what is measured, where water stands, what is to be built.

The models mirror `site.toml`. Every length is in metres once a model holds it.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

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
from terrain.errors import PlanError, nearest


class Table(BaseModel):
    """A table of the plan file: unknown keys are errors, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SiteTable(Table):
    """What holds for the whole site."""

    name: Name
    unit: Literal["m", "ft", "us-ft"] = "m"
    crs: Name | None = None
    cell: Cell = 0.1
    ground: str | None = None
    origin: Place | None = None


class SurveyTable(Table):
    """One measurement file."""

    name: Name
    file: Name
    columns: str | None = None
    odd_heights: Literal["keep", "leave_out"] = "keep"
    noise: Extent | None = None
    longest_border: Extent | None = None
    cell: Cell | None = None


class SoilTable(Table):
    """How a soil changes volume when it is dug and placed."""

    name: Name
    swell: Swell = (0.15, 0.25, 0.35)
    shrink: Shrink = (0.05, 0.10, 0.15)
    bank_density: Density = 1900.0


class TruckTable(Table):
    """What one load may hold."""

    volume: Volume = 10.0
    payload: Mass = 16000.0


class OverDigTable(Table):
    """Extra room dug for setting rock."""

    side: Length = 0.0
    below: Length = 0.0


class LayerTable(Table):
    """A drape between subgrade and finish; its thickness is measured upright."""

    name: Name
    thickness: Extent


class LiftTable(Table):
    """A level layer in a pit."""

    name: Name
    thickness: Extent
    voids: Annotated[float, Field(ge=0, lt=1)] = 0.4


class ShelfStep(Table):
    """A shelf along a bank."""

    depth: Extent
    width: Extent
    riser: Batter = 0.0


class BankTable(Table):
    """A stretch of the edge, the shorter way round between its ends, with its own profile."""

    start: Annotated[Place, Field(alias="from")]
    end: Annotated[Place, Field(alias="to")]
    shelves: tuple[ShelfStep, ...] = ()
    floor: Length | None = None
    batter: Batter | None = None
    profile: tuple[tuple[Length, Length], ...] | None = None


class RimTable(Table):
    """The raised edge where the ground is low."""

    crest: Length = 0.6
    batter: Batter = 2.0


class CircleTable(Table):
    """A round outline."""

    centre: Place
    radius: Extent


class TroughTable(Table):
    """A channel in a pit's floor, where water or pipes gather."""

    path: Annotated[tuple[Place, ...], Field(min_length=2)]
    width: Extent
    depth: Extent


class RockTable(Table):
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


class OutlineTable(Table):
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


class _Element(Table):
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


class Plan(Table):
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


def _known(key: str, name: str | None, names: list[str]) -> None:
    if name is not None and name not in names:
        raise PlanError(
            f"{name!r} is not defined in this plan",
            place=ErrorPlace(key=key),
            expected=f"one of {', '.join(names) or '(none defined)'}",
            mend=nearest(name, names),
        )
