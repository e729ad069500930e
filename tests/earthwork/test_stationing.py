"""Stations to read: areas and volumes so far in closed form, along bent and curved baselines."""

import math
from functools import cache

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.arrays import FloatArray
from terrain.earthwork.baselines import Arc, arc_through, legs_along
from terrain.earthwork.panels import Measure
from terrain.earthwork.stationing import list_stations, works_length
from terrain.earthwork.trapezoid import trapezoid_volume


class Height:
    """A surface over a square of 20 m about the origin, by a formula."""

    def __init__(self, height) -> None:
        self.height = height

    def elevation(self, xy: FloatArray) -> FloatArray:
        return self.height(xy[:, 0], xy[:, 1])

    @property
    def footprint(self) -> shapely.Polygon:
        return FIELD


FIELD = shapely.box(-10, -10, 10, 10)
FLAT = Height(lambda x, y: 0 * x)
# a V-shaped trench 4 m wide that deepens evenly from 0 at x = 0 to 3 m at x = 6, and a V-shaped
# bank 2 m wide and 1 m high from x = 2 to x = 8
TRENCH = Height(lambda x, y: -x / 2 * np.fmax(0, 1 - np.abs(y) / 2) * ((x > 0) & (x < 6)))
BANK = Height(lambda x, y: np.fmax(0, 1 - np.abs(y - 5)) * ((x > 2) & (x < 8)))
ALONG_X = ((-9.0, 0.0), (9.0, 0.0))


@cache
def measured(baseline: tuple | Arc = ALONG_X):
    line = baseline if isinstance(baseline, Arc) else np.array(baseline)
    return tuple(
        trapezoid_volume(FLAT, after, region=FIELD, tolerance_m3=0.01, baseline=line)
        for after in (TRENCH, BANK)
    )


def stations(every: float, baseline: tuple | Arc = ALONG_X):
    return list_stations((FLAT, TRENCH, BANK), measured(baseline), every)


def test_areas_and_volumes_so_far_are_those_of_the_closed_form():
    """Closed form: the trench has x m² at x, and x² / 2 m³ up to there; the bank 1 m² all along."""
    found = stations(0.75)
    assert len(found) > 12
    for station in found:
        x = station.station_m - 9
        assert station.place == pytest.approx((x, 0))
        if abs(x - 6) > 1e-6:
            assert station.cut_m2 == pytest.approx(x if 0 < x < 6 else 0, abs=0.01)
        if min(abs(x - 2), abs(x - 8)) > 1e-6:
            assert station.fill_m2 == pytest.approx(float(2 < x < 8), abs=0.01)
        assert station.cut_so_far_m3 == pytest.approx(min(max(x, 0), 6) ** 2 / 2, abs=0.03)
        assert station.fill_so_far_m3 == pytest.approx(min(max(x - 2, 0), 6), abs=0.03)


def test_stations_are_whole_multiples_from_before_the_works_to_behind_them():
    found = stations(0.75)
    places = [station.station_m for station in found]
    assert np.diff(places) == pytest.approx(0.75)
    assert places[0] / 0.75 == pytest.approx(round(places[0] / 0.75))
    assert (found[0].cut_so_far_m3, found[0].fill_so_far_m3) == (0, 0)
    assert places[0] <= 9
    assert places[-1] >= 17
    assert works_length(measured()) == pytest.approx(8, abs=0.6)


@pytest.mark.parametrize(
    "baseline",
    [
        ((-9.0, 0.0), (1.0, -3.0), (9.0, 2.0)),
        ((-9.0, -4.0), (3.0, 4.0), (3.0, 9.0)),
        Arc((0.0, -12.0), 12.0, 2.6, -2.0),
    ],
    ids=["bent", "sharply bent", "arc"],
)
@pytest.mark.parametrize("every", [0.5, 1.3])
def test_along_any_baseline_the_last_station_has_the_whole(baseline: tuple | Arc, every: float):
    """Identity; the trench holds 18 m³ and the bank 6 m³ (closed forms)."""
    cut, fill = measured(baseline)
    found = stations(every, baseline)
    assert found[-1].cut_so_far_m3 == pytest.approx(cut.cut_m3, abs=1e-9)
    assert found[-1].fill_so_far_m3 == pytest.approx(fill.fill_m3, abs=1e-9)
    assert cut.cut_m3 == pytest.approx(18, abs=cut.bound_m3)
    assert fill.fill_m3 == pytest.approx(6, abs=fill.bound_m3)
    so_far = np.array([(s.cut_so_far_m3, s.fill_so_far_m3) for s in found])
    assert np.diff(so_far, axis=0).min() > -0.02
    for volume, total in ((cut, cut.cut_m3), (fill, fill.fill_m3)):
        parts = sum(part.cut_m3 + part.fill_m3 for part in volume.stretches)
        assert parts == pytest.approx(total, abs=1e-9)


def test_between_far_stations_the_volume_follows_the_parabola_of_the_areas():
    """Closed form: areas of x² / 4 make x³ / 12 up to x, whatever the spacing."""
    bowl = Height(lambda x, y: -(x**2) / 8 * np.fmax(0, 1 - np.abs(y) / 2) * (x > 0))
    part, line = shapely.box(0, -4, 9, 4), np.array([[0.0, 0.0], [9.0, 0.0]])
    cut, fill = (
        trapezoid_volume(FLAT, bowl, region=part, baseline=line, spacing=4.0, tolerance_m3=1e-4)
        for _ in range(2)
    )
    found = list_stations((FLAT, bowl, FLAT), (cut, fill), 0.9)
    assert len(found) == 11
    for station in found:
        assert station.cut_so_far_m3 == pytest.approx(station.station_m**3 / 12, abs=1e-3)


def test_a_drawn_profile_has_the_area_that_is_stated():
    """Trapezoidal rule by numpy."""
    for station in stations(1.0)[1:-1]:
        line = station.dug
        assert np.trapezoid(line.before - line.after, line.offset) == pytest.approx(
            station.cut_m2, abs=1e-9
        )


def test_where_nothing_changes_there_are_no_stations():
    same = trapezoid_volume(FLAT, FLAT, region=FIELD, baseline=np.array(ALONG_X), tolerance_m3=0.01)
    assert list_stations((FLAT, FLAT, FLAT), (same, same), 1.0) == ()


@given(
    centre=st.tuples(st.floats(-50, 50), st.floats(-50, 50)),
    radius=st.floats(0.5, 80),
    start=st.floats(-3, 3),
    sweep=st.floats(0.2, 6),
    way=st.floats(0.2, 0.8),
    back=st.booleans(),
)
def test_an_arc_through_three_of_its_places_is_itself(centre, radius, start, sweep, way, back):
    turn = -sweep if back else sweep
    angles = start + turn * np.array([0, way, 1])
    corners = np.array(centre) + radius * np.column_stack([np.cos(angles), np.sin(angles)])
    arc = arc_through(corners)
    assert arc.centre == pytest.approx(centre, abs=1e-4)
    assert arc.radius == pytest.approx(radius, rel=1e-4)
    assert arc.sweep == pytest.approx(turn, rel=1e-4)
    assert math.cos(arc.start - start) == pytest.approx(1)


def waves(seed: int) -> tuple[Height, float]:
    """Four waves and their integral over x from −10 to 10 and y from −8 to 9, in closed form."""
    rng = np.random.default_rng(seed)
    a, b = rng.uniform(0.1, 0.5, (2, 4)) * rng.choice([-1, 1], (2, 4))
    tall, phase = rng.uniform(0.2, 1.0, 4), rng.uniform(0, 6, 4)

    def height(x: FloatArray, y: FloatArray) -> FloatArray:
        angle = np.multiply.outer(a, x) + np.multiply.outer(b, y) + phase[:, None]
        return (tall[:, None] * np.sin(angle)).sum(axis=0)

    def inner(x: float, y: float) -> FloatArray:
        return -np.sin(a * x + b * y + phase) / (a * b)

    whole = inner(10, 9) - inner(-10, 9) - inner(10, -8) + inner(-10, -8)
    return Height(height), float((tall * whole).sum())


@settings(deadline=None, max_examples=8)
@given(x=st.floats(-9, 9), seed=st.integers(0, 99), way=st.floats(0, math.pi))
def test_sections_conserve_and_add_up_over_parts_of_a_region(x: float, seed: int, way: float):
    """Closed form of ∫Δz; a field cut in two by a fence anywhere has the sum of its parts."""
    (before, first), (after, last) = waves(seed), waves(seed + 100)
    baseline = 9 * np.array([[-math.cos(way), -math.sin(way)], [math.cos(way), math.sin(way)]])
    answers = [
        trapezoid_volume(before, after, region=part, baseline=baseline, tolerance_m3=1.0)
        for part in (
            shapely.box(-10, -8, 10, 9), shapely.box(-10, -8, x, 9), shapely.box(x, -8, 10, 9),
        )
    ]  # fmt: skip
    whole, *parts = answers
    assert whole.fill_m3 - whole.cut_m3 == pytest.approx(last - first, abs=whole.bound_m3)
    bound = sum(answer.bound_m3 for answer in answers)
    assert bound <= 3.0
    assert whole.cut_m3 == pytest.approx(sum(part.cut_m3 for part in parts), abs=bound)
    assert whole.fill_m3 == pytest.approx(sum(part.fill_m3 for part in parts), abs=bound)


def test_a_speck_on_a_long_line_takes_few_sections():
    """Where all that changes is one place, its width says nothing of how close sections stand."""
    legs = legs_along(np.array(ALONG_X), FIELD)
    speck = np.array([[0.3, 0.2]])
    measure = Measure(FLAT, FLAT, legs, speck, 0.01, 1e-3)
    panels = measure.first_panels([leg.breaks for leg in legs], speck, None)
    assert 0 < len(panels.leg) < 10_000
