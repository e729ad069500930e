"""Poorly measured ground is named, and the shots that are asked for do what they promise."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from terrain.surface import build_tin
from terrain.surface.corners import corners_at
from terrain.surface.coverage import coverage, more_shots, samples, volume_sigma
from terrain.surface.crossvalidation import CrossValidation, ErrorModel, Residuals
from terrain.surface.doubt import TinDoubt, doubt_of_grid, doubt_of_tin
from terrain.surface.grid import Grid
from terrain.surface.lattice import Lattice
from tests.surface.grounds import broken, gapped, plane, rolling, rough, scattered, surveyed

POND = shapely.Point(25, 25).buffer(14)
FREE = np.inf


def told(xy: np.ndarray, *, noise: float = 0.0, growth: float = 0.0, exponent: float = 1.0):
    """A survey of level ground whose errors are known."""
    tin = build_tin(np.column_stack([xy, np.zeros(len(xy))]), longest_border_m=FREE)
    none = Residuals(np.empty((0, 2)), np.empty(0), np.empty(0), np.empty(0))
    model = ErrorModel(noise, growth, exponent, 1e9)
    ones = np.ones(len(tin.points))
    return TinDoubt(tin, noise * ones, CrossValidation(none, (), model), ones, 1.96)


def triangular(side: float) -> np.ndarray:
    rows = np.arange(0, 50 / (side * np.sqrt(3) / 2)).astype(int)
    return np.vstack([
        np.column_stack([
            np.arange(0, 50, side) + (row % 2) * side / 2,
            np.full(len(np.arange(0, 50, side)), row * side * np.sqrt(3) / 2),
        ])
        for row in rows
    ])  # fmt: skip


def test_samples_stand_for_the_whole_area():
    xy, area = samples(POND)
    assert area * len(xy) == pytest.approx(POND.area)
    assert shapely.contains_xy(POND, xy[:, 0], xy[:, 1]).all()
    assert len(xy) == pytest.approx(1500, rel=0.05)


@pytest.mark.parametrize("side", [2.0, 3.0])
def test_independent_noise_averages_over_the_shots(side):
    """`A σ / √n`: each shot of a triangular lattice speaks for `√3/2 side²`."""
    doubt = told(triangular(side), noise=0.02)
    n = POND.area / (np.sqrt(3) / 2 * side**2)
    assert volume_sigma(doubt, POND) == pytest.approx(POND.area * 0.02 / np.sqrt(n), rel=0.08)


def test_noise_of_a_random_layout_against_its_exact_sum():
    """`√Σ aᵢ² σ²`, with aᵢ the area that each shot's height is multiplied by."""
    rng = np.random.default_rng(3)
    doubt = told(scattered(300, rng), noise=0.02)
    xy, area = samples(POND)
    corners = corners_at(doubt.tin, xy)
    each = np.bincount(corners.rows.ravel(), weights=area * corners.weights.ravel())
    exact = 0.02 * np.sqrt((each**2).sum())
    assert volume_sigma(doubt, POND) == pytest.approx(exact, rel=0.15)


@pytest.mark.parametrize("cell", [0.1, 0.5, 2.0])
def test_independent_nodes_average_over_their_number(cell):
    """`A σ / √n` with one node a cell, however fine."""
    lattice = Lattice(0, 0, cell, round(50 / cell) + 1, round(50 / cell) + 1)
    z = np.random.default_rng(3).normal(0, 0.02, lattice.shape)
    doubt = doubt_of_grid(Grid(lattice, z), np.full(lattice.shape, 9), noise_m=0.06)
    model = ErrorModel(0.02, 0.0, 1.0, 1.0)
    known = replace(doubt, crossed=replace(doubt.crossed, model=model))
    expected = POND.area * 0.02 / np.sqrt(POND.area / cell**2)
    assert volume_sigma(known, POND) == pytest.approx(expected, rel=0.15)


@pytest.mark.parametrize("ground", [plane, rolling, broken, rough])
def test_the_volume_of_simulated_surveys_lies_within(ground):
    """Over 16 surveys the volume's error in standard errors has a size near 1."""
    xy, area = samples(POND)
    sizes = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        known = ground(seed)
        points = surveyed(known, scattered(200, rng), 0.02, rng)
        tin = build_tin(points, longest_border_m=FREE)
        error = area * (tin.elevation(xy) - known(xy)).sum()
        sizes.append(error / volume_sigma(doubt_of_tin(tin, noise_m=0.02), POND))
    assert 0.4 < np.sqrt(np.mean(np.square(sizes))) < 1.5


def test_the_side_with_few_shots_is_named():
    rng = np.random.default_rng(2)
    xy = scattered(500, rng)
    kept = (xy[:, 1] < 30) | (rng.uniform(size=500) < 0.1)
    doubt = told(xy[kept], noise=0.01, growth=0.05)
    (pond,) = coverage(doubt, {"pond": POND}, shots=doubt.tin.points, limit_m=0.3)
    north = pond.parts[0]
    assert north.name == "north"
    assert north.share > 0.5
    sides = {part.name: part for part in pond.parts}
    assert set(sides) == {"north", "east", "south", "west", "middle"}
    assert sides["south"].shots > 5 * north.shots
    assert sides["south"].mean_pm_m < min(sides["east"].mean_pm_m, sides["west"].mean_pm_m)
    assert sum(part.share for part in pond.parts) == pytest.approx(1.0)
    assert sum(part.area_m2 for part in pond.parts) == pytest.approx(POND.area)
    assert sum(part.shots for part in pond.parts) == pond.shots
    assert pond.worst[1] > 28
    assert 0.0 < pond.poor_share < 0.6


def test_shots_are_counted_and_what_lies_off_the_survey_is_told():
    xy = np.array([[x, y] for x in range(0, 21, 2) for y in range(0, 21, 2)], dtype=float)
    doubt = told(xy, noise=0.01)
    regions = {"in": shapely.box(3, 3, 9, 9), "half": shapely.box(10, 5, 30, 15),
               "off": shapely.box(60, 0, 70, 9)}  # fmt: skip
    inside, half, off = coverage(doubt, regions, shots=xy, limit_m=0.05)
    assert (inside.shots, inside.unmeasured_m2, inside.poor_share) == (9, 0.0, 0.0)
    assert inside.largest_pm_m == pytest.approx(1.96 * 0.01, rel=0.1)  # at a shot
    assert half.unmeasured_m2 == pytest.approx(100.0, rel=0.05)
    assert half.poor_share == pytest.approx(0.5, rel=0.05)
    assert off.poor_share == 1.0
    assert np.isnan(off.mean_pm_m)
    assert inside.share + half.share + off.share == pytest.approx(1.0)
    assert half.share > inside.share


def test_gridded_ground_is_covered_too():
    lattice = Lattice(0, 0, 0.5, 100, 100)
    counts = np.full(lattice.shape, 4)
    counts[60:, 40:60] = 0
    rng = np.random.default_rng(1)
    doubt = doubt_of_grid(Grid(lattice, rng.normal(0, 0.02, lattice.shape)), counts, noise_m=0.04)
    shots = lattice.nodes[(counts > 0).ravel()]
    (whole,) = coverage(doubt, {"all": shapely.box(0, 0, 49, 49)}, shots=shots, limit_m=0.05)
    assert whole.parts[0].name == "north"
    assert whole.mean_pm_m == pytest.approx(1.96 * 0.02, rel=0.5)


@pytest.mark.parametrize(
    ("noise", "growth", "exponent"), [(0.02, 0.0, 1.0), (0.0, 0.02, 1.0), (0.0, 0.01, 2.0)]
)
def test_halving_needs_as_many_shots_as_theory_says(noise, growth, exponent):
    """With n shots σ_V goes as `n^−½` for noise and as `n^−(1 + p)/2` for errors of reach^p.

    n grows fourfold for noise, 2^(2/(1 + p)) otherwise; shots that stay cannot be spread evenly
    with the new ones, so that up to 40 % more is allowed.
    """
    factor = 4.0 if noise else 2 ** (2 / (1 + exponent))
    side = 3.0
    doubt = told(triangular(side), noise=noise, growth=growth, exponent=exponent)
    present = POND.area / (np.sqrt(3) / 2 * side**2)
    suggested = more_shots(doubt, POND)
    assert suggested.reached
    assert suggested.pm_after_m3 <= 0.5 * suggested.pm_before_m3
    assert 0.9 * factor < 1 + len(suggested.places) / present < 1.4 * factor
    inside = shapely.contains_xy(POND.buffer(1.0), suggested.places)
    assert inside.all()


def test_shots_go_into_the_gap():
    rng = np.random.default_rng(6)
    doubt = doubt_of_tin(
        build_tin(surveyed(rough(6), gapped(300, rng), 0.02, rng), longest_border_m=FREE),
        noise_m=0.02,
    )
    suggested = more_shots(doubt, POND)
    out = np.hypot(*(suggested.places - 25).T)
    assert suggested.reached
    assert np.mean(out < 9) > 0.9
    assert len(suggested.places) < 30


@pytest.mark.parametrize("ground", [rolling, rough])
def test_shooting_what_was_suggested_halves_the_doubt(ground):
    """The new survey is cross-validated anew; over five surveys the mean ratio is a half."""
    ratios = []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        known = ground(seed)
        points = surveyed(known, gapped(200, rng), 0.02, rng)
        before = doubt_of_tin(build_tin(points, longest_border_m=FREE), noise_m=0.02)
        places = more_shots(before, POND).places
        points = np.vstack([points, surveyed(known, places, 0.02, rng)])
        after = doubt_of_tin(build_tin(points, longest_border_m=FREE), noise_m=0.02)
        ratios.append(volume_sigma(after, POND) / volume_sigma(before, POND))
    assert np.mean(ratios) == pytest.approx(0.5, abs=0.12)


def test_as_many_as_are_allowed():
    suggested = more_shots(told(triangular(3.0), noise=0.02), POND, share=0.1, most=20)
    assert not suggested.reached
    assert len(suggested.places) == 20
    assert 0.1 * suggested.pm_before_m3 < suggested.pm_after_m3 < suggested.pm_before_m3


def test_a_region_beside_the_survey_asks_for_shots_there():
    xy = np.array([[x, y] for x in range(0, 21, 2) for y in range(0, 21, 2)], dtype=float)
    region = shapely.box(10, 5, 30, 15)
    suggested = more_shots(told(xy, noise=0.01, growth=0.05), region, most=60)
    assert suggested.reached
    assert np.mean(suggested.places[:, 0] > 18) > 0.8
