"""Registrations that were worked out in print."""

import math

import numpy as np
import pytest

from terrain.survey.registration import register_in_space, register_on_level


def test_a_plan_transformation_of_adjustment_computations():
    """Ghilani, *Adjustment Computations* (6th ed.), example 18.1, numbers from memory.

    Printed there: a = -4.51249, b = -0.25371, T_E = 1,050,003.715, T_N = 50,542.131, scale
    4.51962, turn 183°13'05.0"; residuals of A, B and C. The two coefficients and both shifts
    were seen again, with the coordinates, in two public programs that carry the example.
    """
    measured = np.array([[121.622, -128.066, 0], [141.228, 187.718, 0], [175.802, 135.728, 0]])
    site = np.array(
        [[1049422.40, 51089.20, 0], [1049413.95, 49659.30, 0], [1049244.95, 49884.95, 0]]
    )
    found = register_on_level(measured, site, scale=True, names=["A", "B", "C"])
    assert found.linear[0, 0] == pytest.approx(-4.51249, abs=5e-6)
    assert found.linear[1, 0] == pytest.approx(-0.25371, abs=5e-6)
    np.testing.assert_allclose(found.translation[:2], [1_050_003.715, 50_542.131], atol=6e-4)
    assert found.scale == pytest.approx(4.51962, abs=5e-6)
    turn = math.degrees(math.atan2(found.rotation[1, 0], found.rotation[0, 0])) % 360
    assert turn == pytest.approx(183 + 13 / 60 + 5.0 / 3600, abs=0.05 / 3600)
    printed = [[0.004, -0.029], [0.101, -0.077], [-0.105, 0.106]]
    np.testing.assert_allclose(found.residuals[:, :2], printed, atol=6e-4)


def test_a_transformation_in_space_of_adjustment_computations():
    """Ghilani, *Adjustment Computations*, the three-dimensional example, numbers from memory.

    Printed there with weights: scale 0.94996 ± 0.00004, shifts 10,233.858 ± 0.065,
    6,549.981 ± 0.071 and 720.897 ± 0.213. Without weights the fit must lie within those bounds.
    """
    measured = np.array(
        [
            [1094.883, 820.085, 109.821],
            [503.891, 1598.698, 117.685],
            [2349.343, 207.658, 151.387],
            [1395.320, 1348.853, 215.261],
        ]
    )
    site = np.array(
        [
            [10037.81, 5262.09, 772.04],
            [10956.68, 5128.17, 783.00],
            [8780.08, 4840.29, 782.62],
            [10185.80, 4700.21, 851.32],
        ]
    )
    found = register_in_space(measured, site, scale=True)
    assert found.scale == pytest.approx(0.94996, abs=4e-5)
    off = np.abs(found.translation - [10233.858, 6549.981, 720.897])
    assert (off < [0.065, 0.071, 0.213]).all()
