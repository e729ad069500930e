"""LandXML that we write: as the schema says, and the same surface when it is read back."""

from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from terrain.errors import OutputError
from terrain.exchange.landxml import NAMESPACE, write_landxml
from terrain.surface import Tin, build_tin
from terrain.survey.landxml import read_landxml, read_landxml_surface
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

SPACE = f"{{{NAMESPACE}}}"
PYRAMID = Tin(  # base 6 × 8, height 3: closed forms below
    np.array([[0.0, 0, 1], [6, 0, 1], [6, 8, 1], [0, 8, 1], [3, 4, 4]]),
    np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 4, 0]], dtype=np.int32),
)
ORIGIN = np.array([955_000.123, 3_086_000.456])


def hills(seed=3, count=200):
    rng = np.random.default_rng(seed)
    return build_tin(rng.random((count, 3)) * [120.0, 90.0, 6.0])


@pytest.mark.parametrize("unit", [METRE, FOOT, US_SURVEY_FOOT])
@pytest.mark.parametrize("origin", [np.zeros(2), ORIGIN, -ORIGIN])
def test_what_is_written_is_read_back(tmp_path, unit, origin):
    """At state-plane eastings a double steps by 1e-10 m: nothing larger may be lost."""
    tin = hills()
    path = write_landxml(tmp_path / "a.xml", {"dig": tin}, unit=unit, crs=None, origin=origin)
    found = read_landxml_surface(
        path, unit=FOOT if unit is METRE else METRE
    )  # the file's own holds
    np.testing.assert_allclose(found.xyz, tin.points + np.append(origin, 0.0), rtol=0, atol=2e-9)
    np.testing.assert_array_equal(found.faces, tin.triangles)
    assert found.unit == unit


@settings(max_examples=40, deadline=None)
@given(
    z=st.lists(st.floats(-400, 9000, allow_subnormal=False), min_size=5, max_size=5),
    east=st.floats(-5e6, 5e6),
    unit=st.sampled_from([METRE, FOOT, US_SURVEY_FOOT]),
)
def test_any_heights_are_read_back(tmp_path_factory, z, east, unit):
    tin = Tin(np.column_stack([PYRAMID.points[:, :2], z]), PYRAMID.triangles)
    path = tmp_path_factory.mktemp("any") / "a.xml"
    write_landxml(path, {"a": tin}, unit=unit, crs=None, origin=np.array([east, 0.0]))
    found = read_landxml_surface(path, unit=METRE)
    np.testing.assert_allclose(
        found.xyz, tin.points + np.array([east, 0, 0]), rtol=1e-15, atol=1e-12
    )


def test_several_surfaces_with_odd_names(tmp_path):
    names = ['dig & "fill" <1>', "niveau d’eau", "a\x07b"]
    path = write_landxml(
        tmp_path / "deep" / "a.xml", dict.fromkeys(names, PYRAMID), unit=METRE, crs="EPSG:26915",
        origin=ORIGIN,
    )  # fmt: skip
    file = read_landxml(path, unit=METRE)
    assert [surface.name for surface in file.surfaces] == [*names[:2], "ab"]
    assert file.crs == "EPSG:26915"


def test_the_elements_of_the_schema(tmp_path):
    """LandXML 1.2 schema, from memory: order of elements, required attributes, their words."""
    path = write_landxml(
        tmp_path / "a.xml", {"dig": PYRAMID}, unit=US_SURVEY_FOOT, crs="EPSG:2277", origin=ORIGIN,
        time=datetime(2031, 5, 6, 7, 8, 9),
    )  # fmt: skip
    root = etree.parse(path).getroot()
    assert root.tag == f"{SPACE}LandXML"
    assert {key: root.get(key) for key in ("version", "date", "time")} == {
        "version": "1.2", "date": "2031-05-06", "time": "07:08:09",
    }  # fmt: skip
    assert [child.tag for child in root] == [
        SPACE + tag for tag in ("Units", "CoordinateSystem", "Application", "Surfaces")
    ]
    (imperial,) = root[0]
    assert imperial.tag == f"{SPACE}Imperial"
    assert imperial.get("linearUnit") == "USSurveyFoot"
    required = {"areaUnit", "linearUnit", "volumeUnit", "temperatureUnit", "pressureUnit"}
    assert required <= set(imperial.attrib)
    assert root[1].get("epsgCode") == "2277"
    assert root[2].get("name")
    ((definition,),) = root[3]
    assert definition.get("surfType") == "TIN"
    points, faces = definition
    assert (points.tag, faces.tag) == (f"{SPACE}Pnts", f"{SPACE}Faces")
    ids = [point.get("id") for point in points]
    assert len(set(ids)) == len(ids) == 5
    place = {point.get("id"): [float(word) for word in point.text.split()] for point in points}
    feet = 3937 / 1200
    assert place["2"] == pytest.approx(  # northing first
        [ORIGIN[1] * feet, (ORIGIN[0] + 6) * feet, feet], rel=1e-15
    )
    doubled = []
    for face in faces:
        (n0, e0, _), (n1, e1, _), (n2, e2, _) = (place[word] for word in face.text.split())
        doubled.append((e1 - e0) * (n2 - n0) - (e2 - e0) * (n1 - n0))
    assert len(doubled) == 4
    assert min(doubled) > 0  # counter-clockwise, though the last triangle was given clockwise
    foot2 = (1200 / 3937) ** 2
    assert float(definition.get("area2DSurf")) == pytest.approx(48 / foot2, rel=1e-12)
    sloped = 6 * 5 + 8 * np.hypot(3, 3)  # two faces 6 wide and 5 high, two 8 wide and 3√2 high
    assert float(definition.get("area3DSurf")) == pytest.approx(sloped / foot2, rel=1e-12)
    assert float(definition.get("elevMax")) == pytest.approx(4 * feet, rel=1e-15)
    assert float(definition.get("elevMin")) == pytest.approx(feet, rel=1e-15)


def test_the_same_surface_gives_the_same_bytes(tmp_path):
    one, two = (
        write_landxml(
            tmp_path / name, {"a": hills()}, unit=FOOT, crs=None, origin=ORIGIN
        ).read_bytes()
        for name in ("a.xml", "b.xml")
    )
    assert one == two
    assert b"\r" not in one


def test_whole_or_not_at_all(tmp_path):
    path = tmp_path / "a.xml"
    path.write_text("what was there")
    broken = Tin(np.full((3, 3), np.nan), np.array([[0, 1, 2]], dtype=np.int32))
    empty = Tin(np.zeros((3, 3)), np.zeros((0, 3), dtype=np.int32))
    for surfaces in ({}, {"good": PYRAMID, "bad": broken}, {"empty": empty}):
        with pytest.raises(OutputError):
            write_landxml(path, surfaces, unit=METRE, crs=None, origin=ORIGIN)
    torn = Tin(PYRAMID.points, np.array([[0, 1, 99]], dtype=np.int32))  # fails half way
    with pytest.raises(IndexError):
        write_landxml(path, {"a": PYRAMID, "torn": torn}, unit=METRE, crs=None, origin=ORIGIN)
    assert path.read_text() == "what was there"
    assert [item.name for item in tmp_path.iterdir()] == ["a.xml"]


def test_a_folder_that_cannot_be(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match=r"(?s)cannot be written.*another folder"):
        write_landxml(
            tmp_path / "file" / "a.xml", {"a": PYRAMID}, unit=METRE, crs=None, origin=ORIGIN
        )
