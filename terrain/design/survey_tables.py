"""The tables that say what was measured, how it lies on the site, and what makes the ground."""

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from terrain.design.progress_tables import CalendarDate
from terrain.design.quantities import (
    Cell,
    Coordinate,
    Extent,
    FileName,
    Length,
    Level,
    Name,
    Place,
    pair_of_lengths,
)
from terrain.design.table import Table
from terrain.errors import Place as ErrorPlace
from terrain.errors import PlanError

UnitName = Literal["m", "ft", "us-ft"]


class SiteTable(Table):
    """What holds for the whole site."""

    name: Name
    """Name of the site, on sheets and in answers."""
    unit: UnitName = "m"
    """Unit of this file's bare lengths and of the surveys that do not say theirs: metre,
    international or US survey foot.
    """
    crs: Name | None = None
    """Coordinate system of the site, such as "EPSG:25832"; surveys in another one are
    transformed to it.
    """
    cell: Cell = 0.1
    """Cell of the computing grid; 0.1 m (4 in) suits ponds."""
    ground: Name | tuple[Name, ...] | None = None
    """Survey that makes the existing ground, or several, the best first; the first survey of the
    file unless given.
    """
    seam: Extent = 1.0
    """Width over which the ground of one survey passes into that of the next."""
    benchmark: Length = 0.0
    """Standard deviation of the height of the benchmark that all surveys hang on."""
    origin: Place | None = None
    """[easting, northing] that local coordinates are counted from; found in the survey if left
    out.
    """


class ControlTable(Table):
    """One point that is known in the survey and on the site."""

    name: Name
    """What the point is called in answers."""
    measured: tuple[float, float, float]
    """[x, y, z] as the survey has it, in the unit of the survey."""
    site: tuple[Coordinate, Coordinate, Coordinate]
    """[easting, northing, elevation] on the site."""


class StakesTable(Table):
    """Stakes of a level book on a grid: letters one way, numbers the other."""

    origin: Place
    """[easting, northing] of the first stake."""
    spacing: Annotated[tuple[float, float], BeforeValidator(pair_of_lengths)]
    """Distance between stakes: one length, or [from number to number, from letter to letter]."""
    last: Name
    """Stake in the far corner, such as "F8"."""
    bearing: Annotated[float, Field(ge=-360, le=360)] = 0.0
    """Direction in which the numbers grow, degrees clockwise from north."""
    first: Name = "A1"
    """Stake at the origin."""
    letters: Literal["left", "right"] = "right"
    """Side to which the letters grow, seen along the numbers."""
    skip: str = ""
    """Letters that the grid leaves out, such as "IO"."""


class BaselineTable(Table):
    """Line that stations and offsets of a level book are counted from."""

    start: Place
    """[easting, northing] where it begins."""
    end: Place
    """[easting, northing] of a point ahead on it."""
    start_station: Level = 0.0
    """Station at its start."""


class LevelBookTable(Table):
    """How the readings of a level book become heights, and where they were taken."""

    benchmarks: dict[Name, Level] = Field(default_factory=dict)
    """Heights of known points, by their names in the book."""
    stakes: StakesTable | None = None
    """Grid of stakes, where points are named A1, B7 and so on."""
    baseline: BaselineTable | None = None
    """Baseline, where points have a station and an offset."""
    limit: Extent | None = None
    """Allowed misclosure; by default 12 mm times the root of the kilometres levelled."""
    sight: Extent = 40.0
    """Usual length of a sight, where the book has no distances."""
    staff: Extent = 6.1
    """Longest reading that the staff allows."""

    @model_validator(mode="after")
    def _one_way_to_places(self) -> "LevelBookTable":
        if self.stakes is not None and self.baseline is not None:
            raise PlanError(
                "a level book has both stakes and a baseline",
                place=ErrorPlace(key="level_book"),
                expected="the one that its points are named by",
                mend="remove the other",
            )
        return self


class FilterTable(Table):
    """How the ground of a cloud is told from what stands on it."""

    slope: Annotated[float, Field(gt=0, le=2)] | None = None
    """Rise over run up to which terrain is kept whatever its shape; found from the cloud."""
    largest_object: Extent = 36.0
    """Width of the largest thing that stands on the ground."""
    step: Extent | None = None
    """How far from level ground a point may lie and still be of it; found from the cloud."""
    keep_boulders: Length = 0.0
    """Solid things no larger than this stay with the ground; 0 removes all."""


class SurveyTable(Table):
    """One measurement file."""

    name: Name
    """Name of the survey, used by ground in [site]."""
    file: FileName
    """The file, beside site.toml: spot heights, a cloud, a mesh, a raster, LandXML or lines; its
    ending says which.
    """
    columns: str | None = None
    """One letter a column where no header names them: P point, N northing, E easting, Z
    elevation, D code, * skipped.
    """
    unit: UnitName | None = None
    """Unit of the file, where it is not that of the plan."""
    crs: Name | None = None
    """Coordinate system of the file, where the file does not say it, or says it wrongly."""
    raise_by: Level = 0.0
    """Added to every height: the shift to the benchmark of the site, negative to lower."""
    control: tuple[ControlTable, ...] = ()
    """Points known in the survey and on the site; the survey is turned and shifted to fit them."""
    control_scale: bool = False
    """Whether the survey may be scaled to fit its control points too."""
    level_book: LevelBookTable | None = None
    """Makes a .csv file a level book: staff readings that are reduced to heights."""
    layer: Name | None = None
    """Which surface of a LandXML file, or which layer of a GeoPackage."""
    band: Annotated[int, Field(ge=1)] = 1
    """Which band of a raster holds the heights."""
    up: Literal["z", "y"] = "z"
    """Which axis of a scanned mesh points up; glTF files say it themselves."""
    joins: Name | None = None
    """Survey of spot heights that the lines or points of this file are triangulated with."""
    odd_heights: Literal["keep", "leave_out"] = "keep"
    """Whether heights far from their neighbours stay in the ground."""
    leave_out: tuple[str | int, ...] = ()
    """What the ground goes without: kinds of finding ("spikes"), point names, lines ("line 12")."""
    keep: tuple[str | int, ...] = ()
    """Exceptions from leave_out."""
    as_dug: CalendarDate | None = None
    """Day of a survey made while digging, such as 2026-05-04; it tells how far the dig is."""
    noise: Extent | None = None
    """Standard deviation of a height as the instrument states it; by default what the shots say
    of each other.
    """
    common: Length = 0.0
    """Standard deviation of an error that near heights share, as those by satellite do."""
    common_over: Extent = 30.0
    """Distance from which two heights share nothing of that error."""
    longest_border: Extent | None = None
    """Longest side of a triangle along the border of the ground; longer ones bridge what
    nobody measured.
    """
    cell: Cell | None = None
    """Cell in which a cloud is gridded; found from its points if left out."""
    filter: FilterTable = FilterTable()
    """How the ground of a cloud is found."""
    thin: Extent | None = None
    """Thin the ground of a cloud or a raster to the fewest triangles that stay within this height
    of it.
    """

    @model_validator(mode="after")
    def _what_joins_is_screened_there(self) -> "SurveyTable":
        if self.joins is not None and (
            self.leave_out or self.keep or self.odd_heights == "leave_out"
        ):
            raise PlanError(
                "what is left out of a survey that joins another is said in the other's table",
                place=ErrorPlace(key=f'survey "{self.name}", leave_out'),
                expected=f'leave_out, keep and odd_heights under the survey "{self.joins}"',
                mend="move the keys there",
            )
        return self

    @model_validator(mode="after")
    def _what_joins_has_the_day_of_the_other(self) -> "SurveyTable":
        if self.joins is not None and self.as_dug is not None:
            raise PlanError(
                "a survey that joins another has its day from the other",
                place=ErrorPlace(key=f'survey "{self.name}", as_dug'),
                expected=f'as_dug under the survey "{self.joins}"',
                mend="move the key there",
            )
        return self

    @model_validator(mode="after")
    def _control_is_enough(self) -> "SurveyTable":
        if len(self.control) == 1:
            raise PlanError(
                "one control point cannot turn a survey",
                place=ErrorPlace(key=f'survey "{self.name}", control'),
                expected="at least 2 points, 3 for a scanned mesh",
                mend="add a point, or use raise_by for a shift of the heights alone",
            )
        return self
