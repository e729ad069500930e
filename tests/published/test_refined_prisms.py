"""Cells split until the bound is small: against closed forms, with the bound held to its word."""

import numpy as np
import pytest
import shapely
import shapely.affinity
from solids import (
    Solid,
    cone,
    hemisphere,
    level_ground,
    rectangular_frustum,
    round_frustum,
    wedge,
)

from terrain.earthwork.adaptive import refined_volume
from terrain.surface import Lattice, Plane

SOLIDS = [
    cone(6.3, 2.1),
    round_frustum(7.0, 3.1, 1.7),
    rectangular_frustum(6.0, 4.0, 1.5, 2.0),
    rectangular_frustum(6.0, 4.0, 1.5, 0.01),  # walls
    hemisphere(5.0),
    wedge(9.0, 5.0, 4.0, 2.0),
]


def lattice(cell: float) -> Lattice:
    return Lattice.covering((-12.0, -12.0, 12.0, 12.0), cell=cell)


@pytest.mark.parametrize("solid", SOLIDS, ids=lambda solid: f"{solid.name} {solid.volume:.1f}")
def test_the_volume_is_within_its_bound_and_the_bound_within_the_tolerance(solid: Solid):
    """Closed forms of `published/solids.py`, moved off the lattice."""
    off = {"east": 0.137, "north": -0.071, "level": 101.3}
    before, after = level_ground(**off), solid.dug(**off)
    for share in (1e-2, 1e-4):
        tolerance = share * solid.volume
        volume = refined_volume(before, after, lattice(0.5), tolerance_m3=tolerance)
        assert volume.bound_m3 <= tolerance
        assert volume.cut_m3 == pytest.approx(solid.volume, abs=volume.bound_m3)
        assert volume.fill_m3 == pytest.approx(0, abs=1e-9)


def test_a_region_counts_only_what_lies_inside():
    """Half of a cone, and a disc of it: V = π h r² (1 − 2 r / 3 R) inside radius r."""
    solid = cone(6.0, 2.0)
    half = refined_volume(
        level_ground(), solid.dug(), lattice(0.5), tolerance_m3=1e-3,
        region=shapely.box(-12, -12, 0, 12),
    )  # fmt: skip
    assert half.cut_m3 == pytest.approx(solid.volume / 2, abs=2e-3)
    disc = refined_volume(
        level_ground(), solid.dug(), lattice(0.5), tolerance_m3=1e-3,
        region=shapely.Point(0, 0).buffer(3.0, 256),
    )  # fmt: skip
    assert disc.cut_m3 == pytest.approx(np.pi * 2 * 9 * (1 - 2 * 3 / 18), rel=3e-4)


def test_ground_that_ends_inside_a_cell_is_counted_to_its_border():
    """A slab one metre thick over a turned square of 5 m: 25 m³."""
    turned = shapely.affinity.rotate(shapely.box(0, 0, 5, 5), 31)
    before, after = Plane(10.0, shapely.box(-11, -11, 11, 11)), Plane(9.0, turned)
    volume = refined_volume(before, after, lattice(0.4), tolerance_m3=0.05)
    assert volume.cut_m3 == pytest.approx(25.0, abs=0.05)
    assert volume.bound_m3 <= 0.05


def test_swapping_the_surfaces_swaps_cut_and_fill():
    solid = hemisphere(5.0)
    there = refined_volume(level_ground(), solid.dug(), lattice(0.5), tolerance_m3=0.1)
    back = refined_volume(solid.dug(), level_ground(), lattice(0.5), tolerance_m3=0.1)
    assert there.cut_m3 == pytest.approx(back.fill_m3, rel=1e-12)


def test_a_tolerance_out_of_reach_leaves_a_bound_that_says_so(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("terrain.earthwork.adaptive.MOST_PLACES", 50_000)
    solid = hemisphere(5.0)
    volume = refined_volume(level_ground(), solid.dug(), lattice(0.5), tolerance_m3=1e-9)
    assert volume.bound_m3 > 1e-9
    assert volume.cut_m3 == pytest.approx(solid.volume, abs=volume.bound_m3)
