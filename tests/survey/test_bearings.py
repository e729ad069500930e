"""Bearings and distances: plane trigonometry, the sphere at a small scale, angles to and fro."""

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.errors import UnitError
from terrain.survey.bearings import (
    along_and_across,
    bearings,
    degrees_minutes_seconds,
    parse_degrees_minutes_seconds,
)

STATION = np.array([512_340.5, 5_403_210.25])


@pytest.mark.parametrize(
    ("east", "north", "said", "distance"),
    [  # triangles 3-4-5 and 5-12-13 in the four quadrants, angles from memory
        (3, 4, "36°52′12″", 5), (4, -3, "126°52′12″", 5), (-3, -4, "216°52′12″", 5),
        (-4, 3, "306°52′12″", 5), (5, 12, "22°37′12″", 13), (0, 2, "0°00′00″", 2),
        (2, 0, "90°00′00″", 2), (0, -2, "180°00′00″", 2), (-2, 0, "270°00′00″", 2),
    ],
)  # fmt: skip
def test_the_inverse_of_known_triangles(east, north, said, distance):
    bearing, away = bearings(STATION, STATION + np.array([[east, north]]))
    assert degrees_minutes_seconds(float(bearing[0])) == said
    assert away[0] == pytest.approx(distance, rel=1e-12)


def test_as_on_a_sphere_where_it_is_flat():
    """Within 100 m of the equator's zero a sphere's azimuths are the plane's to 1e-7 degrees."""
    sphere = pyproj.Geod(a=6_371_000.0, f=0)
    places = np.random.default_rng(5).uniform(-100, 100, (200, 2))
    lon, lat = np.degrees(places / 6_371_000.0).T
    zero = np.zeros(len(places))
    azimuth, _, away = sphere.inv(zero, zero, lon, lat)
    bearing, distance = bearings(np.zeros(2), places)
    np.testing.assert_allclose(bearing, np.asarray(azimuth) % 360, rtol=0, atol=1e-6)
    np.testing.assert_allclose(distance, away, rtol=1e-8)


@given(st.integers(0, 360 * 3600 - 1))
def test_whole_seconds_there_and_back(seconds):
    said = degrees_minutes_seconds(seconds / 3600)
    assert parse_degrees_minutes_seconds(said) * 3600 == pytest.approx(seconds, abs=1e-6)


@given(st.floats(0, 360, exclude_max=True))
def test_any_angle_is_within_half_a_second(degrees):
    said = degrees_minutes_seconds(degrees)
    assert "60″" not in said
    assert "60′" not in said
    off = abs(parse_degrees_minutes_seconds(said) - degrees)
    assert min(off, 360 - off) <= 0.5 / 3600 + 1e-9


@pytest.mark.parametrize("text", ["360 00 00", "12 60 00", "12 00 60", "north", "-1 00 00", ""])
def test_what_is_no_bearing(text):
    with pytest.raises(UnitError, match="no bearing"):
        parse_degrees_minutes_seconds(text)


@given(
    turn=st.floats(0, 359.9), along=st.floats(-500, 500), across=st.floats(-500, 500),
    base=st.floats(1, 200),
)  # fmt: skip
def test_offsets_of_places_laid_out_from_the_line(turn, along, across, base):
    ahead = np.array([np.sin(np.radians(turn)), np.cos(np.radians(turn))])
    right = np.array([ahead[1], -ahead[0]])
    place = STATION + along * ahead + across * right
    found = along_and_across(STATION, STATION + base * ahead, place[None, :])
    assert found[0][0] == pytest.approx(along, abs=1e-6)
    assert found[1][0] == pytest.approx(across, abs=1e-6)
