"""A volume's ±: its parts in closed form, how they add, and what is said of them."""

import numpy as np
import pytest
import shapely

from terrain.earthwork.blame import told
from terrain.earthwork.uncertainty import (
    DigTolerance,
    Dug,
    Source,
    dug_of,
    upright_faces,
    volume_uncertainty,
)
from terrain.surface import Lattice, build_tin
from terrain.surface.corners import corners_at
from terrain.surface.doubt import TinDoubt
from terrain.surface.ground_law import Drift
from tests.calibration.grounds import fractal, plane
from tests.calibration.surveys import UNASKED

EAST, WEST = shapely.box(13, 6, 21, 18), shapely.box(2, 6, 10, 18)


def lawn(noise: float = 0.01) -> TinDoubt:
    rng = np.random.default_rng(1)
    xy = rng.uniform(0, 24, (200, 2))
    points = np.column_stack([xy, plane(rng).at(xy) + rng.normal(0, noise, 200)])
    tin = build_tin(points, longest_border_m=np.inf)
    return TinDoubt(tin, np.full(200, noise), UNASKED, np.ones(200), 1.96)


def parts_of(found) -> dict[str, float]:
    return {part.name: part.pm_m3 for part in found.parts}


def test_benchmark_and_bucket_in_figures():
    """1.96 σ A of the sum of areas; tolerances of two elements as the root of their squares."""
    dug = {"east": Dug(EAST, 30.0), "west": Dug(WEST, 40.0)}
    found = volume_uncertainty(
        lawn(), dug, method_bound_m3=0.7, benchmark_m=0.01, tolerance=DigTolerance(0.03, 0.10)
    )
    parts = parts_of(found)
    assert parts[Source.BENCHMARK] == pytest.approx(1.96 * 0.01 * (96 + 96))
    assert parts[Source.DIG_LEVEL] == pytest.approx(0.03 * 96 * 2**0.5)
    assert parts[Source.DIG_EDGE] == pytest.approx(0.10 * 50.0)
    assert parts[Source.METHOD] == 0.7
    assert found.pm_m3 == pytest.approx(np.sqrt(sum(pm**2 for pm in parts.values())))
    assert list(parts.values()) == sorted(parts.values(), reverse=True)
    west = {one.name: parts_of(one) for one in found.elements}["west"]
    assert west[Source.BENCHMARK] == pytest.approx(1.96 * 0.01 * 96)
    assert west[Source.DIG_EDGE] == pytest.approx(4.0)


def test_nothing_stated_adds_nothing():
    found = volume_uncertainty(lawn(), {"east": Dug(EAST, 30.0)}, method_bound_m3=0.0)
    assert set(parts_of(found)) <= {Source.NOISE, Source.SPACING}
    assert found.pm_m3 == pytest.approx(found.elements[0].pm_m3)
    assert volume_uncertainty(lawn(), {}, method_bound_m3=0.0).pm_m3 == 0.0


def test_ground_that_nobody_measured_has_no_known_doubt():
    off = {"far": Dug(shapely.box(90, 90, 95, 95), 5.0)}
    assert np.isnan(volume_uncertainty(lawn(), off, method_bound_m3=0.1).pm_m3)


def test_faces_of_a_pit_and_a_cone():
    """Perimeter × depth with upright walls; π r d for a cone, half of its cylinder's."""
    cell = 0.05
    x = np.arange(-5, 5.01, cell)
    away = np.hypot(*np.meshgrid(x, x))
    pit = np.where((np.abs(x) < 3.025) & (np.abs(x)[:, None] < 2.025), 1.5, np.nan)
    assert upright_faces(pit, cell) == pytest.approx(1.5 * 2 * (6.05 + 4.05), rel=0.01)
    assert upright_faces(np.where(away < 4, 2.0, 0.0), cell) == pytest.approx(
        2 * np.pi * 4 * 2.0, rel=0.06
    )
    cone = np.maximum(2.0 * (1 - away / 4), 0.0)
    assert upright_faces(cone, cell) == pytest.approx(np.pi * 4 * 2.0, rel=0.01)


def test_faces_are_what_moving_the_edge_adds():
    """A frustum widened by 1 cm, by its own closed form."""
    cell, r, d, h = 0.04, 4.0, 1.2, 0.01
    x = np.arange(-6, 6.01, cell)
    away = np.hypot(*np.meshgrid(x, x))
    depth = np.clip(r - away, 0.0, d)  # batter 1:1

    def volume(top: float) -> float:
        return np.pi * d / 3 * (top**2 + top * (top - d) + (top - d) ** 2)

    assert upright_faces(depth, cell) == pytest.approx((volume(r + h) - volume(r)) / h, rel=0.01)


def test_what_is_dug_by_its_depth():
    """A ring: the area between two circles, in place; its walls both inside and outside."""
    lattice = Lattice(100.0, -50.0, 0.1, 201, 151)
    away = np.hypot(*(lattice.nodes - [109.0, -43.0]).T).reshape(lattice.shape)
    depth = np.where((away > 2) & (away < 5), 1.0, np.nan)
    ring = dug_of(depth, lattice)
    assert ring.region.area == pytest.approx(np.pi * (25 - 4), rel=0.01)
    assert ring.region.centroid.distance(shapely.Point(109, -43)) < 0.05
    assert not ring.region.contains(shapely.Point(109, -43))
    assert ring.faces_m2 == pytest.approx(2 * np.pi * (5 + 2), rel=0.06)
    assert dug_of(np.full(lattice.shape, np.nan), lattice) is None


PIT_M, PIT_DEPTH_M = 5.0, 1.2
DRIFT, BENCHMARK_M, TOLERANCE = Drift(0.012, 7.0), 0.006, DigTolerance(0.04, 0.15)
CAUSES = (Source.NOISE, Source.DRIFT, Source.BENCHMARK, Source.DIG_LEVEL, Source.DIG_EDGE)


@pytest.fixture(scope="module")
def pit_told() -> dict[str, float]:
    """The parts of the ± of a round pit with upright walls in a lawn."""
    pit = shapely.Point(12, 12).buffer(PIT_M, quad_segs=64)
    found = volume_uncertainty(
        lawn(0.02),
        {"pit": Dug(pit, 2 * np.pi * PIT_M * PIT_DEPTH_M)},
        method_bound_m3=0.0,
        benchmark_m=BENCHMARK_M,
        tolerance=TOLERANCE,
        drifts=(DRIFT,),
    )
    return parts_of(found)


def pits(*causes: Source, count: int = 1500) -> np.ndarray:
    """Volumes of that pit, surveyed and dug so often, with errors of these causes only."""
    rng = np.random.default_rng(11)
    tin = lawn(0.02).tin
    plan = tin.points[:, :2]

    def drawn(cause: Source, sigma: float, *shape: int) -> np.ndarray:
        return (cause in causes) * rng.normal(0, sigma, (count, *shape))

    root = np.linalg.cholesky(DRIFT.covariance(plan) + 1e-12 * np.eye(len(plan)))
    height = drawn(Source.NOISE, 0.02, len(plan)) + drawn(Source.DRIFT, 1.0, len(plan)) @ root.T
    height += drawn(Source.BENCHMARK, BENCHMARK_M, 1)
    floor = -PIT_DEPTH_M + drawn(Source.DIG_LEVEL, TOLERANCE.level_m / 1.96)
    radius = PIT_M + drawn(Source.DIG_EDGE, TOLERANCE.edge_m / 1.96)
    spiral = np.arange(300) + 0.5  # evenly over a disc of radius 1 (Vogel 1979)
    turn = spiral * np.pi * (3 - 5**0.5)
    disc = np.sqrt(spiral / 300)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    at = corners_at(tin, (12 + radius[:, None, None] * disc).reshape(-1, 2))
    by_corner = height[np.repeat(np.arange(count), 300)[:, None], at.rows]
    ground = (by_corner * at.weights).sum(axis=1).reshape(count, 300)
    return np.pi * radius**2 * (ground.mean(axis=1) - floor)


@pytest.mark.parametrize("cause", CAUSES)
def test_each_part_is_the_spread_of_simulated_digs(pit_told, cause):
    """A standard deviation of 1,500 is sure by 1.8 % (`1 / √2n`); the factor was learnt too."""
    assert pit_told[cause] == pytest.approx(1.96 * pits(cause).std(), rel=0.08)


def test_all_parts_together_hold_95_of_100_simulated_digs(pit_told):
    whole = np.sqrt(sum(pit_told[cause] ** 2 for cause in CAUSES))
    volumes = pits(*CAUSES)
    held = np.mean(np.abs(volumes - volumes.mean()) < whole)
    assert 0.93 < held < 0.97


def sparse_north() -> TinDoubt:
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 24, (500, 2))
    xy = xy[(xy[:, 1] < 13) | (rng.uniform(size=500) < 0.05)]
    points = np.column_stack([xy, fractal(rng).at(xy) + rng.normal(0, 0.01, len(xy))])
    tin = build_tin(points, longest_border_m=np.inf)
    return TinDoubt(tin, np.full(len(xy), 0.01), UNASKED, np.ones(len(xy)), 1.96)


def test_too_few_shots_are_named_with_their_side():
    dug = {"pond": Dug(shapely.box(4, 4, 20, 20), 40.0), "rill": Dug(shapely.box(1, 1, 3, 3), 4.0)}
    found = volume_uncertainty(sparse_north(), dug, method_bound_m3=0.0)
    assert told(found).endswith("too few shots on the north side of pond.")
    assert told(found).startswith(("Most", "Nearly all"))
    pm = found.pm_m3
    half = volume_uncertainty(
        sparse_north(), dug, method_bound_m3=0.0, benchmark_m=pm / 1.96 / (256 + 4)
    )
    assert told(half).startswith(("Half of this is", "A third of this is"))


def test_a_benchmark_and_a_bucket_are_named():
    dug = {"pond": Dug(EAST, 40.0), "rill": Dug(WEST, 4.0)}
    found = volume_uncertainty(lawn(), dug, method_bound_m3=0.0, benchmark_m=0.1)
    assert told(found) == "Nearly all of this is the height of the benchmark."
    found = volume_uncertainty(lawn(), dug, method_bound_m3=0.0, tolerance=DigTolerance(edge_m=0.5))
    assert told(found) == "Nearly all of this is how truly the bucket keeps to the edge at pond."
