"""Triangles that follow a surface: within the tolerance wherever the surface does not jump."""

from dataclasses import dataclass

import numpy as np
import pytest
import shapely

from terrain.errors import SurfaceError
from terrain.surface.following import LEAN_M, follow

REGION = shapely.box(-10, -8, 10, 8)
WALL = shapely.box(-8, -6, -2, 0)


@dataclass(frozen=True)
class Yard:
    """Sloping ground with a conical hollow 2 m deep and a box 1.5 m deep; NaN off the region."""

    def elevation(self, xy):
        x, y = xy.T
        z = 0.03 * x - 0.01 * y
        z = np.minimum(z, np.hypot(x - 4, y - 1) / 1.5 - 2)
        z = np.where(shapely.intersects_xy(WALL, xy), -1.5, z)
        return np.where(shapely.intersects_xy(REGION, xy), z, np.nan)

    @property
    def footprint(self):
        return REGION


def test_within_the_tolerance_at_any_place():
    followed = follow(Yard(), REGION, walls=[WALL.exterior], tolerance_m=0.01)
    xy = np.random.default_rng(11).uniform([-10, -8], [10, 8], (40_000, 2))
    off = np.abs(followed.tin.elevation(xy) - Yard().elevation(xy))
    beside = shapely.intersects_xy(followed.walls, xy)
    assert np.isfinite(off).all()
    assert off[~beside].max() < 0.01
    assert followed.walls.area == pytest.approx(24 * 2 * LEAN_M, rel=0.01)
    assert len(followed.tin.points) < 4000


def test_the_whole_region_and_nothing_else():
    ring = REGION.difference(shapely.box(5, 5, 6, 6))
    followed = follow(Yard(), ring, walls=[WALL.exterior], tolerance_m=0.02)
    assert followed.tin.areas.sum() == pytest.approx(ring.area, rel=1e-6)
    assert followed.tin.areas.min() > 0
    assert np.isnan(followed.tin.elevation(np.array([[5.5, 5.5], [11.0, 0.0]]))).all()


def test_volume_of_the_hollows():
    """Box under a level plane, and a cone that pierces it, both in closed form."""

    @dataclass(frozen=True)
    class Level(Yard):
        def elevation(self, xy):
            z = np.minimum(0.0, np.hypot(*(xy - [4, 1]).T) / 1.5 - 2)
            return np.where(shapely.intersects_xy(WALL, xy), -1.5, z)

    tin = follow(Level(), REGION, walls=[WALL.exterior], tolerance_m=0.01).tin
    depth = -tin.points[tin.triangles][:, :, 2].mean(axis=1)
    volume = float((tin.areas * depth).sum())
    assert volume == pytest.approx(36 * 1.5 + np.pi * 3**2 * 2 / 3, abs=0.1)


def test_a_wall_that_nobody_named_ends_too():
    followed = follow(Yard(), shapely.box(-3, -2, 0, 1), tolerance_m=0.05, spacing_m=0.5)
    assert followed.walls.is_empty
    assert len(followed.tin.points) < 60_000
    xy = np.random.default_rng(2).uniform([-3, -2], [0, 1], (20_000, 2))
    off = np.abs(followed.tin.elevation(xy) - Yard().elevation(xy))
    assert off[shapely.distance(shapely.points(xy), WALL.exterior) > 0.03].max() < 0.05


@pytest.mark.parametrize("tolerance", [0.0, -1.0, np.nan])
def test_no_tolerance(tolerance):
    with pytest.raises(SurfaceError, match="10 mm"):
        follow(Yard(), REGION, tolerance_m=tolerance)


def test_off_the_surface():
    with pytest.raises(SurfaceError, match="off the surface"):
        follow(Yard(), shapely.box(100, 100, 103, 103), tolerance_m=0.01)
