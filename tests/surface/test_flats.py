"""Contours that meet themselves: level patches go, and the ground comes nearer the truth."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from terrain.surface import Lattice, build_tin
from terrain.surface.flats import repair_flats

STEP = 1.0  # between contours, m


@dataclass(frozen=True)
class Hill:
    """A ground with a closed form, and its contours from that form."""

    height: Callable[[np.ndarray, np.ndarray], np.ndarray]
    points: np.ndarray
    contours: list[np.ndarray]


def rings(height_of: Callable, radius_of: Callable, levels: np.ndarray, spacing: float) -> Hill:
    """A hill of revolution: its contours are circles."""
    points, contours, count = [], [], 0
    for level in levels:
        radius = radius_of(level)
        number = max(8, int(2 * np.pi * radius / spacing))
        angle = 2 * np.pi * np.arange(number) / number + 0.37 * level
        points.append(
            np.column_stack(
                [radius * np.cos(angle), radius * np.sin(angle), np.full(number, level)]
            )
        )
        rows = np.arange(count, count + number)
        contours.append(np.append(rows, rows[0]))
        count += number
    return Hill(lambda x, y: height_of(np.hypot(x, y)), np.concatenate(points), contours)


def cone() -> Hill:
    return rings(lambda r: -0.3 * r, lambda z: -z / 0.3, -0.6 - STEP * np.arange(8), 0.7)


def paraboloid() -> Hill:
    levels = -0.6 - STEP * np.arange(8)
    return rings(lambda r: -0.01 * r**2, lambda z: np.sqrt(-z / 0.01), levels, 0.7)


def pit() -> Hill:
    return rings(lambda r: 0.01 * r**2, lambda z: np.sqrt(z / 0.01), 0.6 + STEP * np.arange(8), 0.7)


def gaussian() -> Hill:
    return rings(
        lambda r: 8 * np.exp(-(r**2) / 300),
        lambda z: np.sqrt(-300 * np.log(z / 8)),
        7.4 - STEP * np.arange(7),
        0.7,
    )


def saddle() -> Hill:
    """z = xy / 100 out to 30 m: contours are hyperbolas, two branches a level."""
    points, contours, count = [], [], 0
    for level in np.arange(-8.8, 9.0, STEP):
        for side in (-1, 1):
            x = side * np.geomspace(100 * abs(level) / 30, 30, 90)
            points.append(np.column_stack([x, 100 * level / x, np.full(90, level)]))
            contours.append(np.arange(count, count + 90))
            count += 90
    return Hill(lambda x, y: x * y / 100, np.concatenate(points), contours)


HILLS = {f.__name__: f() for f in (cone, paraboloid, pit, gaussian, saddle)}


@pytest.mark.parametrize("name", HILLS)
def test_level_patches_go_and_the_error_with_them(name):
    hill = HILLS[name]
    raw = build_tin(hill.points, soft=hill.contours)
    repair = repair_flats(hill.points, contours=hill.contours)
    assert repair.flat_triangles > 0
    assert repair.left_triangles == 0
    span = np.ptp(raw.points[raw.triangles, 2], axis=1)
    assert repair.flat_triangles == (span < 1e-9).sum()
    assert repair.flat_area_m2 == pytest.approx(raw.areas[span < 1e-9].sum())
    nodes = Lattice.covering((-18.5, -18.5, 18.5, 18.5), cell=0.25).nodes
    truth = hill.height(*nodes.T)
    before, after = raw.elevation(nodes) - truth, repair.tin.elevation(nodes) - truth
    known = np.isfinite(before) & np.isfinite(after)
    changed = known & (np.abs(after - before) > 1e-6)
    assert changed.sum() > 10
    assert np.sqrt(np.mean(after[known] ** 2)) < 0.75 * np.sqrt(np.mean(before[known] ** 2))
    assert np.abs(after[known]).max() < STEP
    # the volume that was missing where the ground had been level
    assert abs(after[changed].sum()) < 0.6 * abs(before[changed].sum())


@pytest.mark.parametrize("name", ["paraboloid", "pit", "saddle"])
def test_on_a_quadric_the_added_heights_are_exact(name):
    """The spline's null space holds every quadric."""
    hill = HILLS[name]
    added = repair_flats(hill.points, contours=hill.contours).added
    truth = hill.height(added[:, 0], added[:, 1])
    np.testing.assert_allclose(added[:, 2], truth, atol=1e-6)


@pytest.mark.parametrize("name", HILLS)
def test_no_added_point_reaches_the_next_contour(name):
    hill = HILLS[name]
    added = repair_flats(hill.points, contours=hill.contours).added
    levels = np.unique(hill.points[:, 2].round(9))
    nearest = np.abs(added[:, 2, None] - levels).min(axis=1)
    assert nearest.max() < STEP
    assert added[:, 2].max() < levels.max() + STEP
    assert added[:, 2].min() > levels.min() - STEP


def test_level_ground_that_was_measured_stays():
    """A pond's edge is a breakline and a terrace is spot shots: both are as level as they look."""
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    edge = np.column_stack([6 * np.cos(angle), 4 * np.sin(angle), np.full(40, 3.0)])
    spots = np.random.default_rng(5).uniform((10, -5), (20, 5), (60, 2))
    terrace = np.column_stack([spots, np.full(60, 5.0)])
    line = np.arange(-30.0, 31.0, 2.0)
    contour = np.column_stack([line, np.full(len(line), 12.0), np.full(len(line), 8.0)])
    points = np.concatenate([edge, terrace, contour])
    pond = [np.append(np.arange(40), 0)]
    contours = [np.arange(100, len(points))]
    repair = repair_flats(points, contours=contours, breaklines=pond)
    assert (repair.flat_triangles, repair.flat_area_m2, len(repair.added)) == (0, 0.0, 0)
    assert repair.tin.elevation(np.array([[0.0, 0.0], [15.0, 0.0]])) == pytest.approx([3.0, 5.0])


def test_one_contour_alone_says_nothing_about_its_middle():
    angle = np.linspace(0, 2 * np.pi, 20, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle), np.full(20, 2.0)])
    repair = repair_flats(ring, contours=[np.append(np.arange(20), 0)])
    assert repair.flat_triangles == repair.left_triangles > 0
    assert len(repair.added) == 0


def test_the_top_of_a_cliff_stays_below_the_contour_that_is_not_there():
    """Contours 0.1 m apart up a 10:1 face say that the top goes on rising; no contour says so."""
    hill = rings(lambda r: r, lambda z: 10 - 0.1 * z, np.arange(0.0, 3.0), 0.7)
    added = repair_flats(hill.points, contours=hill.contours).added
    assert len(added) > 10
    assert added[:, 2].max() < 3
    assert added[:, 2].max() > 2
