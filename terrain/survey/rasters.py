"""Elevation rasters: GeoTIFF and ESRI ASCII grid, as heights at nodes.

Where a height belongs. A GeoTIFF says either that its raster type is "pixel is area": its corner is
tied to the corner of the first pixel, and the height holds for the pixel's centre; or "pixel is
point": its corner is tied to the very place of the first height. GDAL moves the second kind by
half a pixel, so that its transform always leads to pixel corners and the height always belongs to
the centre (GeoTIFF 1.1, section 7.2.3; GDAL, GeoTIFF driver, "GTIFF_POINT_GEO_IGNORE"). The ASCII
grid's `xllcorner` and `xllcenter` differ in the same way, and are treated alike. So the nodes here
are pixel centres, whichever way the file was written.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from terrain.arrays import FloatArray
from terrain.errors import Place, SurveyError, TerrainError, UnitError
from terrain.survey.gridtext import check_grid_text, too_many
from terrain.survey.hushed import hushed
from terrain.survey.opening import cannot_open
from terrain.survey.stated import Stated, stated_by, unit_of
from terrain.units import FOOT, METRE, US_SURVEY_FOOT, Unit

if TYPE_CHECKING:
    from rasterio.io import DatasetReader

MOST_NODES = 25_000_000  # 200 MB of heights
ENDINGS = (".tif", ".tiff", ".asc")

_TIFF = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")  # classic and BigTIFF
_ROWS_AT_ONCE = 2_000_000  # heights
_LOWEST_M, _HIGHEST_M = -12_000.0, 9_000.0  # the sea floor and the highest summit
# what programs write where nothing was measured, without saying so
_NOTHING = (-9999.0, -99999.0, -999999.0, -32768.0, -32767.0, -3.4028234663852886e38)
_FINEST_CELL = 0.005  # nobody grids finer; 3 arc-seconds are 0.0008 degrees
_DRIFT = 0.01  # cells by which a node may be off for cells not quite square
_HEIGHT_WORDS = {
    "m": METRE, "metre": METRE, "metres": METRE, "meter": METRE, "meters": METRE,
    "us survey foot": US_SURVEY_FOOT, "us survey feet": US_SURVEY_FOOT, "us-ft": US_SURVEY_FOOT,
    "ftus": US_SURVEY_FOOT, "foot_us": US_SURVEY_FOOT, "us_survey_foot": US_SURVEY_FOOT,
    "international foot": FOOT, "international feet": FOOT,
}  # fmt: skip
_EITHER_FOOT = {"ft", "foot", "feet"}
_COLOURS = {"red", "green", "blue", "palette", "cyan", "magenta", "yellow", "alpha"}
_MEND_COPY = "copy or export the file again; nothing of it was used"


@dataclass(frozen=True)
class Raster:
    """Heights at the nodes of a square grid.

    Attributes
    ----------
    x0, y0
        Easting and northing of the south-western node, m.
    cell
        Distance between nodes, m.
    z
        Heights, shape (ny, nx), m, the southern row first; NaN where there is none.
    source
        The file.
    unit
        Unit of easting and northing that the file states; None if it states none.
    height_unit
        Unit that its heights were taken to be in; None if it is none that plans know.
    says_height_unit
        Whether the file states the unit of its heights; without, they are taken to be in the unit
        of its plan.
    crs
        Coordinate system that the file states, as a code or WKT; None if there is none.
    """

    x0: float
    y0: float
    cell: float
    z: FloatArray
    source: Path
    unit: Unit | None
    height_unit: Unit | None
    says_height_unit: bool
    crs: str | None


@dataclass(frozen=True)
class _Frame:
    """Where pixels lie, in the file's unit: the centre of the north-western one, and its size."""

    west: float
    first: float
    cell: float
    down: float  # northing of a row after that of the row before, signed


def read_raster(
    path: Path,
    *,
    unit: Unit,
    band: int = 1,
    height_unit: Unit | None = None,
    within: tuple[float, float, float, float] | None = None,
) -> Raster:
    """Read an elevation raster.

    Parameters
    ----------
    path
        GeoTIFF (.tif, .tiff) or ESRI ASCII grid (.asc).
    unit
        Unit of the coordinates and heights, where the file states none.
    band
        Which band holds the heights, from 1.
    height_unit
        Unit of the heights, whatever the file says of them.
    within
        Only nodes inside (west, south, east, north), m, and one more around them.

    Raises
    ------
    SurveyError
        The file cannot be read to its end, lies in degrees, is turned, has cells that are not
        square, is a picture, or holds more than `MOST_NODES` nodes.
    UnitError
        Its heights are in something that is no length.
    """
    path = Path(path)
    with _opened(path) as source:
        _check_band(path, source, band)
        stated = _stated(path, source)
        frame = _frame(path, source)
        metres = stated.metres if stated else unit.metres
        if stated is None:
            _refuse_degrees(path, source, frame)
        z_metres, says = _height_metres(path, source, band, stated, unit)
        if height_unit is not None:
            z_metres = height_unit.metres
        columns, rows = _window(path, source, frame, metres, within)
        z = np.empty((rows[1] - rows[0], columns[1] - columns[0]))
        _fill(z[::-1] if frame.down < 0 else z, path, source, band, columns, rows)
    z *= z_metres
    _check_heights(path, z, z_metres)
    first = frame.first + frame.down * rows[0]
    last = frame.first + frame.down * (rows[1] - 1)
    return Raster(
        x0=(frame.west + frame.cell * columns[0]) * metres,
        y0=min(first, last) * metres,
        cell=frame.cell * metres,
        z=z,
        source=path,
        unit=stated.unit if stated else None,
        height_unit=unit_of(z_metres),
        says_height_unit=says,
        crs=stated.crs if stated else None,
    )


@contextmanager
def _opened(path: Path) -> Iterator["DatasetReader"]:
    """The open file; whatever GDAL says of it becomes one of our errors."""
    import rasterio  # noqa: PLC0415 - slow to import, and few sites have a raster

    driver, options = _driver(path)
    with (
        hushed() as warned,
        rasterio.Env(GTIFF_POINT_GEO_IGNORE="NO", GDAL_NUM_THREADS="1", GDAL_CACHEMAX=64),
    ):
        try:
            with rasterio.open(path.resolve(), driver=driver, **options) as source:
                _check_placed(path, [said.category for said in warned])
                yield source
        except TerrainError:
            raise
        except Exception as error:  # a broken tag or block fails wherever it is met
            raise _damaged(path, error) from None


def _check_placed(path: Path, warned: list[type[Warning]]) -> None:
    from rasterio.errors import NotGeoreferencedWarning  # noqa: PLC0415 - slow to import

    if NotGeoreferencedWarning in warned:
        raise SurveyError(
            "the raster does not say where it lies",
            place=Place(path),
            expected="a GeoTIFF with a tie point and a pixel size, or a world file beside",
            mend="export it again with its coordinates",
        )


def _driver(path: Path) -> tuple[str, dict[str, Any]]:
    """Which of GDAL's readers, by what the file is and not by what it might trick GDAL into."""
    if path.is_dir():
        raise SurveyError(
            "this is a folder", place=Place(path), expected="a raster", mend="name a file in it"
        )
    try:
        with path.open("rb") as source:
            head = source.read(4)
    except OSError as error:
        raise cannot_open(path, error, "raster") from None
    if head in _TIFF:
        return "GTiff", {}
    if path.suffix.lower() == ".asc":
        check_grid_text(path, most=MOST_NODES)
        return "AAIGrid", {"DATATYPE": "Float64"}  # by itself GDAL rounds to single precision
    raise SurveyError(
        f"not a TIFF, it begins with {head!r}" if head else "the file is empty",
        place=Place(path),
        expected="a GeoTIFF, or an ESRI ASCII grid that ends in .asc",
        mend="export the heights as GeoTIFF",
    )


def _damaged(path: Path, error: Exception) -> SurveyError:
    said = str(error.__cause__ or error).split("\n")[0].replace(str(path.resolve()), path.name)
    return SurveyError(
        f"the raster is cut short or damaged: {said}",
        place=Place(path),
        expected="a whole GeoTIFF or ESRI ASCII grid",
        mend=_MEND_COPY,
    )


def _check_band(path: Path, source: "DatasetReader", band: int) -> None:
    if not 1 <= band <= source.count:
        raise SurveyError(
            f"there is no band {band}",
            place=Place(path, key="band"),
            expected=f"a band from 1 to {source.count}",
            mend="name the band of the heights with band in the plan",
        )
    colour = source.colorinterp[band - 1].name.lower()
    if colour in _COLOURS:
        raise SurveyError(
            f"band {band} is a colour ({colour}): this is a picture",
            place=Place(path),
            expected="a raster of heights",
            mend="give the elevation model, not the photograph",
        )
    kind = np.dtype(source.dtypes[band - 1]).kind
    if kind not in "iuf":
        raise SurveyError(
            f"band {band} holds {source.dtypes[band - 1]} numbers",
            place=Place(path),
            expected="real numbers",
            mend="export the heights as Float32",
        )


def _stated(path: Path, source: "DatasetReader") -> Stated | None:
    if not source.crs:
        return None
    text = source.crs.to_wkt()
    stated = stated_by(text)
    if stated is None:
        raise SurveyError(
            f"the coordinate system is not understood: {text[:80]}",
            place=Place(path),
            expected="a projected coordinate system such as a UTM zone or a state plane",
            mend="export the raster again, with the code of its coordinate system",
        )
    if stated.degrees:
        raise _in_degrees(path, stated.name)
    return stated


def _in_degrees(path: Path, what: str) -> SurveyError:
    return SurveyError(
        f"the coordinates are degrees ({what}), which are not lengths",
        place=Place(path),
        expected="a projected coordinate system",
        mend="project the raster, to the UTM zone or the state plane of the site for example",
    )


def _refuse_degrees(path: Path, source: "DatasetReader", frame: _Frame) -> None:
    far_east = frame.west + frame.cell * source.width
    far = frame.first + frame.down * source.height
    in_globe = frame.west >= -181 and far_east <= 361 and max(abs(frame.first), abs(far)) <= 91
    if in_globe and frame.cell < _FINEST_CELL:
        raise _in_degrees(path, f"cells of {frame.cell:.3g} at {frame.west:.2f}, {far:.2f}")


def _frame(path: Path, source: "DatasetReader") -> _Frame:
    to = source.transform
    if not np.isfinite(list(to)).all():
        raise _damaged(path, ValueError("its place is not a number"))
    if to.b or to.d or to.a < 0:
        turn = float(np.degrees(np.arctan2(-to.d, to.a)))
        raise SurveyError(
            f"the grid is turned by {turn:.3g} degrees",
            place=Place(path),
            expected="rows that run east and columns that run north",
            mend="resample the raster to a grid that lies north up (gdalwarp does)",
        )
    long = max(source.width, source.height)
    if to.a == 0 or abs(abs(to.e) - to.a) * long > _DRIFT * to.a:
        raise SurveyError(
            f"the cells are {to.a:.6g} wide and {abs(to.e):.6g} high",
            place=Place(path),
            expected="square cells",
            mend="resample the raster to square cells (gdalwarp -tr does)",
        )
    return _Frame(to.c + to.a / 2, to.f + to.e / 2, to.a, to.e)


def _height_metres(
    path: Path, source: "DatasetReader", band: int, stated: Stated | None, unit: Unit
) -> tuple[float, bool]:
    """Length of one unit of height, m, and whether the file says it."""
    plan = stated.metres if stated else unit.metres
    word = (source.units[band - 1] or "").strip().lower()
    if word in _EITHER_FOOT:
        feet = unit_of(plan)
        return (FOOT if feet in (None, METRE) else feet or FOOT).metres, True
    if word in _HEIGHT_WORDS:
        return _HEIGHT_WORDS[word].metres, True
    if word:
        raise UnitError(
            f"band {band} is in {word!r}, which is no length",
            place=Place(path),
            expected="heights in metres or feet",
            mend="name the band of the heights with band in the plan",
        )
    if stated is not None and stated.height_metres is not None:
        return stated.height_metres, True
    return plan, False


def _window(
    path: Path,
    source: "DatasetReader",
    frame: _Frame,
    metres: float,
    within: tuple[float, float, float, float] | None,
) -> tuple[tuple[int, int], tuple[int, int]]:
    """First column and the one after the last, and the same for rows."""
    columns, rows = (0, int(source.width)), (0, int(source.height))
    if within is not None:
        west, south, east, north = (value / metres for value in within)
        columns = _span((np.array([west, east]) - frame.west) / frame.cell, columns[1])
        rows = _span((np.array([south, north]) - frame.first) / frame.down, rows[1])
        if columns[0] >= columns[1] or rows[0] >= rows[1]:
            raise SurveyError(
                "the raster lies beside the site",
                place=Place(path),
                expected="a raster that covers it",
                mend="check the coordinate system of the raster and of the site",
            )
    wide, high = columns[1] - columns[0], rows[1] - rows[0]
    if wide * high > MOST_NODES:
        raise too_many(path, wide, high, MOST_NODES)
    if min(wide, high) < 2:
        raise SurveyError(
            f"{wide} × {high} heights make no surface",
            place=Place(path),
            expected="at least 2 × 2",
            mend="export the whole raster",
        )
    return columns, rows


def _span(places: FloatArray, count: int) -> tuple[int, int]:
    low, high = np.clip([places.min() - 1, places.max() + 1], -1, count)
    return max(0, int(np.floor(low))), min(count, int(np.ceil(high)) + 1)


def _fill(
    z: FloatArray,
    path: Path,
    source: "DatasetReader",
    band: int,
    columns: tuple[int, int],
    rows: tuple[int, int],
) -> None:
    """Heights in the file's unit, the rows in its order, NaN where there is none."""
    from rasterio.windows import Window  # noqa: PLC0415 - slow to import

    wide = columns[1] - columns[0]
    at_once = max(1, _ROWS_AT_ONCE // wide)
    says_nothing = source.nodata is None
    if says_nothing:
        _check_blocks(path, source, band, rows)
    for start in range(rows[0], rows[1], at_once):
        stop = min(start + at_once, rows[1])
        window = Window(columns[0], start, wide, stop - start)
        raw = source.read(band, window=window, masked=True)
        part = np.asarray(raw.data, dtype=np.float64)
        part[np.ma.getmaskarray(raw) | ~np.isfinite(part)] = np.nan
        if says_nothing:
            part[np.isin(part, _NOTHING)] = np.nan
        z[start - rows[0] : stop - rows[0]] = part
    scale, offset = source.scales[band - 1], source.offsets[band - 1]
    if (scale, offset) != (1.0, 0.0):
        z *= scale
        z += offset


def _check_blocks(path: Path, source: "DatasetReader", band: int, rows: tuple[int, int]) -> None:
    """Refuse a TIFF with blocks that were never written: GDAL would read them as zero."""
    if source.driver != "GTiff":
        return
    high, wide = source.block_shapes[band - 1]
    for row in range(rows[0] // high, -(-rows[1] // high)):
        for column in range(-(-source.width // wide)):
            if source.get_tag_item(f"BLOCK_OFFSET_{column}_{row}", "TIFF", bidx=band) is None:
                raise _damaged(path, ValueError(f"the block of row {row * high} is missing"))


def _check_heights(path: Path, z: FloatArray, z_metres: float) -> None:
    low, high = float(np.fmin.reduce(z, axis=None)), float(np.fmax.reduce(z, axis=None))
    if np.isnan(low):
        raise SurveyError(
            "the raster has no heights",
            place=Place(path),
            expected="heights where the site is",
            mend="check that it covers the site, and which band holds the heights",
        )
    if low < _LOWEST_M or high > _HIGHEST_M:
        wrong = low if low < _LOWEST_M else high
        raise SurveyError(
            f"a height of {wrong / z_metres:g}, which is {wrong:,.0f} m, is nowhere on earth",
            place=Place(path),
            expected=f"heights from {_LOWEST_M:,.0f} to {_HIGHEST_M:,.0f} m",
            mend="export it again and let it say which number stands for nothing (nodata)",
        )
