"""The record of a dig: every run of `progress`, in a GeoPackage that any GIS opens.

One transaction holds a run with its figures and areas: it is there whole or not at all, whoever
else writes and whatever ends the process (SQLite, "Atomic Commit In SQLite"). The layout is that of
GeoPackage 1.3 (OGC 12-128r17): clauses 1.1.1 (header), 2.1.2 (contents), 2.1.3 (geometry blobs).
"""

import datetime as dt
import hashlib
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

import shapely

from terrain.errors import OutputError, Place
from terrain.exchange.grids import Coordinates, coordinates_of
from terrain.whole import cannot_write

if TYPE_CHECKING:
    from terrain.progress import DayProgress, Figures, Patch, Progress
    from terrain.site import Site

APPLICATION_ID = 0x47504B47  # "GPKG"
USER_VERSION = 10300
WAIT_S = 30.0  # for another writer
RUNS, FIGURES, AREAS = "progress_runs", "progress_figures", "progress_areas"
OWN_SRS_ID = 100_001  # of a coordinate system without a code in a register
_MAGIC = b"SQLite format 3\x00"
_UNDEFINED = -1  # GeoPackage's own word for plan coordinates of no system

Value: TypeAlias = str | int | float | None

_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],'
    'PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433],AUTHORITY["EPSG","4326"]]'
)
_CORE = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
"""
_FIGURES = (
    *("planned_m3", "dug_m3", "dug_pm_m3", "left_m3", "left_pm_m3", "reached_share"),
    *("too_deep_m2", "too_deep_m3", "too_deep_pm_m3", "too_deep_m"),
    *("too_high_m2", "too_high_m3", "too_high_m", "came_back_m3"),
    *("fill_planned_m3", "fill_placed_m3"),
)
_OF_RUN = (
    *("tolerance_m", "covers_share", "taken_m3", "outside_m2", "outside_m3", "outside_m"),
    *("loads_sent", "loads_foretold", "swell", "swell_low", "swell_high"),
)
_KEY = ("site", "survey", "day", "content")
_TABLES = {
    RUNS: {
        **dict.fromkeys(("site", "survey"), "TEXT NOT NULL"),
        "day": "DATE NOT NULL",
        "content": "TEXT NOT NULL",
        "recorded_at": "DATETIME NOT NULL",
        "program": "TEXT NOT NULL",
        **dict.fromkeys((*_OF_RUN, *_FIGURES), "DOUBLE"),
    },
    FIGURES: {
        "run": "INTEGER NOT NULL",
        "survey": "TEXT NOT NULL",
        "day": "DATE NOT NULL",
        "element": "TEXT NOT NULL",
        **dict.fromkeys(_FIGURES, "DOUBLE"),
    },
    AREAS: {
        "geom": "MULTIPOLYGON",
        "run": "INTEGER NOT NULL",
        "survey": "TEXT NOT NULL",
        "day": "DATE NOT NULL",
        "kind": "TEXT NOT NULL",
        "element": "TEXT",
        **dict.fromkeys(("area_m2", "most_m", "volume_m3"), "DOUBLE"),
    },
}


@dataclass(frozen=True)
class Area:
    """A place to look at, in true coordinates, m, with what is said of it."""

    region: shapely.Polygon | shapely.MultiPolygon
    told: Mapping[str, Value]


@dataclass(frozen=True)
class Run:
    """What one survey told: `site`, `survey`, `day` and `content` are its identity.

    Attributes
    ----------
    content
        Hash of the survey's file.
    told
        Columns of the run.
    figures
        Columns of each element.
    areas
        Places to look at.
    """

    site: str
    survey: str
    day: str
    content: str
    told: Mapping[str, Value]
    figures: Sequence[Mapping[str, Value]]
    areas: Iterable[Area]


def record_progress(path: Path, site: "Site", progress: "Progress") -> Path:
    """Record every survey of a dig; one that is recorded already is told anew.

    Raises
    ------
    OutputError
        The file is damaged, another program's, in use, or cannot be written.
    """
    runs = [_run_of(site, progress, day) for day in progress.days]
    return record_runs(path, runs, coordinates=coordinates_of(site.plan.site.crs, site.unit))


def record_runs(path: Path, runs: Sequence[Run], *, coordinates: Coordinates) -> Path:
    """Record runs in one transaction.

    Raises
    ------
    OutputError
        The file is damaged, another program's, in use, or cannot be written.
    """
    _check_head(path)
    with _writing(path) as base:
        srs_id = _prepare(base, path, coordinates)
        for run in runs:
            _put(base, run, coordinates, srs_id)
    return path


def _run_of(site: "Site", progress: "Progress", day: "DayProgress") -> Run:
    content = hashlib.sha256()
    for table in day.surveys:
        content.update((site.folder / table.file).read_bytes())
    trucked = day.trucked
    swell = None if trucked is None else trucked.swell
    told: dict[str, Value] = {
        "tolerance_m": progress.tolerance_m,
        "covers_share": day.covers_share,
        "taken_m3": day.taken_m3,
        "outside_m2": day.outside_m2,
        "outside_m3": day.outside_m3,
        "outside_m": day.outside_m,
        "loads_sent": None if trucked is None else trucked.sent.loads,
        "loads_foretold": None if trucked is None else trucked.foretold.likely,
        "swell": None if swell is None else swell.likely,
        "swell_low": None if swell is None else swell.low,
        "swell_high": None if swell is None else swell.high,
    }
    return Run(
        site=site.name,
        survey=" + ".join(table.name for table in day.surveys),
        day=day.day.isoformat(),
        content=content.hexdigest(),
        told={**told, **_columns(day.whole)},
        figures=[{"element": each.name, **_columns(each)} for each in day.elements],
        areas=[_area(patch, site) for patch in day.patches],
    )


def _columns(figures: "Figures") -> dict[str, Value]:
    return {name: getattr(figures, name) for name in _FIGURES}


def _area(patch: "Patch", site: "Site") -> Area:
    region = shapely.transform(patch.region, lambda xy: xy + site.origin)
    told: dict[str, Value] = {
        "kind": patch.kind,
        "element": patch.element,
        "area_m2": patch.area_m2,
        "most_m": patch.most_m,
        "volume_m3": patch.volume_m3,
    }
    return Area(region, told)


def _check_head(path: Path) -> None:
    """Refuse what is no SQLite file before SQLite sees it; an empty file is a new one."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            return
        with path.open("rb") as source:
            head = source.read(len(_MAGIC))
    except OSError as error:
        raise cannot_write(path, error.strerror or str(error)) from None
    if head and head != _MAGIC:
        raise _foreign(path, f"it begins with {head[:8]!r}")


@contextmanager
def _writing(path: Path) -> Iterator[sqlite3.Connection]:
    """One transaction, which no other writer shares; undone if anything fails within it."""
    try:
        with closing(sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)) as base:
            base.execute("PRAGMA synchronous = EXTRA")
            base.execute("PRAGMA cache_spill = OFF")  # the file stays as it was until the end
            base.execute("BEGIN IMMEDIATE")
            try:
                yield base
                base.execute("COMMIT")
            except BaseException:
                if base.in_transaction:
                    base.execute("ROLLBACK")
                raise
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise OutputError(
                f"another program has been writing it for {WAIT_S:.0f} s",
                place=Place(path),
                expected="a record that is free to write",
                mend="close it in the program that edits it, then run again",
            ) from None
        raise cannot_write(path, str(error)) from None
    except sqlite3.DatabaseError as error:
        raise _damaged(path, str(error)) from None


def _prepare(base: sqlite3.Connection, path: Path, coordinates: Coordinates) -> int:
    """Make the tables in a new file, or check those of an old one; its coordinate system's id."""
    srs_id, srs = _system(coordinates)
    names = {name for (name,) in base.execute("SELECT name FROM sqlite_master")}
    if not names:
        _create(base, srs_id, srs)
        return srs_id
    verdict = str(base.execute("PRAGMA quick_check(1)").fetchone()[0])
    if verdict != "ok":
        raise _damaged(path, verdict.replace("\n", " "))
    if base.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise _foreign(path, "it is an SQLite file, but no GeoPackage")
    if not {*_TABLES, "gpkg_contents", "gpkg_geometry_columns"} <= names:
        raise _foreign(path, "it is a GeoPackage of something else")
    for table, columns in _TABLES.items():
        there = {row[1] for row in base.execute(f"PRAGMA table_info({table})")}
        if there != {"fid", *columns}:
            raise _foreign(path, f"its table {table} has other columns")
    (known,) = base.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (AREAS,)
    ).fetchone()
    if known != srs_id:
        raise OutputError(
            f"the record is in coordinate system {known}, the site now in {srs_id}",
            place=Place(path),
            expected="one coordinate system for all runs",
            mend="move the record to another name and run again; it is made anew",
        )
    return srs_id


def _create(base: sqlite3.Connection, srs_id: int, srs: tuple[Value, ...]) -> None:
    base.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    base.execute(f"PRAGMA user_version = {USER_VERSION}")
    for statement in _CORE.split(";"):
        base.execute(statement)
    systems: list[tuple[Value, ...]] = [
        ("Undefined cartesian", -1, "NONE", -1, "undefined", "plan coordinates of no system"),
        ("Undefined geographic", 0, "NONE", 0, "undefined", "degrees of no system"),
        ("WGS 84", 4326, "EPSG", 4326, _WGS84, "longitude and latitude"),
    ]
    if srs_id not in (-1, 0, 4326):
        systems.append(srs)
    base.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", systems)
    told = {RUNS: "surveys made while digging", FIGURES: "by element", AREAS: "places to look at"}
    for table, columns in _TABLES.items():
        listed = ", ".join(f"{name} {kind}" for name, kind in columns.items())
        unique = f", UNIQUE ({', '.join(_KEY)})" if table == RUNS else ""
        base.execute(
            f"CREATE TABLE {table} (fid INTEGER PRIMARY KEY AUTOINCREMENT, {listed}{unique})"
        )
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
            "VALUES (?, ?, ?, ?, ?)",
            (
                *(table, "features" if table == AREAS else "attributes", table, told[table]),
                srs_id if table == AREAS else None,
            ),
        )
    base.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', 'MULTIPOLYGON', ?, 0, 0)",
        (AREAS, srs_id),
    )


def _system(coordinates: Coordinates) -> tuple[int, tuple[Value, ...]]:
    """Id and row of the coordinate system."""
    if coordinates.crs is None:
        return _UNDEFINED, ()
    from terrain.survey.place import crs_named  # noqa: PLC0415 - loads pyproj

    crs = crs_named(coordinates.crs)
    known = crs.to_authority(min_confidence=100)
    organization, code = known if known and known[1].isdigit() else ("NONE", str(OWN_SRS_ID))
    definition = crs.to_wkt("WKT1_GDAL") or crs.to_wkt()
    return int(code), (crs.name, int(code), organization, int(code), definition, None)


def _put(base: sqlite3.Connection, run: Run, coordinates: Coordinates, srs_id: int) -> None:
    """Write a run in the place of what was told of the same survey before."""
    key = (run.site, run.survey, run.day, run.content)
    now = dt.datetime.now(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"
    told = {
        **dict(zip(_KEY, key, strict=True)),
        "recorded_at": now,
        "program": f"tarnwright {version('tarnwright')}",
        **run.told,
    }
    same = " AND ".join(f"{name} = ?" for name in _KEY)
    found = base.execute(f"SELECT fid FROM {RUNS} WHERE {same}", key).fetchone()
    if found is None:
        fid = _insert(base, RUNS, told)
    else:
        (fid,) = found
        columns = ", ".join(f"{name} = ?" for name in told)
        base.execute(f"UPDATE {RUNS} SET {columns} WHERE fid = ?", (*told.values(), fid))
        for table in (FIGURES, AREAS):
            base.execute(f"DELETE FROM {table} WHERE run = ?", (fid,))
    of_run: dict[str, Value] = {"run": fid, "survey": run.survey, "day": run.day}
    for each in run.figures:
        _insert(base, FIGURES, {**of_run, **each})
    for area in run.areas:
        region = shapely.transform(area.region, coordinates.numbers)
        _insert(base, AREAS, {"geom": geometry_blob(region, srs_id), **of_run, **area.told})
        _widen(base, region.bounds)
    base.execute("UPDATE gpkg_contents SET last_change = ?", (now,))


def _insert(base: sqlite3.Connection, table: str, told: Mapping[str, Value | bytes]) -> int:
    marks = ", ".join("?" * len(told))
    row = base.execute(
        f"INSERT INTO {table} ({', '.join(told)}) VALUES ({marks})", tuple(told.values())
    )
    assert row.lastrowid is not None
    return row.lastrowid


def _widen(base: sqlite3.Connection, bounds: tuple[float, float, float, float]) -> None:
    """Let the extent of the layer hold an area."""
    base.execute(
        "UPDATE gpkg_contents SET min_x = min(ifnull(min_x, ?1), ?1), "
        "min_y = min(ifnull(min_y, ?2), ?2), max_x = max(ifnull(max_x, ?3), ?3), "
        "max_y = max(ifnull(max_y, ?4), ?4) WHERE table_name = ?5",
        (*bounds, AREAS),
    )


def geometry_blob(region: shapely.Polygon | shapely.MultiPolygon, srs_id: int) -> bytes:
    """A region as GeoPackage holds it: header with its box, little-endian, then ISO WKB."""
    whole = shapely.MultiPolygon(list(getattr(region, "geoms", [region])))
    west, south, east, north = whole.bounds
    head = struct.pack("<2sBBi4d", b"GP", 0, 0b00000011, srs_id, west, east, south, north)
    wkb: bytes = shapely.to_wkb(whole, byte_order=1, flavor="iso", output_dimension=2)
    return head + wkb


def _damaged(path: Path, why: str) -> OutputError:
    return OutputError(
        f"the record is damaged: {why}",
        place=Place(path),
        expected="the whole GeoPackage that an earlier run left, or no file",
        mend="move it away and run again: the record is made anew from the surveys of the plan",
    )


def _foreign(path: Path, why: str) -> OutputError:
    return OutputError(
        f"this is no record of a dig: {why}",
        place=Place(path),
        expected="a record that `tarnwright progress` wrote, or no file",
        mend="move it to another name, or choose another folder with --out; it was left as it is",
    )
