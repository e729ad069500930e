"""Colours, round numbers and what counts as earth moved."""

import numpy as np
import pytest

from terrain.review import look
from terrain.units import FOOT, METRE

# Machado, Oliveira and Fernandes (2009), "A physiologically-based model for simulation of color
# vision deficiency", severity 1.0: what a dichromat sees, in linear RGB (from memory).
DEFICIENCIES = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def linear(srgb):
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def lab(lin):
    """CIE L*a*b* under D65 (IEC 61966-2-1 and CIE 15)."""
    matrix = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    t = (np.clip(lin, 0, 1) @ matrix.T) / [0.9505, 1.0, 1.089]
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1
    )


def test_lightness_falls_evenly_from_the_middle_to_both_ends():
    lightness = lab(linear(look.diverging_rgb(np.linspace(-1, 1, 101))))[:, 0]
    assert np.all(np.diff(lightness[:51]) > 0)
    assert np.all(np.diff(lightness[50:]) < 0)
    assert lightness[50] > 90
    assert abs(lightness[0] - lightness[-1]) < 8


@pytest.mark.parametrize("kind", DEFICIENCIES)
@pytest.mark.parametrize("share", [0.3, 0.5, 0.75, 1.0])
def test_removed_and_placed_stay_apart_for_the_colour_blind(kind, share):
    both = linear(look.diverging_rgb(np.array([-share, share]))) @ np.array(DEFICIENCIES[kind]).T
    removed, placed = lab(both)
    # A difference of 2.3 is just noticeable (Mahy et al. 1994, from memory); ask for five times it.
    assert np.linalg.norm(removed - placed) > 11.5


def test_words_have_the_contrast_that_wcag_asks_for():
    # WCAG 2.1, 1.4.3: 4.5 to 1 for text.
    inks = (look.PAPER, look.INK, look.SOFT_INK, look.ALERT, look.REMOVED)
    luminance = [linear(look.rgb(ink)) @ [0.2126, 0.7152, 0.0722] for ink in inks]
    for ink in luminance[1:]:
        assert (luminance[0] + 0.05) / (ink + 0.05) > 4.5


def test_earth_moved_is_the_dig_where_dug_and_the_subgrade_where_raised(site):
    moved = look.earth_moved(site.composition)
    c = site.composition
    raised = c.subgrade - c.existing > np.maximum(c.existing - c.dig, look.WORKED_M)
    dug = ~raised & (c.existing - c.dig > look.WORKED_M)
    assert dug.any()
    assert raised.any()
    np.testing.assert_allclose(moved[dug], (c.dig - c.existing)[dug])
    np.testing.assert_allclose(moved[raised], (c.subgrade - c.existing)[raised])
    np.testing.assert_array_equal(np.isnan(moved), np.isnan(c.existing))
    assert np.all(moved[~dug & ~raised & ~np.isnan(moved)] == 0)


@pytest.mark.parametrize(
    ("about", "expected"), [(1, 1), (1.99, 1), (2, 2), (4.9, 2), (5, 5), (9.9, 5), (0.03, 0.02)]
)
def test_round_length(about, expected):
    assert look.round_length(about) == pytest.approx(expected)


def test_a_bar_is_round_in_the_unit_of_the_site():
    assert look.bar_length(7.0, METRE) == (5.0, "5 m")
    length, label = look.bar_length(7.0, FOOT)
    assert label == "20 ft"
    assert length == pytest.approx(20 * 0.3048)  # the international foot (1959)


def test_contour_step_is_round_and_draws_few_enough_lines():
    assert look.contour_step(3.9, METRE) == pytest.approx(0.25)
    assert look.contour_step(3.9, FOOT) == pytest.approx(0.3048)
    assert look.decimals(0.25, METRE) == 2
    assert look.decimals(0.3048, FOOT) == 0
