"""What holds of every slope, whatever its soil: identities, symmetry and order."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from terrain.errors import StabilityError
from terrain.stability import (
    Circle,
    SlopeSoil,
    bishop,
    circle_through,
    critical_circle,
    drawn_down,
    janbu,
    ordinary,
    slices_of_circle,
    slices_of_line,
    slope_section,
    spencer,
)

GROUND = np.array([[-20.0, 0.0], [0.0, 0.0], [8.0, 4.0], [30.0, 4.0]])
CLAY = SlopeSoil("clay", 5e3, 22.0, 18e3, 20e3)
SAND = SlopeSoil("sand", 0.0, 32.0, 17e3, 19.81e3)


def circle_of(section) -> Circle:
    return circle_through(section, -0.5, 10.5, 0.25)


def factors(section, count: int = 100) -> list[float]:
    circle = circle_of(section)
    slices = slices_of_circle(section, circle, count)
    by_bishop = bishop(slices, circle)
    solved = spencer(slices, near=by_bishop)
    return [ordinary(slices, circle), by_bishop, janbu(slices), solved.factor]


def test_a_slope_and_its_mirror_image_stand_alike():
    tops = [np.array([[-20.0, -1.0], [30.0, 2.0]])]
    loads = [(9.0, 11.0, 15e3)]
    section = slope_section(GROUND, [CLAY, SAND], tops=tops, loads=loads, seismic=0.1)
    mirror = [np.ascontiguousarray(line[::-1] * [-1, 1]) for line in (GROUND, *tops)]
    turned = slope_section(
        mirror[0], [CLAY, SAND], tops=mirror[1:], loads=[(-11.0, -9.0, 15e3)], seismic=0.1
    )
    assert factors(turned) == pytest.approx(factors(section), rel=1e-12)
    assert critical_circle(turned).factor == pytest.approx(critical_circle(section).factor)


def test_a_slope_wholly_under_water_stands_as_one_of_its_weight_in_water():
    """Pressure on the ground, weight of water and pore pressure together are the buoyancy."""
    pond = slope_section(GROUND, [SAND], pond_m=6.0)
    light = SlopeSoil("buoyant", 0.0, 32.0, 10e3, 10e3)
    dry = slope_section(GROUND, [light])
    for method in (1, 3):
        assert factors(pond, 4000)[method] == pytest.approx(factors(dry, 4000)[method], rel=1e-3)


def test_drawdown_is_the_worst_a_pond_can_do():
    still = slope_section(GROUND, [CLAY], pond_m=3.0)
    sudden = drawn_down(still)
    drained = slope_section(GROUND, [CLAY])
    assert factors(sudden)[1] < factors(drained)[1] < factors(still)[1]
    assert (sudden.water_m <= sudden.ground_m).all()


@given(st.floats(0, 15e3), st.floats(10, 40), st.floats(0, 0.3))
@settings(max_examples=25, deadline=None)
def test_order_of_the_methods(cohesion, friction, ratio):
    """Ordinary ≤ Bishop, Bishop ≈ Spencer on circles (common practice)."""
    soil = SlopeSoil("soil", cohesion, friction, 18e3, 20e3, ratio)
    by_ordinary, by_bishop, _, by_spencer = factors(slope_section(GROUND, [soil]))
    assert by_ordinary <= by_bishop + 1e-9
    assert by_spencer == pytest.approx(by_bishop, rel=0.015)


@given(st.floats(1e3, 50e3))
@settings(max_examples=10, deadline=None)
def test_without_friction_moments_give_one_factor(strength):
    """φ = 0: the factor is `c L R / (W x)` by every method that sums moments."""
    section = slope_section(GROUND, [SlopeSoil("clay", strength, 0.0, 18e3, 18e3)])
    by_ordinary, by_bishop, _, by_spencer = factors(section)
    assert by_bishop == pytest.approx(by_ordinary, rel=1e-9)
    assert by_spencer == pytest.approx(by_ordinary, rel=1e-9)
    circle = circle_of(section)
    angle = sum(
        np.arcsin((x - circle.x_m) / circle.radius_m) * sign
        for x, sign in ((circle.end_m, 1), (circle.start_m, -1))
    )
    slices = slices_of_circle(section, circle, 1000)
    turning = (slices.down_n * (slices.x_m - circle.x_m)).sum()
    exact = strength * angle * circle.radius_m**2 / turning
    assert factors(section, 1000)[1] == pytest.approx(exact, rel=1e-5)


def test_slices_converge_with_the_square_of_their_width():
    """On a slope without kinks over the slip."""
    ground = np.array([[-20.0, -10.0], [30.0, 15.0]])
    section = slope_section(ground, [CLAY])
    circle = circle_through(section, -3.0, 9.0, 0.2)
    exact = bishop(slices_of_circle(section, circle, 4096), circle)
    errors = [
        abs(bishop(slices_of_circle(section, circle, n), circle) - exact) for n in (16, 32, 64)
    ]
    assert np.log2(errors[0] / errors[1]) == pytest.approx(2.0, abs=0.15)
    assert np.log2(errors[1] / errors[2]) == pytest.approx(2.0, abs=0.15)


def test_a_slip_of_many_pieces_is_the_circle():
    section = slope_section(GROUND, [CLAY], loads=[(8.5, 10.0, 20e3)])
    circle = circle_of(section)
    x = np.linspace(circle.start_m, circle.end_m, 201)
    arc = circle.z_m - np.sqrt(circle.radius_m**2 - (x - circle.x_m) ** 2)
    by_pieces = spencer(slices_of_line(section, np.column_stack([x, arc]), 200))
    assert by_pieces.factor == pytest.approx(
        spencer(slices_of_circle(section, circle, 200)).factor, rel=1e-9
    )


def test_loads_above_the_crest_push_and_at_the_toe_hold():
    plain = factors(slope_section(GROUND, [CLAY]))[1]
    above = factors(slope_section(GROUND, [CLAY], loads=[(8.5, 10.0, 20e3)]))[1]
    below = factors(slope_section(GROUND, [CLAY], loads=[(-0.4, 0.5, 20e3)]))[1]
    assert above < plain < below


@pytest.mark.parametrize("change", [{"seismic": 0.2}, {"crack_m": 1.0, "crack_water_m": 1.0}])
def test_shaking_and_water_in_a_crack_are_worse(change):
    assert (
        factors(slope_section(GROUND, [CLAY], **change))[1]
        < factors(slope_section(GROUND, [CLAY]))[1]
    )


def test_equilibrium_is_met():
    water = np.array([[-20.0, -0.5], [0.0, -0.5], [30.0, 3.0]])
    section = slope_section(GROUND, [CLAY], water=water, loads=[(9.0, 10.0, 30e3)], seismic=0.05)
    solved = spencer(slices_of_circle(section, circle_of(section), 50))
    assert max(solved.force_residual, solved.moment_residual) < 1e-6


def test_the_search_counts_every_circle_and_narrows():
    found = critical_circle(slope_section(GROUND, [CLAY]))
    sound = np.isfinite(found.looked[:, 3]).sum()
    assert found.tried > len(found.looked) > sound
    assert found.off + found.inadmissible + found.unsettled < found.tried
    assert (np.diff(found.path) <= 1e-9).all()
    assert found.factor == found.path[-1] <= found.looked[:, 3].min()
    slices = slices_of_circle(slope_section(GROUND, [CLAY]), found.circle, 30)
    assert bishop(slices, found.circle) == pytest.approx(found.factor, rel=1e-5)


def test_no_circle_slides_on_level_ground():
    level = np.array([[0.0, 1.0], [10.0, 1.0]])
    found = critical_circle(slope_section(level, [CLAY]))
    assert found.circle is None
    assert found.factor == np.inf


WRONG = {
    "angle of friction": {"soils": [SlopeSoil("a", 0.0, 90.0, 18e3, 20e3)]},
    "cohesion of -2 kPa": {"soils": [SlopeSoil("a", -2e3, 30.0, 18e3, 20e3)]},
    "neither cohesion nor friction": {"soils": [SlopeSoil("a", 0.0, 0.0, 18e3, 20e3)]},
    "unit weights": {"soils": [SlopeSoil("a", 0.0, 30.0, 18.0, 20.0)]},
    "pore pressure ratio": {"soils": [SlopeSoil("a", 0.0, 30.0, 18e3, 20e3, 1.5)]},
    "m above the ground": {"water": np.array([[-20.0, 2.0], [30.0, 2.0]])},
    "above the top of the stratum over it": {
        "soils": [CLAY, SAND, CLAY],
        "tops": [np.array([[-20.0, -3.0], [30.0, 0.0]]), np.array([[-20.0, -2.0], [30.0, -3.0]])],
    },
    "not known": {"ground": np.array([[0.0, 1.0], [2.0, np.nan], [4.0, 3.0]])},
    "turns back": {"ground": np.array([[0.0, 1.0], [0.0, 3.0], [4.0, 3.0]])},
    "a line of shape": {"ground": np.array([[0.0, 1.0]])},
    "2 soils and 0 tops": {"soils": [CLAY, SAND]},
    "a load of": {"loads": [(3.0, 1.0, 5e3)]},
    "seismic": {"seismic": 1.5},
    "tension crack": {"crack_m": 0.5, "crack_water_m": 1.0},
}


@pytest.mark.parametrize("found", WRONG)
def test_what_no_slope_has_is_told_with_a_mend(found):
    asked = {"ground": GROUND, "soils": [CLAY], **WRONG[found]}
    with pytest.raises(StabilityError, match=found) as told:
        slope_section(asked.pop("ground"), asked.pop("soils"), **asked)
    assert told.value.expected
    assert told.value.mend
