"""Water net of stone and rock, what a pump keeps in transit, and where rain gathers."""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from terrain.design import compose, compose_at
from terrain.design.plan import check_plan
from terrain.design.weir import spill_depth
from terrain.earthwork.displacement import Seated, ellipsoid_share
from terrain.earthwork.quadrature import quadrature, steep_cells
from terrain.earthwork.water import (
    depth_levels,
    held_above,
    net_storage,
    rock_under,
    stream_water,
)
from terrain.errors import PlanError
from terrain.site import Site
from terrain.standing import Water, Wetted, measure_water
from terrain.surface import Grid, Lattice
from terrain.surface.hollows import flood, lows
from terrain.units import FOOT_M, METRE
from tests.design.made import FLAT, PLAN, circle, elements
from tests.design.measure import asked

SAMPLE = Path(__file__).parents[2] / "sample_surveys" / "sallowrigg"
GALLON_M3 = 231 * 0.0254**3


@dataclass(frozen=True)
class Surroundings:
    """Surfaces around rocks."""

    subgrade: np.ndarray
    bed: np.ndarray
    stone: np.ndarray
    finish: np.ndarray
    water: np.ndarray


def water_of(*tables: dict, half: float = 6.0, cell: float = 0.1, **plan) -> Water:
    built = elements(*tables, **plan)
    lattice = Lattice.covering((-half, -half, half, half), cell=cell)
    ground = Grid(lattice, FLAT.elevation(lattice.nodes).reshape(lattice.shape))
    at = compose(lattice, built, ground)
    steep = steep_cells((at.bed, at.stone, at.finish), cell)
    places = quadrature(lattice, np.isfinite(at.existing), steep)
    xy = np.concatenate([lattice.nodes[places.nodes], places.xy])
    model = check_plan(PLAN | plan | {"element": list(tables)}, Path("site.toml"))
    return measure_water(
        Wetted(
            plan=model, unit=METRE, elements=built, stone_groups=(), composition=at,
            flooded=flood(at.grid("finish")), asked=compose_at(xy, built, FLAT), quadrature=places,
        )
    )  # fmt: skip


def pond(**keys) -> dict:
    return {
        "type": "basin", "name": "pond", "outline": circle(3), "water": "pond", "floor": 1.5,
        "batter": "1:1", "freeboard": 0.2,
    } | keys  # fmt: skip


def test_a_cone_frustum_by_its_level():
    """π h/3 (R² + R r + r²), at a 5 cm cell within 0.2 %."""
    built = elements(pond(), water={"pond": 0.0})
    at, weight = asked(built, FLAT, (-4, -4, 4, 4), 0.05)
    inside = at.finish_owner == 0
    levels = np.array([-1.5, -1.0, -0.5, 0.0])
    curve = net_storage(at.finish[inside], weight[inside], levels)
    radius = levels + 3.0
    volume = math.pi * (levels + 1.5) / 3 * (radius**2 + radius * 1.5 + 1.5**2)
    assert curve.volume_m3 == pytest.approx(volume, rel=2e-3, abs=1e-12)
    assert curve.area_m2[1:-1] == pytest.approx(math.pi * radius[1:-1] ** 2, rel=1e-2)


def test_the_body_of_a_site_has_the_same_curve():
    water = water_of(pond(), water={"pond": 0.0}, cell=0.05, half=4.0)
    (body,) = water.bodies
    radius = body.curve.level_m + 3.0
    volume = math.pi * (radius - 1.5) / 3 * (radius**2 + radius * 1.5 + 1.5**2)
    assert body.curve.volume_m3 == pytest.approx(volume, rel=2e-3, abs=1e-12)
    assert (body.name, body.level_m) == ("pond", 0.0)
    assert body.spill_level_m == pytest.approx(0.2)
    assert body.curve.level_m[0] == pytest.approx(-1.5)
    assert np.diff(body.curve.level_m) == pytest.approx(0.1)


def test_a_pit_of_lifts_holds_its_voids():
    """4 m × 3 m: by level Σ voids × thickness × 12 m², and free water above the stone."""
    pit = {
        "type": "filter_pit", "name": "pit", "water": "pond", "depth": 1.0,
        "outline": {"points": [[0, 0], [4, 0], [4, 3], [0, 3]]},
        "lifts": [{"name": "blocks", "thickness": 0.5, "voids": 0.9},
                  {"name": "cobbles", "thickness": 0.3, "voids": 0.4}],
    }  # fmt: skip
    (body,) = water_of(pit, water={"pond": -0.2}).bodies
    expected = 12 * np.array([0, 0.5 * 0.9, 0.5 * 0.9 + 0.3 * 0.4, 0.57 + 0.2])
    found = np.interp([-1.2, -0.7, -0.4, -0.2], body.curve.level_m, body.curve.volume_m3)
    assert found == pytest.approx(expected, rel=5e-3, abs=1e-9)
    assert body.curve.area_m2[1:] == pytest.approx(12, rel=5e-3)


def test_a_ball_on_the_floor_takes_its_cap():
    """A spherical cap: π h² (3 r − h) / 3; a ball on dry ground takes nothing."""
    levels = np.array([0.0, 0.2, 0.5, 1.0, 1.2])
    balls = Seated(np.zeros(2), 1.0, math.pi / 6, ellipsoid_share)
    floor = np.zeros(2)
    around = Surroundings(floor, floor, floor, floor, np.array([1.2, np.nan]))
    rock = rock_under(balls, around, levels)
    h = np.minimum(levels, 1.0)
    assert rock == pytest.approx(math.pi * h**2 * (1.5 - h) / 3)
    curve = net_storage(np.zeros(4), np.full(4, 2.5), levels, rock=rock)
    assert curve.volume_m3 == pytest.approx(10 * levels - rock)


def test_the_curves_of_the_sample_end_at_its_accounts():
    """What each body holds when full is what its elements hold, counted another way."""
    site = Site.open(SAMPLE)
    names = [element.name for element in site.elements]
    for body in site.water.bodies:
        counted = sum(site.volumes.accounts[names.index(name)].water_m3 for name in body.elements)
        assert body.curve.volume_m3[-1] == pytest.approx(counted, rel=1e-9)
    assert len(site.water.bodies) == 3


@pytest.mark.parametrize(("lowest", "count"), [(-1.5, 16), (-1.44, 16), (-0.05, 2), (-40.0, 26)])
def test_levels_are_whole_steps_under_the_water(lowest: float, count: int):
    levels = depth_levels(lowest, 0.0, 0.1)
    assert (levels[0], levels[-1], len(levels)) == (lowest, 0.0, count)
    steps = np.diff(levels[1:])
    assert np.all(np.diff(levels) > 0)
    assert steps == pytest.approx(steps[0] if len(steps) else 0)


def test_elements_that_touch_are_one_body_named_by_their_level():
    ledge = {
        "type": "shelf", "name": "ledge", "water": "level A", "depth": 0.3,
        "outline": {"points": [[2, -1], [4, -1], [4, 1], [2, 1]]},
    }  # fmt: skip
    apart = pond(name="far", outline={"circle": {"centre": [-5, 5], "radius": 0.8}}, floor=0.4)
    water = water_of(
        pond(water="level A"), ledge, apart | {"water": "level A"}, water={"level A": 0.0}
    )
    assert [(body.name, body.elements) for body in water.bodies] == [
        ("level A", ("pond", "ledge")),
        ("far", ("far",)),
    ]


def test_a_channel_of_even_width():
    """30 ft × 4 ft × 3 in hold 30 ft³: 224.4 US gallons of 231 cubic inches."""
    water = stream_water(30 * FOOT_M, 4 * FOOT_M, 0.25 * FOOT_M)
    assert water == pytest.approx(30 * FOOT_M**3)
    assert water / GALLON_M3 == pytest.approx(224.4, abs=0.05)


def test_what_stays_in_a_pool_does_not_run_back():
    """Of 0.3 m over a bed, 0.1 m stays behind a sill; a dry place counts for nothing."""
    water, finish = np.array([1.0, 1.0, np.nan]), np.array([0.7, 0.7, 2.0])
    rest = np.array([-np.inf, 0.8, -np.inf])
    assert held_above(water, finish, rest, np.full(3, 2.0)) == pytest.approx(2 * 0.3 + 2 * 0.2)


def stream(**keys) -> dict:
    """The channel above, 9 m of it outside the pond that it runs into."""
    return {
        "type": "stream", "name": "beck", "path": [[-5, -4.9], [-5, 0], [-2.9, 0]],
        "levels": [-0.1, -0.2, -0.3], "width": 0.8, "depth": 0.08, "side": "vertical",
    } | keys  # fmt: skip


PUMP = {"flow": "10 l/s", "from": "pond"}


def test_a_stream_of_thirty_feet_runs_dry():
    """30 ft × 4 ft × 3 in above a pond: the 224.4 gallons of the hobby's formula."""
    long = stream(
        path=[[-1 - 30 * FOOT_M, 0], [-1, 0]], levels=[-0.05, -0.2], width=4 * FOOT_M,
        depth=0.25 * FOOT_M,
    )  # fmt: skip
    small = pond(outline=circle(1.0), batter="vertical", cut_batter="vertical")
    water = water_of(small, long, water={"pond": -0.3}, pump=PUMP, half=11.0)
    assert water.drawdown is not None
    assert water.drawdown.running["beck"] / GALLON_M3 == pytest.approx(224.4, rel=0.03)


def test_the_pond_takes_a_stream_in_its_freeboard():
    """What stands lower than the pond stays; the room is the cylinder and the channel above it.

    Water of the channel, 0.8 m wide: 1.7 m at 0.08 m, then a wedge of 0.8 m. Room above the
    pond's level in it, by the trapezoids of its bed: (0.23 × 1.5 + 0.29 × 0.2 + 0.3 × 0.8) × 0.8.
    """
    water = water_of(
        pond(floor=1.0, batter="vertical", cut_batter="vertical"),
        stream(path=[[-5.5, 0], [-4, 0], [-3, 0]]),
        water={"pond": -0.3}, pump=PUMP, cell=0.05,
    )  # fmt: skip
    drawdown = water.drawdown
    assert drawdown is not None
    transit = 0.8 * 0.08 * (1.7 + 0.8 / 2)
    assert drawdown.running == {"beck": pytest.approx(transit, rel=0.03)}
    assert drawdown.spill_level_m == pytest.approx(0.0, abs=1e-9)
    channel = 0.8 * (0.23 * 1.5 + 0.29 * 0.2 + 0.3 * 0.8)
    assert drawdown.room_m3 == pytest.approx(math.pi * 9 * 0.3 + channel, rel=0.02)
    assert drawdown.taken
    assert drawdown.rest_level_m == pytest.approx(-0.3 + transit / (math.pi * 9), abs=5e-4)


def test_a_pool_in_a_stream_stays():
    """The bed falls to 0.43 m and rises to a sill at 0.28 m; what stands below the sill stays."""
    table = stream(
        path=[[-5.5, 0], [-4, 0], [-3, 0]], levels=[-0.1, -0.15, -0.2], depth=[0.08, 0.28, 0.08]
    )
    water = water_of(
        pond(floor=1.0, batter="vertical", cut_batter="vertical"), table,
        water={"pond": -0.3}, pump=PUMP, cell=0.05,
    )  # fmt: skip
    assert water.drawdown is not None
    above_sill = 0.12 * 0.6 + 0.145 * 0.9 + 0.105 * 1.0
    assert water.drawdown.running["beck"] == pytest.approx(0.8 * above_sill, rel=0.06)


def test_a_pool_drains_to_the_bed_of_the_stream_that_leaves_it():
    """1 m of radius falls 0.08 m, to the bed of the stream at its edge."""
    top = pond(
        name="top", water="top", outline={"circle": {"centre": [-5, 4], "radius": 1.0}},
        floor=0.5, batter="vertical",
    )  # fmt: skip
    beck = stream(path=[[-5, 3], [-5, 0], [-3, 0]], levels=[-0.1, -0.15, -0.2])
    water = water_of(pond(), top, beck, water={"pond": -0.3, "top": -0.1}, pump=PUMP)
    assert water.drawdown is not None
    assert water.drawdown.running["top"] == pytest.approx(0.08 * math.pi, rel=0.05)


def test_the_pumping_level_makes_room():
    """A vault 2 m² in plan run 0.5 m below its water takes a cubic metre more."""
    vault = {
        "type": "vault", "name": "sump", "water": "pond", "depth": 1.2, "surround": 0.2,
        "outline": {"points": [[0, 0], [2, 0], [2, 1], [0, 1]]},
    }  # fmt: skip
    keys = {"water": {"pond": -0.3}}
    full = water_of(vault, pump=PUMP | {"from": "sump"}, **keys).drawdown
    low = water_of(vault, pump=PUMP | {"from": "sump", "running_level": -0.8}, **keys).drawdown
    assert full is not None
    assert low is not None
    assert low.room_m3 - full.room_m3 == pytest.approx(1.0, rel=0.02)
    assert full.transit_m3 == 0
    assert full.rest_level_m == pytest.approx(-0.3)


def test_flow_heaps_up_water_behind_a_lip():
    """The weir's head over 1 m of lip, over the pond behind it."""
    upper = pond(
        name="top", water="top", outline={"circle": {"centre": [0, 4.5], "radius": 1.0}},
        floor=0.5, batter="vertical",
    )  # fmt: skip
    fall = {
        "type": "fall", "name": "fall", "lip": [[-0.5, 3.2], [0.5, 3.2]], "from": "top",
        "to": "pond", "landing": {"reach": 0.4, "depth": 0.3}, "sill": 0.5,
    }  # fmt: skip
    water = water_of(pond(), upper, fall, water={"pond": -0.6, "top": -0.1}, pump=PUMP)
    assert water.drawdown is not None
    assert water.drawdown.reservoir == "pond"
    head = spill_depth(0.010, 1.0) * math.pi
    assert water.drawdown.heads["fall"] == pytest.approx(head, rel=0.03)
    assert water.drawdown.transit_m3 == pytest.approx(
        sum(water.drawdown.running.values()) + water.drawdown.heads["fall"]
    )


def test_a_pump_in_a_dry_element_is_refused():
    with pytest.raises(PlanError, match="holds no standing water"):
        water_of(pond(), stream(), water={"pond": -0.3}, pump=PUMP | {"from": "beck"})
    with pytest.raises(PlanError, match="'well' is not defined in this plan"):
        water_of(pond(), water={"pond": -0.3}, pump=PUMP | {"from": "well"})


def test_every_closed_low_is_found():
    """Two cones upside down in a plain, 1 m and 0.5 m deep at 1:1, the first with a notch."""
    lattice = Lattice(0.0, 0.0, 0.05, 161, 121)
    x, y = np.meshgrid(lattice.x, lattice.y)
    z = np.minimum(np.hypot(x - 2, y - 3) - 1, np.hypot(x - 6, y - 3) - 0.5).clip(max=0.0)
    z[(np.abs(y - 3) < 0.03) & (x < 2)] = np.minimum(z, -0.2)[(np.abs(y - 3) < 0.03) & (x < 2)]
    grid = Grid(lattice, z)
    first, second = lows(grid, flood(grid))
    assert (first.level, second.level) == pytest.approx((-0.2, 0.0))
    assert (first.depth_m, second.depth_m) == pytest.approx((0.8, 0.5))
    assert first.deepest == pytest.approx((2, 3))
    assert second.deepest == pytest.approx((6, 3))
    assert first.volume_m3 == pytest.approx(math.pi * 0.8**3 / 3, rel=0.02)
    assert second.volume_m3 == pytest.approx(math.pi * 0.5**3 / 3, rel=0.02)
    assert first.area_m2 == pytest.approx(math.pi * 0.8**2, rel=0.03)
    assert first.outlet[0] < 1.25
    assert first.outlet[1] == pytest.approx(3)
    assert len(lows(grid, flood(grid), shallowest=0.6)) == 1
