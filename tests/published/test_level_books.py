"""Level books that others have reduced in print."""

import numpy as np
import pytest

from terrain.errors import SurveyError
from terrain.survey.levels import read_level_book
from terrain.survey.reduction import Sights, arithmetic, height_of_instrument, rise_and_fall
from terrain.units import FOOT, METRE

_NO = float("nan")


@pytest.fixture
def book(tmp_path):
    """Write the rows (point, BS, IS, FS) of a printed book, each at a place of its own."""

    def write(rows):
        path = tmp_path / "levels.csv"
        lines = [f"{','.join(row)},{10 * i},0" for i, row in enumerate(rows)]
        path.write_text("\n".join(["point,BS,IS,FS,easting,northing", *lines]))
        return path

    return write


def sights_of(rows, first):
    columns = np.array([[float(text) if text else _NO for text in row[1:]] for row in rows]).T
    start = np.full(len(rows), _NO)
    start[0] = first
    return Sights(*columns, start)


# NPTEL, Surveying (IIT Roorkee), module 4, lesson 14, example 14-1: its table of the reduction
# by height of instrument. Two readings of its list (2.665, 3.845) are misprints of the table's.
NPTEL = [
    ("1", "2.655", "", ""),
    ("2", "", "3.745", ""),
    ("3", "", "3.830", ""),
    ("4", "2.645", "", "2.275"),
    ("5", "", "0.385", ""),
    ("6", "1.640", "", "0.960"),
    ("7", "", "2.845", ""),
    ("8", "2.680", "", "3.485"),
    ("9", "", "", "3.265"),
]
NPTEL_LEVELS = [100.000, 98.910, 98.825, 100.380, 102.640, 102.065, 100.860, 100.220, 99.635]
NPTEL_PLANES = [102.655, 103.025, 103.705, 102.900]

# A students' report of surveying, printed on Scribd (485328766), tables 6.2.1.1 and 6.2.1.2: both
# reductions of one book; point N was read on a staff held upside down. Two of its numbers are
# misprints that its own neighbours correct: the first plane (22.415, but 24.415 - 1.819 = 22.596)
# and the height of O (25.665, but 28.314 - 2.665 = 25.649).
REPORT = [
    ("TBM", "2.415", "", ""),
    ("A", "3.600", "", "1.819"),
    ("B", "", "4.680", ""),
    ("C", "", "1.900", ""),
    ("D", "", "1.817", ""),
    ("E", "1.680", "", "0.919"),
    ("F", "", "2.131", ""),
    ("G", "", "2.797", ""),
    ("H", "", "2.400", ""),
    ("I", "3.100", "", "3.670"),
    ("J", "", "3.801", ""),
    ("K", "", "1.677", ""),
    ("L", "0.700", "", "1.980"),
    ("M", "2.708", "", "1.001"),
    ("N", "", "-1.500", ""),
    ("O", "", "1.165", ""),
    ("DKA", "", "", "3.999"),
]
REPORT_LEVELS = [
    22.000, 22.596, 21.516, 24.296, 24.379, 25.277, 24.826, 24.160, 24.557, 23.287, 22.586,
    24.710, 24.407, 24.106, 28.314, 25.649, 22.815,
]  # fmt: skip
REPORT_PLANES = [24.415, 26.196, 26.957, 26.387, 25.107, 26.814]

# PNG University of Technology, Department of Surveying, lecture 2: height of instrument, with a
# staff upside down under a bridge.
BRIDGE = [
    ("BM1", "6.482", "", ""),
    ("CP1", "5.844", "", "2.159"),
    ("C", "", "3.141", ""),
    ("D", "", "-2.956", ""),
    ("E", "", "5.600", ""),
    ("CP2", "4.298", "", "7.318"),
    ("F", "", "3.015", ""),
    ("BM2", "", "", "4.264"),
]
BRIDGE_LEVELS = [40.000, 44.323, 47.026, 53.123, 44.567, 42.849, 44.132, 42.883]
BRIDGE_PLANES = [46.482, 50.167, 47.147]

PRINTED = [
    (NPTEL, NPTEL_LEVELS, NPTEL_PLANES, 9.620, 9.985, -0.365),
    (REPORT, REPORT_LEVELS, REPORT_PLANES, 14.203, 13.388, 0.815),
    (BRIDGE, BRIDGE_LEVELS, BRIDGE_PLANES, 16.624, 13.741, 2.883),
]


@pytest.mark.parametrize(("rows", "levels", "planes", "back", "fore", "climb"), PRINTED)
def test_both_reductions_give_the_printed_heights(rows, levels, planes, back, fore, climb):
    sights = sights_of(rows, levels[0])
    heights, our_planes = height_of_instrument(sights)
    np.testing.assert_allclose(heights, levels, atol=1e-9)
    np.testing.assert_allclose(our_planes, planes, atol=1e-9)
    np.testing.assert_allclose(rise_and_fall(sights)[0], levels, atol=1e-9)
    checked = arithmetic(sights)
    assert [checked.back, checked.fore, checked.climb] == pytest.approx([back, fore, climb])
    assert checked.rise - checked.fall == pytest.approx(climb)
    assert checked.off_m < 1e-9


@pytest.mark.parametrize(("rows", "levels", "planes", "back", "fore", "climb"), PRINTED)
def test_the_reader_gives_the_printed_heights(book, rows, levels, planes, back, fore, climb):
    levelled = read_level_book(
        book(rows), unit=METRE, benchmarks={rows[0][0]: levels[0]}, staff_m=7.5
    )
    np.testing.assert_allclose(levelled.spots.xyz[:, 2], levels, atol=1e-9)
    assert levelled.spots.xyz[:, 0].tolist() == [10 * i for i in range(len(rows))]
    assert [setup.plane_m for setup in levelled.setups] == pytest.approx(planes)
    assert [levelled.arithmetic.back, levelled.arithmetic.fore] == pytest.approx([back, fore])
    assert levelled.misclosure_m is None


def test_the_printed_rises_and_falls():
    # the report prints the sums 11.086 and 10.271 over rises and falls such as 0.596 and 1.080
    checked = arithmetic(sights_of(REPORT, 22.0))
    assert (checked.rise, checked.fall) == pytest.approx((11.086, 10.271))


# A solved exercise in feet (askfilo.com, question 3430383238313239): BM B comes to 94.95 ft
# where 94.91 ft is known, a misclosure of 0.04 ft.
CLOSED = [
    ("BM A", "3.10", "", ""),
    ("TP1", "6.44", "", "9.82"),
    ("TP2", "8.76", "", "6.96"),
    ("TP3", "7.12", "", "3.27"),
    ("BM B", "", "", "10.42"),
]


def test_a_printed_misclosure_in_feet(book):
    benchmarks = {"BM A": 100 * 0.3048, "BM B": 94.91 * 0.3048}
    levelled = read_level_book(
        book(CLOSED), unit=FOOT, benchmarks=benchmarks, limit_m=0.05 * 0.3048
    )
    np.testing.assert_allclose(
        levelled.reduced_m / 0.3048, [100, 93.28, 92.76, 98.25, 94.95], atol=1e-9
    )
    assert levelled.misclosure_m / 0.3048 == pytest.approx(0.04)
    assert levelled.adjusted
    # a quarter in each of the four setups
    np.testing.assert_allclose(
        levelled.height_m / 0.3048, [100, 93.27, 92.74, 98.22, 94.91], atol=1e-9
    )


def test_the_printed_misclosure_is_too_much_for_pond_levels(book):
    benchmarks = {"BM A": 100 * 0.3048, "BM B": 94.91 * 0.3048}
    with pytest.raises(SurveyError, match=r"miss the benchmark 'BM B' by 0\.040 ft"):
        read_level_book(book(CLOSED), unit=FOOT, benchmarks=benchmarks)
