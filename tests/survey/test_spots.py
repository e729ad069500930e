"""Spot files as people write them, and one message for each mistake."""

import math
import os

import numpy as np
import pytest

from terrain.errors import SurveyError, UnitError
from terrain.survey import read_spots
from terrain.survey.columns import read_heading, unit_in_comment
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

HEADER = "point,northing,easting,elevation,code\n"
THREE = "1,500.5,200.25,10.125,GS\n2,510,210,11,TB1\n3,520,200,12,\n"
XYZ = [[200.25, 500.5, 10.125], [210, 510, 11], [200, 520, 12]]


@pytest.fixture
def survey(tmp_path):
    def write(text, name="rover.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    return write


def assert_is_the_survey(spots):
    np.testing.assert_allclose(spots.xyz, XYZ, rtol=1e-15)
    assert spots.code.tolist() == ["GS", "TB1", ""]
    assert spots.name.tolist() == ["1", "2", "3"]


@pytest.mark.parametrize(
    "text",
    [
        HEADER + THREE,
        "Point,North,East,Height,Desc\n" + THREE,
        "NAME,N,E,Z,Description\n" + THREE,
        "id,y,x,level,code\n" + THREE,
        "pt,Northing (m),Easting (m),Elev (m),Code\n" + THREE,
        "point,northing_m,easting_m,elevation_m,code\n" + THREE,
        "Point No.,Northing [metres],Easting [metres],Z [metres],Feature Code\n" + THREE,
        ("\ufeff" + HEADER + THREE),
        (HEADER + THREE).replace("\n", "\r\n"),
        (HEADER + THREE).replace("\n", "\r"),
        (HEADER + THREE).replace(",", "\t"),
        (HEADER + THREE).replace(",", ";"),
        (HEADER + THREE).replace(",", ";").replace(".", ","),
        (HEADER + THREE).replace(",", " "),
        (HEADER + THREE).replace(",", "   "),
        (HEADER + THREE).replace(",", ", "),
        HEADER + "\n\n# a comment, with, many, commas\n" + THREE.replace("\n", "\n\n"),
        "# units: metres\n" + HEADER + THREE,
        HEADER + THREE.replace("GS", '"GS"').replace("500.5", '"500.5"'),
        HEADER + THREE.rstrip("\n"),
        HEADER + THREE.replace("500.5", "+5.005e2"),
        HEADER.replace("\n", ",\n") + THREE.replace("\n", ",\n"),
        """code,elevation,easting,northing,point
GS,10.125,200.25,500.5,1
TB1,11,210,510,2
,12,200,520,3
""",
        """point,satellites,northing,easting,elevation,code
1,9,500.5,200.25,10.125,GS
2,9,510,210,11,TB1
3,9,520,200,12,
""",
    ],
)
def test_a_header_names_the_columns(survey, text):
    assert_is_the_survey(read_spots(survey(text), unit=METRE))


def test_text_with_a_utf_16_mark(survey):
    assert_is_the_survey(read_spots(survey(HEADER + THREE, encoding="utf-16"), unit=METRE))


@pytest.mark.parametrize("delimiter", [",", ";", "\t", " "])
@pytest.mark.parametrize("order", ["PNEZD", "PENZD", "DZENP", "NEZPD", "pnezd", "P*NEZD"])
def test_letters_name_the_columns(survey, order, delimiter):
    of = {"P": ["1", "2", "3"], "D": ["GS", "TB1", "X"], "*": ["0", "0", "0"]}
    of |= {letter: [str(row[i]) for row in XYZ] for i, letter in enumerate("ENZ")}
    rows = zip(*(of[letter] for letter in order.upper()), strict=True)
    text = "".join(delimiter.join(row) + "\n" for row in rows)
    spots = read_spots(survey(text, "rover.txt"), unit=METRE, columns=order)
    np.testing.assert_allclose(spots.xyz, XYZ, rtol=1e-15)
    assert spots.code.tolist() == ["GS", "TB1", "X"]


def test_letters_that_agree_with_the_header(survey):
    assert_is_the_survey(read_spots(survey(HEADER + THREE), unit=METRE, columns="PNEZD"))


def test_names_and_codes_may_be_missing(survey):
    spots = read_spots(survey("1 2 3\n4 5 6\n7 8 9\n"), unit=METRE, columns="ENZ")
    assert spots.name.tolist() == ["1", "2", "3"]
    assert spots.code.tolist() == ["", "", ""]
    np.testing.assert_array_equal(spots.xyz, np.arange(1.0, 10).reshape(3, 3))


def test_between_spaces_a_code_may_be_missing_or_several_words(survey):
    text = "1 500.5 200.25 10.125 GS\n2 510 210 11\n3 520 200 12 TB1 top of bank\n"
    spots = read_spots(survey(text), unit=METRE, columns="PNEZD")
    assert spots.code.tolist() == ["GS", "", "TB1 top of bank"]


def test_lines_are_those_of_the_file(survey):
    text = "# a\n\n" + HEADER + THREE.replace("\n", "\n# between\n")
    assert read_spots(survey(text), unit=METRE).line.tolist() == [4, 6, 8]


def test_the_file_is_named(survey):
    path = survey(HEADER + THREE)
    assert read_spots(path, unit=METRE).source == path


@pytest.mark.parametrize(
    ("unit", "metres"),
    [(METRE, 1.0), (FOOT, 0.3048), (US_SURVEY_FOOT, 1200 / 3937)],  # NGS, definitions of the foot
)
def test_lengths_become_metres_once(survey, unit, metres):
    spots = read_spots(survey(HEADER + THREE), unit=unit)
    np.testing.assert_allclose(spots.xyz, np.array(XYZ) * metres, rtol=1e-15)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("northing_ft,easting_ft,elevation_ft", METRE),
        ("northing (ft),easting (ft),elevation (ft)", METRE),
        ("northing,easting,elevation [m]", FOOT),
        ("northing,easting,elevation_metres", US_SURVEY_FOOT),
        ("northing_usft,easting_usft,elevation", FOOT),
        ("northing (US survey feet),easting,elevation", FOOT),
        ("northing_ift,easting,elevation", US_SURVEY_FOOT),
        ("northing_mm,easting_mm,elevation_mm", METRE),
        ("# units: feet\nnorthing,easting,elevation", METRE),
        ("# Units = US survey feet\nnorthing,easting,elevation", FOOT),
        ("#unit m\nnorthing,easting,elevation", FOOT),
        ("# coordinates are in metres\nnorthing,easting,elevation", FOOT),
        ("# all elevations in feet\nnorthing,easting,elevation", METRE),
    ],
)
def test_another_unit_is_refused(survey, text, unit):
    with pytest.raises(UnitError, match="another unit") as raised:
        read_spots(survey(text + "\n1,2,3\n4,5,6\n7,8,10\n"), unit=unit)
    assert raised.value.place.line is not None
    assert unit.plural in raised.value.expected


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("northing_ft,easting_ft,elevation_ft", FOOT),
        ("northing_ft,easting_ft,elevation_ft", US_SURVEY_FOOT),
        ("northing (US ft),easting (U.S. Ft),elevation (sft)", US_SURVEY_FOOT),
        ("# rod height 5 ft, see notes\nnorthing,easting,elevation", METRE),
        ("# units: m\nnorthing,easting,elevation", METRE),
        ("# 3 feet of snow\nnorthing,easting,elevation", METRE),
    ],
)
def test_the_same_unit_is_welcome(survey, text, unit):
    spots = read_spots(survey(text + "\n1,2,3\n4,5,6\n7,8,10\n"), unit=unit)
    assert spots.xyz[2, 2] == pytest.approx(10 * unit.metres)


@pytest.mark.parametrize(
    ("text", "columns", "found", "line", "key"),
    [
        (THREE, None, "no header", 1, None),
        ("\n\n" + THREE, None, "no header", 3, None),
        ("point,northing,easting,code\n1,2,3,GS\n", None, "no column for the elevation", 1, None),
        ("point,elevation\n1,2\n", None, "northing and the easting", 1, None),
        ("a,b,c\n1,2,3\n", None, "no header", 1, None),
        ("n,y,e,z\n1,2,3,4\n", None, "both name the northing", 1, None),
        (THREE, "PNED", "no elevation", None, "columns"),
        (THREE, "", "no northing and no easting and no elevation", None, "columns"),
        (THREE, "PNEZQ", "unknown letter 'Q'", None, "columns"),
        (THREE, "PNEZN", "northing twice", None, "columns"),
        (HEADER + THREE, "PENZD", "the header calls it 'northing'", 1, None),
        (HEADER + THREE.replace("210", "two-ten"), None, "'two-ten'", 3, "easting"),
        (HEADER + THREE.replace("210", ""), None, "empty", 3, "easting"),
        (HEADER + THREE.replace("510", "nan"), None, "'nan'", 3, "northing"),
        (HEADER + THREE.replace("510", "-inf"), None, "'-inf'", 3, "northing"),
        (HEADER + THREE.replace("510", "1e999"), None, "'1e999'", 3, "northing"),
        (HEADER + THREE.replace(",12,", ",1_2,"), None, "'1_2'", 4, "elevation"),
        (HEADER + THREE.replace(",12,", ",12m,"), None, "'12m'", 4, "elevation"),
        (HEADER + THREE.replace(",12,", ",0x1F,"), None, "'0x1F'", 4, "elevation"),
        (HEADER + THREE.replace(",12,", ",٣,"), None, "'٣'", 4, "elevation"),
        (HEADER + THREE.replace(",12,", ',"1,200.5",'), None, "'1,200.5'", 4, "elevation"),
        (HEADER + THREE.replace(",12,", ","), None, "4 fields", 4, None),
        (HEADER + THREE.replace(",12,", ",12,13,GS"), None, "6 fields", 4, None),
        (HEADER + "oops\n" + THREE, None, "1 field,", 2, None),
        ("1 2 3\n4 5\n7 8 9\n", "ENZ", "2 fields", 2, None),
        (HEADER + THREE.replace("TB1", '"TB1'), None, "fields", 3, None),
        (HEADER + THREE.replace("GS", '"GS').replace("TB1", 'TB1"'), None, "fields", 2, None),
        (HEADER + THREE.replace("TB1", '"TB"1'), None, "fields", 3, None),
        (HEADER, None, "0 points", None, None),
        (HEADER + "1,2,3,4,GS\n", None, "1 point$", None, None),
        (HEADER + "1,2,3,4,GS\n2,3,4,5,GS\n", None, "2 points", None, None),
        ("", None, "empty", None, None),
        ("\n  \r\n\t\n", None, "empty", None, None),
        ("\ufeff", None, "empty", None, None),
        ("# only a comment\n", None, "no points", None, None),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", None, "binary", None, None),
        (b"\x00" * 100, None, "empty", None, None),
        ((HEADER + THREE).encode() + b"4,1,2,3,B\xf6schung\n", None, "0xf6", 5, None),
    ],
)
def test_a_mistake_is_told_with_its_place(survey, text, columns, found, line, key):
    path = survey(text)
    with pytest.raises(SurveyError) as raised:
        read_spots(path, unit=METRE, columns=columns)
    error = raised.value
    assert_matches(found, error.found)
    assert error.place.file == path
    assert error.place.line == line
    assert error.place.key == key
    assert error.expected
    assert error.mend


def assert_matches(pattern, text):
    assert text.endswith(pattern[:-1]) if pattern.endswith("$") else pattern in text, text


def test_without_a_header_both_usual_orders_are_shown(survey):
    with pytest.raises(SurveyError, match=r"PNEZD.*PENZD"):
        read_spots(survey(THREE), unit=METRE)


def test_a_missing_column_lists_those_found(survey):
    with pytest.raises(SurveyError, match="'Name', 'North', 'East', 'Dpth'"):
        read_spots(survey("Name,North,East,Dpth\n1,2,3,4\n"), unit=METRE)


def test_a_missing_file(tmp_path):
    with pytest.raises(SurveyError, match="no such file"):
        read_spots(tmp_path / "none.csv", unit=METRE)


def test_a_folder(tmp_path):
    with pytest.raises(SurveyError, match="folder"):
        read_spots(tmp_path, unit=METRE)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read all")
def test_a_file_that_may_not_be_read(survey):
    path = survey(HEADER + THREE)
    path.chmod(0)
    with pytest.raises(SurveyError, match="cannot be read"):
        read_spots(path, unit=METRE)


def test_a_mistake_far_down_has_its_line(survey):
    rows = [f"{i},{i},{i},{i},GS" for i in range(50_000)]
    rows[45_678] = "45678,1,2,x,GS"
    with pytest.raises(SurveyError, match="line 45680, elevation: 'x'"):
        read_spots(survey(HEADER + "\n".join(rows)), unit=METRE)


def test_a_wrong_count_far_down_has_its_line(survey):
    rows = [f"{i},{i},{i},{i},GS" for i in range(50_000)]
    rows[45_678] = "45678,1,2"
    with pytest.raises(SurveyError, match="line 45680: 3 fields"):
        read_spots(survey(HEADER + "\n".join(rows)), unit=METRE)


def test_the_file_is_not_changed(survey):
    path = survey(HEADER + THREE)
    before = path.read_bytes()
    read_spots(path, unit=METRE)
    assert path.read_bytes() == before


def test_numbers_keep_every_digit(survey):
    value = 1234567.0123456789
    text = HEADER + f"1,{value!r},{math.pi!r},{-value!r},GS\n" * 3
    np.testing.assert_array_equal(
        read_spots(survey(text), unit=METRE).xyz[0], [math.pi, value, -value]
    )


@pytest.mark.parametrize(
    ("text", "column", "unit"),
    [
        ("Northing", "northing", None),
        ("northing_ft", "northing", "either ft"),
        ("Elevation (US Survey Feet)", "elevation", "us-ft"),
        ("Z [m]", "elevation", "m"),
        ("POINT_ID", "point", None),
        ("h", "elevation", None),
        ("description", "code", None),
        ("antenna", "", None),
    ],
)
def test_headings(text, column, unit):
    heading = read_heading(text)
    assert (heading.column, heading.unit) == (column, unit)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("# units: m", "m"),
        ("# Unit of length: US survey feet", "us-ft"),
        ("# northing, easting and elevation in feet", "either ft"),
        ("# surveyed in June", None),
        ("# unit 7, north plot", None),
        ("# the level stood 2 m off", None),
    ],
)
def test_units_in_comments(text, unit):
    assert unit_in_comment(text) == unit
