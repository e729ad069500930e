"""Level books of made ground come back to it; what a book contradicts is told with its place."""

import math
from contextlib import suppress

import numpy as np
import pytest
from fuzzing import read_or_told, torn
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from terrain.errors import Place, SurveyError, TerrainError, UnitError
from terrain.survey.levels import read_level_book
from terrain.survey.reduction import Sights, arithmetic, height_of_instrument, rise_and_fall
from terrain.survey.setting_out import Baseline, NamedGrid, read_offset, read_station
from terrain.survey.staff import read_staff
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

HERE = Place("levels.csv", 3, "IS")
GRID = NamedGrid(origin=(1000.0, 2000.0), bearing_deg=0.0, spacing_m=(5.0, 4.0), last="C4")
BOOK = """point,BS,IS,FS,remarks
BM1,1.250,,,nail in kerb
A1,,1.500,,
A2,,1.610,,
TP1,1.400,,1.100,
B1,,1.900,,
B2,,2.000,,
BM1,,,1.551,closed
"""
KNOWN = {"BM1": 100.0}


@pytest.fixture
def book(tmp_path):
    def write(text):
        path = tmp_path / "levels.csv"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def read(path, **options):
    return read_level_book(path, **({"unit": METRE, "benchmarks": KNOWN, "where": GRID} | options))


# --- made ground


def ground(east, north):
    return 101.0 + 0.02 * east - 0.013 * north + 0.4 * math.sin(east / 7)


def levelled(rng, *, digits):
    """A grid of 8 by 6 stakes levelled from random setups, closing on the benchmark."""
    grid = NamedGrid(origin=(50.0, 80.0), bearing_deg=33.0, spacing_m=(4.0, 3.0), last="F8")
    stakes = [f"{letter}{number}" for letter in "ABCDEF" for number in range(1, 9)]
    rng.shuffle(stakes)
    heights = {stake: ground(*grid.position(stake)) for stake in stakes}
    height, rows, told = 100.0, [], {}
    while stakes:
        plane = height + rng.uniform(1.0, 2.5)
        told["back"] = f"{plane - height:.{digits}f}"
        plane = height + float(told["back"])
        if rows:
            rows[-1][1] = told["back"]
        else:
            rows.append(["BM", told["back"], "", ""])
        seen = [stakes.pop() for _ in range(min(len(stakes), rng.integers(3, 9)))]
        rows += [[stake, "", f"{plane - heights[stake]:.{digits}f}", ""] for stake in seen]
        turning = 100.0 if not stakes else plane - rng.uniform(1.0, 2.5)
        fore = f"{plane - turning:.{digits}f}"
        rows.append(["BM" if not stakes else f"TP{len(rows)}", "", "", fore])
        height = plane - float(fore)
    return grid, heights, rows


@pytest.mark.parametrize("seed", range(5))
def test_levelled_ground_is_recovered(book, seed):
    grid, heights, rows = levelled(np.random.default_rng(seed), digits=9)
    text = "\n".join(",".join(row) for row in [["stake", "BS", "IS", "FS"], *rows])
    made = read(book(text), benchmarks={"BM": 100.0}, where=grid, staff_m=20)
    assert len(made.spots.xyz) == 48
    assert abs(made.misclosure_m) < 1e-8
    for name, (east, north, height) in zip(made.spots.name, made.spots.xyz, strict=True):
        assert height == pytest.approx(heights[name], abs=2e-8)
        assert ground(east, north) == pytest.approx(heights[name], abs=1e-9)


sizes = st.lists(st.integers(0, 4), min_size=1, max_size=6)


@given(sides=sizes, data=st.data())
def test_both_reductions_agree_and_the_page_checks(sides, data):
    reading = st.floats(-3, 6, allow_nan=False)
    rows = [[data.draw(reading), math.nan, math.nan]]
    for i, count in enumerate(sides):
        rows += [[math.nan, data.draw(reading), math.nan] for _ in range(count)]
        last = i == len(sides) - 1
        rows.append([math.nan if last else data.draw(reading), math.nan, data.draw(reading)])
    start = np.full(len(rows), math.nan)
    start[0] = 100.0
    sights = Sights(*np.array(rows).T, start)
    np.testing.assert_allclose(
        height_of_instrument(sights)[0], rise_and_fall(sights)[0], rtol=0, atol=1e-10
    )
    checked = arithmetic(sights)
    assert checked.off_m < 1e-9
    assert checked.climb == pytest.approx(rise_and_fall(sights)[0][-1] - 100, abs=1e-9)


# --- closing


def test_the_misclosure_is_shared_by_the_setups(book):
    made = read(book(BOOK))
    # 100 + 1.250 - 1.100 = 100.150; + 1.400 - 1.551 = 99.999
    assert made.misclosure_m == pytest.approx(-0.001)
    assert made.adjusted
    assert made.limit_m == pytest.approx(0.012 * math.sqrt(0.160))
    np.testing.assert_allclose(
        made.reduced_m, [100, 99.75, 99.64, 100.15, 99.65, 99.55, 99.999], atol=1e-9
    )
    np.testing.assert_allclose(
        made.height_m, [100, 99.7505, 99.6405, 100.1505, 99.651, 99.551, 100], atol=1e-9
    )
    assert made.spots.name.tolist() == ["A1", "A2", "B1", "B2"]
    np.testing.assert_allclose(
        made.spots.xyz[:, :2], [[1000, 2000], [1000, 2005], [1004, 2000], [1004, 2005]]
    )
    assert made.spots.line.tolist() == [3, 4, 6, 7]
    assert [(setup.on, setup.line) for setup in made.setups] == [("BM1", 2), ("TP1", 5)]


def test_distances_in_the_book_weigh_the_setups(book):
    text = """point,BS,IS,FS,BS dist,FS dist
BM1,1.250,,,30,
A1,,1.500,,,
A2,,1.610,,,
TP1,1.400,,1.100,10,30
B1,,1.900,,,
BM1,,,1.553,,10
"""
    made = read(book(text))
    (closure,) = made.closures
    assert (closure.distance_m, closure.assumed, closure.setups) == (80, False, 2)
    assert closure.misclosure_m == pytest.approx(-0.003)
    assert closure.limit_m == pytest.approx(0.012 * math.sqrt(0.08))
    # three quarters of the way lie in the first setup
    np.testing.assert_allclose(
        made.height_m[[1, 3, 5]], [99.75 + 0.00225, 100.15 + 0.00225, 100], atol=1e-9
    )


def test_each_stretch_between_benchmarks_closes_by_itself(book):
    text = """point,BS,IS,FS
BM1,1.000,,
A1,,1.000,
BM2,1.000,,0.498
A2,,1.000,
BM1,1.000,,1.503
A3,,1.000,
"""
    made = read(book(text), benchmarks={"BM1": 100.0, "BM2": 100.5})
    assert [c.misclosure_m for c in made.closures] == pytest.approx([0.002, -0.003])
    # A1 comes down by 0.002; A2 up by 0.003 over the known BM2; A3 is levelled from the known BM1
    np.testing.assert_allclose(made.height_m, [100, 99.998, 100.5, 100.503, 100, 100], atol=1e-9)


def test_one_setup_without_a_closing(book):
    made = read(book("point,BS,IS,FS\nBM1,1.5,,\nA1,,1.2,\nA2,,1.3,\nB1,,1.4,\n"))
    assert (made.closures, made.misclosure_m, made.limit_m, made.adjusted) == (
        (),
        None,
        None,
        False,
    )
    np.testing.assert_allclose(made.spots.xyz[:, 2], [100.3, 100.2, 100.1])
    # the last side shot closes the page: 1.5 - 1.4 = 0.1
    assert [made.arithmetic.fore, made.arithmetic.climb] == pytest.approx([1.4, 0.1])
    assert made.arithmetic.off_m < 1e-12


def test_a_last_side_shot_on_the_benchmark_closes(book):
    made = read(book("point,BS,IS,FS\nBM1,1.5,,\nA1,,1.2,\nA2,,1.3,\nB1,,1.4,\nBM1,,1.502,\n"))
    assert made.misclosure_m == pytest.approx(-0.002)
    np.testing.assert_allclose(made.spots.xyz[:, 2], [100.302, 100.202, 100.102])


def test_a_side_shot_on_a_benchmark_is_a_check(book):
    text = "point,BS,IS,FS\nBM1,1.5,,\nA1,,1.2,\nBM2,,1.001,\nA2,,1.3,\nB1,,1.4,\n"
    made = read(book(text), benchmarks={"BM1": 100.0, "BM2": 100.5})
    ((row, off),) = made.checks
    assert (made.name[row], off) == ("BM2", pytest.approx(-0.001))


@pytest.mark.parametrize(
    ("written", "read_as", "unit", "hint"),
    [
        ("1.551", "1.515", METRE, "line 8: the FS on 'BM1' 1.515 may be 1.551"),
        ("1.400", "4.100", METRE, "line 5: the BS on 'TP1' 4.100 may be 1.400"),
        ("1.551", "2.551", METRE, "near 1 m"),
        ("1.551", "1.451", METRE, "near 0.1 m"),
        ("1.551", "2.551", FOOT, "near 1 ft"),
        ("1.551", "1.6344", FOOT, "near 1 in"),
        ("1.551", "1.587", METRE, "no single reading"),
    ],
)
def test_a_line_that_does_not_close(book, written, read_as, unit, hint):
    benchmarks = {"BM1": 100 * unit.metres}
    grid = NamedGrid((0.0, 0.0), 0.0, (1.0, 1.0), last="C4")
    path = book(BOOK.replace(written, read_as))
    with pytest.raises(SurveyError, match="miss the benchmark 'BM1'") as raised:
        read(path, unit=unit, benchmarks=benchmarks, where=grid)
    assert hint in raised.value.mend
    assert "within" in raised.value.expected
    assert raised.value.place.line == 8


def test_a_limit_of_ones_own(book):
    with pytest.raises(SurveyError, match="miss the benchmark"):
        read(book(BOOK), limit_m=0.0009)
    assert read(book(BOOK), limit_m=0.0011).limit_m == 0.0011


# --- spellings


@pytest.mark.parametrize(
    "text",
    [
        BOOK,
        BOOK.replace("point,BS,IS,FS,remarks", "Station,Backsight,Intermediate,Foresight,Notes"),
        BOOK.replace("point,BS,IS,FS,remarks", "Sta.,B.S.,I.S.,F.S.,Remarks"),
        BOOK.replace("point,BS,IS,FS,remarks", "Pt,+,side shot,-,Description"),
        BOOK.replace("point,BS,IS,FS,remarks", "Peg No.,BS (m),IS (m),FS (m),Comment"),
        BOOK.replace(",", ";"),
        BOOK.replace(",", ";").replace(".", ","),
        BOOK.replace(",", "\t"),
        BOOK.replace(",remarks\n", ",remarks\n,m,m,m,\n"),
        "Job: north pond\n# level: rented\n" + BOOK,
        BOOK + "Sum,2.650,,2.651,\nCheck,,,-0.001,\n",
        BOOK + ",2.650,,2.651,Total\n",
        BOOK + "Booked by: one of us\n",
        BOOK + ",,,,\n",
        BOOK.replace("TP1,1.400,,1.100,", "TP1,,,1.100,\nTP1,1.400,,,"),
        BOOK.replace("TP1,1.400,,1.100,", "TP1,,,1.100,\n,1.400,,,"),
        BOOK.replace("BM1,,,", "bm-1,,,"),
        BOOK.replace("1.250", "1250 mm").replace("1.500", "1.5m"),
        # a book without a column for side shots
        "\n".join(
            ",".join([p, b, f or i, r])
            for p, b, i, f, r in (line.split(",") for line in BOOK.split("\n") if line)
        ).replace("IS", "FS"),
    ],
)
def test_the_same_book_in_other_hands(book, text):
    made = read(book(text))
    np.testing.assert_allclose(made.spots.xyz[:, 2], [99.7505, 99.6405, 99.651, 99.551], atol=1e-9)
    assert made.misclosure_m == pytest.approx(-0.001)


@pytest.mark.parametrize(
    "text",
    [
        "point,BS,IS,FS,known elevation\nBM1,1.5,,,100\nA1,,1.2,,\nA2,,1.3,,\nB1,,,1.4,\n",
        "point,BS,IS,FS,RL\nBM1,,,,100\nBM1,1.5,,,\nA1,,1.2,,\nA2,,1.3,,\nB1,,,1.4,\n",
        "point,BS,IS,FS,HI,RL\nBM1,1.5,,,101.5,100\nA1,,1.2,,,100.3\nA2,,1.3,,,100.2\nB1,,1.4,,,\n",
    ],
)
def test_the_book_may_give_the_known_height(book, text):
    made = read(book(text), benchmarks={})
    np.testing.assert_allclose(made.spots.xyz[:, 2], [100.3, 100.2, 100.1])


def test_a_book_with_coordinates_and_codes(book):
    text = """point,BS,IS,FS,E,N,code
BM,4.00,,,,,
1,,5.25,,10,20,TB1
2,,5.50,,11,20,TB1
3,,,6.00,12,21,
"""
    made = read(book(text), unit=US_SURVEY_FOOT, benchmarks={"BM": 30.0}, where=None)
    foot = 1200 / 3937  # NGS, definition of the US survey foot
    expected = [[10, 20, -1.25], [11, 20, -1.5], [12, 21, -2]]
    np.testing.assert_allclose(made.spots.xyz, foot * np.array(expected) + [0, 0, 30], rtol=1e-14)
    assert made.spots.code.tolist() == ["TB1", "TB1", ""]


def test_stations_and_offsets_from_a_baseline(book):
    # the line runs along the 3-4-5 direction, 500 m east and north by 300 and 400
    line = Baseline((0.0, 0.0), (300.0, 400.0), start_station_m=100.0)
    text = """station,offset,BS,IS,FS,name
,,1.5,,,BM1
1+00,CL,,1.0,,
1+50,L 5,,1.1,,
2+00,R 5,,1.2,,
2+00,-10,,1.3,,
"""
    made = read(book(text), where=line)
    np.testing.assert_allclose(
        made.spots.xyz,
        [[0, 0, 100.5], [30 - 4, 40 + 3, 100.4], [60 + 4, 80 - 3, 100.3], [60 - 8, 80 + 6, 100.2]],
        atol=1e-9,
    )


def test_a_stake_shot_twice_is_one_spot_and_reported(book):
    made = read(book(BOOK.replace("B2,,2.000,,", "B2,,2.000,,\nA2,,1.920,,")))
    (repeat,) = made.repeats
    assert (repeat.name, repeat.lines) == ("A2", (4, 8))
    assert repeat.spread_m == pytest.approx(0.0095, abs=1e-9)
    at = made.spots.name.tolist().index("A2")
    assert made.spots.xyz[at, 2] == pytest.approx((99.6405 + 99.631) / 2)
    assert len(made.spots.xyz) == 4


# --- mistakes


def swap(old, new):
    assert old in BOOK
    return BOOK.replace(old, new)


@pytest.mark.parametrize(
    ("text", "found", "line", "key"),
    [
        (swap("A1,,1.500,,", "A1,1.3,1.500,,"), "a BS and an IS", 3, "IS"),
        (swap("A1,,1.500,,", "A1,,1.500,1.3,"), "an FS and an IS", 3, "IS"),
        (swap("TP1,1.400,,1.100,", "TP1,,,1.100,"), "FS on 'TP1' has no BS", 5, "BS"),
        (swap("BM1,1.250,,,nail", "BM1,,1.250,,nail"), "no BS before it", 2, "BS"),
        (swap("BM1,1.250,,,nail", "BM2,1.250,,,nail"), "'BM2', where the book begins", 2, "point"),
        (swap("TP1,1.400,,1.100,", "TP1,1.400,,,"), "BS on 'TP1' follows no FS", 5, "FS"),
        (swap("BM1,,,1.551,closed", "TP2,1.3,,1.551,"), "no sight follows the BS", 8, "BS"),
        (swap("2.000", "6.200"), "longer than the staff", 7, "IS"),
        (swap("2.000", "-6.200"), "longer than the staff", 7, "IS"),
        (swap("2.000", "2000"), "longer than the staff", 7, "IS"),
        (swap("2.000", "two"), "'two' is not a staff reading", 7, "IS"),
        (swap("2.000", "(2.000)"), "'(2.000)' is not a staff reading", 7, "IS"),
        (swap("2.000", '"2,000"'), "'2,000' is not a staff reading", 7, "IS"),
        (swap("B2,,2.000,,", "B2,,,,"), "'B2' has no reading", 7, "IS"),
        (swap("B2,,2.000,,", "D9,,2.000,,"), "where 'D9' is", 7, "point"),
        (swap("B2,,2.000,,", "A1,,2.000,,"), "'A1' has the heights", 7, "point"),
        (swap("B2,,2.000,,", "B2,,2.000,"), "4 fields", 7, None),
        (swap("B2,,2.000,,", "B2,,2.000,,,x"), "6 fields", 7, None),
        (swap("remarks", "BS"), "both name the back", 1, None),
        (swap("remarks", "distance"), "a sight or a chainage", 1, None),
        (swap("remarks", "offset"), "offsets, the plan no baseline", None, "offset"),
        (swap("BS,IS,FS", "a,b,c"), "no header names", 1, None),
        (BOOK.replace(",", " "), "parted by spaces", 1, None),
        ("point,BS,IS,FS\n", "no readings", None, None),
        ("", "empty", None, None),
        (BOOK + "Sum,2.560,,2.651,\n", "sum of the BS is booked", 9, "BS"),
        ("point,BS,IS,FS,RL\nBM1,1.5,,,100\nA1,,1.2,,100.3\nA2,,1.3,,100.3\nB1,,,1.4,100.1\n",
         "height of 'A2' is booked as 100.300 m", 4, "elevation"),
        (swap("remarks", "known").replace("nail in kerb", "100.1").replace("closed", ""),
         "'BM1' is known as 100.100 m", 2, "known elevation"),
        (swap("remarks", "easting").replace("nail in kerb", "7").replace("closed", ""),
         "nothing says where", None, None),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_place(book, text, found, line, key):
    with pytest.raises(SurveyError) as raised:
        read(book(text), where=None if "easting" in text else GRID)
    error = raised.value
    assert found in error.found
    assert (error.place.line, error.place.key) == (line, key)
    assert error.expected
    assert error.mend


def test_a_benchmark_that_the_book_never_names(book):
    with pytest.raises(SurveyError, match=r"never names the benchmark 'BM7'(.|\n)*'BM1'"):
        read(book(BOOK), benchmarks=KNOWN | {"BM7": 99.0})


def test_millimetres_and_feet_are_guessed(book):
    with pytest.raises(SurveyError, match=r"millimetres, write 2\.1"):
        read(book(swap("2.000", "2100")))
    with pytest.raises(SurveyError, match="staff is in feet"):
        read(book(swap("2.000", "12.5")))


@pytest.mark.parametrize(
    "text",
    [BOOK.replace("BS,", "BS (ft),"), "# units: feet\n" + BOOK,
     BOOK.replace("remarks\n", "remarks\n,ft,ft,ft,\n")],
)  # fmt: skip
def test_another_unit_is_refused(book, text):
    with pytest.raises(UnitError, match="another unit"):
        read(book(text))


# --- staff, grid and baseline


@pytest.mark.parametrize(
    ("text", "unit", "feet"),
    [
        ("4.52", FOOT, 4.52),
        ("4 ft 6 3/8 in", FOOT, 4 + 6.375 / 12),
        ("4-6-3/8", FOOT, 4 + 6.375 / 12),
        ("4-6-3", FOOT, 4 + 6.375 / 12),
        ("4-6 3/8", FOOT, 4 + 6.375 / 12),
        ("4-6", FOOT, 4.5),
        ("4'6-3/8\"", FOOT, 4 + 6.375 / 12),
        ("4' 6 3/8\"", FOOT, 4 + 6.375 / 12),
        ("4′ 6″", FOOT, 4.5),
        ("4ft6in", FOOT, 4.5),
        ("4'", FOOT, 4.0),
        ('6 1/2"', FOOT, 6.5 / 12),
        ('3/8"', FOOT, 0.375 / 12),
        ("4.52 ft", METRE, 4.52),
        ("4-6-3/8", METRE, 4 + 6.375 / 12),
        ("-4-6", FOOT, -4.5),
        ("inv 4.52", FOOT, -4.52),
        ("4.52 inv.", FOOT, -4.52),
        ("1.5 m", FOOT, 1.5 / 0.3048),
        ("1435 mm", METRE, 1.435 / 0.3048),
    ],
)
def test_staff_readings(text, unit, feet):
    assert read_staff(text, unit, HERE) == pytest.approx(feet * 0.3048, rel=1e-14)


def test_a_survey_foot_staff_has_survey_inches():
    assert read_staff("4-6", US_SURVEY_FOOT, HERE) == pytest.approx(4.5 * 1200 / 3937, rel=1e-15)


@pytest.mark.parametrize(
    "text", ["", "4-12", "4-6-8", "4-6-8/8", "4-6-1/3", "4.5 ft 6 in", "4.5.2", "1e3", "nan",
             "06-Apr", "inv -2", "4,52", "4 6 3", "--4"]
)  # fmt: skip
def test_no_staff_reading(text):
    with pytest.raises(SurveyError, match="not a staff reading") as raised:
        read_staff(text, FOOT, HERE)
    assert raised.value.place == HERE


def test_names_of_a_grid():
    grid = NamedGrid((10.0, 20.0), 90.0, (2.0, 3.0), last="AB40")
    # numbers run east, letters to the right of that, south
    assert grid.position("A1") == pytest.approx((10, 20))
    assert grid.position("b-3") == pytest.approx((14, 17))
    assert grid.position("3B") == pytest.approx((14, 17))
    assert grid.position("Z1") == pytest.approx((10, 20 - 25 * 3))
    assert grid.position("AA1") == pytest.approx((10, 20 - 26 * 3))
    assert grid.position("AB40") == pytest.approx((88, 20 - 27 * 3))
    for none in ("AC1", "A41", "BM1", "TP1", "A0", "", "A", "7", "A1x"):
        assert grid.position(none) is None


def test_a_grid_may_leave_out_letters_and_grow_to_the_left():
    grid = NamedGrid((0.0, 0.0), 0.0, (1.0, 1.0), last="K9", first="A0", letters="left", skip="IO")
    assert grid.position("J0") == pytest.approx((-8, 0))
    assert grid.position("I0") is None
    assert grid.position("A9") == pytest.approx((0, 9))


@pytest.mark.parametrize("options", [{"last": "7"}, {"last": "A1", "first": "B1"},
                                     {"last": "C3", "letters": "up"}])  # fmt: skip
def test_a_grid_that_is_none(options):
    with pytest.raises(SurveyError, match="grid"):
        NamedGrid((0.0, 0.0), 0.0, (1.0, 1.0), **options)


def test_a_baseline_needs_two_ends():
    with pytest.raises(SurveyError, match="begins where it ends"):
        Baseline((1.0, 2.0), (1.0, 2.0))


@pytest.mark.parametrize(
    ("text", "station"),
    [("12.5", 12.5), ("1+25", 125), ("1+25.5", 125.5), ("0+125", 125), ("1+250", 1250), ("-5", -5)],
)
def test_stations(text, station):
    assert read_station(text, FOOT, HERE) == pytest.approx(station * 0.3048)


@pytest.mark.parametrize(
    ("text", "offset"),
    [("3.5", 3.5), ("-3.5", -3.5), ("+3.5", 3.5), ("L 3.5", -3.5), ("3.5L", -3.5), ("R3.5", 3.5),
     ("3.5 Rt", 3.5), ("left 2", -2), ("CL", 0), ("0", 0)],
)  # fmt: skip
def test_offsets(text, offset):
    assert read_offset(text, METRE, HERE) == offset


@pytest.mark.parametrize("text", ["", "L -3", "L 3 R", "3 up", "x", "L"])
def test_no_offset(text):
    with pytest.raises(SurveyError, match="offset"):
        read_offset(text, METRE, HERE)


@pytest.mark.parametrize("text", ["", "1+5", "1+2500", "one"])
def test_no_station(text):
    with pytest.raises(SurveyError, match="station"):
        read_station(text, METRE, HERE)


@pytest.mark.parametrize(
    ("row", "found"),
    [("9+00,L 2,,1.2,,", "beyond the baseline"), ("0+10,,,1.2,,", "offset is missing"),
     (",L 2,,1.2,,", "station is missing")],
)  # fmt: skip
def test_places_that_the_baseline_does_not_have(book, row, found):
    text = f"chainage,offset,BS,IS,FS,name\n,,1.5,,,BM1\n{row}\n"
    with pytest.raises(SurveyError, match=found) as raised:
        read(book(text), where=Baseline((0.0, 0.0), (100.0, 0.0)))
    assert raised.value.place.line == 3


# --- damage


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(damaged=torn(BOOK.encode()))
def test_a_damaged_book_is_told_or_reduces(tmp_path, damaged):
    path = tmp_path / "torn.csv"
    made = read_or_told(read, path, damaged)
    if made is None:
        return
    assert np.isfinite(made.spots.xyz).all()
    assert made.arithmetic.off_m < 1e-9
    assert all(closure.holds for closure in made.closures)


@given(text=st.text("0123456789-+/.'\"ftin inv°,½²٣", max_size=14))
def test_any_text_is_a_reading_or_told(text):
    for read_one in (read_staff, read_station, read_offset):
        with suppress(TerrainError):
            assert math.isfinite(read_one(text, FOOT, HERE))
