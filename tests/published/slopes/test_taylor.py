"""Taylor's stability numbers and the planes of Culmann.

Taylor (1937), Journal of the Boston Society of Civil Engineers 24, toe circles, from memory and
reproduced to 0.001 by an independent log-spiral limit analysis: `c / (γ H)` at which a slope of
angle β just stands. Factors of a slope with that cohesion are therefore 1. Steeper than 60° and
with friction Bishop's method falls up to 5 % under them, which is the safe side.
"""

import numpy as np
import pytest

from terrain.stability import SlopeSoil, critical_circle, culmann_height, slope_section, worst_wedge

HEIGHT, WEIGHT = 10.0, 20e3
NUMBERS = {
    75: {0: 0.219, 5: 0.195, 10: 0.173, 15: 0.152, 20: 0.134},
    60: {0: 0.191, 5: 0.162, 10: 0.138, 15: 0.116, 20: 0.097},
    45: {0: 0.170, 5: 0.136, 10: 0.108, 15: 0.083, 20: 0.062},
    30: {0: 0.156, 5: 0.110, 10: 0.075, 15: 0.046},
    15: {0: 0.145, 5: 0.068},
}
CASES = [(beta, phi, m) for beta, row in NUMBERS.items() for phi, m in row.items()]


def slope(beta: float, cohesion: float, phi: float, below: float = 25.0):
    run = HEIGHT / np.tan(np.radians(beta))
    ground = np.array([[-below, 0], [0, 0], [run, HEIGHT], [run + 40, HEIGHT]])
    return slope_section(ground, [SlopeSoil("clay", cohesion, phi, WEIGHT, WEIGHT)])


@pytest.mark.parametrize(("beta", "phi", "number"), CASES)
def test_toe_circles(beta, phi, number):
    section = slope(beta, number * WEIGHT * HEIGHT, phi)
    found = critical_circle(section, starts=(-1e-3, 1e-3))
    below = 0.05 if beta > 60 and phi > 5 else 0.03
    assert 1 - below < found.factor < 1.03


def test_deep_clay_without_friction_slips_under_the_toe():
    """m = 0.181 at any depth under a slope flatter than 53°: at 45° rather than 0.170."""
    section = slope(45, 0.181 * WEIGHT * HEIGHT, 0, below=60)
    found = critical_circle(section)
    assert found.factor == pytest.approx(1.0, rel=0.03)
    assert found.circle.start_m < -1


@pytest.mark.parametrize("beta", [30, 45, 60, 75, 89])
@pytest.mark.parametrize("phi", [0, 10, 20])
def test_planes_stand_at_culmanns_height(beta, phi):
    """Culmann (1866): Hc = 4c sin β cos φ / (γ (1 − cos(β − φ))); c 14.36 kPa, φ 10°, β 45°,
    γ 17.29 kN/m³ gives 12.79 m, dip (β + φ) / 2.
    """
    soil = SlopeSoil("clay", 14.36e3, phi, 17.29e3, 17.29e3)
    face = np.radians(beta)
    height = culmann_height(face, soil)
    if (beta, phi) == (45, 10):
        assert height == pytest.approx(12.79, abs=0.005)
    found = worst_wedge(height, face, soil)
    assert found.factor == pytest.approx(1.0, abs=1e-6)
    assert found.dip_deg == pytest.approx((beta + phi) / 2, abs=0.01)


@pytest.mark.parametrize(("beta", "phi"), [(60, 10), (45, 15), (75, 5)])
def test_a_plane_is_never_worse_than_the_worst_circle(beta, phi):
    section = slope(beta, NUMBERS[beta][phi] * WEIGHT * HEIGHT, phi)
    plane = worst_wedge(HEIGHT, np.radians(beta), section.soils[0])
    assert plane.factor > critical_circle(section).factor
