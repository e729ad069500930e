"""Weights of rock against tables and rules that others published."""

import math

import numpy as np
import pytest

from terrain.design import Setting, seat_groups
from terrain.design.rocks import ellipsoid_axes
from terrain.earthwork.displacement import ellipsoid_volumes
from terrain.units import FOOT, FOOT_M, METRE, parse_density, parse_mass
from tests.design.made import FLAT, elements, rectangle

POUND = 0.45359237
RIPRAP = "165 lb/ft3"  # FHWA HEC-23, riprap of specific gravity 2.65 (from memory)
# Taylor & Francis, landscape price-book appendix, conversion tables (10.1201/b12981-45):
# solid rock, kg/m³ and lb/yd³
SOLID = {
    "granite": (2690, 4534), "basalt": (2933, 4943), "limestone": (2596, 4375),
    "sandstone": (2412, 4065), "shale": (2637, 4444), "gneiss": (2696, 4544),
    "marble": (2679, 4515),
}  # fmt: skip


def rocks(**rock):
    pond = {"type": "basin", "name": "pond", "level": 0.0, "outline": rectangle(40, 40),
            "floor": 1.0, "rock": [rock]}  # fmt: skip
    (group,) = seat_groups(elements(pond), Setting(None, FLAT, {}, None, METRE, np.zeros(2)))
    return group


def test_a_three_foot_ball_of_riprap_weighs_2333_pounds():
    """π/6 · 3³ ft³ · 165 lb/ft³ = 2,332.6 lb (computed)."""
    group = rocks(size="3 ft", count=1, density=RIPRAP)
    assert group.form.mass_kg / POUND == pytest.approx(2333, abs=0.5)


def test_a_rock_of_2333_pounds_is_three_feet_wide():
    group = rocks(weight="2333 lb", count=1, density=RIPRAP)
    assert group.form.axes == pytest.approx((3 * FOOT_M,) * 3, rel=1e-3)


@pytest.mark.parametrize("inches", [6, 12, 18, 24, 36, 48])
def test_riprap_lies_between_the_ball_and_the_cube(inches):
    """HEC-23 (from memory): W = 0.85 γ d³, more than the ball of diameter d, less than the cube.

    A ball holds π/6 = 0.52 of its cube; the rule's block is broken rock, which fills its size
    better.
    """
    side = inches / 12 * FOOT_M
    density = parse_density(RIPRAP)
    riprap = 0.85 * density * side**3
    ball = rocks(size=side, count=1, density=RIPRAP).form.mass_kg
    assert ball < riprap < density * side**3
    assert ball / riprap == pytest.approx(0.52 / 0.85, abs=0.01)
    # the ellipsoid of that weight is larger than the block's nominal size, by ∛(0.85 · 6/π)
    axes = ellipsoid_axes(riprap, density, (1, 1, 1))
    assert axes[0] / side == pytest.approx(1.175, abs=0.001)


@pytest.mark.parametrize(("kind", "table"), SOLID.items())
def test_a_cubic_metre_of_solid_rock_weighs_what_the_table_says(kind, table):
    """An ellipsoid of one cubic metre (2 m × 1.5 m × 2/π m) in the table's both units."""
    metric, customary = table
    size = [2.0, 1.5, 2 / math.pi]
    assert ellipsoid_volumes(np.array([size]))[0] == pytest.approx(1.0)
    one = rocks(size=size, count=1, density=f"{metric} kg/m3").form
    assert one.mass_kg == pytest.approx(metric)
    other = rocks(size=size, count=1, density=f"{customary} lb/yd3").form
    assert other.mass_kg == pytest.approx(metric, rel=0.01), kind  # the table is rounded


def test_a_cubic_yard_of_granite_weighs_two_and_a_quarter_tons():
    """Solid granite at 4,534 lb/yd³ is 2.267 short tons a cubic yard (computed)."""
    group = rocks(weight="2.267 ton", count=1, density="4534 lb/yd3")
    assert group.form.volume_m3 == pytest.approx(27 * FOOT_M**3, rel=1e-6)


def test_ten_tons_of_three_foot_balls_are_nine():
    """20,000 lb / 2,332.6 lb = 8.57."""
    group = rocks(size="3 ft", total="10 ton", density=RIPRAP)
    assert len(group.centres) == 9
    assert FOOT.mass_text(9 * group.form.mass_kg) == "10.5 tons"
    assert parse_mass("10 ton") == pytest.approx(20_000 * POUND)
