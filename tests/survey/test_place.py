"""Coordinates carried to the site's system, and what is refused on the way."""

import numpy as np
import pyproj
import pytest
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from terrain.errors import SurveyError, UnitError
from terrain.survey.place import (
    check_unit,
    cross,
    crs_named,
    degrees_of,
    grid_scale,
    height_unit,
    plan_unit,
    site_crs,
    utm_zone,
)
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

OREGON_FEET = "EPSG:2914"  # NAD83(HARN) / Oregon South (ft): international feet
CALIFORNIA = "EPSG:2225"  # NAD83 / California zone 1 (ftUS)
COMPOUND = "EPSG:6346+6360"  # NAD83(2011) / UTM 17N and NAVD88 height (ftUS)


def box(xyz):
    low, high = xyz.min(axis=0), xyz.max(axis=0)
    return low[0], low[1], high[0], high[1]


def test_the_units_of_registered_systems():
    """EPSG register: 2225 in US survey feet, 2914 in international feet, 26915 in metres."""
    units = [plan_unit(crs_named(code)) for code in (CALIFORNIA, OREGON_FEET, "EPSG:26915")]
    assert units == [US_SURVEY_FOOT, FOOT, METRE]
    assert plan_unit(crs_named("EPSG:4326")) is None
    assert plan_unit(crs_named(COMPOUND)) is METRE
    assert height_unit(crs_named(COMPOUND)) is US_SURVEY_FOOT
    assert height_unit(crs_named("EPSG:26915")) is None


def test_the_wrong_foot_is_1219_millimetres_at_two_million_feet():
    """85 FR 62698: 2 parts in a million; at 2,000,000 ft that is 4.000 ft, 1.219 m."""
    feet = 2_000_000.0
    assert feet * (US_SURVEY_FOOT.metres - FOOT.metres) == pytest.approx(1.2192, abs=5e-5)
    assert feet * (US_SURVEY_FOOT.metres / FOOT.metres - 1) == pytest.approx(4.000, abs=5e-4)
    true = np.array([[6_561_666.667, 2_000_000.0, 100.0]]) * US_SURVEY_FOOT.metres
    wrong = true / US_SURVEY_FOOT.metres * FOOT.metres
    way = cross(CALIFORNIA, "EPSG:26910", near=box(true), unit=US_SURVEY_FOOT)
    off = way.apply(true)[0] - way.apply(wrong)[0]
    # false origin of the zone: 6,561,666.667 ftUS east, 1,640,416.667 ftUS north (EPSG register)
    assert np.hypot(*off[:2]) == pytest.approx(np.hypot(4.000, 1.2192), abs=0.01)
    with pytest.raises(UnitError, match=r"us-ft.*not in international feet: 4\.000 m at 2,000,000"):
        cross(CALIFORNIA, "EPSG:26910", near=box(true), unit=FOOT)


def test_a_false_origin_lands_at_its_longitude_and_latitude():
    """EPSG 2225: latitude of false origin 39°20', longitude -122°, at 2,000,000 m, 500,000 m."""
    at = degrees_of(crs_named(CALIFORNIA), 2_000_000.0, 500_000.0)
    assert at == pytest.approx((-122, 39 + 1 / 3), abs=1e-8)


def test_the_central_meridian_of_a_utm_zone_is_at_500_km_on_the_equator():
    lonlat = np.array([[-93.0, 0.0, 5.0]])
    way = cross("EPSG:4269", "EPSG:26915", near=(-93, 0, -93, 0))
    np.testing.assert_allclose(way.apply(lonlat), [[500_000, 0, 5]], atol=1e-6)
    assert (way.ballpark, way.missing) == (False, ())


@pytest.mark.parametrize("seed", range(3))
def test_there_and_back_again_is_the_same_place(seed):
    rng = np.random.default_rng(seed)
    xyz = rng.uniform([470_000, 4_980_000, 250], [471_000, 4_981_000, 260], (50, 3))
    there = cross("EPSG:26915", "EPSG:2225", near=box(xyz)).apply(xyz)
    back = cross("EPSG:2225", "EPSG:26915", near=box(there)).apply(there)
    np.testing.assert_allclose(back, xyz, atol=1e-4)
    expected = pyproj.Transformer.from_crs(26915, 2225, always_xy=True).transform(*xyz.T[:2])
    np.testing.assert_allclose(there[:, :2], np.transpose(expected) * 1200 / 3937, atol=1e-4)


def test_heights_of_a_compound_system_have_their_own_unit():
    """Read as metres like its plan, a height of 328.083333 US survey feet must become 100 m."""
    xyz = np.array([[500_000.0, 4_500_000, 328.0833333333]])
    way = cross(COMPOUND, "EPSG:6346", near=box(xyz), unit=METRE, raise_m=-1.5)
    np.testing.assert_allclose(way.apply(xyz), [[500_000, 4_500_000, 98.5]], atol=1e-6)


def test_lines_without_heights_keep_having_none():
    way = cross("EPSG:4326", "EPSG:26915", near=(-93, 45, -93, 45), raise_m=2)
    assert np.isnan(way.apply(np.array([[-93.0, 45, np.nan]]))[0, 2])


def test_the_box_around_a_turned_box_holds_every_point_of_it():
    rng = np.random.default_rng(4)
    xyz = np.column_stack([rng.uniform([2e6, 7e5], [2.01e6, 7.05e5], (500, 2)), np.zeros(500)])
    way = cross("EPSG:2225", "EPSG:26911", near=box(xyz))
    west, south, east, north = way.apply_box(box(xyz))
    x, y, _ = way.apply(xyz).T
    slack = 0.05  # sides bow between the points along them
    assert west - slack < x.min() < west + 200 < east - 200 < x.max() < east + slack
    assert south - slack < y.min() < south + 200 < north - 200 < y.max() < north + slack


def test_what_cannot_be_done_without_the_network_is_told():
    """NAD 27 to NAD 83 needs grids that PROJ does not carry: tens of metres stay open."""
    way = cross("EPSG:26715", "EPSG:26915", near=(470_000, 4_980_000, 471_000, 4_981_000))
    if way.ballpark:
        assert way.accuracy_m is None
        assert any(name.endswith(".tif") for name in way.missing)
    else:
        assert way.accuracy_m is not None
    assert not pyproj.network.is_network_enabled()


@pytest.mark.parametrize("near", [(-93.2, 44.9), (151.2, -33.9), (16.0, 78.2), (-179.9, 1)])
def test_a_site_in_degrees_is_pointed_to_its_utm_zone(near):
    """Peer: PROJ's own register of UTM zones and where they are used."""
    longitude, latitude = near
    known = query_utm_crs_info(
        "WGS 84", AreaOfInterest(longitude, latitude, longitude, latitude), contains=True
    )
    code = utm_zone(longitude, latitude)
    assert code in {f"EPSG:{entry.code}" for entry in known}
    with pytest.raises(SurveyError, match="in degrees") as caught:
        site_crs("EPSG:4326", near=near)
    assert code in caught.value.mend


@pytest.mark.parametrize(
    ("longitude", "latitude", "zone"),
    [(3.0, 60, 32), (2.9, 60, 31), (3, 55.9, 31), (8.9, 80, 31), (9, 80, 33), (41.9, 80, 37),
     (180, 10, 1), (-180, 10, 1), (179.9, 10, 60)],
)  # fmt: skip
def test_zones_about_norway_and_the_date_line(longitude, latitude, zone):
    """USGS Professional Paper 1395, page 62, from memory."""
    assert utm_zone(longitude, latitude) == f"EPSG:326{zone:02d}"


@pytest.mark.parametrize("text", ["EPSG:999999", "somewhere", "EPSG:4978"])
def test_no_site_in_a_system_that_is_none(text):
    with pytest.raises(SurveyError) as caught:
        site_crs(text)
    assert caught.value.mend


def test_numbers_that_are_no_place_are_refused():
    with pytest.raises(SurveyError, match="no place in"):
        cross("EPSG:4326", "EPSG:26915", near=(470_000, 4_980_000, 470_100, 4_980_100))
    way = cross("EPSG:4326", "EPSG:26915", near=(-93, 45, -93, 45))
    with pytest.raises(SurveyError, match="1 of 2 points"):
        way.apply(np.array([[-93.0, 45, 0], [470_000, 4_980_000, 0]]))


def test_the_unit_of_a_system_is_not_to_be_contradicted():
    check_unit(crs_named(OREGON_FEET), FOOT)
    check_unit(crs_named("EPSG:4326"), FOOT)  # degrees say nothing of heights
    with pytest.raises(UnitError, match="'ft'"):
        check_unit(crs_named(OREGON_FEET), US_SURVEY_FOOT)


def test_the_scale_of_a_utm_grid_on_its_central_meridian():
    """0.9996 there by definition; at 1,000 m of height another 157 parts in a million shorter."""
    assert grid_scale("EPSG:26915", 500_000, 4_980_000) == pytest.approx(0.9996, abs=1e-9)
    high = grid_scale("EPSG:26915", 500_000, 4_980_000, height_m=1000)
    assert high == pytest.approx(0.9996 * (1 - 156.9e-6), abs=1e-7)
