"""Stakes and the dig as files: read back by other libraries, values from closed forms."""

import csv
import json
import sqlite3
from contextlib import closing

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from lxml import etree

from terrain.errors import OutputError
from terrain.exchange.csv_list import write_stakes_csv
from terrain.exchange.geojson import write_stakes_geojson
from terrain.exchange.geopackage import LAYER, write_stakes_geopackage
from terrain.exchange.geotiff import NO_DATA, write_geotiff
from terrain.exchange.grids import coordinates_of
from terrain.exchange.landxml import NAMESPACE, write_landxml
from terrain.site import Site
from terrain.stakes import Pegging, Stake
from terrain.survey.bearings import parse_degrees_minutes_seconds
from terrain.survey.geojson import read_geojson
from terrain.survey.geopackage import read_geopackage
from terrain.survey.landxml import read_landxml_surface
from terrain.units import FOOT, METRE, US_SURVEY_FOOT
from tests.stake_site import DUG_M3, EAST, MIDDLE, NORTH, write_stake_site

UTM = "EPSG:26915"  # its central meridian, 93° west, is at 500 000 m
TEXAS = "EPSG:2277"  # counts in US survey feet


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return Site.open(write_stake_site(tmp_path_factory.mktemp("files") / "pegged"))


@pytest.fixture(scope="module")
def stakes(site):
    return site.stakes(Pegging(3.0, 1.0))


@pytest.mark.parametrize("unit", [METRE, FOOT, US_SURVEY_FOOT])
def test_the_list_in_its_unit(tmp_path, stakes, unit):
    path = write_stakes_csv(tmp_path / "a.csv", stakes.points, unit=unit, marks=stakes.marks)
    with path.open(encoding="utf-8", newline="") as source:
        head, *rows = csv.reader(source)
    assert len(rows) == len(stakes.points)
    length = {"m": "(m)", "ft": "(international feet)", "us-ft": "(US survey feet)"}[unit.key]
    assert head[3] == f"easting {length}"
    assert f"along A to B {length}" in head
    at = {word.split(" (")[0]: column for column, word in enumerate(head)}
    for row, stake in zip(rows, stakes.points, strict=True):
        assert row[0] == stake.name
        for word, metres, step in (
            ("easting", stake.east_m, 0.001), ("northing", stake.north_m, 0.001),
            ("existing level", stake.existing_m, 0.001), ("dig level", stake.dig_m, 0.001),
            ("cut", stake.cut_m, 0.01), ("distance from A", stake.distance_m, 0.001),
        ):  # fmt: skip
            assert float(row[at[word]]) == pytest.approx(metres / unit.metres, abs=0.51 * step)
            assert row[at[word]] != "-0.00"
        said = parse_degrees_minutes_seconds(row[at["bearing from A"] - 1])
        assert said == pytest.approx(stake.bearing_deg, abs=0.6 / 3600)
        assert (row[at["offset to edge of dig"]] == "") == (stake.kind != "offset")


def test_a_list_without_control_points(tmp_path, stakes):
    path = write_stakes_csv(tmp_path / "a.csv", stakes.points, unit=METRE, marks=())
    head = path.read_text(encoding="utf-8").splitlines()[0]
    assert "bearing" not in head
    assert "easting (m)" in head


def test_geojson_on_the_globe(tmp_path, stakes):
    """On the central meridian the longitude is 93° west; eastward it grows by 1 / (R cos φ)."""
    path = write_stakes_geojson(tmp_path, stakes.points, unit=METRE, crs=UTM)
    assert path.name == "stakes.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    assert "crs" not in document
    places = np.array([f["geometry"]["coordinates"] for f in document["features"]])
    assert places.shape == (len(stakes.points), 2)
    east = np.array([stake.east_m for stake in stakes.points]) - 500_000
    prime_vertical = 6_378_137 / np.sqrt(1 - 0.00669438 * np.sin(np.radians(places[:, 1])) ** 2)
    expected = -93 + np.degrees(east / 0.9996 / (prime_vertical * np.cos(np.radians(places[:, 1]))))
    np.testing.assert_allclose(places[:, 0], expected, rtol=0, atol=2e-9)
    assert shapely.from_geojson(json.dumps(document)).geom_type == "GeometryCollection"
    meta, _, geometry, fields = pyogrio.raw.read(path)
    assert len(geometry) == len(stakes.points)
    names = list(meta["fields"])
    cuts = fields[names.index("cut_m")]
    np.testing.assert_allclose(cuts, [stake.cut_m for stake in stakes.points], atol=1e-6)
    assert len(read_geojson(path).shapes) == len(stakes.points)


def test_geojson_without_a_coordinate_system_says_so(tmp_path, stakes):
    path = write_stakes_geojson(tmp_path, stakes.points, unit=FOOT, crs=None)
    assert path.name == "stakes_site_grid.geojson"
    document = json.loads(path.read_text(encoding="utf-8"))
    assert "site's own grid, metres" in document["coordinates"]
    first = document["features"][0]
    assert first["geometry"]["coordinates"][0] == pytest.approx(stakes.points[0].east_m, abs=1e-4)
    assert first["properties"]["cut_ft"] == pytest.approx(stakes.points[0].cut_m / 0.3048, abs=1e-5)


@pytest.mark.parametrize(("crs", "metres"), [(UTM, 1.0), (TEXAS, 1200 / 3937), (None, 0.3048)])
def test_geopackage(tmp_path, stakes, crs, metres):
    path = tmp_path / "a.gpkg"
    coordinates = coordinates_of(crs, FOOT)
    write_stakes_geopackage(path, stakes.points, unit=FOOT, coordinates=coordinates)
    with closing(sqlite3.connect(path)) as base:
        # OGC 12-128: "GPKG" in ASCII, and a table of contents
        (number,) = base.execute("PRAGMA application_id").fetchone()
        assert number.to_bytes(4, "big") == b"GPKG"
        contents = base.execute("SELECT table_name, data_type FROM gpkg_contents").fetchall()
        assert contents == [(LAYER, "features")]
        types = {row[1]: row[2] for row in base.execute(f"PRAGMA table_info({LAYER})")}
        assert types["cut_m"] == types["cut_ft"] == "REAL"
        assert types["name"].startswith("TEXT")
        (none,) = base.execute(f"SELECT count(*) FROM {LAYER} WHERE offset_m IS NULL").fetchone()
        assert none == sum(stake.offset_m is None for stake in stakes.points)
        (srs,) = base.execute("SELECT srs_id FROM gpkg_geometry_columns").fetchone()
        assert srs == int(crs.partition(":")[2]) if crs else srs in (-1, 99999)
    meta, _, geometry, _ = pyogrio.raw.read(path, layer=LAYER)
    assert meta["geometry_type"] == "Point"
    xy = shapely.get_coordinates(shapely.from_wkb(geometry))
    true = np.array([[stake.east_m, stake.north_m] for stake in stakes.points])
    np.testing.assert_allclose(xy * metres, true, rtol=0, atol=1e-6)
    assert len(read_geopackage(path, LAYER).shapes) == len(stakes.points)


def test_geotiff(tmp_path, site):
    """Floor, over-dig at the edge and ground in closed form, at the places where they are."""
    grid = site.composition.grid("dig")
    coordinates = coordinates_of(UTM, METRE)
    path = write_geotiff(
        tmp_path / "a.tif", grid, origin=site.origin, coordinates=coordinates, name="dig"
    )
    with rasterio.open(path) as source:
        assert source.crs.to_epsg() == 26915
        assert source.nodata == NO_DATA
        assert source.dtypes == ("float32",)
        assert source.res == pytest.approx((0.1, 0.1))
        assert source.units == ("metre",)
        south_west = source.xy(grid.lattice.ny - 1, 0)  # the middle of a pixel is a node
        node = grid.lattice.nodes[0] + site.origin
        np.testing.assert_allclose(south_west, node, rtol=0, atol=1e-6)
        for east, level in ((0, 97.8), (2, 97.8), (3, 98.3), (4.25, 99.5), (8, 100)):
            place = (MIDDLE[0] + round(east, 1), MIDDLE[1])
            (found,) = next(iter(source.sample([place])))
            expected = level if east != 4.25 else 99 + (round(east, 1) - 3.5) / 1.5
            assert found == pytest.approx(expected, abs=1e-4)
        band = source.read(1)
        assert band.shape == grid.z.shape
        np.testing.assert_allclose(band[::-1][np.isfinite(grid.z)], grid.z[np.isfinite(grid.z)],
                                   rtol=0, atol=1e-5)  # fmt: skip


def test_geotiff_in_feet_with_a_hole(tmp_path, site):
    from terrain.surface import Grid

    grid = site.composition.grid("dig")
    z = grid.z.copy()
    z[3, 5] = np.nan
    path = write_geotiff(
        tmp_path / "a.tif", Grid(grid.lattice, z), origin=site.origin,
        coordinates=coordinates_of(TEXAS, METRE), name="dig",
    )  # fmt: skip
    foot = 1200 / 3937
    east, north = (grid.lattice.x[5] + site.origin[0], grid.lattice.y[3] + site.origin[1])
    with rasterio.open(path) as source:
        assert next(iter(source.sample([(east / foot, north / foot)])))[0] == NO_DATA
        (beside,) = next(iter(source.sample([((east + 0.1) / foot, north / foot)])))
        assert beside == pytest.approx(100 / foot, abs=1e-4)
        assert source.units == ("US survey foot",)


def test_landxml_of_the_dig(tmp_path, site):
    """In US survey feet for a system that counts in them; read back, the volume in closed form."""
    tin = site.dig_tin(tolerance_m=0.01).tin
    coordinates = coordinates_of(TEXAS, METRE)
    path = write_landxml(
        tmp_path / "a.xml", {"dig": tin}, unit=coordinates.unit, crs=coordinates.crs,
        origin=site.origin,
    )  # fmt: skip
    root = etree.parse(path).getroot()
    space = f"{{{NAMESPACE}}}"
    assert root.find(f"{space}Units/{space}Imperial").get("linearUnit") == "USSurveyFoot"
    points = root.findall(f".//{space}Pnts/{space}P")
    ids = {point.get("id") for point in points}
    faces = [face.text.split() for face in root.iterfind(f".//{space}Faces/{space}F")]
    assert len(ids) == len(points) == len(tin.points)
    assert {corner for face in faces for corner in face} <= ids
    found = read_landxml_surface(path, unit=METRE)
    assert found.unit == US_SURVEY_FOOT
    corners = found.xyz[found.faces]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = 0.5 * (one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    assert area.min() > 0
    volume = float((area * (100 - corners[:, :, 2].mean(axis=1))).sum())
    assert volume == pytest.approx(DUG_M3, abs=0.2)
    low, high = found.xyz[:, :2].min(axis=0), found.xyz[:, :2].max(axis=0)
    assert (low > [EAST, NORTH]).all()
    assert (high < [EAST + 30, NORTH + 30]).all()
    assert found.xyz[:, 2].min() == pytest.approx(97.8, abs=1e-6)


def test_a_folder_that_cannot_be(tmp_path, stakes):
    (tmp_path / "file").write_text("")
    coordinates = coordinates_of(None, METRE)
    for write in (
        lambda p: write_stakes_csv(p / "a.csv", stakes.points, unit=METRE, marks=()),
        lambda p: write_stakes_geojson(p, stakes.points, unit=METRE, crs=None),
        lambda p: write_stakes_geopackage(
            p / "a.gpkg", stakes.points, unit=METRE, coordinates=coordinates
        ),
    ):
        with pytest.raises(OutputError, match="cannot be written"):
            write(tmp_path / "file")


def test_a_place_off_the_map(tmp_path):
    far = Stake("X1", "x", "edge", 9e9, 9e9, 0.0, 0.0, 0.0)
    with pytest.raises(OutputError, match="cannot lie in"):
        write_stakes_geojson(tmp_path, [far], unit=METRE, crs=UTM)
    assert list(tmp_path.iterdir()) == []
