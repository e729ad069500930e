"""LandXML: surfaces, points and lines at their places in metres, or a message with the line."""

import re
from pathlib import Path

import numpy as np
import pytest
from fuzzing import cut, read_or_told, torn
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from terrain.errors import SurveyError, TerrainError
from terrain.survey.landxml import (
    read_landxml,
    read_landxml_lines,
    read_landxml_points,
    read_landxml_surface,
)
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

UNITS = '<Units><Metric areaUnit="squareMeter" linearUnit="meter" volumeUnit="cubicMeter"/></Units>'
# a square of 10 × 20 m with its middle, ids in no order; the fourth face is hidden
PNTS = """<Pnts>
<P id="7">4000000 500000 10</P>
<P id="3">4000000 500010 11</P>
<P id="20">4000020 500010 12</P>
<P id="x">4000020 500000 13</P>
<P id="1">4000010 500005 15.5</P>
<P id="2">4900000 500005 15.5</P>
</Pnts>"""
FACES = """<Faces><F>7 3 1</F><F>3 20 1</F><F n="0 1 2">20 x 1</F><F i="1">x 7 1</F></Faces>"""


def surface(name="ground", pnts=PNTS, faces=FACES, source="", kind="TIN"):
    return (
        f'<Surface name="{name}"><SourceData>{source}</SourceData>'
        f'<Definition surfType="{kind}">{pnts}{faces}</Definition></Surface>'
    )


def document(*surfaces, units=UNITS, more="", version="1.2"):
    space = f' xmlns="http://www.landxml.org/schema/LandXML-{version}"' if version else ""
    body = f"<Surfaces>{''.join(surfaces)}</Surfaces>" if surfaces else ""
    return (
        f'<?xml version="1.0"?>\n<LandXML{space} version="{version}">\n{units}\n{more}\n{body}\n'
        "</LandXML>\n"
    )


def save(folder: Path, text) -> Path:
    path = folder / "a.xml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


# --- surfaces ------------------------------------------------------------------------------------


@pytest.mark.parametrize("version", ["1.0", "1.1", "1.2", "2.0", ""])
def test_a_surface(tmp_path, version):
    path = save(tmp_path, document(surface(), version=version))
    found = read_landxml_surface(path, unit=FOOT)
    corners = found.xyz[found.faces]
    expected = {  # easting, northing, elevation: the file says northing first
        "7": [500000, 4000000, 10], "3": [500010, 4000000, 11], "20": [500010, 4000020, 12],
        "x": [500000, 4000020, 13], "1": [500005, 4000010, 15.5],
    }  # fmt: skip
    for face, words in zip(
        corners, (["7", "3", "1"], ["3", "20", "1"], ["20", "x", "1"]), strict=True
    ):
        np.testing.assert_array_equal(face, [expected[word] for word in words])
    assert len(found.xyz) == 5
    assert (found.unused, found.dropped, found.unit, found.crs) == (1, 0, METRE, None)


@pytest.mark.parametrize(
    ("element", "metres", "unit"),
    [
        ('Metric linearUnit="meter"', 1.0, METRE),
        ('Metric linearUnit="millimeter"', 0.001, None),
        ('Imperial linearUnit="foot"', 0.3048, FOOT),
        ('Imperial linearUnit="USSurveyFoot"', 1200 / 3937, US_SURVEY_FOOT),
        ('Imperial linearUnit="inch"', 0.0254, None),
        ('Imperial linearUnit="mile"', 1609.344, None),
    ],
)
def test_the_unit_of_the_file_holds(tmp_path, element, metres, unit):
    path = save(tmp_path, document(surface(), units=f"<Units><{element}/></Units>"))
    found = read_landxml_surface(path, unit=METRE)
    np.testing.assert_allclose(found.xyz[:, 0].max(), 500010 * metres, rtol=1e-14)
    np.testing.assert_allclose(found.xyz[:, 2].max(), 15.5 * metres, rtol=1e-14)
    assert found.unit == unit


def test_without_units_the_plan_holds(tmp_path):
    path = save(tmp_path, document(surface(), units=""))
    found = read_landxml_surface(path, unit=US_SURVEY_FOOT)
    np.testing.assert_allclose(found.xyz[:, 0].max(), 500010 * 1200 / 3937, rtol=1e-14)
    assert found.unit is None


def test_one_of_several(tmp_path):
    moved = PNTS.replace("500005 15.5", "500005 99")
    text = document(surface("old"), surface("new", pnts=moved), surface("new & old"))
    path = save(tmp_path, text.replace("new & old", "new &amp; old"))
    assert read_landxml_surface(path, unit=METRE, name="new").xyz[:, 2].max() == 99
    assert read_landxml_surface(path, unit=METRE, name="new & old").xyz[:, 2].max() == 15.5
    with pytest.raises(SurveyError, match=r"(?s)3 surfaces.*'old', 'new', 'new & old'"):
        read_landxml_surface(path, unit=METRE)
    with pytest.raises(SurveyError, match=r"(?s)no surface 'nwe'.*mean 'new'"):
        read_landxml_surface(path, unit=METRE, name="nwe")
    twice = save(tmp_path, document(surface("a"), surface("a")))
    with pytest.raises(SurveyError, match="2 surfaces are called 'a'"):
        read_landxml_surface(twice, unit=METRE, name="a")


def test_faces_without_area_are_told(tmp_path):
    faces = FACES.replace("</Faces>", "<F>7 7 3</F><F>7 1 20</F></Faces>")  # a point twice; a line
    (found,) = read_landxml(save(tmp_path, document(surface(faces=faces))), unit=METRE).surfaces
    assert (len(found.faces), found.hidden, found.flat) == (3, 1, 2)


@pytest.mark.parametrize(
    ("kinds", "centres"),
    [
        # the faces' centres lie at 500005 3.3, 500008.3 10, 500005 16.7 (less 4000000)
        ([("outer", 0)], {3.3, 10.0}),
        ([("void", 0)], {16.7}),
        ([("hide", 0)], {16.7}),
        ([("void", 0), ("island", 1)], {16.7, 3.3}),
        ([("outer", 0), ("void", 1)], {10.0}),
        ([("unknown", 0)], {3.3, 10.0, 16.7}),
    ],
)
def test_boundaries(tmp_path, kinds, centres):
    rings = ["4000000 499990 4000000 500020 4000014 500020 4000014 499990",
             "4000000 499990 4000000 500020 4000005 500020 4000005 499990"]  # fmt: skip
    source = "".join(
        f'<Boundary bndType="{kind}"><PntList2D>{rings[ring]}</PntList2D></Boundary>'
        for kind, ring in kinds
    )
    text = document(surface(source=f"<Boundaries>{source}</Boundaries>"))
    found = read_landxml_surface(save(tmp_path, text), unit=METRE)
    norths = found.xyz[found.faces, 1].mean(axis=1) - 4_000_000
    assert set(np.round(norths, 1)) == centres


def test_the_coordinate_system(tmp_path):
    more = '<CoordinateSystem name="UTM 15N" epsgCode="26915"/>'
    found = read_landxml_surface(save(tmp_path, document(surface(), more=more)), unit=METRE)
    assert found.crs == "EPSG:26915"
    degrees = more.replace("26915", "4326")
    with pytest.raises(SurveyError, match=r"(?s)line 4.*degrees"):
        read_landxml_surface(save(tmp_path, document(surface(), more=degrees)), unit=METRE)
    unknown = more.replace("26915", "99999999")
    assert read_landxml(save(tmp_path, document(surface(), more=unknown)), unit=METRE).crs is None


# --- points and lines ----------------------------------------------------------------------------

POINTS = """<CgPoints>
<CgPoint name="1" code="TB1">100.5 200.25 12.125</CgPoint>
<CgPoint name="2" desc="GS">101 201 13</CgPoint>
<CgPoint name="A">101 201</CgPoint>
<CgPoint oID="9">-3.5e1 202 -0.5</CgPoint>
<CgPoint pntRef="1"/>
</CgPoints>"""


def test_points(tmp_path):
    path = save(tmp_path, document(more=POINTS))
    spots = read_landxml_points(path, unit=METRE)
    np.testing.assert_array_equal(
        spots.xyz, [[200.25, 100.5, 12.125], [201, 101, 13], [202, -35, -0.5]]
    )
    assert spots.name.tolist() == ["1", "2", "9"]
    assert spots.code.tolist() == ["TB1", "GS", ""]
    assert spots.line.tolist() == [5, 6, 8]
    assert read_landxml(path, unit=METRE).without_height == ("A",)
    feet = UNITS.replace("Metric", "Imperial").replace('"meter"', '"foot"')
    in_feet = read_landxml_points(save(tmp_path, document(more=POINTS, units=feet)), unit=METRE)
    np.testing.assert_allclose(in_feet.xyz, spots.xyz * 0.3048, rtol=1e-15)


def test_no_points(tmp_path):
    with pytest.raises(SurveyError, match="has no points"):
        read_landxml_points(save(tmp_path, document(surface())), unit=METRE)
    flat = '<CgPoints><CgPoint name="A">1 2</CgPoint></CgPoints>'
    with pytest.raises(SurveyError, match="none of its 1 points has a height"):
        read_landxml_points(save(tmp_path, document(more=flat)), unit=METRE)


def test_breaklines(tmp_path):
    source = """<Breaklines>
    <Breakline brkType="standard" name="top" desc="TB"><PntList3D>1 2 3 4 5 6</PntList3D>
    <Feature code="x"/></Breakline>
    <Breakline brkType="standard"><PntList3D>0 0 1 0 5 1 5 5 1 0 0 1</PntList3D></Breakline>
    <Breakline><PntList2D>1 2 3 4</PntList2D></Breakline></Breaklines>"""
    path = save(tmp_path, document(surface("a", source=source), surface("b")))
    lines = read_landxml_lines(path, unit=METRE)
    top, ring, flat = lines.lines
    np.testing.assert_array_equal(top.xyz, [[2, 1, 3], [5, 4, 6]])
    assert (top.code, top.name, top.closed, flat.name) == ("TB", "top", False, "3")
    np.testing.assert_array_equal(ring.xyz, [[0, 0, 1], [5, 0, 1], [5, 5, 1]])
    assert ring.closed
    np.testing.assert_array_equal(flat.xyz, [[2, 1, np.nan], [4, 3, np.nan]])
    with pytest.raises(SurveyError, match="no breaklines"):
        read_landxml_lines(path, unit=METRE, name="b")


# --- files that are refused ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (document(surface(faces="<Faces>\n<F>7 3 99</F></Faces>")), "line 13.*'99', which is not"),
        (document(surface(pnts=PNTS.replace('id="3"', 'id="7"'))), "line 7.*have the id '7'"),
        (document(surface(pnts=PNTS.replace(' id="3"', ""))), r"line 7.*no id"),
        (document(surface(pnts=PNTS.replace("500010 11", "500010"))), r"line 7.*2 numbers"),
        (document(surface(pnts=PNTS.replace("500010 11", "NaN 11"))), r"line 7.*not numbers"),
        (document(surface(pnts=PNTS.replace("500010 11", "1_0 11"))), r"line 7.*not numbers"),
        (document(surface(pnts=PNTS.replace("500010 11", "1e999 11"))), r"line 7.*not numbers"),
        (document(surface(faces="<Faces><F>7 3</F></Faces>")), "a face has 2 points"),
        (document(surface(faces="<Faces></Faces>")), "has no faces"),
        (document('<Surface name="s"><SourceData/></Surface>'), "'s' has no faces"),
        (document(surface(kind="grid")), "of the kind 'grid'"),
        (document(), "has no surface"),
        (document(surface(), units='<Units><Metric linearUnit="ell"/></Units>'), r"line 3.*'ell'"),
        ("<gml/>", r"line 1.*is 'gml', not LandXML"),
        ("solid cube", "no XML"),
        ("", "the file is empty"),
        (document(surface())[:-30], r"line \d+.*torn"),
        (document(surface()).replace("</Pnts>", "</Punts>"), r"line 12.*torn"),
        (b"\xff\xfe\x00", "torn or no XML"),
    ],
)  # fmt: skip
def test_files_refused(tmp_path, capfd, text, says):
    with pytest.raises(SurveyError, match=f"(?s){says}"):
        read_landxml_surface(save(tmp_path, text), unit=METRE)
    assert capfd.readouterr() == ("", "")


LAUGHS = "".join(f'<!ENTITY l{i + 1} "{f"&l{i};" * 10}">' for i in range(9))
REACHING = {
    "a file": '<!DOCTYPE LandXML [<!ENTITY x SYSTEM "file:///etc/hostname">]>',
    "an address": '<!DOCTYPE LandXML SYSTEM "http://127.0.0.1:9/a.dtd">',
    "a parameter": '<!DOCTYPE LandXML [<!ENTITY % x SYSTEM "http://127.0.0.1:9/a.dtd"> %x;]>',
    "a billion laughs": f'<!DOCTYPE LandXML [<!ENTITY l0 "ha">{LAUGHS}<!ENTITY x "&l9;">]>',
}


@pytest.mark.parametrize("declaration", REACHING.values(), ids=REACHING)
@pytest.mark.parametrize("at", ["text", "attribute"])
def test_nothing_reaches_outside_the_file(tmp_path, declaration, at):
    use = ("500010 11", "500010 &x;") if at == "text" else ('name="ground"', 'name="&x;"')
    text = document(surface()).replace(*use).replace("<LandXML", f"{declaration}\n<LandXML", 1)
    with pytest.raises(SurveyError, match=r"document type|no XML"):
        read_landxml_surface(save(tmp_path, text), unit=METRE)


def test_a_line_far_down_is_not_told_wrongly(tmp_path):
    """libxml2 holds a line's number in 16 bits; past 65,535 it has to be asked for more."""
    points = "\n".join(f'<P id="p{i}">{i} {i % 7} 1</P>' for i in range(70_000))
    text = document(surface(pnts=f"<Pnts>{points}\n<P id='p1'>1 2 3</P></Pnts>"))
    with pytest.raises(SurveyError, match="two points") as told:
        read_landxml_surface(save(tmp_path, text), unit=METRE)
    right = text[: text.index("<P id='p1'>")].count("\n") + 1
    assert told.value.place.line == right


@pytest.mark.parametrize(("name", "says"), [("none.xml", "no such file"), ("", "folder")])
def test_no_file(tmp_path, name, says):
    with pytest.raises(SurveyError, match=says):
        read_landxml(tmp_path / name, unit=METRE)


# --- damage --------------------------------------------------------------------------------------

WHOLE = document(
    surface(
        source="<Breaklines><Breakline><PntList3D>1 2 3 4 5 6</PntList3D></Breakline></Breaklines>"
    ),
    more=POINTS,
).encode()  # fmt: skip
DAMAGE = settings(
    max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@DAMAGE
@given(damaged=torn(WHOLE))
def test_damage_ends_in_a_message(tmp_path, damaged):
    found = read_or_told(lambda path: read_landxml(path, unit=METRE), tmp_path / "a.xml", damaged)
    for made in found.surfaces if found else ():
        assert np.isfinite(made.xyz).all()
        assert made.faces.min(initial=0) >= 0
        assert made.faces.max(initial=-1) < len(made.xyz)


@DAMAGE
@given(data=st.data())
def test_a_cut_file_is_never_read(tmp_path, data):
    short = data.draw(cut(WHOLE.rstrip()))
    with pytest.raises(TerrainError, match=re.compile("torn|empty")):
        read_landxml(save(tmp_path, short), unit=METRE)
