"""The tables of a plan file: what is measured, where water stands, what is to be built.

The models mirror `site.toml`. Every length is in metres once a model holds it.
"""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from terrain.design.heap_tables import HeapTable
from terrain.design.machine_tables import (
    DumperTable,
    ExcavatorTable,
    LoaderTable,
    TipTable,
    TruckTable,
    WorkTable,
)
from terrain.design.progress_tables import LoadsSentTable
from terrain.design.quantities import (
    Batter,
    Density,
    Extent,
    Flow,
    Length,
    Level,
    Mass,
    Name,
    Place,
    RockSize,
)
from terrain.design.section_tables import SectionsTable
from terrain.design.slope_tables import SlopesTable
from terrain.design.soil_tables import SoilTable, StratumTable, check_strata
from terrain.design.stake_tables import ControlPointTable
from terrain.design.survey_tables import SiteTable, SurveyTable
from terrain.design.table import Table
from terrain.errors import Place as ErrorPlace
from terrain.errors import PlanError, nearest


class OverDigTable(Table):
    """Extra room dug for setting rock."""

    side: Length = 0.0
    """Extra room dug beyond the outline, to set rock in."""
    below: Length = 0.0
    """Extra depth dug under the soil face."""


class DigAccuracyTable(Table):
    """How truly the bucket follows the plan, as ± (95 %)."""

    level: Length = 0.0
    """Level to which the bucket digs: its ±; 0 leaves it out of the ± of the volumes."""
    edge: Length = 0.0
    """Edge in plan to which it digs: its ±; 0 leaves it out."""


class LayerTable(Table):
    """A drape between subgrade and finish; its thickness is measured upright."""

    name: Name
    """What the layer is made of."""
    thickness: Extent
    """Thickness, measured upright."""


class LiftTable(Table):
    """A level layer in a pit."""

    name: Name
    """What the lift is made of."""
    thickness: Extent
    """Height of the lift."""
    voids: Annotated[float, Field(ge=0, lt=1)] = 0.4
    """Share of the lift's volume that water can fill."""


class ShelfStep(Table):
    """A shelf along a bank."""

    depth: Extent
    """Depth of the shelf below the level that depths count from."""
    width: Extent
    """Level width of the shelf, inward."""
    riser: Batter = 0.0
    """Batter of the face down to the shelf."""


class BankTable(Table):
    """A stretch of the edge, the shorter way round between its ends, with its own profile."""

    start: Annotated[Place, Field(alias="from")]
    """[easting, northing] near the edge where the bank begins."""
    end: Annotated[Place, Field(alias="to")]
    """[easting, northing] near the edge where the bank ends."""
    over_dig: Length | None = None
    """Extra room dug beyond this bank instead of the element's."""
    shelves: tuple[ShelfStep, ...] = ()
    """Shelves of this bank, from the edge inward."""
    floor: Length | None = None
    """Depth to which this bank goes down, instead of the element's."""
    batter: Batter | None = None
    """Batter of this bank's last face, instead of the element's."""
    profile: tuple[tuple[Length, Length], ...] | None = None
    """Pairs [distance from the edge, depth] instead of shelves, floor and batter."""


class RimTable(Table):
    """The raised edge where the ground is low."""

    crest: Length = 0.6
    """Width of the rim's top."""
    batter: Batter = 2.0
    """Outer batter of the rim."""
    soil: Name | None = None
    """Name of the only soil that the rim is made of, such as a clay."""


class CircleTable(Table):
    """A round outline."""

    centre: Place
    """[easting, northing] of the middle."""
    radius: Extent
    """Radius."""


class EllipseTable(Table):
    """An oval outline."""

    centre: Place
    """[easting, northing] of the middle."""
    axes: tuple[Extent, Extent]
    """Its length and its width, from edge to edge."""
    bearing: Annotated[float, Field(ge=-360, le=360)] = 0.0
    """Direction of the length, in degrees clockwise from north."""


Path = Annotated[tuple[Place, ...], Field(min_length=2)]
StreamLevel = Level | Annotated[tuple[Level, Level], Field()]


class SlopeTable(Table):
    """A depth that changes evenly from the outline's `from` to another depth at `to`."""

    start: Annotated[Place, Field(alias="from")]
    """[easting, northing] where the depth is the element's."""
    end: Annotated[Place, Field(alias="to")]
    """[easting, northing] where it is the depth given here."""
    depth: Extent
    """Depth at `to`."""


class PadSlopeTable(Table):
    """A level that changes evenly from `from`, where it is the pad's, to another at `to`."""

    start: Annotated[Place, Field(alias="from")]
    """[easting, northing] where the level is the pad's."""
    end: Annotated[Place, Field(alias="to")]
    """[easting, northing] where it is the level given here."""
    level: Level
    """Elevation at `to`."""


class LandingTable(Table):
    """The shelf that a fall lands on: how far it reaches from the lip, how deep under water."""

    reach: Extent
    """How far the landing reaches from the lip, the way the water goes."""
    depth: Extent
    """Depth of the landing under the lower water."""


class TroughTable(Table):
    """A channel in a pit's floor, where water or pipes gather."""

    path: Path
    """Corners [easting, northing] of the trough's middle."""
    width: Extent
    """Width of the trough."""
    depth: Extent
    """Depth of the trough below the pit's floor."""


class AlongTable(Table):
    """A stretch of the edge, the shorter way round between its ends."""

    start: Annotated[Place, Field(alias="from")]
    """One end [easting, northing], on the outline."""
    end: Annotated[Place, Field(alias="to")]
    """The other end [easting, northing], on the outline."""


Proportion = Annotated[float, Field(gt=0, allow_inf_nan=False)]
MOST_ROCKS = 100_000


class RockTable(Table):
    """Rocks of one form, and where they are set.

    Each is given by `size`, by `weight` (with `proportions`) or by `mesh`, a scan. How many there
    are follows from `count`, from a `total` weight, from the places `at` which they stand, or along
    the edge from its length: as many as it holds, `gap` apart.
    """

    name: Name = "rock"
    """What the group is called."""
    size: RockSize | None = None
    """One size, or [along the edge, across it, height], of an ellipsoid."""
    weight: Mass | None = None
    """Weight of each, such as "800 kg"; with the density it gives the size."""
    proportions: tuple[Proportion, Proportion, Proportion] = (1.0, 1.0, 1.0)
    """Shape of a rock given by weight: [along the edge, across it, height]; only ratios count."""
    mesh: Name | None = None
    """A scan of the rock beside site.toml: .ply, .stl, .obj or .off, z up, in the plan's unit."""
    density: Density = 2650.0
    """Density of the rock, such as "2650 kg/m3"."""
    count: Annotated[int, Field(ge=1, le=MOST_ROCKS)] | None = None
    """How many rocks, all courses together; left out along an edge, as many as it holds."""
    total: Mass | None = None
    """Weight of all, such as "12 t", instead of a count; rounded to whole rocks."""
    embedded: Annotated[float, Field(ge=0, le=1)] = 0.3
    """Share of a rock's volume that lies under the finish."""
    place: Literal["edge", "spread", "frame"] = "edge"
    """Evenly along the edge, strewn inside the outline, or in pairs beside the lip of a fall."""
    bank: Annotated[int, Field(ge=1)] | None = None
    """Only along one of the element's banks, counted from 1."""
    along: AlongTable | None = None
    """Only along a stretch of the edge, the shorter way round between its ends."""
    at: Annotated[tuple[Place, ...], Field(min_length=1, max_length=MOST_ROCKS)] | None = None
    """The place [easting, northing] of each rock, instead of a count."""
    gap: Length | None = None
    """Clear distance between rocks: along the edge where the count is left out, and the least
    between rocks that are spread or frame a fall.
    """
    courses: Annotated[int, Field(ge=1, le=10)] = 1
    """How many lie above one another along the edge; only the lowest is embedded."""
    seed: Annotated[int, Field(ge=0)] = 1
    """Another number spreads the rocks another way."""

    @model_validator(mode="after")
    def _one_form(self) -> "RockTable":
        found = _given(self, "size", "weight", "mesh")
        if len(found) != 1:
            raise PlanError(
                f"the rock is given by {' and '.join(found) or 'nothing'}",
                expected="one of size, weight (of each) or mesh",
            )
        if "proportions" in self.model_fields_set and self.weight is None:
            raise PlanError("proportions without a weight", expected='them beside weight = "…"')
        if max(self.proportions) > 10 * min(self.proportions):
            raise PlanError(
                f"proportions of {self.proportions}",
                expected="[along the edge, across it, height], none ten times another",
            )
        return self

    @model_validator(mode="after")
    def _one_number(self) -> "RockTable":
        found = _given(self, "count", "total", "at")
        if len(found) > 1:
            raise PlanError(
                f"the number of rocks is given by {' and '.join(found)}",
                expected="one of count, total or at; along the edge none, to fill it",
            )
        if self.place == "spread" and not (found or self.mesh):
            raise PlanError(
                "the number of rocks to spread is missing",
                expected='count = <number> or total = "<weight>"',
            )
        if self.place == "frame" and self.count is not None and self.count % 2:
            raise PlanError(
                f"{self.count} rocks that frame a fall", expected="pairs: an even number"
            )
        return self

    @model_validator(mode="after")
    def _one_place(self) -> "RockTable":
        on_edge = self.place == "edge" and self.at is None
        for keys, allowed, expected in (
            (("at",), self.place == "edge", "`at` without `place`"),
            (("bank", "along"), on_edge, "rocks along the edge"),
            (("courses",), on_edge, "courses along the edge"),
            (("seed",), self.place == "spread", 'place = "spread"'),
            (("gap",), self.at is None, "`at` without `gap`"),
            (("gap",), not on_edge or not _given(self, "count", "total"),
             "`gap` where no count or total is given: a number is spaced evenly"),
        ):  # fmt: skip
            wrong = [key for key in _given(self, *keys) if not allowed]
            if wrong and set(wrong) <= self.model_fields_set:
                where = "at" if self.at is not None else f'place = "{self.place}"'
                raise PlanError(f"{wrong[0]} beside {where}", expected=expected)
        if self.bank is not None and self.along is not None:
            raise PlanError("the stretch is given by bank and along", expected="one of them")
        return self


def _given(table: Table, *keys: str) -> list[str]:
    return [key for key in keys if getattr(table, key) is not None]


class OutlineTable(Table):
    """One of five ways to give an outline."""

    code: str | None = None
    """Full code of an outline in the survey, such as "WE1"."""
    points: Annotated[tuple[Place, ...], Field(min_length=3)] | None = None
    """Corners [easting, northing] in walking order."""
    circle: CircleTable | None = None
    """A round outline."""
    ellipse: EllipseTable | None = None
    """An oval outline."""
    file: Name | None = None
    """A GeoJSON or GeoPackage file beside site.toml, in the survey's coordinates."""
    layer: Name | None = None
    """Layer of a GeoPackage that holds several."""
    feature: str | None = None
    """Name of the polygon in that file, where it holds several."""

    @model_validator(mode="after")
    def _one_way(self) -> "OutlineTable":
        ways = ("code", "points", "circle", "ellipse", "file")
        given = [key for key in ways if getattr(self, key) is not None]
        if len(given) != 1:
            found = " and ".join(given) or "nothing"
            msg = f"an outline is given by {found}"
            raise PlanError(msg, expected=f"one of {', '.join(ways)}")
        return self


Day = Annotated[int, Field(ge=1, le=10_000)]


class _Element(Table):
    name: Name
    """Name of the element, on sheets and in answers."""
    soil: str | None = None
    """Name of the soil it is made of and dug in, whatever the strata; else the first [[soil]]."""
    day: Day | None = None
    """Day of the work on which it is dug, counted from 1."""
    fill_soil: Name | None = None
    """Name of the only soil that is put back or raised here; else what suits best of the site's."""


class _Lined(_Element):
    """What is dug, lined and edged with rock."""

    over_dig: OverDigTable | None = None
    """Extra room dug for setting rock, instead of the site's."""
    layers: tuple[LayerTable, ...] = ()
    """Drapes from the soil face up: sand, gravel, cobbles."""
    rock: tuple[RockTable, ...] = ()
    """Groups of rock along the edge."""
    cut_batter: Batter = 1.0
    """Batter of the cut above the water where the ground is higher."""
    freeboard: Length = 0.0
    """Height of the rim above the water."""
    rim: RimTable | None = None
    """The raised edge where the ground is low."""
    edge_allowance: Length = 0.3
    """Liner beyond the edge."""
    liner: bool = True
    """Whether it is lined."""


class _Dug(_Lined):
    """What stands below a reference level."""

    outline: OutlineTable
    """The water's edge."""
    water: str | None = None
    """Name of the level in [water] that depths count from."""
    level: Level | None = None
    """Elevation that depths count from, instead of water; no water stands in it."""
    below_ground: Literal["mean", "lowest", "pointwise"] | None = None
    """Count depths from the ground inside the outline instead: its mean, its lowest, or each
    place's own.
    """

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
                'below_ground = "mean", "lowest" or "pointwise"',
            )
        return self


class BasinElement(_Dug):
    """A pond: any outline, banks with shelves, a floor."""

    type: Literal["basin"]
    """A pond."""
    islands: tuple[OutlineTable, ...] = ()
    """Outlines inside the pond that are left standing."""
    shelves: tuple[ShelfStep, ...] = ()
    """Shelves from the edge inward."""
    floor: Length | None = None
    """Depth of the floor."""
    batter: Batter = 1.0
    """Batter of the last face, down to the floor."""
    profile: tuple[tuple[Length, Length], ...] | None = None
    """Pairs [distance from the edge, depth] instead of shelves, floor and batter."""
    banks: tuple[BankTable, ...] = ()
    """Stretches of the edge with their own profile."""


class ShelfElement(_Dug):
    """A ledge of its own outline and depth."""

    type: Literal["shelf"]
    """A ledge with an outline of its own."""
    depth: Extent
    """Depth of the ledge."""
    riser: Batter = 0.0
    """Batter of the face down to the ledge."""
    slope: SlopeTable | None = None
    """Where and how the depth changes."""


class PlungePoolElement(_Dug):
    """The pool that a fall lands in."""

    type: Literal["plunge_pool"]
    """The pool that a fall lands in."""
    depth: Extent
    """Greatest depth."""
    shape: Literal["bowl", "straight", "stepped"] = "bowl"
    """A bowl, straight walls at the batter, or steps by shelves."""
    shelves: tuple[ShelfStep, ...] = ()
    """Shelves of a stepped pool, from the edge inward."""
    batter: Batter = 0.5
    """Batter of the walls or of the last face."""


class FilterPitElement(_Dug):
    """A planted pit filled with lifts of stone."""

    type: Literal["filter_pit"]
    """A planted pit filled with lifts of stone."""
    depth: Extent
    """Depth of the pit's soil face."""
    batter: Batter = 0.0
    """Batter of the walls."""
    trough: TroughTable | None = None
    """A channel in the floor."""
    lifts: tuple[LiftTable, ...] = ()
    """Level layers from the floor up."""
    spill: str | None = None
    """Name of the level in [water] that the pit runs over to; not above its own."""


class StreamElement(_Lined):
    """A channel along a path, its water level given at each corner of the path."""

    type: Literal["stream"]
    """A channel along a path."""
    path: Path
    """Corners [easting, northing] of the middle, downstream."""
    levels: Annotated[tuple[StreamLevel, ...], Field(min_length=2)]
    """Water level at each corner; a pair [upper, lower] is a fall."""
    width: Extent | Annotated[tuple[Extent, ...], Field(min_length=2)]
    """Width of the water, one or one at each corner."""
    depth: Extent | Annotated[tuple[Extent, ...], Field(min_length=2)]
    """Depth of the water, one or one at each corner."""
    side: Batter = 0.5
    """Batter of the sides under water."""

    @model_validator(mode="after")
    def _one_value_a_corner(self) -> "StreamElement":
        for key in ("levels", "width", "depth"):
            values = getattr(self, key)
            if isinstance(values, tuple) and len(values) != len(self.path):
                raise PlanError(
                    f"{len(values)} {key} for the {len(self.path)} corners of the path",
                    place=ErrorPlace(key=key),
                    expected=f"one value, or {len(self.path)}"
                    if key != "levels"
                    else f"{len(self.path)} levels, one a corner; a pair [upper, lower] is a fall",
                )
        return self


class FallElement(_Lined):
    """Where water drops from one level to another over a lip."""

    type: Literal["fall"]
    """Water that drops from one level to another."""
    lip: Annotated[tuple[Place, Place], Field()]
    """The two ends of the lip, [easting, northing] each."""
    upper: Annotated[str, Field(alias="from")]
    """Name of the level in [water] that it falls from."""
    lower: Annotated[str, Field(alias="to")]
    """Name of the level in [water] that it falls to."""
    sill: Extent = 0.4
    """Length of level sill behind the lip."""
    landing: LandingTable
    """The shelf that the water lands on."""
    flow: Flow | None = None
    """Flow over the lip, such as "20 m3/h"."""


class VaultElement(_Element):
    """A box or cylinder in the ground for a pump or skimmer, with gravel around it."""

    type: Literal["vault"]
    """A pit for a pump or a skimmer."""
    outline: OutlineTable
    """Outside of the box or cylinder."""
    water: str | None = None
    """Name of the level in [water] that the depth counts from."""
    level: Level | None = None
    """Elevation that the depth counts from, instead of water."""
    below_ground: Literal["mean", "lowest", "pointwise"] | None = None
    """Count the depth from the ground inside the outline instead: its mean, its lowest, or
    each place's own.
    """
    depth: Extent
    """Depth of the vault's bottom."""
    base: Length = 0.1
    """Thickness of the base under it."""
    surround: Length = 0.3
    """Width of gravel around it."""
    voids: Annotated[float, Field(ge=0, lt=1)] = 0.4
    """Share of the surround's volume that water can fill."""
    cut_batter: Batter = 1.0
    """Batter of the cut above the level where the ground is higher."""


class TrenchElement(_Element):
    """A trench for a pipe: dug, bedded, and its soil put back on top."""

    type: Literal["trench"]
    """A trench for a pipe, filled again."""
    path: Path
    """Corners [easting, northing] of the middle."""
    width: Extent
    """Width of the trench."""
    depth: Extent | None = None
    """Depth of the pipe's invert below the ground."""
    inverts: Annotated[tuple[Level, ...], Field(min_length=2)] | None = None
    """Elevation of the pipe's invert at each corner, instead of depth."""
    bedding: Length = 0.1
    """Thickness of bedding under the invert."""
    surround: Length = 0.3
    """Height of surround above the invert."""
    pipe: Length = 0.0
    """Outer diameter of the pipe."""

    @model_validator(mode="after")
    def _one_way_down(self) -> "TrenchElement":
        if (self.depth is None) == (self.inverts is None):
            found = "nothing" if self.depth is None else "depth and inverts"
            msg = f"the trench's bottom is given by {found}"
            raise PlanError(
                msg, expected="depth (below the ground) or inverts (one level a corner)"
            )
        if self.inverts is not None and len(self.inverts) != len(self.path):
            raise PlanError(
                f"{len(self.inverts)} inverts for the {len(self.path)} corners of the path",
                place=ErrorPlace(key="inverts"),
                expected=f"{len(self.path)} inverts",
            )
        return self


class MoundElement(_Element):
    """Soil placed above the ground, from a toe outline or along a path."""

    type: Literal["mound"]
    """Soil placed above the ground."""
    outline: OutlineTable | None = None
    """The toe."""
    path: Path | None = None
    """Corners [easting, northing] of the crest's middle, instead of a toe."""
    crest: Length = 0.5
    """Width of the crest along a path."""
    height: Extent
    """Greatest height above the ground."""
    batter: Batter = 2.0
    """Batter of the sides."""

    @model_validator(mode="after")
    def _one_shape(self) -> "MoundElement":
        if (self.outline is None) == (self.path is None):
            found = "nothing" if self.path is None else "an outline and a path"
            msg = f"the mound is given by {found}"
            raise PlanError(msg, expected="outline (its toe) or path (its crest's middle)")
        return self


class PadElement(_Element):
    """A level or sloping place to stand on: cut where the ground is high, filled where low."""

    type: Literal["pad"]
    """A level or sloping place: cut where the ground is high, filled where it is low."""
    outline: OutlineTable
    """Edge of the pad."""
    level: Level
    """Elevation of its top."""
    slope: PadSlopeTable | None = None
    """Where and how the level changes."""
    layers: tuple[LayerTable, ...] = ()
    """Layers from the soil face up to the top."""
    cut_batter: Batter = 1.0
    """Batter of the cut where the ground is higher."""
    fill_batter: Batter = 2.0
    """Batter of the fill where the ground is lower."""


class HeapElement(_Element, HeapTable):
    """Where spoil may be heaped; one that names a soil takes that soil only."""

    type: Literal["heap"]
    """A place where spoil may be heaped."""
    stays: bool = False
    """Whether the soil stays here; else it waits here until it is placed or taken away."""
    outline: OutlineTable
    """Edge of the place."""


class KeepOutElement(_Element):
    """Where nothing may be dug or heaped: tree roots, services."""

    type: Literal["keep_out"]
    """A place where nothing may be dug or heaped."""
    outline: OutlineTable
    """Edge of the place."""
    reason: str = ""
    """What is protected: tree roots, a pipe, a cable."""


ElementTable = Annotated[
    BasinElement
    | ShelfElement
    | PlungePoolElement
    | StreamElement
    | FallElement
    | FilterPitElement
    | VaultElement
    | TrenchElement
    | MoundElement
    | PadElement
    | HeapElement
    | KeepOutElement,
    Field(discriminator="type"),
]


class ZoneTable(Table):
    """A part of the site that quantities are told apart by; where two overlap the first counts."""

    name: Name
    """What the zone is called in answers."""
    outline: OutlineTable
    """Edge of the zone."""
    day: Day | None = None
    """Day of the work on which it is dug, instead of its elements' days."""


class PumpTable(Table):
    """What lifts the water to the top, and from which element it draws."""

    flow: Flow
    """What it lifts."""
    source: Annotated[Name, Field(alias="from")]
    """Name of the element it draws from."""
    running_level: Level | None = None
    """Level in that element while the pump runs; that of its water where none is given."""


class ChecksTable(Table):
    """Limits of the checks."""

    plunge_depth: Annotated[float, Field(ge=0, le=5)] = 0.5
    """Least depth of the water under a fall, as a share of its drop."""
    rim_width: Length = 0.3
    """Least width of the ground that holds water back, at the water's level."""
    ground_pm: Extent = 0.10
    """Largest ± (95 %) of the ground; beyond it the ground counts as poorly measured."""
    dug_within: Extent = 0.05
    """How far a level as dug may lie off the dig and still count as down, and not as too deep."""


class LinerTable(Table):
    """Rolls that liner and underlay are cut from."""

    roll_width: Extent = 6.1
    """Width of a roll of liner; 6.1 m (20 ft) unless given."""
    roll_length: Extent = 30.5
    """Length of a roll of liner; longer strips are joined."""
    overlap: Length = 0.15
    """Lap of a strip over the next one, and of two lengths of a strip."""
    folds: Annotated[float, Field(ge=0, le=0.5)] = 0.05
    """Share added to the area for folds in corners and bends."""
    underlay_sides: Literal[0, 1, 2] = 2
    """Sides of the liner with underlay: 1 is underneath, 2 also on top."""
    underlay_roll_width: Extent = 2.0
    """Width of a roll of underlay."""

    @model_validator(mode="after")
    def _wider_than_laps(self) -> "LinerTable":
        for key in ("roll_width", "roll_length", "underlay_roll_width"):
            least = max(4 * self.overlap, 0.25)
            if getattr(self, key) < least:
                raise PlanError(
                    f"{key.replace('_', ' ')} of {getattr(self, key):g} m with laps of "
                    f"{self.overlap:g} m",
                    place=ErrorPlace(key=key),
                    expected=f"at least {least:g} m: 0.25 m, and four times the overlap",
                    mend="check the number and its unit",
                )
        return self


CodeMeaning = Literal[
    "ground", "breakline", "soft_breakline", "outline", "rock", "plant", "machine", "ignore"
]


class Plan(Table):
    """A whole `site.toml`."""

    site: SiteTable
    """What holds for the whole site."""
    survey: Annotated[tuple[SurveyTable, ...], Field(min_length=1)]
    """Measurement files."""
    codes: dict[str, CodeMeaning] = Field(default_factory=dict)
    """What each field code means; TB1 and TB2 in a survey are strings of TB."""
    water: dict[Name, Level] = Field(default_factory=dict)
    """Named levels, as elevations."""
    soil: Annotated[tuple[SoilTable, ...], Field(min_length=1)] = (SoilTable(name="common earth"),)
    """Soils of the site; the first holds where none is named."""
    stratum: tuple[StratumTable, ...] = ()
    """Layers of the ground by their soils, the uppermost first."""
    zone: tuple[ZoneTable, ...] = ()
    """Parts of the site that quantities are told apart by."""
    truck: TruckTable = TruckTable()
    """What one load may hold, and how a truck goes to the tip and back."""
    excavator: ExcavatorTable = ExcavatorTable()
    """The machine that digs and loads."""
    loader: LoaderTable | None = None
    """The track loader, if one carries soil on the site."""
    dumper: DumperTable | None = None
    """The tracked dumper, if one carries soil on the site."""
    work: WorkTable = WorkTable()
    """How long is worked, and how."""
    tip: TipTable = TipTable()
    """Where what is left over is taken."""
    loads_sent: tuple[LoadsSentTable, ...] = ()
    """Trucks that left so far, day by day."""
    over_dig: OverDigTable = OverDigTable()
    """Extra room dug for setting rock, where an element gives none."""
    dig_accuracy: DigAccuracyTable = DigAccuracyTable()
    """How truly the bucket follows the plan."""
    sections: SectionsTable = SectionsTable()
    """Where the sections lie that volumes are measured by."""
    pump: PumpTable | None = None
    """The pump, where the water is lifted."""
    checks: ChecksTable = ChecksTable()
    """Limits of the checks."""
    slopes: SlopesTable = SlopesTable()
    """What slopes are checked for, and what loads them."""
    liner: LinerTable = LinerTable()
    """Rolls that liner and underlay are cut from."""
    control_point: tuple[ControlPointTable, ...] = ()
    """Marks on the site that stakes are set out from."""
    element: tuple[ElementTable, ...] = ()
    """What is to be built, in order."""

    @model_validator(mode="after")
    def _names_agree(self) -> "Plan":
        for kind, names in (
            ("survey", [survey.name for survey in self.survey]),
            ("element", [element.name for element in self.element]),
            ("soil", [soil.name for soil in self.soil]),
            ("stratum", [stratum.name for stratum in self.stratum]),
            ("zone", [zone.name for zone in self.zone]),
            ("control_point", [point.name for point in self.control_point]),
        ):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                msg = f"{kind} name {twice[0]!r} is used twice"
                raise PlanError(msg, expected=f"one name for each {kind}")
        surveys = [survey.name for survey in self.survey]
        for ground in self._ground_names:
            _known("site.ground", ground, surveys)
        for survey in self.survey:
            others = [name for name in surveys if name != survey.name]
            _known(f'survey "{survey.name}", joins', survey.joins, others)
        for survey in self.ground_surveys:
            if survey.as_dug is not None:
                raise PlanError(
                    f"survey {survey.name!r} makes the existing ground, but was made while digging",
                    place=ErrorPlace(key=f'survey "{survey.name}", as_dug'),
                    expected="a survey from before the dig as the ground",
                    mend="name one with ground in [site], or put it first",
                )
        check_strata(self.stratum)
        tops = [name for name in surveys if name not in {s.name for s in self.ground_surveys}]
        for stratum in self.stratum:
            place = f'stratum "{stratum.name}"'
            _known(f"{place}, soil", stratum.soil_name, [soil.name for soil in self.soil])
            _known(f"{place}, survey", stratum.survey, tops)
        if self.pump is not None:
            _known("pump.from", self.pump.source, [element.name for element in self.element])
        for element in self.element:
            place = f'element "{element.name}"'
            rim = getattr(element, "rim", None)
            for key, soil_name in (
                ("soil", element.soil),
                ("fill_soil", element.fill_soil),
                ("rim.soil", None if rim is None else rim.soil),
            ):
                _known(f"{place}, {key}", soil_name, [soil.name for soil in self.soil])
            for key, name in _water_names(element).items():
                _known(f"{place}, {key}", name, list(self.water))
        return self

    @property
    def _ground_names(self) -> tuple[str, ...]:
        named = self.site.ground
        if named is None:
            return ()
        return (named,) if isinstance(named, str) else named

    @property
    def ground_surveys(self) -> tuple[SurveyTable, ...]:
        """The surveys that make the existing ground, the best first; the first if none is named."""
        of_name = {survey.name: survey for survey in self.survey}
        return tuple(of_name[name] for name in self._ground_names) or self.survey[:1]


def _water_names(element: ElementTable) -> dict[str, str | None]:
    if isinstance(element, FallElement):
        return {"from": element.upper, "to": element.lower}
    return {"water": getattr(element, "water", None), "spill": getattr(element, "spill", None)}


def _known(key: str, name: str | None, names: list[str]) -> None:
    if name is not None and name not in names:
        raise PlanError(
            f"{name!r} is not defined in this plan",
            place=ErrorPlace(key=key),
            expected=f"one of {', '.join(names) or '(none defined)'}",
            mend=nearest(name, names),
        )
