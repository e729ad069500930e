"""Rasters: each height at its place and in metres, or a message."""

from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from fuzzing import cut, read_or_told, torn
from handmade import AREA, POINT, geotiff
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rasterio.transform import Affine

from terrain.errors import SurveyError, TerrainError, UnitError
from terrain.survey.gridtext import is_grid_text
from terrain.survey.rasters import MOST_NODES, Raster, read_raster
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

NORTH = np.array([[10.0, 11.0, 12.0], [13.0, 14.0, 15.5]])  # two rows, the first in the north
TIE = (500_000.0, 4_000_100.0)


def north_up(cell):
    return Affine(cell, 0.0, TIE[0], 0.0, -cell, TIE[1])


def save(path: Path, rows=NORTH, *, band=1, count=1, scale=None, unit=None, colours=None, **extra):
    rows = np.asarray(rows)
    options = {
        "driver": "GTiff", "dtype": rows.dtype, "count": count, "width": rows.shape[1],
        "height": rows.shape[0], "crs": "EPSG:26915", "transform": north_up(2.0),
    } | extra  # fmt: skip
    with rasterio.open(path, "w", **options) as out:
        out.write(rows, band)
        if scale:
            out.scales, out.offsets = [scale[0]], [scale[1]]
        if unit:
            out.units = [unit] * count
        if colours:
            out.colorinterp = colours
    return path


def grid_text(body="1 2 3\n4 5 6\n", *, rows=2, columns=3, corner="corner", cell="2", extra=""):
    return (
        f"ncols {columns}\nnrows {rows}\nxll{corner} 100\nyll{corner} 200\ncellsize {cell}\n"
        f"{extra}{body}"
    )


def write(path: Path, content) -> Path:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


# --- where a height belongs ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raster_type", "first_node"),
    [
        (AREA, (500_001.0, 4_000_099.0)),  # the tie is the pixel's corner, the height its centre's
        (POINT, (500_000.0, 4_000_100.0)),  # the tie is the place of the height itself
    ],
)
def test_half_a_pixel_is_neither_lost_nor_won(tmp_path, monkeypatch, raster_type, first_node):
    """GeoTIFF 1.1, section 7.2.3: what the tie point means depends on the raster type."""
    monkeypatch.setenv("GTIFF_POINT_GEO_IGNORE", "YES")  # what somebody's shell says is not obeyed
    data = geotiff(NORTH, tie=TIE, cell=(2.0, 2.0), raster_type=raster_type)
    raster = read_raster(write(tmp_path / "a.tif", data), unit=METRE)
    assert (raster.x0, raster.y0 + 2.0) == first_node
    assert raster.cell == 2.0
    np.testing.assert_array_equal(raster.z, NORTH[::-1])  # south row first
    assert (raster.unit, raster.crs) == (METRE, "EPSG:26915")


@pytest.mark.parametrize(
    ("corner", "first"), [("corner", (101.0, 201.0)), ("center", (100.0, 200.0))]
)
def test_corner_and_centre_of_an_ascii_grid(tmp_path, corner, first):
    path = write(tmp_path / "a.asc", grid_text(corner=corner))
    raster = read_raster(path, unit=METRE)
    assert (raster.x0, raster.y0, raster.cell) == (*first, 2.0)
    np.testing.assert_array_equal(raster.z, [[4, 5, 6], [1, 2, 3]])
    assert (raster.unit, raster.crs, raster.says_height_unit) == (None, None, False)


def test_a_grid_that_begins_in_the_south(tmp_path):
    upward = Affine(2.0, 0.0, TIE[0], 0.0, 2.0, TIE[1])
    raster = read_raster(save(tmp_path / "a.tif", transform=upward), unit=METRE)
    assert (raster.x0, raster.y0) == (TIE[0] + 1, TIE[1] + 1)
    np.testing.assert_array_equal(raster.z, NORTH)


def test_state_plane_feet_lose_nothing(tmp_path):
    """A US survey foot is 1200/3937 m; at these eastings the two feet differ by 2 m."""
    tie = (3_131_234.5678, 10_123_456.7891)
    data = geotiff(NORTH, tie=tie, cell=(1.5, 1.5), epsg=2277, raster_type=POINT)
    raster = read_raster(write(tmp_path / "a.tif", data), unit=METRE)
    assert raster.unit is US_SURVEY_FOOT
    assert raster.x0 == pytest.approx(tie[0] * 1200 / 3937, abs=1e-8)
    assert raster.y0 == pytest.approx((tie[1] - 1.5) * 1200 / 3937, abs=1e-8)
    assert raster.cell == pytest.approx(1.5 * 1200 / 3937, rel=1e-14)


def test_only_what_is_near_the_site(tmp_path):
    z = np.arange(10_000, dtype=np.float64).reshape(100, 100) / 100
    path = save(tmp_path / "a.tif", z)
    whole = read_raster(path, unit=METRE)
    west, south = whole.x0 + 40.0, whole.y0 + 60.0
    part = read_raster(path, unit=METRE, within=(west, south, west + 10.0, south + 4.0))
    column, row = (
        round((place - low) / 2) for place, low in ((part.x0, whole.x0), (part.y0, whole.y0))
    )
    assert part.x0 <= west
    assert part.y0 <= south
    assert part.x0 + 2.0 * (part.z.shape[1] - 1) >= west + 10.0
    assert part.z.shape[0] <= 7
    assert part.z.shape[1] <= 10
    rows, columns = part.z.shape
    np.testing.assert_array_equal(part.z, whole.z[row : row + rows, column : column + columns])
    with pytest.raises(SurveyError, match="beside the site"):
        read_raster(path, unit=METRE, within=(0.0, 0.0, 100.0, 100.0))


# --- what a height is ----------------------------------------------------------------------------


def test_ascii_heights_keep_their_digits(tmp_path):
    """Single precision would keep 7 digits: 6 hundredths of a millimetre go here."""
    path = write(tmp_path / "a.asc", grid_text("1689.570167 2 3\n4 5 -6.25\n"))
    raster = read_raster(path, unit=METRE)
    assert raster.z[1, 0] == 1689.570167
    assert raster.z[0, 2] == -6.25


@pytest.mark.parametrize("declared", [-9999.0, -999999.0, np.nan, 0.0, 3.4e38])
def test_declared_nothing(tmp_path, declared):
    z = np.where([[True, False, False], [False, False, True]], declared, NORTH)
    raster = read_raster(save(tmp_path / "a.tif", z, nodata=declared), unit=FOOT)
    np.testing.assert_array_equal(np.isnan(raster.z), [[False, False, True], [True, False, False]])
    assert raster.z[0, 0] == 13.0


@pytest.mark.parametrize("number", [-9999, -99999, -999999, -32768, -3.4028234663852886e38])
def test_nothing_that_the_file_does_not_declare(tmp_path, number):
    z = NORTH.copy()
    z[1, 1] = number
    raster = read_raster(save(tmp_path / "a.tif", z.astype(np.float32)), unit=METRE)
    assert np.argwhere(np.isnan(raster.z)).tolist() == [[0, 1]]


def test_nothing_in_an_ascii_grid(tmp_path):
    text = grid_text("1 -999999 3\n4 nan -12.5\n", extra="NODATA_value -999999\n")
    raster = read_raster(write(tmp_path / "a.asc", text), unit=METRE)
    np.testing.assert_array_equal(raster.z, [[4, np.nan, -12.5], [1, np.nan, 3]])


def test_a_mask_hides_pixels(tmp_path):
    path = save(tmp_path / "a.tif")
    with (
        rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True),
        rasterio.open(path, "r+") as out,
    ):
        out.write_mask(np.array([[True, True, False], [True, True, True]]))
    raster = read_raster(path, unit=METRE)
    assert np.argwhere(np.isnan(raster.z)).tolist() == [[1, 2]]


def test_whole_numbers_with_a_scale(tmp_path):
    rows = np.array([[100, -200, 300], [-32768, 500, 600]], dtype=np.int16)
    path = save(tmp_path / "a.tif", rows, scale=(0.01, 50.0), nodata=-32768)
    raster = read_raster(path, unit=METRE)
    expected = [[np.nan, 55.0, 56.0], [51.0, 48.0, 53.0]]
    np.testing.assert_allclose(raster.z, expected, rtol=1e-15)


def test_the_second_band(tmp_path):
    path = save(
        tmp_path / "a.tif", NORTH + 5, band=2, count=2, photometric="MINISBLACK", alpha="NO"
    )
    np.testing.assert_array_equal(read_raster(path, unit=METRE, band=2).z, NORTH[::-1] + 5)
    with pytest.raises(SurveyError, match=r"(?s)no band 3.*1 to 2"):
        read_raster(path, unit=METRE, band=3)


@pytest.mark.parametrize(
    ("crs", "unit", "word", "metres", "says"),
    [
        (None, FOOT, None, 0.3048, False),  # nobody says: the plan's unit
        ("EPSG:26915", FOOT, None, 1.0, False),  # the plan of the grid says metres
        ("EPSG:2277", METRE, None, 1200 / 3937, False),
        ("EPSG:2277", METRE, "m", 1.0, True),  # feet in plan, metres in height
        ("EPSG:2277", METRE, "ft", 1200 / 3937, True),
        ("EPSG:26915", METRE, "ft", 0.3048, True),
        ("EPSG:26915", METRE, "US survey foot", 1200 / 3937, True),
        ("EPSG:26915+6360", METRE, None, 1200 / 3937, True),  # NAVD88 height (ftUS)
        ("EPSG:26915+8228", METRE, None, 0.3048, True),  # NAVD88 height (ft)
        ("EPSG:26915+5703", METRE, None, 1.0, True),  # NAVD88 height
    ],
)
def test_unit_of_the_heights(tmp_path, crs, unit, word, metres, says):
    path = save(tmp_path / "a.tif", crs=crs, unit=word)
    raster = read_raster(path, unit=unit)
    np.testing.assert_allclose(raster.z, NORTH[::-1] * metres, rtol=1e-12)
    assert raster.says_height_unit == says
    told = read_raster(path, unit=unit, height_unit=FOOT)
    np.testing.assert_allclose(told.z, NORTH[::-1] * 0.3048, rtol=1e-12)
    assert told.height_unit is FOOT


def test_the_system_that_lies_beside_a_grid(tmp_path):
    """A .prj file with a height: feet of the plan, metres of the height."""
    (tmp_path / "a.prj").write_text(pyproj.CRS("EPSG:2277+5703").to_wkt("WKT1_GDAL"))
    raster = read_raster(write(tmp_path / "a.asc", grid_text()), unit=FOOT)
    np.testing.assert_array_equal(raster.z, [[4, 5, 6], [1, 2, 3]])
    assert (raster.says_height_unit, raster.unit) == (True, US_SURVEY_FOOT)
    assert raster.cell == pytest.approx(2 * 1200 / 3937, rel=1e-14)


def test_a_landxml_file_beside_is_not_taken_for_its_metadata(tmp_path):
    """GDAL looks into NAME.xml beside NAME.tif."""
    (tmp_path / "a.xml").write_text("<LandXML><Surfaces>")
    raster = read_raster(save(tmp_path / "a.tif"), unit=METRE)
    np.testing.assert_array_equal(raster.z, NORTH[::-1])


def test_heights_that_are_no_lengths(tmp_path):
    with pytest.raises(UnitError, match="'degrees celsius'"):
        read_raster(save(tmp_path / "a.tif", unit="degrees Celsius"), unit=METRE)


@pytest.mark.parametrize("height", [9_500.0, -20_000.0, 1e30])
def test_heights_that_are_nowhere(tmp_path, height):
    z = NORTH.copy()
    z[0, 0] = height
    with pytest.raises(SurveyError, match="nowhere on earth"):
        read_raster(save(tmp_path / "a.tif", z), unit=METRE)


# --- rasters that are refused --------------------------------------------------------------------

TURNED = (0.8, 0.6, 0, 500_000.0, 0.6, -0.8, 0, 4_000_100.0, 0, 0, 0, 0, 0, 0, 0, 1.0)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (geotiff(NORTH, tie=(10.0, 50.0), cell=(0.001, 0.001), epsg=4326), "degrees"),
        (geotiff(NORTH, matrix=TURNED), r"(?s)turned by.*gdalwarp"),
        (geotiff(NORTH, tie=TIE, cell=(2.0, 2.1)), "2 wide and 2.1 high"),
        (geotiff(NORTH, matrix=(0.0,) * 15 + (1.0,), epsg=None), "wide|where it lies"),
        (geotiff(np.full((2, 3), -9999.0), tie=TIE), "no heights"),
        (geotiff(NORTH[:1], tie=TIE), "make no surface"),
        (b"", "empty"),
        (b"ncols 3", "not a TIFF"),
        (geotiff(NORTH, tie=TIE)[:40], "cut short or damaged"),
    ],
    ids=["degrees", "turned", "oblong", "no size", "no heights", "one row", "empty", "text", "cut"],
)
def test_tiffs_refused(tmp_path, capfd, data, says):
    with pytest.raises(SurveyError, match=says):
        read_raster(write(tmp_path / "a.tif", data), unit=METRE)
    assert capfd.readouterr() == ("", "")


def test_what_lies_beside_prints_nothing(tmp_path, capfd):
    """GDAL quotes the damaged text of NAME.xml; rasterio's log stumbles over such bytes."""
    (tmp_path / "a.xml").write_bytes(b"<LandXML><Surf\xff\xafaces></Surfaces></LandXML>")
    read_raster(save(tmp_path / "a.tif"), unit=METRE)
    assert capfd.readouterr() == ("", "")


def test_a_raster_without_a_place(tmp_path):
    from PIL import Image

    Image.fromarray(NORTH.astype(np.float32)).save(tmp_path / "a.tif")
    with pytest.raises(SurveyError, match="does not say where it lies"):
        read_raster(tmp_path / "a.tif", unit=METRE)


def test_a_picture_is_no_ground(tmp_path):
    path = save(tmp_path / "a.tif", NORTH.astype(np.uint8), count=3, photometric="RGB")
    with pytest.raises(SurveyError, match=r"a colour \(red\)"):
        read_raster(path, unit=METRE)


def test_complex_numbers_are_no_heights(tmp_path):
    with pytest.raises(SurveyError, match="complex"):
        read_raster(save(tmp_path / "a.tif", NORTH.astype(np.complex64)), unit=METRE)


def test_blocks_that_were_never_written_are_not_zero(tmp_path):
    """GDAL reads a block that is not there as zeros, if the file declares no number for nothing."""
    path = tmp_path / "a.tif"
    options = {
        "driver": "GTiff", "dtype": "float32", "count": 1, "width": 64, "height": 64, "tiled": True,
        "blockxsize": 32, "blockysize": 32, "sparse_ok": True, "crs": "EPSG:26915",
        "transform": north_up(1.0),
    }  # fmt: skip
    with rasterio.open(path, "w", **options) as out:
        out.write(np.full((32, 64), 7.0, np.float32), 1, window=((0, 32), (0, 64)))
    with pytest.raises(SurveyError, match="block of row 32 is missing"):
        read_raster(path, unit=METRE)
    north = read_raster(path, unit=METRE, within=(TIE[0], TIE[1] - 25, TIE[0] + 64, TIE[1]))
    assert (north.z == 7.0).all()


def test_too_many_heights_are_not_begun(tmp_path):
    side = int(np.sqrt(MOST_NODES)) + 1
    text = grid_text("1 2 3\n", rows=side, columns=side)
    with pytest.raises(SurveyError, match=r"(?s)are too many.*cut the raster to the site"):
        read_raster(write(tmp_path / "a.asc", text), unit=METRE)
    options = {
        "driver": "GTiff", "dtype": "uint8", "count": 1, "width": side, "height": side,
        "sparse_ok": True, "crs": "EPSG:26915", "transform": north_up(1.0),
    }  # fmt: skip
    rasterio.open(tmp_path / "a.tif", "w", **options).close()
    with pytest.raises(SurveyError, match="are too many"):
        read_raster(tmp_path / "a.tif", unit=METRE)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (grid_text("1 2 3\n4 5x 6\n"), r"(?s)line 7.*'5x' is not a number"),
        (grid_text("1 2 3\n4 5_0 6\n"), r"(?s)line 7.*'5_0' is not a number"),
        (grid_text("1 2 3\n4 5.0.1 6\n"), r"(?s)line 7.*'5.0.1' is not a number"),
        (grid_text("1 2 3\n4 inf 6\n"), r"(?s)line 7.*'inf' is not a number"),
        (grid_text("1 2 3\n4 5\n"), r"(?s)line 7.*5 of 6 heights"),
        (grid_text("1 2 3\n4 5 6 7\n"), r"(?s)line 7.*more than 6 heights"),
        (grid_text(""), "0 of 6 heights"),
        (grid_text(cell="0"), r"(?s)line 5.*'0' is no cellsize"),
        (grid_text(cell="0.0008").replace("200", "36"), "degrees"),
        (grid_text(columns="3.5"), "whole numbers"),
        (grid_text(columns="-3"), "'-3' is no ncols"),
        (grid_text().replace("xllcorner", "xllcornex"), r"line 3.*xllcornex"),
        (grid_text().replace("xllcorner 100\n", ""), "no xllcorner"),
        (grid_text().replace("cellsize 2\n", ""), "no cellsize"),
        (grid_text(extra="cellsize 3\n"), r"line 6.*cellsize 3"),
        (grid_text().replace("100", "1e999"), "is no xllcorner"),
        ("1 2 3\n4 5 6\n", "has no ncols"),
    ],
)
def test_ascii_grids_refused(tmp_path, text, says):
    with pytest.raises(SurveyError, match=says):
        read_raster(write(tmp_path / "a.asc", text), unit=METRE)


def test_spot_heights_are_told_from_a_grid(tmp_path):
    assert is_grid_text(write(tmp_path / "a.asc", "  NCOLS 3\n"))
    assert not is_grid_text(write(tmp_path / "b.asc", "1 100.0 200.0 30.0\n"))
    assert not is_grid_text(tmp_path / "none.asc")


@pytest.mark.parametrize(("name", "says"), [("none.tif", "no such file"), ("", "folder")])
def test_no_file(tmp_path, name, says):
    with pytest.raises(SurveyError, match=says):
        read_raster(tmp_path / name, unit=METRE)


def test_another_format_under_this_name_is_not_opened(tmp_path):
    """GDAL would follow a virtual raster to other files and addresses."""
    text = '<VRTDataset rasterXSize="3" rasterYSize="2"></VRTDataset>'
    with pytest.raises(SurveyError, match="not a TIFF"):
        read_raster(write(tmp_path / "a.tif", text), unit=METRE)


# --- damage --------------------------------------------------------------------------------------

SMALL = np.linspace(100.0, 110.0, 12 * 9).reshape(12, 9)
TIFF = geotiff(SMALL, tie=TIE, cell=(2.0, 2.0))
TEXT = grid_text(
    "\n".join(" ".join(f"{value:.3f}" for value in row) for row in SMALL) + "\n",
    rows=12, columns=9,
).encode()  # fmt: skip
DAMAGE = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def plausible(raster: Raster | None) -> bool:
    """Nothing, or heights on earth: a turned bit in a height cannot be told from a height."""
    return raster is None or bool(np.nanmax(np.abs(raster.z)) <= 12_000 and raster.cell > 0)


@DAMAGE
@given(damaged=torn(TIFF))
def test_a_damaged_tiff_ends_in_a_message(tmp_path, damaged):
    assert plausible(
        read_or_told(lambda path: read_raster(path, unit=METRE), tmp_path / "a.tif", damaged)
    )


@DAMAGE
@given(damaged=torn(TEXT))
def test_a_damaged_ascii_grid_ends_in_a_message(tmp_path, damaged):
    assert plausible(
        read_or_told(lambda path: read_raster(path, unit=METRE), tmp_path / "a.asc", damaged)
    )


@DAMAGE
@given(data=st.data(), compress=st.sampled_from([None, "deflate", "lzw"]))
def test_a_cut_tiff_is_never_read(tmp_path, data, compress):
    path = save(tmp_path / "whole.tif", SMALL, compress=compress)
    short = write(tmp_path / "a.tif", data.draw(cut(path.read_bytes())))
    try:
        raster = read_raster(short, unit=METRE)
    except TerrainError:
        return
    np.testing.assert_array_equal(raster.z, SMALL[::-1])  # only what nobody needs was cut
    assert (raster.x0, raster.crs) == (TIE[0] + 1, "EPSG:26915")


@DAMAGE
@given(data=st.data())
def test_a_cut_ascii_grid_is_never_read(tmp_path, data):
    short = write(tmp_path / "a.asc", data.draw(cut(TEXT)))
    try:
        z = read_raster(short, unit=METRE).z
    except TerrainError:
        return
    # a last number cut to fewer digits is still one
    assert (z != np.round(SMALL, 3)[::-1]).sum() <= 1
