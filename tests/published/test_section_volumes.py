"""Volumes by sections: closed forms, Pappus on curved baselines, the orders of both rules."""

from pathlib import Path

import numpy as np
import pytest
import shapely
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

from terrain.arrays import FloatArray
from terrain.earthwork.baselines import Arc, legs_along
from terrain.earthwork.refinement import tin_volume
from terrain.earthwork.sections import curved_volume
from terrain.earthwork.trapezoid import trapezoid_volume
from terrain.surface import Plane, Tin, build_tin

SOLIDS = [
    cone(6.3, 2.1),
    round_frustum(7.0, 3.1, 1.7),
    rectangular_frustum(6.0, 4.0, 1.5, 2.0),
    rectangular_frustum(6.0, 4.0, 1.5, 0.01),  # walls
    hemisphere(5.0),
    wedge(9.0, 5.0, 4.0, 2.0),
]
RADIUS, HALF, DEEP = 8.0, 2.0, 1.5  # a round trench of triangular section


def trench() -> Formula:
    """A ring-shaped trench about the origin."""
    return Formula(lambda x, y: -DEEP * np.maximum(0.0, 1 - np.abs(np.hypot(x, y) - RADIUS) / HALF))


def sector(start: float, sweep: float) -> shapely.Polygon:
    """The sector of a disc that holds the trench: its edges are exact, its far side is not met."""
    turns = np.linspace(start, start + sweep, 200)
    rim = 15.0 * np.column_stack([np.cos(turns), np.sin(turns)])
    return shapely.Polygon(np.concatenate([[[0.0, 0.0]], rim]))


@pytest.mark.parametrize("solid", SOLIDS, ids=lambda solid: f"{solid.name} {solid.volume:.1f}")
def test_stations_are_put_in_until_the_bound_is_within_the_tolerance(solid: Solid):
    """Closed forms of `published/solids.py`, baseline found."""
    off = {"east": 0.137, "north": -0.071, "level": 101.3}
    for share in (1e-2, 1e-3):
        volume = trapezoid_volume(
            level_ground(**off), solid.dug(**off), tolerance_m3=share * solid.volume
        )
        assert volume.bound_m3 <= share * solid.volume
        assert volume.cut_m3 == pytest.approx(solid.volume, abs=volume.bound_m3)
        assert volume.fill_m3 == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("spacing", [1.5, 0.8])
@pytest.mark.parametrize("solid", SOLIDS, ids=lambda solid: f"{solid.name} {solid.volume:.1f}")
def test_the_bound_of_given_stations_holds(solid: Solid, spacing: float):
    """Closed forms; baselines that pass anywhere and any way, seeded."""
    rng = np.random.default_rng(12)
    for turn in rng.uniform(0, np.pi, 3):
        way, middle = np.array([np.cos(turn), np.sin(turn)]), rng.uniform(-3, 3, 2)
        volume = trapezoid_volume(
            level_ground(), solid.dug(), tolerance_m3=0.01 * solid.volume, spacing=spacing,
            baseline=np.array([middle - 9 * way, middle + 9 * way]),
        )  # fmt: skip
        assert np.diff(volume.stations).max() <= spacing + 1e-9
        assert volume.cut_m3 == pytest.approx(solid.volume, abs=volume.bound_m3)
        assert volume.bound_m3 < 0.25 * spacing * solid.volume


def test_orders_of_both_rules_on_a_smooth_solid():
    """Closed form: a V-shaped trench e^(x/4) deep is ∫ w e^(x/4) dx; orders 2 and 4."""
    swelling = Formula(lambda x, y: -np.exp(x / 4) * np.maximum(0.0, 1 - np.abs(y) / 2))
    exact = 2 * 4 * (np.exp(1.5) - np.exp(-1.5))
    spacings = np.array([3.0, 1.5, 0.75])
    errors = []
    for spacing in spacings:
        volume = trapezoid_volume(
            level_ground(), swelling, region=shapely.box(-6, -4, 6, 4), spacing=spacing,
            baseline=np.array([[-6.0, 0.3], [6.0, 0.3]]), tolerance_m3=1e-7,
        )  # fmt: skip
        errors.append([volume.end_area_cut_m3 - exact, volume.cut_m3 - exact])
        assert abs(volume.cut_m3 - exact) <= volume.bound_m3
    end_area, prismoidal = np.polyfit(np.log(spacings), np.log(errors), 1)[0]
    assert end_area == pytest.approx(2, abs=0.05)
    assert prismoidal == pytest.approx(4, abs=0.1)


@pytest.mark.parametrize("sweep", [1.2, -1.1, 3.9, -4.5])
@pytest.mark.parametrize("baseline", [8.0, 6.5, 9.2])
def test_a_round_trench_is_its_section_times_the_way_of_its_centroid(sweep: float, baseline: float):
    """Pappus: V = A R_c θ, whatever circle the sections are counted along."""
    area, start = HALF * DEEP, 0.3
    exact = area * RADIUS * abs(sweep)
    arc = Arc((0.0, 0.0), baseline, start, sweep)
    volume = trapezoid_volume(
        level_ground(), trench(), region=sector(start, sweep), baseline=arc, tolerance_m3=1e-5
    )
    assert volume.cut_m3 == pytest.approx(exact, abs=volume.bound_m3)
    assert volume.bound_m3 <= 1e-5
    assert volume.end_area_cut_m3 == pytest.approx(area * arc.length, rel=1e-6)
    by_hand = curved_volume(arc.length, area, baseline - RADIUS, baseline)
    assert by_hand == pytest.approx(exact, rel=1e-12)
    assert volume.curve_cut_m3 == pytest.approx(exact - area * arc.length, abs=2e-5)


@pytest.mark.parametrize("corners", [3, 5, 12])
@pytest.mark.parametrize("sweep", [1.2, 3.9])
def test_wedges_at_the_bends_of_a_baseline_count_once(sweep: float, corners: int):
    """The same trench along straight legs, which neither overlap nor leave wedges out."""
    exact = HALF * DEEP * RADIUS * sweep
    turns = np.linspace(0.3, 0.3 + sweep, corners)
    legs = 7.6 * np.column_stack([np.cos(turns), np.sin(turns)])
    volume = trapezoid_volume(
        level_ground(), trench(), region=sector(0.3, sweep), baseline=legs, tolerance_m3=0.05
    )
    assert volume.cut_m3 == pytest.approx(exact, abs=volume.bound_m3)
    assert volume.bound_m3 <= 0.05
    assert volume.curve_cut_m3 == 0


@pytest.mark.parametrize("seed", range(6))
def test_every_place_belongs_to_one_leg(seed: int):
    """Any baseline, doubling back and crossing itself too, shares a region out without a rest."""
    rng = np.random.default_rng(seed)
    region = shapely.Point(0, 0).buffer(9, 8).difference(shapely.box(-1, -2, 2, 0.5))
    baseline = rng.uniform(-8, 8, (rng.integers(2, 9), 2))
    for line in (baseline, Arc((1.0, 2.0), 5.0, seed, rng.uniform(-6.2, 6.2))):
        pieces = [leg.piece for leg in legs_along(line, region)]
        assert sum(piece.area for piece in pieces) == pytest.approx(region.area, rel=1e-9)
        assert shapely.union_all(pieces).area == pytest.approx(region.area, rel=1e-9)


def test_a_region_clips_sections_and_gives_stations_at_its_ends():
    """Half of a cone, and a turned square of 5 m in a slab of 1 m: closed forms."""
    solid = cone(6.0, 2.0)
    half = trapezoid_volume(
        level_ground(), solid.dug(), region=shapely.box(-9, -9, 0, 9), tolerance_m3=0.01
    )
    assert half.cut_m3 == pytest.approx(solid.volume / 2, abs=half.bound_m3)
    assert half.bound_m3 <= 0.01
    before, after = (Plane(z, shapely.box(-11, -11, 11, 11)) for z in (10.0, 9.0))
    turned = shapely.Polygon([(0, 0), (3, 4), (-1, 7), (-4, 3)])
    slab = trapezoid_volume(before, after, region=turned, baseline=np.array([[0.0, 0], [0, 5]]))
    assert slab.cut_m3 == pytest.approx(25.0, rel=1e-8)
    assert {0.0, 3.0, 4.0, 7.0} <= set(np.round(slab.stations, 9))


def test_the_long_axis_of_what_changes_is_found():
    """A wedge 15 × 5 turned by 0.3 rad: its sections lie square to its length."""
    solid = wedge(15.0, 5.0, 10.0, 2.0, turn=0.3)
    volume = trapezoid_volume(level_ground(), solid.dug(), tolerance_m3=0.5)
    assert isinstance(volume.baseline, np.ndarray)
    along = volume.baseline[1] - volume.baseline[0]
    assert np.arctan2(along[1], along[0]) == pytest.approx(0.3, abs=0.03)
    assert np.hypot(*along) == pytest.approx(15.0, abs=1.0)


def test_profiles_bend_where_the_surfaces_do():
    """A ditch with a floor: level ground is met, left and the floor reached at known offsets."""
    ditch = Formula(lambda x, y: -np.clip(3 - np.abs(y), 0, 1.5))
    volume = trapezoid_volume(
        level_ground(), ditch, region=shapely.box(-5, -6, 5, 6), spacing=2.5,
        baseline=np.array([[-5.0, 0.0], [5.0, 0.0]]), tolerance_m3=1e-6,
    )  # fmt: skip
    assert volume.stations == pytest.approx([-0.0, 2.5, 5.0, 7.5, 10.0])
    for section in volume.sections:
        profile = section.profile
        assert section.cut_m2 == pytest.approx(3 * 1.5 + 1.5**2, abs=1e-6)
        expected = -np.clip(3 - np.abs(profile.offset), 0, 1.5)
        assert profile.after == pytest.approx(expected, abs=1e-6)
        for bend in (-3.0, -1.5, 1.5, 3.0):
            assert np.abs(profile.offset - bend).min() < 1e-4
        assert profile.offset[[0, -1]] == pytest.approx([-6.0, 6.0])


def hillside_and_plan() -> tuple[Tin, Tin]:
    """A real 1 m elevation model (its README names the package) and an irregular plan on it."""
    z = np.loadtxt(Path(__file__).parents[1] / "data" / "hillside_1m.txt")[::-1]
    x, y = np.meshgrid(np.arange(50.0), np.arange(50.0))
    ground = build_tin(np.column_stack([x.ravel(), y.ravel(), z.ravel()]))
    rng = np.random.default_rng(41)
    xy = np.concatenate([rng.uniform(0, 49, (300, 2)), [[0, 0], [49, 0], [49, 49], [0, 49]]])
    heights = ground.elevation(xy) * 0.6 + 0.4 * np.median(z) + np.sin(xy[:, 0] / 5) * 0.7
    return ground, build_tin(np.column_stack([xy, heights]), longest_border_m=np.inf)


@pytest.mark.parametrize(
    "baseline",
    [None, np.array([[10.0, 10], [10, 30], [40, 30], [42, 5]]), Arc((25.0, 5.0), 18.0, -1.0, 3.0)],
    ids=["found", "legs", "arc"],
)
def test_triangles_as_the_prism_method_measures_them(baseline: FloatArray | Arc | None):
    """Two methods on real terrain, one exact; a pond's region of it as well."""
    ground, plan = hillside_and_plan()
    for region in (None, shapely.Point(21, 30).buffer(11, 16)):
        exact = tin_volume(ground, plan, region=region)
        volume = trapezoid_volume(ground, plan, region=region, baseline=baseline, tolerance_m3=2.0)
        assert volume.cut_m3 == pytest.approx(exact.cut_m3, abs=volume.bound_m3)
        assert volume.fill_m3 == pytest.approx(exact.fill_m3, abs=volume.bound_m3)
        assert volume.bound_m3 <= 2.0
        assert exact.cut_m3 + exact.fill_m3 > 100


def test_sections_of_triangles_are_exact():
    """A pyramid's sections are triangles: area (1 − |s| / 4)² · 4 · 3, turned by any angle."""
    turn = np.array([[np.cos(0.4), -np.sin(0.4)], [np.sin(0.4), np.cos(0.4)]])
    rim = np.array([[-4, -4], [4, -4], [4, 4], [-4, 4]]) @ turn.T
    frame = np.array([[-30, -30, 0], [30, -30, 0], [30, 30, 0], [-30, 30, 0.0]])
    points = np.concatenate([np.column_stack([rim, np.zeros(4)]), [[0, 0, -3]], frame])
    dug = build_tin(points, breaklines=[np.array([0, 1, 2, 3, 0])], longest_border_m=np.inf)
    level = build_tin(frame, longest_border_m=np.inf)
    baseline = np.array([[-4.0, 0.0], [4.0, 0.0]]) @ turn.T
    volume = trapezoid_volume(
        level, dug, region=shapely.Polygon(rim), baseline=baseline, spacing=1.0
    )
    away = np.abs(volume.stations - 4)
    # at s from the middle the floor of the section is level over |offset| < |s|
    depth = 3 * (1 - away / 4)
    assert volume.cut_areas == pytest.approx(depth * (4 + away), rel=1e-7, abs=1e-7)
    assert volume.cut_m3 == pytest.approx(8 * 8 * 3 / 3, rel=1e-8)
    assert volume.fill_m3 == pytest.approx(0, abs=1e-9)


def test_a_region_where_nothing_is_known_has_no_volume():
    """Off both surfaces, and over ground that nobody changed."""
    solid = cone(3.0, 1.0)
    away = trapezoid_volume(level_ground(), solid.dug(), region=shapely.box(50, 50, 60, 60))
    assert (away.cut_m3, away.fill_m3, away.bound_m3) == (0.0, 0.0, 0.0)
    same = trapezoid_volume(level_ground(), level_ground())
    assert (same.cut_m3, same.fill_m3) == (0.0, 0.0)


def test_ground_unknown_inside_the_region_counts_nothing():
    """A slab of 1 m with a hole of 2 × 2 m in its plan: 60 m³ of 64."""
    hole = shapely.box(-3, -1, -1, 1)
    before = Plane(1.0, shapely.box(-9, -9, 9, 9))
    after = Plane(0.0, shapely.box(-9, -9, 9, 9).difference(hole))
    volume = trapezoid_volume(
        before, after, region=shapely.box(-4, -4, 4, 4), tolerance_m3=0.1,
        baseline=np.array([[-4.0, 0.3], [4.0, 0.5]]),
    )  # fmt: skip
    assert volume.cut_m3 == pytest.approx(60.0, abs=volume.bound_m3)
    assert volume.bound_m3 <= 0.1
    middle = min(volume.sections, key=lambda section: abs(section.place[0] + 2))
    assert np.isnan(middle.profile.after).any()


def test_a_railroad_cut_by_both_rules_and_its_correction():
    """Vose, Handbook of Railroad Construction (1857), §108: cuts 0, 5, 10, 15, 0 ft at 50 ft.

    Base 20 ft, 1.5:1. End areas 56,250 ft³ (printed 56,200 from rounded means); the prismoidal
    52,500 and the correction Σ 50 · 1.5 (Δh)² / 6 = 3,750 ft³ are closed form.
    """
    heights = np.array([0.0, 5.0, 10.0, 15.0, 0.0])

    def cut(x: FloatArray, y: FloatArray) -> FloatArray:
        deep = np.interp(x, 50.0 * np.arange(5), heights)
        return -np.maximum(0.0, deep - np.maximum(0.0, np.abs(y) - 10) / 1.5)

    box = (0.0, -40.0, 200.0, 40.0)
    ground = Formula(lambda x, _: np.zeros_like(x), box)
    volume = trapezoid_volume(
        ground, Formula(cut, box), baseline=np.array([[0.0, 0.0], [200.0, 0.0]]), spacing=50.0,
        tolerance_m3=1.0,
    )  # fmt: skip
    assert volume.stations == pytest.approx([0, 50, 100, 150, 200])
    assert volume.cut_areas == pytest.approx([0, 137.5, 350, 637.5, 0], abs=1e-3)
    assert volume.end_area_cut_m3 == pytest.approx(56_250, rel=1e-5)
    assert volume.cut_m3 == pytest.approx(52_500, rel=1e-5)
    each = [stretch.correction_cut_m3 for stretch in volume.stretches]
    assert each == pytest.approx(50 * 1.5 * np.diff(heights) ** 2 / 6, rel=1e-3)
    assert volume.correction_cut_m3 == pytest.approx(3750, rel=1e-4)


def test_a_mound():
    """A published problem: 12 ft high, 5:1 all round: 45,239 ft³, 1,675 yd³."""
    box = (-70.0, -70.0, 70.0, 70.0)
    mound = Formula(lambda x, y: np.maximum(0.0, 12 - np.hypot(x, y) / 5), box)
    ground = Formula(lambda x, _: np.zeros_like(x), box)
    volume = trapezoid_volume(ground, mound, tolerance_m3=20.0)
    assert volume.fill_m3 == pytest.approx(45_239, abs=volume.bound_m3)
    assert volume.fill_m3 / 27 == pytest.approx(1675.5, abs=1)
    assert volume.cut_m3 == 0


def test_an_excavated_pond_by_sections_along_it():
    """USDA-NRCS Agriculture Handbook 590 (from memory): 107,904 ft³; AH-590 prints 3,996 yd³.

    Floor 40 × 100 ft, 12 ft deep, three sides 2:1 and a ramp end 4:1, turned by 31 degrees.
    """
    turn = np.radians(31)

    def pond(x: FloatArray, y: FloatArray) -> FloatArray:
        u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        out = np.stack([(np.abs(v) - 20) / 2, (u - 50) / 2, (-50 - u) / 4, np.zeros_like(u)])
        return -np.maximum(0.0, 12 - out.max(axis=0))

    box = (-110.0, -110.0, 110.0, 110.0)
    ground = Formula(lambda x, _: np.zeros_like(x), box)
    volume = trapezoid_volume(ground, Formula(pond, box), tolerance_m3=50.0)
    assert volume.bound_m3 <= 50
    assert volume.cut_m3 == pytest.approx(107_904, abs=volume.bound_m3)
    assert round(volume.cut_m3 / 27) in range(3995, 3999)


def test_where_cut_turns_to_fill_a_section_is_split_exactly():
    """Closed form: triangles tilted by g about the middle of a square 2 a: cut = fill = g a³."""
    frame = np.array([[-7, -7], [7, -7], [7, 7], [-7, 7.0]])
    tilted = build_tin(np.column_stack([frame, 0.25 * frame[:, 0]]), longest_border_m=np.inf)
    level = build_tin(np.column_stack([frame, np.zeros(4)]), longest_border_m=np.inf)
    box = shapely.box(-6, -6, 6, 6)
    along = np.array([[0.3, -6.0], [0.3, 6.0]])
    volume = trapezoid_volume(level, tilted, region=box, baseline=along, spacing=3.0)
    assert volume.cut_m3 == pytest.approx(0.25 * 6**3, rel=1e-8)
    assert volume.fill_m3 == pytest.approx(0.25 * 6**3, rel=1e-8)
    for section in volume.sections:
        assert np.abs(section.profile.offset - 0.3).min() < 1e-9  # x = 0, to the left


def test_a_profile_is_broken_between_parts_of_a_region():
    """Two strips, 2 m apart: the heights between them are not those of the section."""
    strips = shapely.MultiPolygon([shapely.box(-5, -4, 5, -1), shapely.box(-5, 1, 5, 4)])
    before, after = (Plane(z, shapely.box(-9, -9, 9, 9)) for z in (1.0, 0.0))
    along = np.array([[-5.0, 0.0], [5.0, 0.0]])
    volume = trapezoid_volume(before, after, region=strips, baseline=along)
    assert volume.cut_m3 == pytest.approx(60.0, rel=1e-8)
    for section in volume.sections:
        profile = section.profile
        gap = np.flatnonzero(np.isnan(profile.after))
        assert len(gap) == 1
        assert profile.offset[gap - 1] == pytest.approx(-1.0)
        assert profile.offset[gap + 1] == pytest.approx(1.0)


def test_the_profiles_drawn_have_the_areas_stated():
    """By the trapezoidal rule on what is drawn, cut and fill apart, holes left out."""
    ground, plan = hillside_and_plan()
    slope = Formula(lambda x, y: 200 + np.sin(x / 3) + 0.1 * y, (0.0, 0.0, 49.0, 49.0))
    region = shapely.Point(21, 30).buffer(11, 16).difference(shapely.box(18, 20, 22, 33))
    for before, after in ((ground, plan), (ground, slope)):
        volume = trapezoid_volume(before, after, region=region, tolerance_m3=2.0, spacing=1.0)
        for section in volume.sections:
            profile = section.profile
            depth = profile.before - profile.after
            for sign, area in ((1, section.cut_m2), (-1, section.fill_m2)):
                drawn = np.nansum(
                    np.diff(profile.offset) * (np.maximum(sign * depth, 0)[1:] +
                                               np.maximum(sign * depth, 0)[:-1]) / 2
                )  # fmt: skip
                assert drawn == pytest.approx(area, rel=1e-6, abs=1e-5)
