"""Clouds read in pieces, whole or not at all."""

import struct
from pathlib import Path

import laspy
import numpy as np
import pyproj
import pytest

from terrain.errors import SurveyError, UnitError
from terrain.survey.clouds import cloud_chunks, cloud_header, raw_chunks
from terrain.survey.misplaced import looks_misplaced
from terrain.survey.suspicion import Kind
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

SAMPLE = Path(__file__).parents[1] / "data" / "ground_and_trees_usft.laz"
COUNT = 12_345


def write_cloud(path, *, point_format=6, version="1.4", epsg=None, count=COUNT):
    rng = np.random.default_rng(1)
    header = laspy.LasHeader(point_format=point_format, version=version)
    header.scales, header.offsets = [0.001, 0.002, 0.0005], [500_000, 4_000_000, -10]
    if epsg:
        header.add_crs(pyproj.CRS(epsg))
    las = laspy.LasData(header)
    xyz = rng.random((count, 3)) * [50, 40, 5] + [500_000, 4_000_000, 100]
    las.x, las.y, las.z = xyz.T
    las.classification = rng.integers(0, 10, count).astype(np.uint8)
    las.write(path)
    return path, xyz, np.asarray(las.classification)


FORMATS = [(0, "1.2"), (1, "1.2"), (3, "1.3"), (3, "1.2"), (2, "1.4"), (6, "1.4"), (7, "1.4")]


@pytest.mark.parametrize("ending", ["las", "laz"])
@pytest.mark.parametrize(("point_format", "version"), FORMATS)
@pytest.mark.parametrize("size", [1000, 5000, 1_000_000])
def test_every_point_comes_once_and_in_order(tmp_path, ending, point_format, version, size):
    path, xyz, classes = write_cloud(
        tmp_path / f"cloud.{ending}", point_format=point_format, version=version
    )
    chunks = list(cloud_chunks(path, unit=METRE, size=size))
    assert [len(chunk.xyz) for chunk in chunks[:-1]] == [size] * (len(chunks) - 1)
    assert all(len(chunk.classification) == len(chunk.xyz) for chunk in chunks)
    np.testing.assert_allclose(np.vstack([chunk.xyz for chunk in chunks]), xyz, atol=0.0011)
    np.testing.assert_array_equal(np.hstack([chunk.classification for chunk in chunks]), classes)


@pytest.mark.parametrize("unit", [METRE, FOOT, US_SURVEY_FOOT])
def test_lengths_become_metres(tmp_path, unit):
    path, xyz, _ = write_cloud(tmp_path / "cloud.laz")
    (chunk,) = cloud_chunks(path, unit=unit)
    np.testing.assert_allclose(chunk.xyz, xyz * unit.metres, atol=0.0011)


def test_the_header_without_a_coordinate_system(tmp_path):
    path, xyz, _ = write_cloud(tmp_path / "cloud.laz")
    header = cloud_header(path)
    assert (header.source, header.count) == (path, COUNT)
    assert (header.unit, header.crs) == (None, None)
    assert (header.point_format, header.version) == (6, "1.4")
    np.testing.assert_allclose(header.lower, xyz.min(axis=0), atol=0.0011)
    np.testing.assert_allclose(header.upper, xyz.max(axis=0), atol=0.0011)


# Units of the EPSG registry: 26915 metre; 2225 US survey foot; 2222 international foot.
@pytest.mark.parametrize(
    ("epsg", "unit"), [(26915, METRE), (32633, METRE), (2225, US_SURVEY_FOOT), (2222, FOOT)]
)
@pytest.mark.parametrize(("point_format", "version"), [(6, "1.4"), (3, "1.2")])
def test_the_unit_is_that_of_the_coordinate_system(tmp_path, epsg, unit, point_format, version):
    path, xyz, _ = write_cloud(
        tmp_path / "cloud.laz", epsg=epsg, point_format=point_format, version=version
    )
    header = cloud_header(path)
    assert header.unit is unit
    assert header.crs == pyproj.CRS(epsg).name
    np.testing.assert_allclose(header.lower, xyz.min(axis=0) * unit.metres, atol=0.0011)
    for other in {METRE, FOOT, US_SURVEY_FOOT} - {unit}:
        with pytest.raises(UnitError) as raised:
            next(cloud_chunks(path, unit=other))
        assert repr(unit.key) in raised.value.found
        assert repr(other.key) in raised.value.found
        assert raised.value.mend
    assert next(cloud_chunks(path, unit=unit)).xyz.shape == (COUNT, 3)


def test_a_sample_in_us_survey_feet():
    header = cloud_header(SAMPLE)
    assert header.unit is US_SURVEY_FOOT
    xyz = np.vstack([chunk.xyz for chunk in cloud_chunks(SAMPLE, unit=US_SURVEY_FOOT)])
    np.testing.assert_allclose(xyz.min(axis=0), header.lower, atol=0.005)
    np.testing.assert_allclose(xyz.max(axis=0), header.upper, atol=0.005)
    with pytest.raises(UnitError, match="us-ft"):
        next(cloud_chunks(SAMPLE, unit=METRE))


def test_heights_in_another_unit_than_the_plan_become_metres_too(tmp_path):
    # EPSG registry: 26910 is in metres, 6360 is heights in US survey feet.
    path, xyz, _ = write_cloud(tmp_path / "cloud.laz", epsg="EPSG:26910+6360")
    header = cloud_header(path)
    assert (header.unit, header.height_unit) == (METRE, US_SURVEY_FOOT)
    (chunk,) = cloud_chunks(path, unit=METRE)
    expected = xyz * [1, 1, 1200 / 3937]
    np.testing.assert_allclose(chunk.xyz, expected, atol=0.0011)
    np.testing.assert_allclose(header.upper, expected.max(axis=0), atol=0.0011)


def test_degrees_are_refused(tmp_path):
    path, _, _ = write_cloud(tmp_path / "cloud.laz", epsg=4326)
    with pytest.raises(SurveyError, match="degrees"):
        cloud_header(path)


@pytest.mark.parametrize("ending", ["las", "laz"])
@pytest.mark.parametrize("share", [0.999, 0.9, 0.5, 0.1])
@pytest.mark.parametrize(("point_format", "version"), [(6, "1.4"), (3, "1.2")])
def test_a_cloud_cut_short_is_told_with_its_points(tmp_path, ending, share, point_format, version):
    path, _, _ = write_cloud(
        tmp_path / f"cloud.{ending}", point_format=point_format, version=version
    )
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    for read in (cloud_header, lambda path: list(cloud_chunks(path, unit=METRE, size=1000))):
        with pytest.raises(SurveyError) as raised:
            read(path)
        assert f"of {COUNT:,} points" in raised.value.found
        assert raised.value.place.file == path
        assert f"{COUNT:,}" in raised.value.expected
        assert raised.value.mend


def test_a_cut_las_counts_what_is_there(tmp_path):
    path, _, _ = write_cloud(tmp_path / "cloud.las", point_format=0, version="1.2")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) - 20 * 345 - 7])  # a record of format 0 has 20 bytes
    with pytest.raises(SurveyError, match="11,999 of 12,345"):
        cloud_header(path)


@pytest.mark.parametrize("entries", [0, 2**24, 2**32 - 1])
@pytest.mark.parametrize("table_version", [0, 7])
def test_a_damaged_index_of_points_is_not_handed_to_the_decoder(tmp_path, table_version, entries):
    path, _, _ = write_cloud(tmp_path / "cloud.laz", point_format=3, version="1.2")
    whole = bytearray(path.read_bytes())
    (start,) = struct.unpack_from("<I", whole, 96)  # offset to point data, LAS specification
    (index,) = struct.unpack_from("<q", whole, start)
    struct.pack_into("<II", whole, index, table_version, entries)
    path.write_bytes(whole)
    with pytest.raises(SurveyError, match="0 of 12,345 points"):
        list(cloud_chunks(path, unit=METRE))


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "empty"),
        (b"x,y,z\n1,2,3\n", "not a LAS file, it begins with b'x,y,'"),
        (b"LASF", "header"),
        (b"LASF" + b"\0" * 400, "header"),
        (b"LASF" + b"\xff" * 400, "header"),
        (b"\x89PNG\r\n\x1a\n", "not a LAS file"),
    ],
)
@pytest.mark.parametrize("ending", ["las", "laz"])
def test_what_is_no_cloud(tmp_path, content, found, ending):
    path = tmp_path / f"cloud.{ending}"
    path.write_bytes(content)
    with pytest.raises(SurveyError) as raised:
        cloud_header(path)
    assert found in raised.value.found
    assert raised.value.place.file == path
    assert raised.value.expected
    assert raised.value.mend


@pytest.mark.parametrize("length", range(5, 375, 30))
@pytest.mark.parametrize("version", ["1.2", "1.4"])
def test_a_header_cut_anywhere(tmp_path, length, version):
    path, _, _ = write_cloud(
        tmp_path / "cloud.laz", point_format=3, version=version, epsg=26915, count=10
    )
    path.write_bytes(path.read_bytes()[:length])
    with pytest.raises(SurveyError):
        cloud_header(path)


def test_a_cloud_without_points(tmp_path):
    path, _, _ = write_cloud(tmp_path / "cloud.las", count=0)
    with pytest.raises(SurveyError, match="no points"):
        cloud_header(path)


def test_a_missing_cloud(tmp_path):
    with pytest.raises(SurveyError, match="no such file"):
        cloud_header(tmp_path / "none.laz")


def test_a_folder_is_no_cloud(tmp_path):
    with pytest.raises(SurveyError, match="folder"):
        cloud_header(tmp_path)


def test_mistakes_are_not_also_printed(tmp_path, capfd):
    path, _, _ = write_cloud(tmp_path / "cloud.laz")
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(SurveyError):
        list(cloud_chunks(path, unit=METRE))
    assert capfd.readouterr() == ("", "")


LEAST_VERSION = {**dict.fromkeys((0, 1), "1.1"), **dict.fromkeys((2, 3), "1.2"), 4: "1.3", 5: "1.3"}


@pytest.mark.parametrize("ending", ["las", "laz"])
@pytest.mark.parametrize("version", ["1.2", "1.3", "1.4"])
@pytest.mark.parametrize("point_format", range(11))
def test_every_point_format_agrees_with_laspy(tmp_path, point_format, version, ending):
    """LAS 1.4 specification: formats 0-3 from 1.2 on, 4 and 5 from 1.3, 6-10 from 1.4."""
    if LEAST_VERSION.get(point_format, "1.4") > version:
        pytest.skip("this version has no such format")
    if ending == "laz" and point_format in (4, 5, 9, 10):
        pytest.skip("waveforms are not compressed by the encoder that the tests have")
    path, xyz, classes = write_cloud(
        tmp_path / f"cloud.{ending}", point_format=point_format, version=version, count=2_000
    )
    header = cloud_header(path)
    assert (header.point_format, header.version, header.count) == (point_format, version, 2_000)
    (chunk,) = cloud_chunks(path, unit=METRE)
    np.testing.assert_allclose(chunk.xyz, laspy.read(path).xyz, rtol=0, atol=1e-8)
    np.testing.assert_allclose(chunk.xyz, xyz, atol=0.0011)
    np.testing.assert_array_equal(chunk.classification, classes)


@pytest.mark.parametrize("scale", [(1e-7, 1e-7, 1e-7), (1 / 3, 0.25, 0.003), (1.0, 0.01, 1e-5)])
@pytest.mark.parametrize("offset", [(0, 0, 0), (-123_456.789, 5_999_999.5, -413.25)])
def test_odd_scales_and_offsets(tmp_path, scale, offset):
    numbers = np.random.default_rng(2).integers(-(2**31), 2**31, (500, 3)).astype(np.int32)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = scale, offset
    las = laspy.LasData(header)
    las.X, las.Y, las.Z = numbers.T
    las.write(tmp_path / "odd.laz")
    (chunk,) = cloud_chunks(tmp_path / "odd.laz", unit=METRE)
    np.testing.assert_allclose(chunk.xyz, numbers * np.array(scale) + offset, rtol=1e-14)


COPC = Path(__file__).parents[1] / "data" / "copc_feet_said_metres.copc.laz"


def test_copc_agrees_with_a_reader_of_copc():
    """The same numbers as by the octree of the file, which laspy walks; their order is free."""
    with laspy.CopcReader.open(COPC) as reader:
        points = reader.query()
        octree = np.column_stack([points.X, points.Y, points.Z, points.classification])
    ours = np.vstack(
        [np.column_stack([c.x, c.y, c.z, c.classification]) for c in raw_chunks(COPC, size=300)]
    )
    assert ours.shape == (1_065, 4)
    np.testing.assert_array_equal(*(rows[np.lexsort(rows.T)] for rows in (ours, octree)))


def test_feet_in_a_copc_file_that_says_metres_are_noticed():
    """Its WKT says metres in plan and US survey feet in height; all numbers are feet."""
    header = cloud_header(COPC)
    assert (header.unit, header.height_unit) == (METRE, US_SURVEY_FOOT)
    box = np.array([header.lower, header.upper])
    (said,) = looks_misplaced(box, crs=header.wkt, unit=METRE)
    assert said.kind is Kind.FEET_AS_METRES
