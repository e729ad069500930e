"""The ± of a ground's volume against simulation, closed forms, and itself in parts."""

import numpy as np
import pytest
import shapely

from terrain.surface import Tin, build_tin
from terrain.surface.areal import ground_variances, volume_error
from terrain.surface.corners import corners_without
from terrain.surface.coverage import samples
from terrain.surface.doubt import MergedDoubt, TinDoubt, doubt_of_grid, doubt_of_tin
from terrain.surface.grid import Grid
from terrain.surface.ground_law import BELLS, POWERS, Asked, Drift, covering_factor, learn_laws
from terrain.surface.lattice import Lattice
from terrain.surface.merge import Merged
from terrain.surface.variogram import area_share, circle_share
from terrain.surface.volume_doubt import volume_doubts
from tests.calibration.grounds import SIZE, fractal, plane, rolling
from tests.calibration.surveys import UNASKED
from tests.surface.grounds import gapped, paced, rough, surveyed

POND = shapely.affinity.scale(shapely.Point(12, 12).buffer(1), 6.0, 4.5)


def doubt_on(points: np.ndarray, noise: float, *, known: bool = True) -> TinDoubt:
    tin = build_tin(points, longest_border_m=np.inf)
    ones = np.ones(len(tin.points))
    return TinDoubt(tin, noise * ones, UNASKED, ones, 1.96, known)


def scattered(rng: np.random.Generator, count: int = 150) -> np.ndarray:
    return rng.uniform(0, SIZE, (count, 2))


def test_weights_are_the_volume_of_each_shot_raised_by_one():
    """Against the volume of the surface itself, which is linear in each height."""
    rng = np.random.default_rng(1)
    tin = build_tin(np.column_stack([scattered(rng), rng.normal(size=150)]), longest_border_m=9e9)
    error = volume_error(tin, POND, shots=40)
    xy, area = samples(POND, count=200_000)
    volume = area * tin.elevation(xy).sum()
    assert error.weights @ tin.points[error.rows, 2] == pytest.approx(volume, abs=2e-3 * POND.area)
    assert error.area_m2 == pytest.approx(POND.area, rel=1e-9)


def test_noise_and_drift_against_simulated_errors():
    """1,500 surveys of one layout, whose shots err alone and in common."""
    rng = np.random.default_rng(5)
    drift = Drift(0.012, 7.0)
    tin = build_tin(np.column_stack([scattered(rng), np.zeros(150)]), longest_border_m=np.inf)
    root = np.linalg.cholesky(drift.covariance(tin.points[:, :2]) + 1e-12 * np.eye(150))
    xy, area = samples(POND, count=1000)
    volumes = []
    for _ in range(1500):
        z = rng.normal(0, 0.02, 150) + root @ rng.normal(size=150)
        raised = Tin(np.column_stack([tin.points[:, :2], z]), tin.triangles)
        volumes.append(area * raised.elevation(xy).sum())
    doubt = TinDoubt(tin, np.full(150, 0.02), UNASKED, np.ones(150), 1.96)
    told = volume_doubts(doubt, {"pond": POND}, drifts=(drift,)).each["pond"]
    assert np.hypot(told.noise_m3, told.drift_m3) == pytest.approx(np.std(volumes), rel=0.10)
    assert told.drift_m3 > told.noise_m3


def test_the_ground_between_shots_against_simulated_grounds():
    """300 smooth grounds of known covariance under one layout, without noise."""
    rng = np.random.default_rng(6)
    xy = scattered(rng)
    tin = build_tin(np.column_stack([xy, np.zeros(150)]), longest_border_m=np.inf)
    error = volume_error(tin, POND, shots=25)
    unit = 6.0 / BELLS[2]  # so that this form is the ground's own covariance
    sigma = np.sqrt(0.25 * ground_variances(error, tin.points[:, :2], unit)[len(POWERS) + 2])
    places, area = samples(POND, count=400)
    off = []
    for seed in range(300):
        ground = rolling(np.random.default_rng(seed))
        known = Tin(
            np.column_stack([tin.points[:, :2], ground.at(tin.points[:, :2])]), tin.triangles
        )
        off.append(area * (known.elevation(places) - ground.at(places)).sum())
    assert sigma == pytest.approx(np.sqrt(np.mean(np.square(off))), rel=0.10)


def test_variances_do_not_hang_on_how_many_places_stand_for_the_ground():
    rng = np.random.default_rng(6)
    tin = build_tin(np.column_stack([scattered(rng), np.zeros(150)]), longest_border_m=np.inf)
    few, many = (
        ground_variances(volume_error(tin, POND, shots=shots), tin.points[:, :2], 2.0)
        for shots in (25, 250)
    )
    np.testing.assert_allclose(few, many, rtol=0.02)


@pytest.mark.parametrize(("exponent", "c"), [(1.0, 0.04), (1.5, 0.02)])
def test_the_law_that_made_the_ground_is_found(exponent, c):
    """Heights drawn from a covariance that differs from the power law by a constant."""
    rng = np.random.default_rng(8)
    xy = scattered(rng, 300)
    apart = np.hypot(*np.moveaxis(xy[:, None] - xy, 2, 0))
    away = np.hypot(*(xy - SIZE / 2).T) ** exponent
    covariance = c * (away[:, None] + away - apart**exponent)  # increments of variogram c h^α
    z = np.linalg.cholesky(covariance + 1e-9 * np.eye(300)) @ rng.normal(size=300)
    points = np.column_stack([xy, z])
    tin = build_tin(points, longest_border_m=np.inf)
    without = corners_without(tin)
    rows = np.flatnonzero(without.rows[:, 0] >= 0)
    laws = learn_laws(tin.points, without, Asked(rows, rows), noise_m=np.full(300, 1e-3))
    form = np.bincount(laws.form, weights=laws.likely)
    assert form[POWERS.index(exponent)] > 0.4
    own = laws.form == POWERS.index(exponent)
    scale = (laws.likely * laws.ground)[own].sum() / laws.likely[own].sum()
    assert scale / laws.unit_m**exponent == pytest.approx(c, rel=0.25)


def test_noise_that_is_not_stated_is_found_on_a_lawn():
    rng = np.random.default_rng(4)
    xy = scattered(rng, 200)
    points = np.column_stack([xy, plane(rng).at(xy) + rng.normal(0, 0.03, 200)])
    free = volume_doubts(doubt_on(points, 1.0, known=False), {"pond": POND}).each["pond"]
    stated = volume_doubts(doubt_on(points, 0.03), {"pond": POND}).each["pond"]
    assert free.pm_m3 == pytest.approx(stated.pm_m3, rel=0.25)
    assert free.noise_m3 > 2 * free.spacing_m3


def test_covering_factor_of_a_sure_and_an_unsure_variance():
    """1.96 of a normal law; of Student's t with 5 degrees of freedom 2.571 (any table)."""
    assert covering_factor(np.array([4.0]), np.array([1.0])) == pytest.approx(1.95996, abs=1e-4)
    precision = np.random.default_rng(1).chisquare(5, 50_000) / 5
    mixed = covering_factor(1 / precision, np.full(50_000, 1 / 50_000))
    assert mixed * np.sqrt(np.mean(1 / precision)) == pytest.approx(2.571, rel=0.01)


@pytest.mark.parametrize("ground", [fractal, rolling])
def test_two_halves_together_are_as_sure_as_the_whole(ground):
    """Beside each other their errors go together: on smooth ground almost wholly."""
    rng = np.random.default_rng(2)
    xy = scattered(rng, 200)
    points = np.column_stack([xy, ground(rng).at(xy) + rng.normal(0, 0.002, 200)])
    doubt, drift = doubt_on(points, 0.002), Drift(0.01, 12.0)
    halves = {"west": shapely.box(9, 8, 12, 16), "east": shapely.box(12, 8, 15, 16)}
    parts = volume_doubts(doubt, halves, drifts=(drift,))
    whole = volume_doubts(doubt, {"both": shapely.box(9, 8, 15, 16)}, drifts=(drift,)).together
    assert parts.together.noise_m3 == pytest.approx(whole.noise_m3, rel=1e-6)
    assert parts.together.drift_m3 == pytest.approx(whole.drift_m3, rel=1e-6)
    assert parts.together.spacing_m3 == pytest.approx(whole.spacing_m3, rel=0.15)
    assert parts.together.area_m2 == pytest.approx(whole.area_m2)
    apart = np.hypot(*(one.spacing_m3 for one in parts.each.values()))
    if ground is rolling:
        assert parts.together.spacing_m3 > 1.1 * apart


def test_a_common_error_of_the_whole_site_goes_with_the_area():
    """A drift of endless range is a benchmark: σ times area."""
    rng = np.random.default_rng(3)
    doubt = doubt_on(np.column_stack([scattered(rng), np.zeros(150)]), 0.01)
    told = volume_doubts(doubt, {"pond": POND}, drifts=(Drift(0.02, 1e9),)).each["pond"]
    assert told.drift_m3 == pytest.approx(0.02 * POND.area, rel=1e-6)


@pytest.mark.parametrize("span", [4.0, 15.0])
def test_errors_in_common_average_as_rolstad_says(span):
    """Even shots in a disc of radius 10: `A σ √share`, of all pairs of places; where the range is
    short, eq. 8 of Rolstad, Haug and Denby (2009) says the same within 6 % (√ .0320 / .0286).
    """
    line = np.arange(0.0, SIZE + 1)
    nodes = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    disc = shapely.Point(12, 12).buffer(10.0, quad_segs=32)
    doubt = doubt_on(np.column_stack([nodes, np.zeros(len(nodes))]), 0.01)
    told = volume_doubts(doubt, {"disc": disc}, drifts=(Drift(0.02, span),)).each["disc"]
    whole = 0.02 * disc.area
    assert told.drift_m3 == pytest.approx(whole * np.sqrt(area_share(disc, span)), rel=0.01)
    if span < 10.0:
        assert told.drift_m3 == pytest.approx(whole * np.sqrt(circle_share(10.0, span)), rel=0.07)


def test_the_poorly_measured_side_has_most_of_the_doubt():
    rng = np.random.default_rng(7)
    xy = scattered(rng, 400)
    xy = xy[(xy[:, 1] < 12.5) | (rng.uniform(size=400) < 0.06)]
    points = np.column_stack([xy, fractal(rng).at(xy) + rng.normal(0, 0.01, len(xy))])
    told = volume_doubts(doubt_on(points, 0.01), {"pond": POND}).each["pond"]
    names = ("east", "north", "west", "south", "middle")
    assert names[int(np.argmax(told.sides))] == "north"
    assert told.sides.sum() == pytest.approx(1.0)


def test_many_shots_are_asked_by_a_window():
    """A window of 250 shots scaled up, against all of 2,500; and far surer than by 150."""
    rng = np.random.default_rng(9)
    ground = rough(9)
    points = surveyed(ground, paced(2500, rng), 0.02, rng)
    doubt = doubt_of_tin(build_tin(points, longest_border_m=np.inf), noise_m=0.02)
    big = shapely.box(5, 5, 45, 45)
    told = volume_doubts(doubt, {"big": big}).each["big"]
    plan = doubt.tin.points[:, :2]
    shots = int(shapely.intersects_xy(big, plan[:, 0], plan[:, 1]).sum())
    assert told.noise_m3 == pytest.approx(0.02 * big.area / np.sqrt(shots), rel=0.05)
    assert 0 < told.spacing_m3 < told.noise_m3 * 3


def test_too_few_shots_are_doubted_by_their_places():
    points = np.array([[0, 0, 0], [20, 0, 0.3], [0, 20, 0.1], [20, 20, 0.5], [9, 11, 1.0]], float)
    tin = build_tin(points, longest_border_m=np.inf)
    told = volume_doubts(doubt_of_tin(tin), {"pond": POND}).each["pond"]
    assert told.pm_m3 > 0.1 * POND.area
    assert volume_doubts(doubt_of_tin(tin), {"off": shapely.box(90, 90, 95, 95)}).each == {}


def test_a_grid_with_a_gap_and_merged_ground():
    lattice = Lattice(0, 0, 0.5, 61, 61)
    rng = np.random.default_rng(11)
    counts = np.full(lattice.shape, 4)
    counts[20:30, 20:30] = 0
    z = rolling(rng).at(lattice.nodes).reshape(lattice.shape)
    grid = Grid(lattice, z + rng.normal(0, 0.02, lattice.shape))
    doubt = doubt_of_grid(grid, counts, noise_m=0.04)
    over, beside = shapely.box(9, 9, 16, 16), shapely.box(20, 20, 28, 28)
    told = volume_doubts(doubt, {"over": over, "beside": beside})
    assert told.each["over"].spacing_m3 > told.each["over"].noise_m3
    assert told.each["beside"].spacing_m3 == 0
    merged = MergedDoubt(Merged((grid, grid), 0.0), (doubt, doubt))
    same = volume_doubts(merged, {"over": over}).each["over"]
    assert same.pm_m3 == pytest.approx(told.each["over"].pm_m3, rel=0.02)


def test_a_gap_in_the_shots_is_doubted():
    rng = np.random.default_rng(12)
    pond = shapely.Point(25, 25).buffer(8)
    told = [
        volume_doubts(
            doubt_of_tin(build_tin(surveyed(rough(12), xy, 0.02, rng), longest_border_m=9e9)),
            {"pond": pond},
        ).each["pond"]
        for xy in (gapped(300, rng), rng.uniform(0, 50, (300, 2)))
    ]
    assert told[0].pm_m3 > 2 * told[1].pm_m3
