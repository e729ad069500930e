"""Spot files as rovers and their users export them: quality, units, remarks, totals."""

import numpy as np
import pytest
from fuzzing import read_or_told, torn
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from terrain.errors import SurveyError, UnitError
from terrain.survey import plain_rows, read_spots
from terrain.survey import spots as spots_module
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

HEADER = "point,northing,easting,elevation,code"
ROWS = "1,500.5,200.25,10.125,GS\n2,510,210,11,TB1\n3,520,200,12,\n"
XYZ = [[200.25, 500.5, 10.125], [210, 510, 11], [200, 520, 12]]


@pytest.fixture
def survey(tmp_path):
    def write(text):
        path = tmp_path / "rover.csv"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def with_column(heading, values):
    rows = [f"{row},{value}" for row, value in zip(ROWS.split("\n"), values, strict=False)]
    return "\n".join([f"{HEADER},{heading}", *rows, ""])


@pytest.mark.parametrize(
    "heading",
    ["VRMS", "V RMS", "sigma_z", "Std Z", "StdDev_Z", "Vertical Accuracy", "Vert Prec",
     "accuracy", "sigma", "RMS", "std. dev."],
)  # fmt: skip
def test_the_vertical_accuracy_is_kept(survey, heading):
    text = with_column(heading, ["0.012", "", "0.02"])
    spots = read_spots(survey(text), unit=METRE)
    np.testing.assert_array_equal(spots.sigma, [0.012, np.nan, 0.02])
    np.testing.assert_array_equal(spots.xyz, XYZ)


@pytest.mark.parametrize(
    ("heading", "unit", "metres"),
    [
        ("VRMS", METRE, 1.0),
        ("VRMS", FOOT, 0.3048),
        ("VRMS", US_SURVEY_FOOT, 1200 / 3937),
        ("VRMS (mm)", FOOT, 0.001),
        ("VRMS_cm", METRE, 0.01),
        ("VRMS [ft]", US_SURVEY_FOOT, 1200 / 3937),
        ("VRMS (ft)", METRE, 0.3048),
    ],
)
def test_an_accuracy_is_in_its_own_unit_or_that_of_the_file(survey, heading, unit, metres):
    spots = read_spots(survey(with_column(heading, [1, 2, 3])), unit=unit)
    np.testing.assert_allclose(spots.sigma, metres * np.array([1, 2, 3]), rtol=1e-15)


@pytest.mark.parametrize(
    "heading",
    ["HRMS", "PDOP", "sats", "Fix type", "Horizontal accuracy (mm)", "sigma_x", "age", "tilt (deg)",
     "antenna height (ft)"],
)  # fmt: skip
def test_other_columns_of_quality_are_passed_over(survey, heading):
    spots = read_spots(survey(with_column(heading, ["FIXED", "7", ""])), unit=METRE)
    assert np.isnan(spots.sigma).all()
    np.testing.assert_array_equal(spots.xyz, XYZ)


def test_a_vertical_accuracy_goes_before_a_plain_one(survey):
    text = with_column("accuracy,vrms", ["0.5,0.01"] * 3)
    np.testing.assert_array_equal(read_spots(survey(text), unit=METRE).sigma, [0.01] * 3)


@pytest.mark.parametrize("value", ["-0.01", "good", "1e999"])
def test_an_accuracy_that_is_none_is_told(survey, value):
    with pytest.raises(SurveyError, match="not an accuracy") as raised:
        read_spots(survey(with_column("VRMS", [0.01, value, 0.02])), unit=METRE)
    assert (raised.value.place.line, raised.value.place.key) == (3, "accuracy")


def test_spots_without_a_word_on_accuracy(survey):
    assert (
        np.isnan(read_spots(survey(f"{HEADER}\n{ROWS}"), unit=METRE).sigma).tolist() == [True] * 3
    )


@pytest.mark.parametrize(
    ("text", "first_line"),
    [
        (f"// exported in June\n{HEADER}\n// more\n{ROWS}", 4),
        (f"Job: north pond\nSurveyed by: A, B and C\n\n{HEADER}\n{ROWS}", 5),
        (f"North pond survey\nUnits: metres\n{HEADER}\n{ROWS}", 4),
        (f"{HEADER}\n,(m),(m),(m),\n{ROWS}", 3),
        (f"{HEADER}\n-,m,m,m,text\n{ROWS}", 3),
        (f"{HEADER}\n{ROWS}Total points: 3\n", 2),
        (f"{HEADER}\n{ROWS}Total,3\nEND\n", 2),
        (f"{HEADER}\n{ROWS}Mean,,,11.04,\n", 2),
        ((f"Job: pond\n{HEADER}\n{ROWS}").replace(",", "\t"), 3),
        ((f"{HEADER}\n{ROWS}Count: 3").replace(",", ";").replace(".", ","), 2),
    ],
)
def test_what_stands_around_the_points_is_none(survey, text, first_line):
    spots = read_spots(survey(text), unit=METRE)
    np.testing.assert_array_equal(spots.xyz, XYZ)
    assert spots.line[0] == first_line


def test_remarks_above_points_whose_columns_the_plan_names(survey):
    spots = read_spots(survey(f"job: pond\ncrew: two\n{ROWS}"), unit=METRE, columns="PNEZD")
    np.testing.assert_array_equal(spots.xyz, XYZ)


def test_a_first_point_with_a_colon_is_no_remark(survey):
    text = "A1 500.5 200.25 10.125 wall:low\nA2 510 210 11 GS\nA3 520 200 12 GS\n"
    assert len(read_spots(survey(text), unit=METRE, columns="PNEZD").xyz) == 3


def test_a_row_of_units_gives_the_accuracy_its_own(survey):
    text = f"{HEADER},VRMS\n,m,m,m,,mm\n" + ROWS.replace("\n", ",12\n")
    np.testing.assert_allclose(read_spots(survey(text), unit=METRE).sigma, 0.012)


@pytest.mark.parametrize(
    "text",
    [
        f"{HEADER}\n,(ft),(ft),(ft),\n{ROWS}",
        f"Units: US survey feet\n{HEADER}\n{ROWS}",
        f"// units: feet\n{HEADER}\n{ROWS}",
    ],
)
def test_units_around_the_points_are_heard(survey, text):
    with pytest.raises(UnitError, match="another unit"):
        read_spots(survey(text), unit=METRE)


@pytest.mark.parametrize(
    ("text", "found", "mend"),
    [
        ("point,latitude,longitude,elevation\n1,45.1,7.2,300\n", "latitude", "projected"),
        ("name,lat,lon,height\n1,45.1,7.2,300\n", "latitude", "projected"),
        (f"{HEADER}\n1,45°30'12\",7°1'2\",10,GS\n{ROWS}", "7°1", "latitude"),
        (f"{HEADER}\n1,45 30 12.5,7 1 2,10,GS\n{ROWS}", "7 1 2", "latitude"),
        (f'{HEADER}\n1,"5,500.5",200,10,GS\n{ROWS}', "5,500.5", "thousands"),
        (f"{HEADER}\n1,5 500,200,10,GS\n{ROWS}", "5 500", "thousands"),
        (f"{HEADER}\n1,5'500,200,10,GS\n{ROWS}", "5'500", "thousands"),
        (f"{HEADER}\n{ROWS}".replace(",", ";").replace("510;", "1.510,5;"), "comma", "thousands"),
        (f"0,1,2,3,GS\n{HEADER}\n{ROWS}", "above the header", "top"),
        (f"{HEADER}\n{ROWS}Mean,510,203.4,11.04,\n", "'Mean'", "remove"),
    ],
)
def test_a_layout_that_cannot_be_trusted_is_told(survey, text, found, mend):
    with pytest.raises(SurveyError) as raised:
        read_spots(survey(text), unit=METRE)
    assert found in raised.value.found
    assert mend in raised.value.mend
    assert raised.value.place.line


def test_a_torn_last_row_is_no_total(survey):
    with pytest.raises(SurveyError, match="2 fields"):
        read_spots(survey(f"{HEADER}\n{ROWS}4,53"), unit=METRE)


@pytest.mark.parametrize("cut", range(1, 4))
def test_a_file_that_ends_within_a_number_is_told(survey, cut):
    text = "northing,easting,elevation\n" + "".join(f"{i},{i * i},10.{i}25\n" for i in range(5))
    with pytest.raises(SurveyError, match="ends within a row") as raised:
        read_spots(survey(text[: -1 - cut]), unit=METRE)
    assert raised.value.place.line == 6
    assert len(read_spots(survey(text[:-1]), unit=METRE).xyz) == 5


# --- the one-pass reader for long files says the same as the patient one


def both_ways(monkeypatch, path, **options):
    monkeypatch.setattr(spots_module, "_LONG", 10**12)
    patient = read_spots(path, **options)
    monkeypatch.setattr(spots_module, "_LONG", 0)
    taken = []
    whole = spots_module._read_plain
    monkeypatch.setattr(
        spots_module, "_read_plain", lambda *a: taken.append(whole(*a)) or taken[-1]
    )
    quick = read_spots(path, **options)
    for name in ("xyz", "name", "code", "line", "sigma"):
        np.testing.assert_array_equal(getattr(quick, name), getattr(patient, name), err_msg=name)
    return taken[-1] is not None


def test_a_long_file_that_ends_within_a_number_is_told_too(monkeypatch, tmp_path):
    monkeypatch.setattr(spots_module, "_LONG", 0)
    rows = many_rows(lambda i, n, e, z: f"{n:.3f},{e:.3f},{z:.3f}")
    path = tmp_path / "long.csv"
    path.write_text("\n".join(["northing,easting,elevation", *rows])[:-1])
    with pytest.raises(SurveyError, match="line 301: the file ends within a row"):
        read_spots(path, unit=METRE)


def many_rows(write):
    rng = np.random.default_rng(4)
    return [write(i, *rng.uniform(-1e6, 1e6, 3).tolist()) for i in range(300)]


@pytest.mark.parametrize(
    ("header", "row"),
    [
        (HEADER, lambda i, n, e, z: f"{i},{n:.3f},{e:.3f},{z:.2f},TB{i % 7}"),
        (HEADER, lambda i, n, e, z: f"p {i}, {n!r} ,{e:.17g},{z:.6e},"),
        (HEADER + ",vrms (mm)", lambda i, n, e, z: f"{i},{n:.3f},{e:+.0f},{z:.2f},top of bank,{i}"),
        (
            "northing;easting;elevation",
            lambda i, n, e, z: f"{n:.3f};{e:.3f};{z:.3f}".replace(".", ","),
        ),
        ("northing\teasting\televation\tdesc", lambda i, n, e, z: f"{n:.3f}\t{e:.3f}\t{z:.3f}\t"),
    ],
)
@pytest.mark.parametrize(("end", "last"), [("\n", ""), ("\n", "\n\n"), ("\r\n", "\r\n")])
def test_the_two_readers_agree(monkeypatch, tmp_path, header, row, end, last):
    path = tmp_path / "long.csv"
    path.write_bytes((end.join(["# made", header, *many_rows(row)]) + last).encode())
    assert both_ways(monkeypatch, path, unit=FOOT)


@pytest.mark.parametrize(
    "odd",
    [
        '7,1,2,3,"a, b"',
        '7,1,2,3,"GS"',
        "# a remark",
        "",
        "7,1,2,3,Böschung",
        "7,1,2,3,GS,",
        "Total: 300",
    ],
)
def test_a_peculiar_line_goes_to_the_patient_reader(monkeypatch, tmp_path, odd):
    rows = many_rows(lambda i, n, e, z: f"{i},{n:.3f},{e:.3f},{z:.2f},GS")
    path = tmp_path / "long.csv"
    at = 300 if odd.startswith("Total") else 200
    path.write_text("\n".join([HEADER, *rows[:at], odd, *rows[at:]]), encoding="utf-8")
    assert not both_ways(monkeypatch, path, unit=METRE)


@example("0.0000000000000000000000001234")
@example("9007199254740993")
@example("-.5")
@given(text=st.from_regex(r"[-+]?[0-9]{0,22}\.?[0-9]{0,25}(e[-+]?[0-9]{1,3})?", fullmatch=True))
def test_every_decimal_becomes_the_nearest_number(text):
    rows = plain_rows.plain_rows(f"{text},1".encode(), ",", 2)
    values = rows.floats(0, decimal_comma=False)
    try:
        expected = float(text)
    except ValueError:
        expected = np.inf
    if np.isfinite(expected):
        assert values.tolist() == [expected]
    else:
        assert values is None


WHOLE = (
    "# units: metres\n" + HEADER + ",vrms\n"
    + "".join(f"{i},{500 + i}.25,{200 - i}.5,{i / 8},GS{i % 3},0.0{i % 9}\n" for i in range(20))
)  # fmt: skip


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(damaged=torn(WHOLE.encode()))
def test_a_damaged_file_is_told_or_keeps_its_sound_rows(tmp_path, damaged):
    path = tmp_path / "torn.csv"
    path.write_text(WHOLE)
    sound = read_spots(path, unit=METRE)
    spots = read_or_told(lambda file: read_spots(file, unit=METRE), path, damaged)
    if spots is None:
        return
    assert np.isfinite(spots.xyz).all()
    lines = WHOLE.split("\n")
    read = damaged.decode("utf-8-sig").replace("\r", "\n").split("\n")
    if read[1] != lines[1]:
        return  # another header may name the columns otherwise
    for row, line in enumerate(spots.line):
        text = read[line - 1]
        if text in lines:
            same = lines.index(text) - 2
            np.testing.assert_array_equal(spots.xyz[row], sound.xyz[same])
            assert spots.code[row] == sound.code[same]
