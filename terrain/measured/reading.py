"""One measurement file, read whatever its kind, as it was written."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.arrays import FloatArray
from terrain.design.survey_tables import SurveyTable
from terrain.errors import Place, SurveyError, UnitError, nearest
from terrain.surface import Grid, Lattice, Tin
from terrain.survey import Linework, Role, Spots
from terrain.survey.gridtext import is_grid_text
from terrain.units import UNITS, Unit

if TYPE_CHECKING:
    from terrain.surface.ground import CloudGround
    from terrain.survey.levels import LevelBook
    from terrain.survey.registration import Registration


@dataclass(frozen=True)
class Frame:
    """What every survey of a site is read against.

    Attributes
    ----------
    folder
        Where the files are.
    unit
        Unit of files that do not say theirs.
    roles
        Field code → role.
    crs
        Coordinate system of the site, if it has one.
    """

    folder: Path
    unit: Unit
    roles: Mapping[str, Role]
    crs: str | None

    def path_of(self, table: SurveyTable) -> Path:
        """The file of a survey."""
        return self.folder / table.file

    def unit_of(self, table: SurveyTable) -> Unit:
        """The unit of a survey's file."""
        return self.unit if table.unit is None else UNITS[table.unit]


@dataclass(frozen=True)
class Reading:
    """What a file holds.

    Attributes
    ----------
    table
        What the plan says of it.
    kind
        What it is, in words: "point cloud".
    places
        How many points it has.
    heights
        Its shots, or its ground, m.
    crs
        Coordinate system that the file names.
    unit
        Unit that the file names, or has by its kind.
    linework
        Lines that the file itself joins.
    cloud
        How the ground of a cloud was found.
    book
        The level book that the shots were reduced from.
    registration
        How it was carried to the site by control points.
    remarks
        What a person should know of it.
    """

    table: SurveyTable
    kind: str
    places: int
    heights: Spots | Tin | Grid
    crs: str | None = None
    unit: Unit | None = None
    linework: Linework | None = None
    cloud: "CloudGround | None" = None
    book: "LevelBook | None" = None
    registration: "Registration | None" = None
    remarks: tuple[str, ...] = ()

    @property
    def surface(self) -> Tin | Grid:
        """The ground that the file holds ready made."""
        assert not isinstance(self.heights, Spots)
        return self.heights

    @property
    def xyz(self) -> FloatArray:
        """Every height, (n, 3)."""
        if isinstance(self.heights, Grid):
            z = self.heights.z.ravel()
            known = np.isfinite(z)
            return np.column_stack([self.heights.lattice.nodes[known], z[known]])
        return self.heights.xyz if isinstance(self.heights, Spots) else self.heights.points

    @property
    def south_west(self) -> FloatArray:
        """Lower corner of the box around it, (2,) m."""
        if isinstance(self.heights, Grid):
            return np.array(self.heights.lattice.bounds[:2])
        corner: FloatArray = self.xyz[:, :2].min(axis=0)
        return corner

    def moved(self, move: Callable[[FloatArray], FloatArray]) -> "Reading":
        """The same with its points, (n, 3), carried elsewhere; a grid is not."""
        assert not isinstance(self.heights, Grid)
        if isinstance(self.heights, Tin):
            return replace(self, heights=Tin(move(self.heights.points), self.heights.triangles))
        return replace(self, heights=replace(self.heights, xyz=move(self.heights.xyz)))

    def local(self, origin: FloatArray) -> "Reading":
        """The same, counted from `origin`, (2,)."""
        if not isinstance(self.heights, Grid):
            shift = np.append(origin, 0.0)
            return self.moved(lambda xyz: xyz - shift)
        lattice = self.heights.lattice
        x0, y0 = lattice.x0 - float(origin[0]), lattice.y0 - float(origin[1])
        moved = Lattice(x0, y0, lattice.cell, lattice.nx, lattice.ny)
        return replace(self, heights=Grid(moved, self.heights.z))


def read_file(table: SurveyTable, frame: Frame) -> Reading:
    """Read the file of a survey.

    Raises
    ------
    SurveyError, UnitError, SurfaceError
        The file is not what its name or the plan says.
    """
    path = frame.path_of(table)
    if path.is_dir():
        raise SurveyError(
            "this is a folder", place=Place(path), expected="a file", mend="name a file inside it"
        )
    kind = _kind_of(path, table)
    if kind is None:
        raise SurveyError(
            f"files that end in {path.suffix or 'nothing'} are not read",
            place=Place(path),
            expected=f"one of {', '.join(sorted(_KINDS))}",
            mend=nearest(path.suffix.lower(), sorted(_KINDS)) or "export it in one of these",
        )
    module: Any = import_module(f"terrain.measured.kinds.{kind}")
    reading: Reading = module.read(table, frame)
    _check_unit(reading, path)
    return reading


def _check_unit(reading: Reading, path: Path) -> None:
    """Refuse a unit of the plan that the file contradicts; of a raster it is that of heights."""
    asked, said = reading.table.unit, reading.unit
    if asked is None or said is None or said.key == asked or reading.kind == "raster":
        return
    raise UnitError(
        f"the file is in {said.plural}, the plan says {asked!r}",
        place=Place(path, key="unit"),
        expected=f"unit = {said.key!r}, or none",
        mend="leave unit out for this survey: the file says its own",
    )


def may_hold_shots(table: SurveyTable) -> bool:
    """Whether the file of a survey is of a kind that can hold single shots."""
    return _KINDS.get(Path(table.file).suffix.lower()) not in ("clouds", "meshes")


_KINDS = {
    **dict.fromkeys((".csv", ".txt", ".xyz", ".pts"), "shots"),
    **dict.fromkeys((".las", ".laz"), "clouds"),
    **dict.fromkeys((".ply", ".obj", ".stl", ".gltf", ".glb"), "meshes"),
    **dict.fromkeys((".tif", ".tiff", ".asc"), "rasters"),
    **dict.fromkeys((".geojson", ".json", ".gpkg"), "lines"),
    ".xml": "landxml",
}


def _kind_of(path: Path, table: SurveyTable) -> str | None:
    kind = _KINDS.get(path.suffix.lower())
    if path.suffix.lower() == ".asc" and not is_grid_text(path):
        kind = "shots"
    return "levels" if kind == "shots" and table.level_book is not None else kind
