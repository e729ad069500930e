"""Level slices of basins in closed form, and of random ground against the prism method."""

from itertools import pairwise

import numpy as np
import pytest
import shapely

from terrain.arrays import FloatArray
from terrain.earthwork.refinement import tin_volume
from terrain.earthwork.sections import average_end_area, conical, prismoidal
from terrain.earthwork.slices import clipped, level_slices
from terrain.surface import Tin, build_tin


def basin(rings: list[tuple[FloatArray, float]]) -> Tin:
    """Closed rings, inner ones last, each at one level."""
    points = np.concatenate([np.column_stack([xy, np.full(len(xy), z)]) for xy, z in rings])
    ends = np.cumsum([0, *(len(xy) for xy, _ in rings)])
    lines = [np.append(np.arange(a, b), a) for a, b in pairwise(ends)]
    return build_tin(points, breaklines=lines, longest_border_m=np.inf)


def polygon(radius: float, count: int) -> FloatArray:
    turns = np.arange(count) * 2 * np.pi / count
    return radius * np.column_stack([np.cos(turns), np.sin(turns)])


def rectangle(length: float, width: float) -> FloatArray:
    return np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [length / 2, width / 2]


def test_a_round_frustum_is_conical_and_prismoidal():
    """Closed form: R 10, r 4, h 3 is 490.0885 m³ round; a regular 720-gon in it has its share."""
    share = 720 / (2 * np.pi) * np.sin(2 * np.pi / 720)
    tin = basin([(polygon(10.0, 720), 3.0), (polygon(4.0, 720), 0.0)])
    slices = level_slices(tin, np.array([0.0, 1.0, 3.0]))
    exact = np.pi * 3 / 3 * (10**2 + 10 * 4 + 4**2) * share
    assert exact / share == pytest.approx(490.0885, abs=5e-5)
    assert slices.area_m2 == pytest.approx(np.pi * np.array([4, 6, 10.0]) ** 2 * share, rel=1e-9)
    for total in (slices.exact_m3, slices.prismoidal_m3, slices.conical_m3):
        assert total[-1] == pytest.approx(exact, rel=1e-9)
    two = level_slices(tin, np.array([0.0, 3.0])).end_area_m3[-1]
    assert two / share == pytest.approx(546.64, abs=0.005)


def test_the_ends_of_a_rectangular_basin_are_not_conical():
    """USDA-NRCS Agriculture Handbook 590, excavated ponds (from memory): feet.

    Floor 40 × 100, 12 deep, 2:1 on three sides, the ramp end 4:1: 107,904 ft³ = 3,996 yd³; end
    areas of the whole give 4,252.4 yd³ and the conical rule 3,987.7.
    """
    tops = np.array([[-50 - 48, -44], [50 + 24, -44], [50 + 24, 44], [-50 - 48, 44]])
    tin = basin([(tops.astype(float), 12.0), (rectangle(100.0, 40.0), 0.0)])
    slices = level_slices(tin, np.array([0.0, 12.0]))
    assert slices.area_m2 == pytest.approx([4_000, 15_136], rel=1e-12)
    assert slices.mid_area_m2 == pytest.approx([8_704], rel=1e-12)
    assert slices.exact_m3[-1] == pytest.approx(107_904, rel=1e-12)
    assert slices.prismoidal_m3[-1] == pytest.approx(107_904, rel=1e-12)
    assert slices.end_area_m3[-1] / 27 == pytest.approx(4252.4, abs=0.05)
    assert slices.conical_m3[-1] / 27 == pytest.approx(3987.7, abs=0.05)
    many = level_slices(tin, np.linspace(0, 12, 49))
    assert many.end_area_m3 == pytest.approx(many.exact_m3, rel=1e-3, abs=1e-9)
    assert many.curve.volume_at(12.0) == pytest.approx(107_904, rel=1e-12)


@pytest.mark.parametrize(
    "region",
    [
        shapely.Point(5, 5).buffer(3.3).difference(shapely.box(4, 4, 6, 5.5)),
        shapely.MultiPolygon([shapely.box(1, 1, 3, 4), shapely.box(5.5, 2, 9, 3)]),
    ],
)
def test_under_any_level_as_much_as_the_prism_method_fills(
    region: shapely.Polygon | shapely.MultiPolygon,
):
    """A level surface laid over the ground inside a region; areas by the overlay of triangles."""
    rng = np.random.default_rng(8)
    frame = [[0, 0], [10, 0], [10, 10], [0, 10]]
    xy = np.concatenate([rng.uniform(0, 10, (200, 2)), frame])
    ground = build_tin(np.column_stack([xy, rng.normal(size=len(xy))]), longest_border_m=np.inf)
    part = clipped(ground, region)
    assert part.areas.sum() == pytest.approx(region.area, rel=1e-12)
    assert part.areas.min() > 0
    levels = np.linspace(-2, 2, 7)
    slices = level_slices(ground, levels, region=region)
    for level, volume in zip(levels, slices.exact_m3, strict=True):
        corners = np.column_stack([frame, np.full(4, level)])
        cover = Tin(corners.astype(float), np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32))
        assert volume == pytest.approx(tin_volume(ground, cover, region=region).fill_m3, rel=1e-9)
    # dV/dz = A
    step = 1e-4
    near = level_slices(ground, np.array([0.3 - step, 0.3, 0.3 + step]), region=region)
    assert (near.exact_m3[2] - near.exact_m3[0]) / (2 * step) == pytest.approx(
        near.area_m2[1], rel=1e-5
    )


def test_rules_between_slices():
    """Closed form: a cone on its point, 0 to 3 high and 4 wide at the top."""
    levels, areas = np.array([0.0, 3.0]), np.pi * np.array([0.0, 2.0]) ** 2
    assert conical(levels, areas) == pytest.approx(np.pi * 4, rel=1e-12)
    assert prismoidal(levels, areas, np.array([np.pi])) == pytest.approx(np.pi * 4, rel=1e-12)
    assert average_end_area(levels, areas) == pytest.approx(np.pi * 6, rel=1e-12)
