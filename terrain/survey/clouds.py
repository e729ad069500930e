"""Point clouds in LAS, LAZ and COPC files, read in pieces."""

import logging
import struct
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import laspy
import lazrs
import numpy as np
import pyproj
from numpy.typing import NDArray

from terrain.arrays import FloatArray, Int32Array
from terrain.errors import Place, SurveyError, UnitError
from terrain.survey.opening import cannot_open
from terrain.units import FOOT, METRE, US_SURVEY_FOOT, Unit

if TYPE_CHECKING:
    from pyproj._crs import Axis
    from pyproj.crs import CRS

logging.getLogger("laspy").addHandler(logging.NullHandler())  # its complaints become our errors

GROUND_CLASS = 2  # ASPRS LAS specification, standard point classes
NOISE_CLASSES = (7, 18)  # low and high noise, same table
_GEOKEYS = 34735  # GeoTIFF key directory, LAS specification, "Georeferencing information"
_PLAN_UNIT_KEY, _HEIGHT_UNIT_KEY = 3076, 4099  # projected and vertical linear units, GeoTIFF 1.1
_EPSG_UNITS = {9001: METRE, 9002: FOOT, 9003: US_SURVEY_FOOT}  # EPSG units of measure
_SHORTEST_HEADER, _LONGEST_HEADER = 227, 375  # LAS 1.0 and 1.4
_RECORD_HEADER = 54  # bytes before the content of each record
_MEND_COPY = "copy or export the file again; nothing of it was used"


@dataclass(frozen=True)
class CloudHeader:
    """What a cloud says of itself before its points are read.

    Attributes
    ----------
    source
        The file.
    count
        Points promised.
    lower, upper
        Corners of the box around the points, in metres if `unit` is known, otherwise as written.
    unit, height_unit
        Units of plan coordinates and of heights that the file's coordinate system states; None if
        it does not say.
    crs
        Name of the coordinate system; None if there is none.
    wkt
        Its definition as well-known text; None if there is none.
    point_format, version
        LAS point record format and version.
    """

    source: Path
    count: int
    lower: tuple[float, float, float]
    upper: tuple[float, float, float]
    unit: Unit | None
    height_unit: Unit | None
    crs: str | None
    wkt: str | None
    point_format: int
    version: str


@dataclass(frozen=True)
class CloudChunk:
    """Points in the order of the file: (n, 3) metres, and their (n,) classes."""

    xyz: FloatArray
    classification: NDArray[np.uint8]


@dataclass(frozen=True)
class RawScale:
    """Metres from the whole numbers of a file: `number * scale + offset` on each axis."""

    scale: FloatArray
    offset: FloatArray


@dataclass(frozen=True)
class RawChunk:
    """Points as the whole numbers of the file, each array (n,); `withheld` are not to be used.

    `x`, `y` and `z` look into the records as they were read: no copies.
    """

    x: Int32Array
    y: Int32Array
    z: Int32Array
    classification: NDArray[np.uint8]
    withheld: NDArray[np.bool_]


def cloud_header(path: Path) -> CloudHeader:
    """Read the header of a cloud, without its points.

    Raises
    ------
    SurveyError
        The file is missing, empty, not LAS, cut short, or in degrees.
    UnitError
        The file names two units.
    """
    path = Path(path)
    with _open(path) as reader:
        header = reader.header
        crs = _crs(header)
        unit, height_unit = _units(path, header, crs)
        metres = unit.metres if unit else 1.0
        up = height_unit.metres if height_unit else metres
        return CloudHeader(
            source=path,
            count=int(header.point_count),
            lower=_corner(header.mins, metres, up),
            upper=_corner(header.maxs, metres, up),
            unit=unit,
            height_unit=height_unit,
            crs=crs.name if crs else None,
            wkt=crs.to_wkt() if crs else None,
            point_format=int(header.point_format.id),
            version=str(header.version),
        )


def _corner(written: FloatArray, metres: float, up: float) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in written)
    return x * metres, y * metres, z * up


def cloud_chunks(path: Path, *, unit: Unit, size: int = 1_000_000) -> Iterator[CloudChunk]:
    """Read the points of a cloud in pieces of at most `size`.

    Parameters
    ----------
    path
        LAS or LAZ (COPC included).
    unit
        Unit of the coordinates; a coordinate system in the file that names another is an error.

    Raises
    ------
    SurveyError
        The file cannot be read to its end.
    UnitError
        The file is in another unit.
    """
    scale = raw_scale(path, unit=unit)
    for raw in raw_chunks(path, size=size):
        xyz = np.empty((raw.x.size, 3))
        for axis, numbers in enumerate((raw.x, raw.y, raw.z)):
            np.multiply(numbers, scale.scale[axis], out=xyz[:, axis])
        xyz += scale.offset
        yield CloudChunk(xyz, raw.classification)


def raw_scale(path: Path, *, unit: Unit) -> RawScale:
    """Metres from the whole numbers of a cloud that is in `unit`.

    Heights are in the same unit, unless the file's coordinate system gives them one of their own.

    Raises
    ------
    UnitError
        The file is in another unit.
    """
    header = cloud_header(path)
    said = header.unit
    if said is not None and said.key != unit.key:
        raise UnitError(
            f"the cloud's coordinate system is in {said.key!r}, the plan in {unit.key!r}",
            place=Place(path),
            expected=f"a cloud in {unit.plural}, the unit of the plan",
            mend=f"set unit = {said.key!r} under this [[survey]], or transform the cloud",
        )
    up = header.height_unit or unit
    metres = np.array([unit.metres, unit.metres, up.metres])
    with _open(Path(path)) as reader:
        return RawScale(
            np.asarray(reader.header.scales, dtype=np.float64) * metres,
            np.asarray(reader.header.offsets, dtype=np.float64) * metres,
        )


def raw_chunks(path: Path, *, size: int = 1_000_000) -> Iterator[RawChunk]:
    """Read the whole numbers of a cloud in pieces of at most `size` points.

    Raises
    ------
    SurveyError
        The file cannot be read to its end.
    """
    path = Path(path)
    with _open(path) as reader:
        promised, read = int(reader.header.point_count), 0
        while read < promised:
            try:
                points = reader.read_points(min(size, promised - read))
            except (lazrs.LazrsError, laspy.LaspyException, ValueError, OSError) as error:
                raise _cut_short(path, promised, read, str(error)) from None
            if len(points) != min(size, promised - read):
                raise _cut_short(path, promised, read + len(points), "it ends early")
            read += len(points)
            yield RawChunk(
                points.X,
                points.Y,
                points.Z,
                np.asarray(points.classification, dtype=np.uint8),
                np.asarray(points.withheld, dtype=np.bool_),
            )


def _open(path: Path) -> laspy.LasReader:
    """Open a cloud and check what can be checked before its points are read."""
    wanted = (
        laspy.DecompressionSelection.XY_RETURNS_CHANNEL
        | laspy.DecompressionSelection.Z
        | laspy.DecompressionSelection.CLASSIFICATION
        | laspy.DecompressionSelection.FLAGS
    )
    source = _source(path)
    try:
        _check_header(path, source)
        reader = laspy.LasReader(
            source,
            laz_backend=laspy.LazBackend.LazrsParallel,
            decompression_selection=wanted,
        )
    except SurveyError:
        source.close()
        raise
    except Exception as error:
        # laspy meets a broken header with whatever its parsing stumbles over.
        source.close()
        raise _bad_header(path, str(error)) from error
    try:
        _check_length(path, reader.header)
    except SurveyError:
        source.close()
        raise
    return reader


def _source(path: Path) -> BinaryIO:
    expected = "a LAS or LAZ file"
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise SurveyError(
                "this is a folder", place=Place(path), expected=expected, mend="name a file in it"
            )
        source = path.open("rb")
    except OSError as error:
        raise cannot_open(path, error, "cloud") from None
    signature = source.read(4)
    source.seek(0)
    if size and signature == b"LASF":
        return source
    source.close()
    raise SurveyError(
        f"not a LAS file, it begins with {signature!r}" if size else "the file is empty",
        place=Place(path),
        expected=expected,
        mend="export the cloud as LAS or LAZ",
    )


def _bad_header(path: Path, why: str) -> SurveyError:
    return SurveyError(
        f"the header cannot be understood: {why}",
        place=Place(path),
        expected="a LAS or LAZ file of version 1.0 to 1.4",
        mend=_MEND_COPY,
    )


def _check_header(path: Path, source: BinaryIO) -> None:
    """Refuse records that cannot fit in the file: laspy would look for each of them.

    Positions from the LAS 1.4 specification, public header block.
    """
    size = path.stat().st_size
    head = source.read(_LONGEST_HEADER)
    source.seek(0)
    if len(head) < _SHORTEST_HEADER:
        raise _bad_header(path, f"the file has only {size:,} bytes")
    header_size, points_at, records = struct.unpack_from("<HII", head, 94)
    if not _SHORTEST_HEADER <= header_size <= points_at <= size:
        raise _bad_header(path, f"its points would begin at byte {points_at:,} of {size:,}")
    if records * _RECORD_HEADER > points_at - header_size:
        raise _bad_header(path, f"{records:,} records do not fit before the points")
    if head[25] >= 4 and len(head) == _LONGEST_HEADER:
        at, more = struct.unpack_from("<QI", head, 235)
        if more and (at > size or more * _RECORD_HEADER > size - at):
            (promised,) = struct.unpack_from("<Q", head, 247)
            why = f"it ends at byte {size:,}, before its last {more:,} records"
            raise _cut_short(path, promised, 0, why)


def _check_length(path: Path, header: laspy.LasHeader) -> None:
    if header.point_count == 0:
        raise SurveyError(
            "the cloud has no points",
            place=Place(path),
            expected="at least 3 points",
            mend="export the cloud again",
        )
    size = path.stat().st_size
    start = int(header.offset_to_point_data)
    record = int(header.point_format.size)
    if not header.are_points_compressed:
        found = max(0, size - start) // record
        if found < header.point_count:
            raise _cut_short(path, int(header.point_count), found, f"it ends at byte {size:,}")
        return
    with path.open("rb") as source:
        index, chunks = _chunk_table(source, start, size)
    if chunks is None:
        begins = f", which should begin at byte {index:,}" if index > 0 else ""
        why = f"it ends at byte {size:,}, before the index of its points{begins}"
        raise _cut_short(path, int(header.point_count), 0, why)
    if not 0 < chunks <= header.point_count:
        raise _cut_short(
            path, int(header.point_count), 0, f"the index of its points has {chunks:,} entries"
        )


def _chunk_table(source: BinaryIO, start: int, size: int) -> tuple[int, int | None]:
    """Where the index of compressed points begins, and how many entries it has.

    LAZ: the points begin with the position of the index, or with −1 if the last eight bytes of
    the file have it; the index begins with a version and a count. A wrong count would end the
    process in the decoder.
    """
    index = -1
    for place in (start, size - 8):
        if index == -1 and start <= place <= size - 8:
            source.seek(place)
            (index,) = struct.unpack("<q", source.read(8))
    if not start < index <= size - 8:
        return index, None
    source.seek(index)
    version, chunks = struct.unpack("<II", source.read(8))
    return index, chunks if version == 0 else 0


def _cut_short(path: Path, promised: int, found: int, why: str) -> SurveyError:
    return SurveyError(
        f"the cloud is cut short or damaged: {found:,} of {promised:,} points could be "
        f"read ({why})",
        place=Place(path),
        expected=f"{promised:,} points, as its header promises",
        mend=_MEND_COPY,
    )


def _crs(header: laspy.LasHeader) -> "CRS | None":
    with suppress(pyproj.exceptions.CRSError, ValueError, KeyError, struct.error):
        crs: CRS | None = header.parse_crs()
        return crs
    return None


def _units(
    path: Path, header: laspy.LasHeader, crs: "CRS | None"
) -> tuple[Unit | None, Unit | None]:
    """Return the units of plan and height that the coordinate system or the GeoTIFF keys name."""
    if crs is not None and crs.is_geographic:
        raise SurveyError(
            f"the coordinates are degrees ({crs.name}), which are not lengths",
            place=Place(path),
            expected="a projected coordinate system",
            mend="project the cloud, to the UTM zone or the state plane of the site for example",
        )
    axes = crs.axis_info if crs is not None else []
    plan = _geokey_units(header, _PLAN_UNIT_KEY) + [_unit_of(axis) for axis in axes[:2]]
    up = _geokey_units(header, _HEIGHT_UNIT_KEY) + [_unit_of(axis) for axis in axes[2:]]
    return _one_of(path, plan, "easting and northing"), _one_of(path, up, "heights")


def _one_of(path: Path, named: list[Unit | None], what: str) -> Unit | None:
    known = {unit.key: unit for unit in named if unit is not None}
    if len(known) > 1:
        raise UnitError(
            f"the cloud's coordinate system names {' and '.join(sorted(known))} for {what}",
            place=Place(path),
            expected="one unit",
            mend="transform the cloud to one unit",
        )
    return next(iter(known.values()), None)


def _unit_of(axis: "Axis") -> Unit | None:
    for unit in (METRE, FOOT, US_SURVEY_FOOT):
        if abs(axis.unit_conversion_factor / unit.metres - 1) < 1e-7:  # the two feet differ by 2e-6
            return unit
    return None


def _geokey_units(header: laspy.LasHeader, wanted: int) -> list[Unit | None]:
    units: list[Unit | None] = []
    for record in header.vlrs:
        if getattr(record, "record_id", None) == _GEOKEYS and hasattr(record, "geo_keys"):
            units += [
                _EPSG_UNITS.get(int(key.value_offset))
                for key in record.geo_keys
                if key.id == wanted
            ]
    return units
