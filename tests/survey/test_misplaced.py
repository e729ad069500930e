"""Surveys put in the wrong place on purpose are recognised; sound ones are left in peace."""

import re

import numpy as np
import pyproj
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from terrain.survey.misplaced import looks_misplaced
from terrain.survey.suspicion import Kind, Reference
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

UTM15 = "EPSG:26915"
SITE = np.array([478_300.0, 4_978_200.0, 268.0])  # an invented site in UTM zone 15


def ground(xy, *, relief=1.5):
    """Rolling ground, heights in metres above the site's."""
    x, y = xy[:, 0], xy[:, 1]
    return relief * (np.sin(x / 9) + np.cos(y / 7) + 0.5 * np.sin((x + 2 * y) / 4))


def survey(seed, *, count=400, size=(80.0, 50.0), site=SITE, noise=0.02, part=1.0, relief=1.5):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 1, (count, 2)) * np.array(size) * part
    z = ground(xy, relief=relief) + rng.normal(0, noise, count)
    return np.column_stack([xy, z]) + site


ROVER = Reference("rover", survey(1, count=2000))
OUTLINE = Reference("pond", survey(1, count=30)[:, :2])


def kinds(found):
    return [suspicion.kind for suspicion in found]


def only(found, kind):
    assert kinds(found) == [kind], found
    assert any(letter.isdigit() for letter in found[0].evidence)
    assert found[0].mend
    return found[0]


# --- sound surveys -------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    part=st.floats(0.3, 1),
    noise=st.floats(0.0, 0.06),
    relief=st.floats(0.0, 3.0),
    shift=st.tuples(st.floats(-60, 60), st.floats(-60, 60)),
    local=st.booleans(),
)
@example(seed=0, part=0.5, noise=0.0, relief=0.0, shift=(0.0, 52.0), local=False)
def test_a_survey_in_its_place_raises_nothing(seed, part, noise, relief, shift, local):
    """The same ground measured again, elsewhere on it, partly, noisily, level or rolling."""
    site = np.array([0.0, 0, 100]) if local else SITE
    rng = np.random.default_rng(seed)
    rover = survey(seed, count=800, site=site, relief=relief)
    xy = rng.uniform(0, 1, (300, 2)) * np.array([80, 50]) * part + shift
    drone = np.column_stack([xy, ground(xy, relief=relief) + rng.normal(0, noise, 300)]) + site
    outline = Reference("pond", rover[:40, :2])
    found = looks_misplaced(
        drone, [Reference("rover", rover), outline], crs=None if local else UTM15
    )
    assert found == ()


@settings(max_examples=30, deadline=None)
@given(zone=st.sampled_from([26915, 2225, 2914, 32633, 27700, 5070]), seed=st.integers(0, 10**6))
def test_any_place_inside_its_area_of_use_raises_nothing(zone, seed):
    rng = np.random.default_rng(seed)
    crs = pyproj.CRS.from_epsg(zone)
    west, south, east, north = crs.area_of_use.bounds
    lonlat = rng.uniform([west, south], [east, north])
    way = pyproj.Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    metres = crs.axis_info[0].unit_conversion_factor
    xy = np.array(way.transform(*lonlat)) * metres
    box = np.array([[*xy, 10.0], [*(xy + 200), 20.0]])
    assert looks_misplaced(box, crs=f"EPSG:{zone}") == ()


def test_a_neighbour_without_overlap_raises_nothing():
    other = survey(5) + np.array([150, 0, 0])
    assert looks_misplaced(other, [ROVER, OUTLINE], crs=UTM15) == ()
    assert looks_misplaced(other[:2], [ROVER], crs=UTM15) == ()


def test_a_level_lawn_seen_by_a_drone_through_grass_raises_nothing():
    """Grass: 0 to 12 cm above the ground, without a constant."""
    drone = survey(3)
    drone[:, 2] += np.random.default_rng(0).uniform(0, 0.12, len(drone))
    assert looks_misplaced(drone, [ROVER]) == ()


def test_an_empty_survey_raises_nothing():
    assert looks_misplaced(np.empty((0, 3)), [ROVER]) == ()


# --- one mistake at a time -----------------------------------------------------------------------


@pytest.mark.parametrize("others", [[ROVER], [OUTLINE], [OUTLINE, ROVER]])
@pytest.mark.parametrize("crs", [None, UTM15])
def test_exchanged_north_and_east(others, crs):
    found = looks_misplaced(survey(2)[:, [1, 0, 2]], others, crs=crs)
    only(found, Kind.EXCHANGED)


def test_exchanged_without_anything_else_but_the_system():
    only(looks_misplaced(survey(2)[:, [1, 0, 2]], crs=UTM15), Kind.EXCHANGED)


def test_exchanged_on_a_local_grid_is_told_by_the_heights():
    here = survey(2, site=np.array([0.0, 0, 100]), size=(60, 55))
    rover = Reference("rover", survey(1, count=2000, site=np.array([0.0, 0, 100]), size=(60, 55)))
    assert looks_misplaced(here, [rover]) == ()
    found = only(looks_misplaced(here[:, [1, 0, 2]], [rover]), Kind.EXCHANGED)
    assert "heights" in found.evidence


def test_the_box_of_a_cloud_is_enough():
    xyz = survey(2)[:, [1, 0, 2]]
    box = np.array([xyz.min(axis=0), xyz.max(axis=0)])
    only(looks_misplaced(box, [OUTLINE]), Kind.EXCHANGED)


@pytest.mark.parametrize("foot", [FOOT, US_SURVEY_FOOT])
def test_feet_read_as_metres(foot):
    found = looks_misplaced(survey(2) / foot.metres, [ROVER], crs=UTM15)
    assert "us-ft" in only(found, Kind.FEET_AS_METRES).mend


@pytest.mark.parametrize("foot", [FOOT, US_SURVEY_FOOT])
def test_metres_read_as_feet(foot):
    found = looks_misplaced(survey(2) * foot.metres, [ROVER], crs=UTM15, unit=foot)
    only(found, Kind.METRES_AS_FEET)


def test_feet_read_as_metres_on_a_local_grid():
    here = survey(2, site=np.array([0.0, 0, 100]))
    rover = Reference("rover", survey(1, count=2000, site=np.array([0.0, 0, 100])))
    only(looks_misplaced(here / 0.3048, [rover]), Kind.FEET_AS_METRES)


@pytest.mark.parametrize(("zone", "code"), [(16, 26916), (14, 26914)])
def test_the_zone_next_door(zone, code):
    """The same site in the coordinates of the next zone, taken for zone 15."""
    east = {16: 90.0, 14: 96.2}[zone]
    way = pyproj.Transformer.from_crs(4269, 26915, always_xy=True)
    site = np.array([*way.transform(-east, 45.0), 250.0])
    rover = Reference("rover", survey(1, site=site))
    here = survey(2, site=site)
    here[:, :2] = np.transpose(
        pyproj.Transformer.from_crs(26915, code, always_xy=True).transform(*here.T[:2])
    )
    found = only(looks_misplaced(here, [rover], crs=UTM15), Kind.OTHER_ZONE)
    assert f'crs = "EPSG:{code}"' in found.mend


def test_state_plane_feet_taken_for_utm_metres():
    """Minnesota South (ftUS), EPSG 26851, read as if its numbers were metres of UTM 15."""
    here = survey(2)
    here[:, :2] = np.transpose(
        pyproj.Transformer.from_crs(26915, 26851, always_xy=True).transform(*here.T[:2])
    )
    found = only(looks_misplaced(here, [ROVER], crs=UTM15), Kind.OTHER_ZONE)
    assert "Minnesota South" in found.evidence


@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("others", [[ROVER], []])
@pytest.mark.parametrize("unit", [METRE, FOOT])
def test_degrees_read_as_lengths(flip, others, unit):
    here = survey(2)
    here[:, :2] = np.transpose(
        pyproj.Transformer.from_crs(26915, 4269, always_xy=True).transform(*here.T[:2])
    )
    if flip:
        here = here[:, [1, 0, 2]]
    found = only(looks_misplaced(here * unit.metres, others, crs=UTM15, unit=unit), Kind.DEGREES)
    assert ("latitude, longitude" in found.evidence) is flip


@pytest.mark.parametrize(
    ("cut", "unit", "told"),
    [
        ([0, 4_000_000], METRE, r"\+0 .* \+4,000,000"),
        ([400_000, 4_900_000], METRE, r"\+400,000 .* \+4,900,000"),
        ([-32_000_000, 0], METRE, r"-32,000,000 .* \+0"),
        ([1_500_000, 16_000_000], FOOT, r"\+1,500,000 .* \+16,000,000 .*ft"),
    ],
)
def test_leading_digits_left_out(cut, unit, told):
    here = survey(2) - np.array([*cut, 0]) * unit.metres
    found = only(looks_misplaced(here, [ROVER], unit=unit), Kind.TRUNCATED)
    assert re.search(told, found.evidence)


def test_a_turned_sign():
    site = np.array([-73_000.0, 52_000, 30])
    rover = Reference("rover", survey(1, site=site))
    found = looks_misplaced(survey(2, site=site) * [-1, 1, 1], [rover])
    assert "easting" in only(found, Kind.SIGN).evidence


def test_a_survey_of_another_place():
    only(looks_misplaced(survey(2) + np.array([17_345.6, -29_876.5, 0]), [ROVER]), Kind.APART)


@pytest.mark.parametrize("turn", [1, -1])
def test_the_other_foot_at_state_plane_eastings_by_common_points(turn):
    """2 parts in a million of 1,829 km and 610 km: 3.9 m. Shots of the same stakes show it."""
    site = np.array([1_828_800.0, 609_600, 100])
    stakes = survey(1, count=25, site=site, relief=0)
    again = stakes + np.random.default_rng(1).normal(0, 0.01, stakes.shape)
    again[:, :2] *= (1200 / 3937 / 0.3048) ** -turn
    found = only(looks_misplaced(again, [Reference("stakes", stakes)]), Kind.OTHER_FOOT)
    assert "3.85" in found.evidence  # hypot(1,828,800, 609,600) × 2.000004e-6 = 3.855 m
    assert ('"us-ft"' in found.mend) is (turn == 1)


def test_the_other_foot_by_the_heights_of_rolling_ground():
    site = np.array([1_828_800.0, 609_600, 100])
    rover = Reference("rover", survey(1, count=2500, site=site))
    here = survey(2, count=800, site=site)
    here[:, :2] /= 1.000002
    assert looks_misplaced(survey(2, count=800, site=site), [rover]) == ()
    assert "follow rover" in only(looks_misplaced(here, [rover]), Kind.OTHER_FOOT).evidence


@pytest.mark.parametrize("shift", [0.83, -0.83, 0.3])
def test_a_constant_difference_in_height(shift):
    found = only(looks_misplaced(survey(2) + np.array([0, 0, shift]), [ROVER]), Kind.HEIGHT_SHIFT)
    assert f"{abs(shift):.2f} m" in found.evidence
    assert f'raise = "{-shift:.2f} m"' in found.mend
    assert ("above" in found.evidence) is (shift > 0)


@pytest.mark.parametrize("factor", [1 / 0.3048, 0.3048])
def test_heights_in_feet_on_a_plan_in_metres_or_the_other_way(factor):
    found = only(looks_misplaced(survey(2) * [1, 1, factor], [ROVER]), Kind.HEIGHT_UNIT)
    assert "feet" in found.mend


def test_outside_the_system_without_an_explanation():
    way = pyproj.Transformer.from_crs(4269, 26915, always_xy=True)
    far = np.array([*way.transform(-120.0, 38.0), 0.0])
    only(looks_misplaced(survey(2, site=far), crs=UTM15), Kind.OUTSIDE)


def test_numbers_that_are_no_place_on_earth():
    found = looks_misplaced(survey(2, site=np.array([9e9, 9e9, 0])), crs=UTM15)
    assert "no place on earth" in only(found, Kind.OUTSIDE).evidence


def test_a_cloud_in_feet_that_declares_a_metre_system():
    """The box and declaration of `simple.copc.laz` of laspy 2.7.0's tests (BSD-2).

    NAD83 / Oregon LCC (m), EPSG 2991; the numbers are those of EPSG 2992, which counts in feet.
    """
    box = np.array([[635_619.85, 848_899.70, 406.59], [638_982.55, 853_535.43, 586.38]])
    found = only(looks_misplaced(box, crs="EPSG:2991+6360"), Kind.FEET_AS_METRES)
    assert "Oregon LCC (m)" in found.evidence
    assert looks_misplaced(box * 0.3048, crs="EPSG:2992") == ()
