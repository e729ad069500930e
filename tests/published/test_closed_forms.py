"""Three volume methods on solids in closed form: within their bounds, at the promised order.

A grid of bilinear cells, of triangular prisms, or of straight sections is exact on planes, so its
error falls with the square of the cell wherever depths are continuous. At a vertical wall the
depth of a hemisphere starts like the square root of the distance from the rim; there only the
power 1.5 of the cell is promised.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st
from solids import (
    Formula,
    Solid,
    cone,
    hemisphere,
    level_ground,
    rectangular_frustum,
    round_frustum,
    wedge,
)

from terrain.earthwork.grid import grid_volume
from terrain.earthwork.prism import prism_volume
from terrain.earthwork.trapezoid import trapezoid_volume
from terrain.surface import Lattice, Surface, build_tin

SOLIDS = [
    cone(9.0, 4.0),
    round_frustum(9.0, 3.5, 3.0),
    rectangular_frustum(7.0, 4.0, 2.5, 1.5),
    wedge(15.0, 11.0, 6.0, 3.0),
    hemisphere(8.0),
]
PROMISED_ORDER = {solid.name: 1.5 if solid.name == "hemisphere" else 2.0 for solid in SOLIDS}
CELLS = (1.0, 0.5, 0.25)
REACH = 12.0  # every solid lies inside it


@dataclass(frozen=True)
class Result:
    cut: float
    fill: float
    bound: float


Method = Callable[[Surface, Surface, float, tuple[float, float]], Result]


def lattice_at(cell: float, shift: tuple[float, float]) -> Lattice:
    """Nodes over the solid, their origin moved by a share of a cell."""
    count = int(np.ceil(2 * REACH / cell)) + 2
    west, south = (-REACH - share * cell for share in shift)
    return Lattice(west, south, cell, count, count)


def by_grid(before: Surface, after: Surface, cell: float, shift: tuple[float, float]) -> Result:
    answer = grid_volume(before, after, lattice_at(cell, shift))
    return Result(answer.cut_m3, answer.fill_m3, answer.bound_m3)


def by_prisms(before: Surface, after: Surface, cell: float, shift: tuple[float, float]) -> Result:
    answer = prism_volume(before, after, lattice_at(cell, shift))
    return Result(answer.cut_m3, answer.fill_m3, answer.bound_m3)


def by_sections(before: Surface, after: Surface, cell: float, shift: tuple[float, float]) -> Result:
    start, side = -REACH - shift[0] * cell, shift[1] * cell
    baseline = np.array([[start, side], [start + 2 * REACH + cell, side]])
    west, south, east, north = start, side - REACH - cell, baseline[1, 0], side + REACH + cell
    answer = trapezoid_volume(
        before, after, region=shapely.box(west, south, east, north), baseline=baseline,
        spacing=cell, step=cell, tolerance_m3=2 * cell**2,
    )  # fmt: skip
    return Result(answer.cut_m3, answer.fill_m3, answer.bound_m3)


METHODS: dict[str, Method] = {"grid": by_grid, "prism": by_prisms, "trapezoid": by_sections}
every_method = pytest.mark.parametrize("method", METHODS.values(), ids=METHODS)
every_solid = pytest.mark.parametrize("solid", SOLIDS, ids=lambda solid: solid.name)


def shifts(count: int = 12) -> list[tuple[float, float]]:
    """Where the lattice starts within a cell: seeded, so that no kink lies on a node by luck."""
    return [tuple(pair) for pair in np.random.default_rng(20).uniform(0, 1, (count, 2))]


@every_method
@every_solid
def test_error_is_within_the_methods_own_bound(method: Method, solid: Solid):
    """Closed forms: see each solid."""
    for cell in CELLS:
        for shift in shifts(4):
            result = method(level_ground(), solid.dug(), cell, shift)
            assert abs(result.cut - solid.volume) <= result.bound
            assert result.bound < 0.25 * solid.volume * cell  # a bound that says something
            assert result.fill == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("method", [by_grid, by_sections], ids=["grid", "trapezoid"])
@every_solid
def test_error_falls_at_the_promised_order(method: Method, solid: Solid):
    """Closed forms. Root mean square over lattices that start anywhere in a cell."""
    errors = [
        np.sqrt(
            np.mean(
                [
                    (method(level_ground(), solid.dug(), cell, shift).cut - solid.volume) ** 2
                    for shift in shifts()
                ]
            )
        )
        for cell in CELLS
    ]
    order = np.polyfit(np.log(CELLS), np.log(errors), 1)[0]
    assert order > PROMISED_ORDER[solid.name] - 0.15
    assert errors[-1] < 0.002 * solid.volume


def test_error_on_a_paraboloid_is_quadratic():
    """Closed form: on c (x² + y²) four corners overstate each cell by c h⁴ / 3."""
    bowl = Formula(lambda x, y: -0.05 * (x**2 + y**2))
    exact = 0.05 * 2 * (12.0**3 - (-12.0) ** 3) / 3 * 24.0
    shares = {}
    for cell in (2.0, 1.0):
        count = int(24 / cell) + 1
        answer = grid_volume(level_ground(), bowl, Lattice(-12.0, -12.0, cell, count, count))
        shares[cell] = answer.cut_m3 - exact
        assert abs(shares[cell]) <= answer.bound_m3
        assert shares[cell] == pytest.approx(24.0**2 * 0.05 * cell**2 / 3, rel=1e-9)
    assert abs(shares[1.0]) <= abs(shares[2.0]) / 3.9


@pytest.mark.parametrize("spacing", [2.0, 1.0])
def test_end_areas_overstate_a_paraboloid_by_the_correction(spacing: float):
    """Closed form: on c (x² + y²), w wide, each stretch h is overstated by c w h³ / 6."""
    bowl = Formula(lambda x, y: -0.05 * (x**2 + y**2))
    exact = 0.05 * 2 * (12.0**3 - (-12.0) ** 3) / 3 * 24.0
    answer = trapezoid_volume(
        level_ground(), bowl, region=shapely.box(-12, -12, 12, 12), spacing=spacing,
        baseline=np.array([[-12.0, 0.0], [12.0, 0.0]]), tolerance_m3=0.5,
    )  # fmt: skip
    assert len(answer.stretches) == 24 / spacing
    overstated = 0.05 * 24.0 * spacing**3 / 6
    for stretch in answer.stretches:
        assert stretch.correction_cut_m3 == pytest.approx(overstated, rel=1e-3)
    assert answer.cut_m3 == pytest.approx(exact, abs=answer.bound_m3)
    assert answer.bound_m3 < 0.1
    assert answer.end_area_cut_m3 - answer.correction_cut_m3 == pytest.approx(answer.cut_m3)


@every_method
def test_a_plane_is_exact(method: Method):
    """Closed form: between parallel planes the volume is the area times the distance apart."""
    before = Formula(lambda x, y: 0.1 * x - 0.2 * y)
    after = Formula(lambda x, y: 0.1 * x - 0.2 * y - 1.5)
    result = method(before, after, 1.0, (0.0, 0.0))
    area = 25.0 * 25.0 if method is not by_sections else 25.0 * 26.0
    assert result.cut == pytest.approx(1.5 * area, rel=1e-9)
    assert result.fill == 0.0


@every_method
def test_a_tilt_has_as_much_cut_as_fill(method: Method):
    """Closed form: ground tilted by g about the middle of a square 2 a: cut = fill = g a³."""
    tilted = Formula(lambda x, _: 0.25 * x)
    grade, half = 0.25, 12.0
    if method is by_sections:
        baseline = np.array([[0.0, -half], [0.0, half]])
        answer = trapezoid_volume(
            level_ground(), tilted, region=shapely.box(-half, -half, half, half),
            baseline=baseline, spacing=1.0, tolerance_m3=1e-3,
        )  # fmt: skip
    else:
        volume = grid_volume if method is by_grid else prism_volume
        # 25 cells of 0.96 m: the line of no change runs through the middle of a column
        answer = volume(level_ground(), tilted, Lattice(-half, -half, 0.96, 26, 26))
    exact = grade * half**3
    assert abs(answer.cut_m3 - exact) <= max(answer.bound_m3, 1e-9)
    assert abs(answer.fill_m3 - exact) <= max(answer.bound_m3, 1e-9)
    assert answer.fill_m3 - answer.cut_m3 == pytest.approx(0.0, abs=1e-9)
    if method is by_prisms:
        assert answer.cut_m3 == pytest.approx(exact, rel=1e-12)


def rolling(seed: int) -> Formula:
    """Smooth invented ground: four waves."""
    rng = np.random.default_rng(seed)
    waves = rng.uniform(0.1, 0.5, (4, 2)) * rng.choice([-1, 1], (4, 2))
    heights, phases = rng.uniform(0.2, 1.0, 4), rng.uniform(0, 6, 4)

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        angle = waves @ np.stack([x, y]) + phases[:, None]
        return (heights[:, None] * np.sin(angle)).sum(axis=0)

    return Formula(height)


def moved(surface: Formula, east: float, north: float, up: float) -> Formula:
    west, south, right, top = surface.bounds
    return Formula(
        lambda x, y: surface.height(x - east, y - north) + up,
        (west + east, south + north, right + east, top + north),
    )


@every_method
@settings(deadline=None, max_examples=10)
@given(seeds=st.tuples(st.integers(0, 99), st.integers(100, 199)))
def test_cut_and_fill_change_places_with_the_surfaces(method: Method, seeds: tuple[int, int]):
    """Exact identity."""
    before, after = rolling(seeds[0]), rolling(seeds[1])
    forth, back = (method(*pair, 1.0, (0.3, 0.6)) for pair in ((before, after), (after, before)))
    assert forth.cut > 0
    assert forth.fill > 0
    assert (back.fill, back.cut) == pytest.approx((forth.cut, forth.fill), rel=1e-12)


@every_method
@settings(deadline=None, max_examples=10)
@given(seeds=st.tuples(st.integers(0, 99), st.integers(100, 199), st.integers(200, 299)))
def test_net_volumes_add_up_over_stages(method: Method, seeds: tuple[int, int, int]):
    """Identity: from first to last is from first to second and on. Prisms may refine apart."""
    first, second, last = (rolling(seed) for seed in seeds)
    net, bound = {}, 0.0
    for name, pair in {
        "all": (first, last),
        "early": (first, second),
        "late": (second, last),
    }.items():
        result = method(*pair, 1.0, (0.3, 0.6))
        net[name] = result.cut - result.fill
        bound += result.bound
    apart = abs(net["all"] - net["early"] - net["late"])
    assert apart <= (1e-9 if method is by_grid else bound)


@pytest.mark.parametrize("volume", [grid_volume, prism_volume])
@settings(deadline=None, max_examples=10)
@given(x=st.floats(-9, 9), seed=st.integers(0, 99))
def test_volumes_add_up_over_parts_of_a_region(volume: Callable, x: float, seed: int):
    """Identity: a field cut in two by a fence anywhere has the sum of its parts."""
    lattice = lattice_at(1.0, (0.3, 0.6))
    before, after = rolling(seed), rolling(seed + 100)
    whole = volume(before, after, lattice, region=shapely.box(-10, -8, 10, 9))
    parts = [
        volume(before, after, lattice, region=part)
        for part in (shapely.box(-10, -8, x, 9), shapely.box(x, -8, 10, 9))
    ]
    bound = whole.bound_m3 + sum(part.bound_m3 for part in parts)
    assert abs(whole.cut_m3 - sum(part.cut_m3 for part in parts)) <= bound
    assert abs(whole.fill_m3 - sum(part.fill_m3 for part in parts)) <= bound
    assert bound < 0.25 * (whole.cut_m3 + whole.fill_m3)


@every_method
@settings(deadline=None, max_examples=10)
@given(
    east=st.floats(-1e4, 1e4),
    north=st.floats(-1e4, 1e4),
    up=st.floats(-3e3, 3e3),
    seed=st.integers(0, 99),
)
def test_volume_does_not_depend_on_where_the_site_lies(
    method: Method, east: float, north: float, up: float, seed: int
):
    """Exact identity, to rounding in coordinates of up to 10 km.

    Rounding may turn which of two like stretches of a section is halved: what sections are allowed
    to be off, a tenth of their tolerance, is between the two.
    """
    here = method(rolling(seed), rolling(seed + 100), 1.0, (0.3, 0.6))
    surfaces = [moved(rolling(s), east, north, up) for s in (seed, seed + 100)]
    if method is by_sections:
        baseline = np.array([[-REACH - 0.3, 0.6], [REACH + 0.7, 0.6]])
        baseline += np.array([east, north])
        box = shapely.box(-REACH - 0.3, -REACH - 0.4, REACH + 0.7, REACH + 1.6)
        there = trapezoid_volume(
            *surfaces, region=shapely.affinity.translate(box, east, north), baseline=baseline,
            spacing=1.0, step=1.0, tolerance_m3=2.0,
        )  # fmt: skip
    else:
        near = lattice_at(1.0, (0.3, 0.6))
        lattice = Lattice(near.x0 + east, near.y0 + north, near.cell, near.nx, near.ny)
        there = (grid_volume if method is by_grid else prism_volume)(*surfaces, lattice)
    apart = 0.2 if method is by_sections else 0.0
    assert there.cut_m3 == pytest.approx(here.cut, rel=1e-8, abs=apart)
    assert there.fill_m3 == pytest.approx(here.fill, rel=1e-8, abs=apart)


@pytest.mark.parametrize(
    ("volume", "order"), [(grid_volume, 1.0), (prism_volume, 1.0)], ids=["grid", "prism"]
)
def test_a_round_region_cuts_its_share_of_the_border_cells(volume: Callable, order: float):
    """Closed form: a level cut of 2 m inside a circle is 2 π R²."""
    sunk, radius = level_ground(level=-2.0), 7.3
    circle = shapely.Point(0, 0).buffer(radius, quad_segs=256)
    errors = []
    for cell in CELLS:
        answers = [
            volume(level_ground(), sunk, lattice_at(cell, shift), region=circle)
            for shift in shifts(6)
        ]
        apart = [abs(answer.cut_m3 - 2 * circle.area) for answer in answers]
        for error, answer in zip(apart, answers, strict=True):
            assert error <= max(answer.bound_m3, 1e-9)
        errors.append(max(np.sqrt(np.mean(np.square(apart))), 1e-12))
    exact = max(errors) < 1e-9
    assert exact or np.polyfit(np.log(CELLS), np.log(errors), 1)[0] > order - 0.15


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10_000), away=st.sampled_from([0.0, 517_203.17]))
def test_a_straight_fence_at_the_edge_of_a_survey_keeps_a_plane_plane(seed: int, away: float):
    """Closed form: heights of a plane, shot to the centimetre along a line that fits no axis.

    Rounding bends the line by 1e-16, which must not leave triangles without a width.
    """
    rng = np.random.default_rng(seed)
    run, rise = rng.integers(1, 6, 2)
    steps = np.sort(rng.choice(60, rng.integers(3, 12), replace=False))
    fence = 0.1 * np.outer(steps, [run, rise])
    inland = np.array([-rise, run]) / np.hypot(run, rise)
    field = fence.mean(axis=0) + rng.uniform(0.5, 30, (12, 1)) * inland + rng.normal(0, 1, (12, 2))
    field = field[(field - fence[0]) @ inland > 0.1]
    xy = np.round(np.concatenate([fence, field]), 2)
    z = 3.0 + 0.2 * xy[:, 0] - 0.1 * xy[:, 1]
    tin = build_tin(np.column_stack([xy + away, z]), longest_border_m=np.inf)
    low, high = (xy + away).min(axis=0), (xy + away).max(axis=0)
    lattice = Lattice.covering((*low, *high), cell=0.1)
    exact = 3.0 + 0.2 * (lattice.nodes[:, 0] - away) - 0.1 * (lattice.nodes[:, 1] - away)
    for heights in (tin.on_lattice(lattice).z.ravel(), tin.elevation(lattice.nodes)):
        known = np.isfinite(heights)
        assert known.any()
        np.testing.assert_allclose(heights[known], exact[known], atol=1e-6)
