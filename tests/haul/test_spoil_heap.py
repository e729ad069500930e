"""Heaps on the ground against closed forms, and what holds for any of them."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.haul.spoil_heap import SHAPES, lay_heap

FIELD = shapely.box(-40, -40, 40, 40)
WIDE = shapely.box(-20, -20, 20, 20)
REPOSE_32 = 1 / math.tan(math.radians(32))
YARD3 = 0.764554857984


@dataclass(frozen=True)
class Slope:
    """A plane that rises eastward, with waves on it."""

    rise: float = 0.0
    waves: float = 0.0

    @property
    def footprint(self):
        return FIELD

    def elevation(self, xy):
        z = 100 + self.rise * xy[:, 0] + self.waves * np.sin(xy[:, 0]) * np.cos(0.7 * xy[:, 1])
        inside = np.abs(xy).max(axis=1) <= 40
        return np.where(inside, z, np.nan)


@pytest.mark.parametrize(
    ("metres3", "diameter_m", "height_m"),
    [
        (382.3 * 1.12, 17.36, 5.43),  # a problem of a construction textbook, 32°, in metres
        (100 * YARD3, 32.08 * 0.3048, 10.02 * 0.3048),  # 100 loose yd³ at 32°, D³ = 24 V / π tan R
    ],
)
def test_a_cone_on_level_ground(metres3, diameter_m, height_m):
    heap = lay_heap(Slope(), WIDE, metres3, batter=REPOSE_32, shape="cone")
    assert heap.height_m == pytest.approx(height_m, rel=1e-3)
    assert 2 * math.sqrt(heap.toe.area / math.pi) == pytest.approx(diameter_m, rel=1e-3)
    assert heap.fits
    assert heap.bound_m3 < 0.006 * metres3


@pytest.mark.parametrize("rise", [0.0, 0.25, 0.5])
def test_a_cone_on_a_plane_slope(rise):
    """Toe `h - s r = k r cos`: an ellipse of eccentricity k/s with its focus under the apex.

    Its semi-axes are `a = (h/s) / (1 - e²)` and `b = (h/s) / √(1 - e²)`. The heap is a cone over
    that ellipse, sheared upright: a third of its plan area times the height h.
    """
    volume, slope = 60.0, 1 / 1.5
    round_ = 1 - (rise / slope) ** 2
    height = (3 * volume * slope**2 * round_**1.5 / math.pi) ** (1 / 3)
    apex = shapely.Point(1.0, -2.0)
    heap = lay_heap(Slope(rise), WIDE, volume, shape="cone", crest=apex)
    assert heap.volume_loose_m3 == volume
    assert heap.height_m == pytest.approx(height, rel=heap.bound_m3 / volume)
    assert heap.toe.area == pytest.approx(math.pi * (height / slope) ** 2 / round_**1.5, rel=3e-3)
    west, south, east, north = heap.toe.bounds
    assert west == pytest.approx(1 - height / (slope - rise), abs=0.03)
    assert east == pytest.approx(1 + height / (slope + rise), abs=0.03)
    assert north - south == pytest.approx(2 * height / slope / math.sqrt(round_), abs=0.06)


def test_a_ridge_is_a_prism_and_a_cone():
    """Half a cone at each end: `V = s⁻¹ h² L + π h³ / 3s²`."""
    length, height, slope = 9.0, 1.6, 1 / 1.5
    volume = height**2 * length / slope + math.pi * height**3 / (3 * slope**2)
    crest = shapely.LineString([(-3, -4), (-3 + 0.6 * length, -4 + 0.8 * length)])
    heap = lay_heap(Slope(), WIDE, volume, shape="ridge", crest=crest)
    assert heap.height_m == pytest.approx(height, rel=2e-3)
    assert heap.top.equals_exact(crest)


@pytest.mark.parametrize("height", [0.4, 1.2, 2.0])
def test_a_flat_top_over_a_rectangle(height):
    """The prismoid of its foot, its top and the rectangle between, `h (A + 4 M + B) / 6`."""
    wide, deep, run = 12.0, 7.0, 1.5 * height
    foot, middle, top = ((wide - 2 * inset) * (deep - 2 * inset) for inset in (0.0, run / 2, run))
    volume = height * (foot + 4 * middle + top) / 6
    room = shapely.affinity.rotate(shapely.box(0, 0, wide, deep), 20)
    heap = lay_heap(Slope(), room, volume, shape="flat")
    assert heap.height_m == pytest.approx(height, rel=3e-3)
    assert heap.toe.area == pytest.approx(foot, rel=1e-3)
    assert heap.top.area == pytest.approx(top, rel=2e-2)


def test_what_does_not_fit_is_told():
    """A square of 6 m holds a pyramid of 2 m, 24 m³, or a cone of 3 m radius, 6 π m³."""
    room = shapely.box(2, 1, 8, 7)
    full = lay_heap(Slope(), room, 100.0)
    assert full.shape == "flat"
    assert not full.fits
    assert full.volume_loose_m3 == pytest.approx(24, abs=full.bound_m3)
    assert full.left_over_m3 == 100 - full.volume_loose_m3
    cone = lay_heap(Slope(), room, math.inf, shape="cone")
    assert cone.volume_loose_m3 == pytest.approx(6 * math.pi, abs=cone.bound_m3)
    assert lay_heap(Slope(), room, 18.0).shape == "cone"


def test_a_ridge_holds_more_than_a_cone_in_a_long_room():
    room = shapely.box(0, 0, 20, 5)
    ridge = lay_heap(Slope(0.1), room, math.inf, shape="ridge")
    cone = lay_heap(Slope(0.1), room, math.inf, shape="cone")
    assert ridge.volume_loose_m3 > 2.5 * cone.volume_loose_m3
    assert lay_heap(Slope(0.1), room, 20.0).shape == "ridge"


@pytest.mark.parametrize("shape", SHAPES)
def test_more_soil_makes_a_higher_heap_that_covers_the_smaller_one(shape):
    ground, room = Slope(0.2), shapely.box(-5, -3, 5, 4)
    less, more = (lay_heap(ground, room, volume, shape=shape) for volume in (8.0, 11.0))
    assert less.fits
    assert more.fits
    assert more.height_m > less.height_m
    places = np.random.default_rng(3).uniform(-5, 5, (500, 2))
    assert (more.surface.thickness(places) >= less.surface.thickness(places) - 1e-9).all()


def test_no_higher_than_allowed():
    low = lay_heap(Slope(0.2), shapely.box(0, 0, 10, 10), 200.0, highest_m=1.1)
    assert low.height_m <= 1.1 + 1e-9
    assert not low.fits


def test_a_room_off_the_survey_and_no_room_at_all():
    beside = lay_heap(Slope(), shapely.box(37, 0, 47, 8), math.inf)
    assert beside.toe.bounds[2] <= 40
    assert beside.volume_loose_m3 > 1
    nothing = lay_heap(Slope(), shapely.box(41, 0, 47, 8), 5.0)
    assert (nothing.volume_loose_m3, nothing.left_over_m3, nothing.toe.area) == (0, 5, 0)
    places = np.array([[0.0, 0.0], [3.0, -4.0]])
    assert nothing.surface.elevation(places) == pytest.approx([100, 100])


rooms = st.sampled_from(
    [
        shapely.box(-6, -4, 6, 4),
        shapely.Point(1, 2).buffer(5),
        shapely.Polygon([(-6, -5), (6, -5), (6, -1), (0, -1), (0, 6), (-6, 6)]),
        shapely.box(-6, -6, 6, 6).difference(shapely.Point(1, 1).buffer(1.5)),
        shapely.MultiPolygon([shapely.box(-8, -3, -1, 3), shapely.box(1, -3, 6, 4)]),
    ]
)


@settings(max_examples=3, deadline=None)
@given(
    room=rooms,
    shape=st.sampled_from([*SHAPES, None]),
    rise=st.floats(-0.4, 0.4),
    waves=st.floats(0, 0.12),
    volume=st.floats(0.5, 60),
    batter=st.floats(1.2, 2.0),
)
def test_any_heap_keeps_its_room_its_slope_and_its_volume(room, shape, rise, waves, volume, batter):
    ground = Slope(rise, waves)
    heap = lay_heap(ground, room, volume, batter=batter, shape=shape)
    assert heap.volume_loose_m3 + heap.left_over_m3 == pytest.approx(volume)
    assert room.buffer(1e-6).covers(heap.toe)

    step = 0.08
    x, y = np.arange(-9, 9, step), np.arange(-7, 8, step)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    z = heap.surface.elevation(places)
    thick = z - ground.elevation(places)
    assert thick.min() >= -1e-9
    outside = ~shapely.intersects_xy(room.buffer(1e-6), places[:, 0], places[:, 1])
    assert thick[outside].max() <= 1e-9
    measured = thick.sum() * step**2
    assert measured == pytest.approx(heap.volume_loose_m3, rel=0.02, abs=0.02 + heap.bound_m3)
    on_heap = (thick > 1e-6).reshape(len(y), len(x))
    z = z.reshape(on_heap.shape)
    for both, fall in (
        (on_heap[:, 1:] & on_heap[:, :-1], np.diff(z, axis=1)),
        (on_heap[1:] & on_heap[:-1], np.diff(z, axis=0)),
    ):
        assert np.abs(fall[both]).max(initial=0) <= step / batter * (1 + 1e-6)
