"""However a dig is told apart, its parts are the whole; and closed forms for what each holds."""

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.design import compose, compose_at
from terrain.earthwork.breakdown import Axis, Breakdown, Columns, break_down
from terrain.earthwork.quadrature import quadrature, steep_cells
from terrain.earthwork.strata import AtDepth, AtLevel, AtSurvey, lay_strata
from terrain.surface import Grid, Lattice, Plane
from tests.design.made import FLAT, circle, elements, rectangle

N = 60


@st.composite
def columns(draw):
    rng = np.random.default_rng(draw(st.integers(0, 2**31)))
    xy, ground = rng.uniform(-5, 5, (N, 2)), rng.uniform(99, 101, N)
    tops = [AtDepth(d) for d in draw(st.lists(st.sampled_from([0.2, 0.25, 0.5, 1.0]), max_size=2))]
    tops += [AtLevel(z) for z in draw(st.lists(st.floats(97, 101), max_size=2))]
    tops.append(AtSurvey(Plane(99.0, shapely.box(-3, -5, 5, 5), east_grade=0.1)))
    top = ground - rng.choice([0.0, 0.3], N)
    return Columns(
        ground=ground,
        top=top,
        bottom=top - rng.choice([0.0, -0.4, 0.5, 1.0, 2.5], N) * rng.choice([1.0, rng.random()], N),
        weight=rng.random(N),
        element=rng.integers(0, 3, N).astype(np.int32),
        zone=rng.integers(0, 4, N).astype(np.int32),
        tops=lay_strata(xy, ground, tops).tops,
        stratified=rng.random(N) > 0.2,
    )


def between(upper, lower, of: Columns):
    """What each column holds between two heights, m³: the parts by clipping, not by walking."""
    height = np.minimum(upper, of.top) - np.maximum(lower, of.bottom)
    return np.maximum(height, 0.0) * of.weight


def parts(of: Columns, band=0.5) -> Breakdown:
    return break_down(of, elements=3, zones=4, band_m=band)


@given(of=columns(), band=st.sampled_from([0.1, 0.25, 0.5, 0.6096, 7.0]))
def test_the_parts_by_any_axes_sum_to_the_whole_within_1e_9(of, band):
    whole = math.fsum(between(np.inf, -np.inf, of))
    found = parts(of, band)
    assert found.bank_m3.min() >= 0
    assert found.whole_m3 == pytest.approx(whole, rel=1e-9, abs=1e-12)
    for count in range(5):
        for axes in itertools.combinations(Axis, count):
            by = found.by(*axes)
            assert by.ndim == count
            assert by.sum() == pytest.approx(whole, rel=1e-9, abs=1e-12)


@given(of=columns(), band=st.sampled_from([0.1, 0.25, 0.6096]))
def test_each_part_holds_what_lies_between_its_boundaries(of, band):
    found = parts(of, band)
    for row, volume in enumerate(found.by(Axis.BAND)):
        held = between(of.ground - row * band, of.ground - (row + 1) * band, of).sum()
        assert volume == pytest.approx(held, abs=1e-9)
    bottoms = np.vstack([of.tops[1:], np.full(N, -np.inf)])
    for row, volume in enumerate(found.by(Axis.STRATUM)[:-1]):
        held = between(of.tops[row], bottoms[row], of)[of.stratified].sum()
        assert volume == pytest.approx(held, abs=1e-9)
    for (element, zone), volume in np.ndenumerate(found.by(Axis.ELEMENT, Axis.ZONE)):
        mine = (of.element == element) & (of.zone == zone)
        assert volume == pytest.approx(between(np.inf, -np.inf, of)[mine].sum(), abs=1e-9)
    unstratified = between(np.inf, -np.inf, of)[~of.stratified].sum()
    assert found.by(Axis.STRATUM)[-1] == pytest.approx(unstratified, abs=1e-9)


@settings(max_examples=20)
@given(of=columns(), factor=st.integers(2, 4))
def test_finer_bands_add_up_to_coarser_ones(of, factor):
    fine, coarse = parts(of, 0.3).by(Axis.BAND), parts(of, 0.3 * factor).by(Axis.BAND)
    fine = np.append(fine, np.zeros(len(coarse) * factor - len(fine)))
    assert fine.reshape(-1, factor).sum(axis=1) == pytest.approx(coarse, abs=1e-9)


def in_level_ground(table, bounds, *tops, cell=0.05):
    """Break down one element's dig in level ground at 0."""
    lattice = Lattice.covering(bounds, cell=cell)
    built = elements(table)
    ground = Grid(lattice, np.zeros(lattice.shape))
    at = compose(lattice, built, ground)
    places = quadrature(lattice, np.isfinite(at.existing), steep_cells((at.dig,), cell))
    xy = np.concatenate([lattice.nodes[places.nodes], places.xy])
    found = compose_at(xy, built, FLAT)
    none = np.zeros(len(xy), dtype=np.int32)
    of = Columns(
        ground=found.existing,
        top=found.existing,
        bottom=found.dig,
        weight=places.weight,
        element=none,
        zone=none,
        tops=lay_strata(xy, found.existing, tops).tops,
        stratified=np.ones(len(xy), dtype=np.bool_),
    )
    return break_down(of, elements=1, zones=1, band_m=0.5)


def test_a_basin_through_level_strata_is_a_pile_of_frustums():
    """Radius 4 m, batter 1:1, floor 1.5 m: π/3 ((4−a)³ − (4−b)³) between the depths a and b."""
    basin = {"type": "basin", "name": "pond", "outline": circle(4), "floor": 1.5, "batter": "1:1"}
    found = in_level_ground(basin, (-5, -5, 5, 5), AtDepth(0.3), AtLevel(-1.1))
    for axis, edges in ((Axis.STRATUM, (0, 0.3, 1.1, 1.5)), (Axis.BAND, (0, 0.5, 1, 1.5))):
        frustums = [
            math.pi / 3 * ((4 - upper) ** 3 - (4 - lower) ** 3)
            for upper, lower in itertools.pairwise(edges)
        ]
        assert found.by(axis)[:3] == pytest.approx(frustums, rel=2e-3)
    assert found.by(Axis.STRATUM)[3] == 0


def test_an_upright_pit_through_sloping_rock():
    """4 m by 2 m and 1 m deep; rock from 0.6 m deep at x = 0 to 0.2 m at x = 4: a mean of 0.4 m."""
    pit = {
        "type": "filter_pit", "name": "pit", "outline": rectangle(4, 2), "depth": 1.0,
        "lifts": [{"name": "gravel", "thickness": 0.5}],
    }  # fmt: skip
    rock = AtSurvey(Plane(-0.6, FLAT.footprint, east_grade=0.1))
    found = in_level_ground(pit, (-1, -1, 5, 3), rock)
    assert found.by(Axis.STRATUM)[:2] == pytest.approx([8 * 0.4, 8 * 0.6], rel=1e-6)


def test_a_round_pit_through_rock_that_slopes_out_of_the_ground():
    """Rock at ground level on one side of a diameter and falling 1 in 2 to the other.

    Over a half disc of radius r the mean distance from the diameter is 4r/3π; at r = 1 m the soil
    on the rock is ½ · (½π r²) · 4r/3π = r³/3.
    """
    pit = {"type": "basin", "name": "pit", "outline": circle(1), "floor": 1.0, "batter": "vertical"}
    rock = AtSurvey(Plane(0.0, FLAT.footprint, east_grade=-0.5))
    found = in_level_ground(pit, (-1.5, -1.5, 1.5, 1.5), rock, cell=0.02)
    assert found.by(Axis.STRATUM)[:2] == pytest.approx([1 / 3, math.pi - 1 / 3], rel=3e-3)
