"""Parts sum to the whole, and every state of rock, water and stone is counted once."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.earthwork.quadrature import quadrature
from terrain.earthwork.quantities import LiftPlan, measure_elements
from terrain.surface import Lattice, Plane
from tests.design.made import FLAT, circle, elements, rectangle
from tests.design.measure import asked

POND = {
    "type": "basin", "name": "pond", "water": "pond", "outline": circle(3), "floor": 1.2,
    "shelves": [{"depth": 0.3, "width": 0.5}], "batter": "1:1", "freeboard": 0.1,
    "over_dig": {"side": 0.4, "below": 0.1}, "layers": [{"name": "gravel", "thickness": 0.1}],
}  # fmt: skip
PIT = {
    "type": "filter_pit", "name": "pit", "water": "pond", "outline": rectangle(8, 4), "depth": 1.0,
    "lifts": [
        {"name": "blocks", "thickness": 0.4, "voids": 0.9},
        {"name": "gravel", "thickness": 0.5, "voids": 0.4},
    ],
}  # fmt: skip
SLOPE = Plane(0.3, FLAT.footprint, east_grade=0.08, north_grade=-0.03)


def measured(*tables):
    built = elements(*tables, ground=SLOPE, water={"pond": 0.2})
    at, weight = asked(built, SLOPE, (-8, -8, 14, 12), 0.1)
    lifts = [
        LiftPlan(("blocks", "gravel"), e.excavation.lift_tops, np.array([0.9, 0.4]))
        if e.excavation.lifts
        else None
        for e in built
    ]
    return at, weight, measure_elements(at, weight, lifts, [0.2] * len(built))


def test_elements_sum_to_the_whole():
    at, weight, parts = measured(POND, PIT)
    for name, height in {
        "excavation_bank_m3": at.existing - at.dig,
        "over_dig_room_m3": np.minimum(at.subgrade, at.existing) - at.dig,
        "fill_compacted_m3": np.maximum(at.subgrade - at.existing, 0),
        "drape_m3": at.bed - at.subgrade,
        "free_water_m3": np.nan_to_num(at.water - at.finish),
    }.items():
        total = float(np.sum(height * weight))
        assert sum(getattr(part, name) for part in parts) == pytest.approx(total, rel=1e-9)


def test_soil_water_and_stone_balance():
    """Existing + fill − dig = room + drapes + lifts + what is left open above the finish."""
    at, weight, parts = measured(POND, PIT)
    lifts = sum(lift.volume_m3 for part in parts for lift in part.lifts)
    filled = sum(p.over_dig_room_m3 + p.drape_m3 + p.fill_compacted_m3 for p in parts) + lifts
    assert filled == pytest.approx(float(np.sum((at.finish - at.dig) * weight)), rel=1e-9)


def test_lifts_are_level_and_their_voids_fill_to_the_water():
    (_, _, (pit,)) = measured(PIT)
    blocks, gravel = pit.lifts
    assert blocks.volume_m3 == pytest.approx(8 * 4 * 0.4, rel=1e-6)
    assert gravel.volume_m3 == pytest.approx(8 * 4 * 0.5, rel=1e-6)
    assert blocks.pore_water_m3 == pytest.approx(0.9 * blocks.volume_m3)
    assert gravel.pore_water_m3 == pytest.approx(0.4 * gravel.volume_m3)
    assert pit.free_water_m3 == pytest.approx(8 * 4 * 0.1, rel=1e-6)


@given(seed=st.integers(0, 2**31))
def test_quadrature_weights_are_the_area_of_the_known_cells(seed):
    rng = np.random.default_rng(seed)
    lattice = Lattice(0.0, 0.0, 0.5, 9, 7)
    known = rng.random(lattice.shape) > 0.1
    refined = rng.random((6, 8)) > 0.5
    whole = known[1:, 1:] & known[1:, :-1] & known[:-1, 1:] & known[:-1, :-1]
    places = quadrature(lattice, known, refined)
    assert places.weight.sum() == pytest.approx(whole.sum() * 0.25)
    xy = np.concatenate([lattice.nodes[places.nodes], places.xy])
    middles = np.array([(0.5 * (i + 0.5), 0.5 * (j + 0.5)) for j, i in np.argwhere(whole)])
    if len(middles):  # a plane integrates to its value at the cells' middles
        plane = 1 + 2 * middles[:, 0] - 3 * middles[:, 1]
        integral = np.sum(places.weight * (1 + 2 * xy[:, 0] - 3 * xy[:, 1]))
        assert integral == pytest.approx(plane.sum() * 0.25, abs=1e-9)
