"""The simple slopes of the 1989 Australian survey (Giam and Donald, Monash University).

Geometry and referee's factors from memory; 1(a) also by an independent slice code (Bishop 0.985,
Spencer 0.984).
"""

import numpy as np
import pytest

from terrain.stability import (
    SlopeSoil,
    bishop,
    critical_circle,
    slices_of_circle,
    slope_section,
    spencer,
)

GROUND = np.array([[20.0, 25.0], [30.0, 25.0], [50.0, 35.0], [70.0, 35.0]])


def test_homogeneous_slope():
    """1(a): c′ = 3 kPa, φ′ = 19.6°, γ = 20 kN/m³; the referee's factor is 1.00."""
    section = slope_section(GROUND, [SlopeSoil("soil", 3e3, 19.6, 20e3, 20e3)])
    found = critical_circle(section)
    slices = slices_of_circle(section, found.circle, 200)
    assert found.factor == pytest.approx(1.00, rel=0.03)
    assert bishop(slices, found.circle) == pytest.approx(0.985, rel=0.005)
    assert spencer(slices).factor == pytest.approx(0.984, rel=0.005)


def test_tension_crack():
    """1(b): c′ = 32 kPa, φ′ = 10°, a dry crack as deep as 2c/γ √((1 + sin φ)/(1 − sin φ));
    the referee's factors are 1.65 to 1.70.
    """
    sine = np.sin(np.radians(10))
    depth = 2 * 32 / 20 * np.sqrt((1 + sine) / (1 - sine))
    assert depth == pytest.approx(3.81, abs=0.01)
    wide = np.vstack([[0.0, 25.0], GROUND, [90.0, 35.0]])
    soil = SlopeSoil("soil", 32e3, 10.0, 20e3, 20e3)
    dry = slope_section(wide, [soil], crack_m=depth)
    found = critical_circle(dry)
    assert 0.97 * 1.65 < found.factor < 1.03 * 1.70
    wet = slope_section(wide, [soil], crack_m=depth, crack_water_m=depth)
    assert critical_circle(wet).factor < found.factor
