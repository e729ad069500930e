"""Lines of GeoJSON and GeoPackage: every vertex at its place, or a message."""

import json
import sqlite3
import warnings
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import shapely
from fuzzing import cut, read_or_told, torn
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyogrio import raw

from terrain.errors import SurveyError, TerrainError
from terrain.survey.codes import Role
from terrain.survey.lines import Line, Lines, lines_to_spots, read_lines
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

TOP = [
    [500_000.0, 4_000_000.0, 10.0],
    [500_010.0, 4_000_000.5, 11.0],
    [500_020.0, 4_000_003.0, 12.0],
]
EDGE = [[0.0, 0.0], [40.0, 0.0], [40.0, 30.0], [0.0, 30.0], [0.0, 0.0]]
ISLAND = [[10.0, 10.0], [10.0, 20.0], [20.0, 20.0], [20.0, 10.0], [10.0, 10.0]]
UTM = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26915"}}


def feature(kind="LineString", coordinates=TOP, **more):
    properties = more.pop("properties", {})
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": properties, "geometry": geometry} | more


def save(folder: Path, *features, crs=None, name="a.geojson"):
    document = {"type": "FeatureCollection", "features": list(features)}
    path = folder / name
    path.write_text(json.dumps(document | ({"crs": crs} if crs else {})))
    return path


def package(path: Path, shapes, *, crs="EPSG:26915", layer="lines", append=False, **columns):
    wkb = shapely.to_wkb(np.array(shapes, dtype=object), output_dimension=3, flavor="iso")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that a coordinate system is missing
        raw.write(
            path, wkb, [np.array(column) for column in columns.values()], list(columns),
            geometry_type="Unknown", crs=crs, layer=layer, append=append, driver="GPKG",
        )  # fmt: skip
    return path


# --- geometry ------------------------------------------------------------------------------------


def test_every_kind_of_geometry(tmp_path):
    hole = {
        "type": "GeometryCollection",
        "geometries": [{"type": "Point", "coordinates": [7, 8, 9]}],
    }
    path = save(
        tmp_path,
        feature(),
        feature("MultiLineString", [TOP[:2], [[1, 2], [3, 4]]]),
        feature("Polygon", [EDGE, ISLAND]),
        feature("MultiPolygon", [[EDGE], [ISLAND]]),
        feature("Point", [1.0, 2.0, 3.0]),
        feature("MultiPoint", [[1.0, 2.0], [3, 4]]),
        {"type": "Feature", "properties": None, "geometry": None},
        {"type": "Feature", "geometry": hole},
        feature("LineString", [[*corner, 5] for corner in EDGE]),
        feature("MultiLineString", []),
    )
    lines = read_lines(path, unit=METRE).lines
    assert [line.feature for line in lines] == [1, 2, 2, 3, 3, 4, 4, 5, 6, 6, 8, 9]
    assert [line.closed for line in lines] == [False] * 3 + [True] * 4 + [False] * 4 + [True]
    assert [line.hole for line in lines].index(True) == 4
    np.testing.assert_array_equal(lines[0].xyz, TOP)
    np.testing.assert_array_equal(lines[2].xyz, [[1, 2, np.nan], [3, 4, np.nan]])
    np.testing.assert_array_equal(lines[3].xyz[:, :2], EDGE[:-1])  # the first corner once
    np.testing.assert_array_equal(lines[4].xyz[:, :2], ISLAND[:-1])
    np.testing.assert_array_equal(lines[10].xyz, [[7, 8, 9]])
    np.testing.assert_array_equal(lines[11].xyz, [[*corner, 5] for corner in EDGE[:-1]])


def test_a_bare_geometry_and_a_bare_feature(tmp_path):
    path = tmp_path / "a.json"
    for document in ({"type": "LineString", "coordinates": TOP}, feature()):
        path.write_text("\ufeff" + json.dumps(document), encoding="utf-8")
        (line,) = read_lines(path, unit=METRE).lines
        np.testing.assert_array_equal(line.xyz, TOP)


@pytest.mark.parametrize(
    ("properties", "more", "code", "name"),
    [
        ({"CODE": "TB1", "Name": "top"}, {}, "TB1", "top"),
        ({"Layer": " TB ", "type": "x"}, {}, "TB", "1"),
        ({"code": None, "TYPE": "WE"}, {"id": 77}, "WE", "77"),
        ({"code": 12.0, "name": 3}, {"id": "a"}, "12", "3"),
        ({}, {}, "", "1"),
    ],
)
def test_codes_and_names(tmp_path, properties, more, code, name):
    path = save(tmp_path, feature(properties=properties, **more))
    (line,) = read_lines(path, unit=METRE).lines
    assert (line.code, line.name) == (code, name)


def test_geojson_as_gdal_reads_it(tmp_path):
    """An independent reader: the same vertices, from pyogrio."""
    rng = np.random.default_rng(5)
    tracks = [(rng.random((n, 3)) * [50, 40, 9] + [5e5, 4e6, 100]).tolist() for n in (2, 9, 30)]
    path = save(tmp_path, *(feature(coordinates=track) for track in tracks), crs=UTM)
    meta, _, wkb, _ = raw.read(path)
    ours = read_lines(path, unit=METRE)
    assert ours.crs == meta["crs"] == "EPSG:26915"
    for line, theirs in zip(ours.lines, shapely.from_wkb(wkb), strict=True):
        np.testing.assert_array_equal(line.xyz, shapely.get_coordinates(theirs, include_z=True))


def test_a_geopackage(tmp_path):
    shapes = [
        shapely.LineString(TOP),
        shapely.Polygon(EDGE, [ISLAND]),
        None,
        shapely.MultiLineString([TOP[:2], TOP[1:]]),
        shapely.Point(1, 2, 3),
        shapely.LineString(),
    ]
    path = package(
        tmp_path / "a.gpkg", shapes, Code=["TB1", "WE", "", "TB2", "GS", ""], NAME=list("abcdef")
    )
    found = read_lines(path, unit=FOOT)
    assert (found.unit, found.crs, found.degrees) == (METRE, "EPSG:26915", False)
    assert [line.code for line in found.lines] == ["TB1", "WE", "WE", "TB2", "TB2", "GS"]
    assert [line.name for line in found.lines] == list("abbdde")
    np.testing.assert_array_equal(found.lines[0].xyz, TOP)
    np.testing.assert_array_equal(found.lines[1].xyz[:, :2], EDGE[:-1])
    assert np.isnan(found.lines[1].xyz[:, 2]).all()
    assert found.lines[2].hole
    np.testing.assert_array_equal(found.lines[5].xyz, [[1, 2, 3]])


def test_the_layer_of_a_geopackage(tmp_path):
    path = package(tmp_path / "a.gpkg", [shapely.LineString(TOP)], layer="breaks", A=["x"])
    package(path, [shapely.Point(1, 2, 3)] * 2, layer='my "pins"', append=True, A=["x", "y"])
    assert len(read_lines(path, unit=METRE, layer='my "pins"').lines) == 2
    with pytest.raises(SurveyError, match=r"(?s)2 layers.*'breaks'"):
        read_lines(path, unit=METRE)
    with pytest.raises(SurveyError, match=r"(?s)no layer 'break'.*mean 'breaks'"):
        read_lines(path, unit=METRE, layer="break")
    with pytest.raises(SurveyError, match="no layer 'x'"):
        read_lines(save(tmp_path, feature()), unit=METRE, layer="x")


def test_reading_leaves_nothing_beside(tmp_path):
    path = package(tmp_path / "a.gpkg", [shapely.LineString(TOP)], A=["x"])
    before = path.read_bytes()
    read_lines(path, unit=METRE)
    assert path.read_bytes() == before
    assert [item.name for item in tmp_path.iterdir()] == ["a.gpkg"]


# --- units and place -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "metres", "unit"),
    [
        ("urn:ogc:def:crs:EPSG::26915", 1.0, METRE),
        ("EPSG:2277", 1200 / 3937, US_SURVEY_FOOT),
        ("EPSG:2222", 0.3048, FOOT),  # NAD83 / Arizona East (ft)
    ],
)
def test_the_unit_of_a_named_system_holds(tmp_path, code, metres, unit):
    crs = {"type": "name", "properties": {"name": code}}
    found = read_lines(save(tmp_path, feature(), crs=crs), unit=METRE)
    np.testing.assert_allclose(found.lines[0].xyz, np.array(TOP) * metres, rtol=1e-15)
    assert (found.unit, found.crs, found.degrees) == (
        unit,
        "EPSG:" + code.rpartition(":")[2],
        False,
    )


@pytest.mark.parametrize("unit", [METRE, FOOT, US_SURVEY_FOOT])
def test_without_a_system_the_unit_of_the_plan_holds(tmp_path, unit):
    found = read_lines(save(tmp_path, feature()), unit=unit)
    np.testing.assert_allclose(found.lines[0].xyz, np.array(TOP) * unit.metres, rtol=1e-15)
    assert (found.unit, found.crs, found.degrees) == (None, None, False)


POND = np.array([[-93.91, 46.51, 390.0], [-93.9102, 46.5103, 391.0]])


@pytest.mark.parametrize(
    ("coordinates", "crs", "degrees"),
    [
        (POND, None, True),  # RFC 7946, section 4
        (POND, "urn:ogc:def:crs:OGC:1.3:CRS84", True),
        (POND, "EPSG:26915", False),
        (EDGE, None, False),  # a site with its own grid also fits on the globe
        (TOP, None, False),
        ([[10.0, 20.0, 3.0]], None, False),  # one point is no evidence
    ],
)
def test_degrees_are_told_from_lengths(tmp_path, coordinates, crs, degrees):
    coordinates = np.array(coordinates).tolist()
    kind, given = ("LineString", coordinates) if len(coordinates) > 1 else ("Point", coordinates[0])
    member = {"type": "name", "properties": {"name": crs}} if crs else None
    found = read_lines(save(tmp_path, feature(kind, given), crs=member), unit=FOOT)
    assert found.degrees == degrees
    if degrees:
        np.testing.assert_array_equal(found.lines[0].xyz, coordinates)  # heights in metres
        assert found.crs in ("EPSG:4326", "OGC:CRS84")
        with pytest.raises(SurveyError, match="in degrees"):
            lines_to_spots(found, {})


def test_degrees_off_the_globe(tmp_path):
    crs = {"type": "name", "properties": {"name": "EPSG:4326"}}
    with pytest.raises(SurveyError, match="longitude 500000, latitude 4e\\+06 is not on the globe"):
        read_lines(save(tmp_path, feature(), crs=crs), unit=METRE)


def test_a_geopackage_without_a_system(tmp_path):
    path = package(tmp_path / "a.gpkg", [shapely.LineString(TOP)], crs=None, A=["x"])
    for identity in (-1, 0, 99999):  # undefined in plan, undefined in degrees, unknown
        with closing(sqlite3.connect(path)) as base:
            base.execute("UPDATE gpkg_geometry_columns SET srs_id = ?", (identity,))
            base.execute("UPDATE gpkg_contents SET srs_id = ?", (identity,))
            base.commit()
        found = read_lines(path, unit=FOOT)
        assert (found.unit, found.crs) == (None, None)
        np.testing.assert_allclose(found.lines[0].xyz, np.array(TOP) * 0.3048, rtol=1e-15)


# --- files that are refused ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "torn or no JSON"),
        ('{"type": "FeatureCollection",\n "features": [', r"line 2.*torn"),
        ("[1, 2]", "no GeoJSON"),
        ('{"type": "FeatureCollection"}', "no list of features"),
        ('{"type": "FeatureCollection", "features": []}', "no lines"),
        ('{"type": "FeatureCollection", "features": [3]}', "feature 1.*no feature"),
        ('{"type": "CircularString", "coordinates": [[1,2],[3,4]]}', "'CircularString'"),
        ('{"type": "LineString", "coordinates": [[1,2]]}', "line of one point"),
        ('{"type": "LineString", "coordinates": [[1,2],["3",4]]}', "LineString are not numbers"),
        ('{"type": "LineString", "coordinates": [[1,2],[null,4]]}', "are not numbers"),
        ('{"type": "LineString", "coordinates": [[1,2],[true,4]]}', "are not numbers"),
        ('{"type": "LineString", "coordinates": [[1,2],[1e999,4]]}', "are not numbers"),
        ('{"type": "LineString", "coordinates": [[1,2],[NaN,4]]}', "no JSON"),
        ('{"type": "LineString", "coordinates": [[1,2],[1%s,4]]}' % ("0" * 400), "are not numbers"),
        ('{"type": "LineString", "coordinates": {"a": 1}}', "are not numbers"),
        ('{"type": "LineString"}', "are not numbers"),
        ('{"type": "Polygon", "coordinates": [[[0,0],[1,0],[1,1],[0,1]]]}', "not closed rings"),
        ('{"type": "Polygon", "coordinates": [[[0,0],[1,0],[0,0]]]}', "not closed rings"),
        ('{"type": "Point", "coordinates": [1,2], "crs": {}}', "no coordinate system"),
        ('{"type": "Point", "coordinates": [1,2], "crs": {"properties": {"name": "EPSG:0"}}}',
         "'EPSG:0' is not known"),
        ("[" * 100_000, "no JSON text"),
        (b"\xff\xfe{", "no JSON text"),
    ],
)  # fmt: skip
def test_geojson_refused(tmp_path, text, says):
    path = tmp_path / "a.geojson"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(SurveyError, match=f"(?s){says}"):
        read_lines(path, unit=METRE)


@pytest.mark.parametrize("name", ["none.geojson", "none.gpkg"])
def test_no_file(tmp_path, name):
    with pytest.raises(SurveyError, match="no such file"):
        read_lines(tmp_path / name, unit=METRE)
    (tmp_path / "folder.gpkg").mkdir()
    with pytest.raises(SurveyError, match="folder"):
        read_lines(tmp_path / "folder.gpkg", unit=METRE)


def test_curves_are_told(tmp_path):
    """A circular string of ISO 13249-3: a GeoPackage may hold it, no line of ours can."""
    path = package(tmp_path / "a.gpkg", [shapely.LineString(TOP)], A=["x"])
    with closing(sqlite3.connect(path)) as base:
        base.executescript("DROP TRIGGER IF EXISTS rtree_lines_geom_update1;")
        for (name,) in base.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        (blob,) = base.execute("SELECT geom FROM lines").fetchone()
        at = blob.index((1002).to_bytes(4, "little"))
        curved = blob[:at] + (1008).to_bytes(4, "little") + blob[at + 4 :]
        base.execute("UPDATE lines SET geom = ?", (curved,))
        base.commit()
    with pytest.raises(SurveyError, match=r"(?s)feature 1.*curves.*straight pieces"):
        read_lines(path, unit=METRE)


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"", "empty"), (b"PK\x03\x04 and more of it", "not a GeoPackage")],
)
def test_geopackages_refused(tmp_path, content, says):
    path = tmp_path / "a.gpkg"
    path.write_bytes(content)
    with pytest.raises(SurveyError, match=says):
        read_lines(path, unit=METRE)


def test_other_databases_are_no_geopackage(tmp_path):
    with closing(sqlite3.connect(tmp_path / "a.gpkg")) as base:
        base.execute("CREATE TABLE plain (a)")
        base.commit()
    with pytest.raises(SurveyError, match="damaged: no such table"):
        read_lines(tmp_path / "a.gpkg", unit=METRE)


def test_a_feature_lost_in_a_page_is_missed(tmp_path):
    """SQLite file format, 1.6: bytes 3 and 4 of a leaf count its rows; two of three read well."""
    shapes = [shapely.LineString(TOP)] * 3
    path = package(tmp_path / "a.gpkg", shapes, A=["x", "y", "z"])
    data = bytearray(path.read_bytes())
    leaf = next(
        at
        for at in range(4096, len(data), 4096)
        if data[at : at + 5] == b"\x0d\x00\x00\x00\x03" and b"GP\x00" in data[at : at + 4096]
    )
    data[leaf + 4] = 2
    path.write_bytes(data)
    with pytest.raises(SurveyError, match="damaged"):
        read_lines(path, unit=METRE)


def test_a_geopackage_that_is_still_being_written(tmp_path):
    path = package(tmp_path / "a.gpkg", [shapely.LineString(TOP)], A=["x"])
    (tmp_path / "a.gpkg-wal").write_bytes(b"pages")
    with pytest.raises(SurveyError, match="not finished"):
        read_lines(path, unit=METRE)


# --- lines that join a survey --------------------------------------------------------------------

ROLES = {"TB": Role.BREAKLINE, "SB": Role.SOFT_BREAKLINE, "WE": Role.OUTLINE, "GS": Role.GROUND,
         "RK": Role.ROCK, "NO": Role.IGNORE}  # fmt: skip
SQUARE = np.array([[0.0, 0, 1], [4, 0, 1], [4, 4, 2], [0, 4, 2]])


def east(xyz, metres):
    return xyz + np.array([metres, 0.0, 0.0])


def lines_of(*lines):
    return Lines(lines, Path("a.gpkg"), METRE, None, degrees=False)


def test_lines_become_shots_and_strings():
    flat = SQUARE * [1, 1, np.nan]
    spots, work = lines_to_spots(
        lines_of(
            Line(SQUARE[:2], closed=False, code="tb1", name="top", feature=1),
            Line(east(flat, 9), closed=True, code="WE", name="pond", feature=2),
            Line(flat, closed=True, code="WE", name="pond", feature=2, hole=True),
            Line(east(SQUARE, 20), closed=True, code="TB2", name="ring", feature=3),
            Line(east(SQUARE[:1], 50), closed=False, code="RK", name="r", feature=4),
            Line(east(SQUARE[:3], 60), closed=False, code="SB", name="s", feature=5),
            Line(east(SQUARE[:2], 70), closed=False, code="NO", name="n", feature=6),
            Line(east(SQUARE[:1], 80), closed=False, code="", name="9", feature=7),
            Line(east(SQUARE[:2], 90), closed=False, code="", name="b", feature=8),
        ),
        ROLES,
    )
    assert spots.xyz[:, 0].tolist() == [
        0,
        4,
        9,
        13,
        13,
        9,
        20,
        24,
        24,
        20,
        50,
        60,
        64,
        64,
        80,
        90,
        94,
    ]
    assert [string.rows.tolist() for string in work.breaklines] == [
        [0, 1], [6, 7, 8, 9, 6], [15, 16]
    ]  # fmt: skip
    assert [string.code for string in work.breaklines] == ["tb1", "TB2", "b"]
    assert [(string.rows.tolist(), string.closed) for string in work.outlines] == [
        ([2, 3, 4, 5], True)
    ]
    assert [string.rows.tolist() for string in work.soft] == [[11, 12, 13]]
    assert {role: rows.tolist() for role, rows in work.apart.items()} == {Role.ROCK: [10]}
    assert np.flatnonzero(~work.ground).tolist() == [2, 3, 4, 5, 10]
    assert np.isfinite(spots.xyz[work.ground]).all()
    assert spots.name[[0, 1, 10]].tolist() == ["top.1", "top.2", "r"]
    assert spots.line[[0, 14]].tolist() == [1, 7]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (Line(SQUARE * [1, 1, np.nan], False, "TB", "top", 4), r"feature 4 \(top\).*no heights"),
        (
            Line(np.array([[0, 0, 1], [1, 1, np.nan]]), False, "TB", "a", 4),
            "its point 2 has no height",
        ),
        (Line(SQUARE[:1] * [1, 1, np.nan], False, "GS", "a", 4), "ground: .*no height"),
        (Line(SQUARE, False, "XY", "a", 4), "unknown code 'XY'"),
        (Line(SQUARE[:1], False, "TB", "a", 4), "breakline with 1 point"),
        (Line(SQUARE[[0, 0]], False, "TB", "a", 4), "breakline with 1 point"),
        (Line(SQUARE[:2], False, "WE", "a", 4), "outline with 2 points"),
    ],
)
def test_lines_that_cannot_join(line, says):
    with pytest.raises(SurveyError, match=f"(?s){says}"):
        lines_to_spots(lines_of(line), ROLES)


# --- damage --------------------------------------------------------------------------------------

JSON = json.dumps(
    {"type": "FeatureCollection", "crs": UTM,
     "features": [feature(properties={"code": "TB"}), feature("Polygon", [EDGE, ISLAND], id=3)]}
).encode()  # fmt: skip
DAMAGE = settings(
    max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@pytest.fixture(scope="module")
def whole_package(tmp_path_factory):
    path = tmp_path_factory.mktemp("whole") / "a.gpkg"
    return package(path, [shapely.LineString(TOP)] * 3, code=["TB"] * 3).read_bytes()


def sound(found: Lines | None) -> bool:
    return found is None or all(np.isfinite(line.xyz[:, :2]).all() for line in found.lines)


@DAMAGE
@given(damaged=torn(JSON))
def test_damaged_geojson_ends_in_a_message(tmp_path, damaged):
    assert sound(
        read_or_told(lambda path: read_lines(path, unit=METRE), tmp_path / "a.json", damaged)
    )


@DAMAGE
@given(data=st.data())
def test_a_cut_geojson_is_never_read(tmp_path, data):
    path = tmp_path / "a.json"
    path.write_bytes(data.draw(cut(JSON)))
    with pytest.raises(TerrainError, match="JSON"):
        read_lines(path, unit=METRE)


@settings(DAMAGE, max_examples=100)
@given(data=st.data())
def test_a_damaged_geopackage_ends_in_a_message(tmp_path, capfd, whole_package, data):
    damaged = data.draw(torn(whole_package))
    assert sound(
        read_or_told(lambda path: read_lines(path, unit=METRE), tmp_path / "a.gpkg", damaged)
    )
    assert capfd.readouterr() == ("", "")


@settings(DAMAGE, max_examples=100)
@given(data=st.data())
def test_a_cut_geopackage_is_never_read(tmp_path, whole_package, data):
    path = tmp_path / "a.gpkg"
    path.write_bytes(data.draw(cut(whole_package)))
    with pytest.raises(TerrainError):
        read_lines(path, unit=METRE)
