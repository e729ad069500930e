"""Faults that are put into a plan are found, with their place and size; sound plans pass."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from terrain.design import compose
from terrain.design.checks import (
    drawdown_taken,
    falls_drop,
    levels_agree,
    pools_deep,
    rock_fits,
    shelves_fit,
    streams_fall,
)
from terrain.design.clearance import digs_keep_out, digs_stay_clear
from terrain.design.holding import rims_hold, rims_wide, running_surface
from terrain.site import Site
from terrain.surface import Grid, Lattice, Plane
from terrain.units import FOOT, METRE
from tests.design.made import FLAT, circle, elements

CELL = 0.1
SAMPLE = Path(__file__).parents[2] / "sample_surveys" / "sallowrigg"


def box(x: float, y: float, width: float, length: float) -> dict:
    return {"points": [[x, y], [x + width, y], [x + width, y + length], [x, y + length]]}


def composed(built, ground: Plane = FLAT, half: float = 6.0):
    lattice = Lattice.covering((-half, -half, half, half), cell=CELL)
    height = ground.elevation(lattice.nodes).reshape(lattice.shape)
    return compose(lattice, built, Grid(lattice, height))


def hold(built, at):
    return rims_hold(built, running_surface(built, at), at.finish_owner, unit=METRE)


def failed(findings):
    assert findings, "the check concerned nothing"
    return [finding for finding in findings if not finding.passed]


def pond(**keys) -> dict:
    return {
        "type": "basin", "name": "pond", "outline": circle(3), "water": "pond", "floor": 1.0,
        "batter": "vertical", "freeboard": 0.2, "rim": {"crest": 0.6, "batter": "2:1"},
    } | keys  # fmt: skip


def test_a_rim_all_round_holds():
    built = elements(pond(), water={"pond": 0.0})
    (finding,) = hold(built, composed(built))
    assert finding.passed
    assert finding.found == "can rise 0.20 m before it runs out"
    assert finding.mend == ""


@pytest.mark.parametrize(("turn", "low"), [(0.3, 0.13), (2.2, 0.02), (4.0, 0.13)])
def test_a_notch_in_the_rim_is_found_with_its_place_and_depth(turn: float, low: float):
    """A notch at any bearing, its sill a little under the water, 0.3 m outside the pond's edge."""
    built = elements(pond(), water={"pond": 0.0})
    at = composed(built)
    x, y = np.meshgrid(at.lattice.x, at.lattice.y)
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    notch = (along > 0) & (np.abs(across) < CELL)
    sill = np.where(np.abs(along - 3.3) < CELL, -low, -0.4)
    finish = np.where(notch, np.minimum(at.finish, sill), at.finish)
    (finding,) = failed(hold(built, replace(at, finish=finish)))
    assert finding.check == "rim holds the water"
    assert finding.element == "pond"
    assert f"at -{low} m, {low} m too low" in finding.found
    east, north = finding.place
    assert east * np.cos(turn) + north * np.sin(turn) == pytest.approx(3.3, abs=CELL)
    assert north * np.cos(turn) - east * np.sin(turn) == pytest.approx(0, abs=CELL)


def test_a_pad_dug_through_the_rim_lets_the_water_out():
    pad = {"type": "pad", "name": "step", "outline": box(2.5, -0.5, 3.0, 1.0), "level": -0.25}
    built = elements(pond(), pad, water={"pond": 0.0})
    (finding,) = failed(hold(built, composed(built)))
    assert "0.25 m too low" in finding.found
    assert shapely.box(2.5, -0.8, 5.8, 0.8).contains(shapely.Point(finding.place))
    built = elements(pond(), pad | {"level": 0.0}, water={"pond": 0.0})
    assert not failed(hold(built, composed(built)))


def test_two_elements_at_one_level_hold_as_one_body():
    """A ledge has no rim towards the pond, and needs none while their water is one."""
    shelf = {"type": "shelf", "name": "ledge", "outline": box(2, -1, 2, 2), "water": "pond",
             "depth": 0.3, "freeboard": 0.2}  # fmt: skip
    built = elements(pond(), shelf, water={"pond": 0.0})
    assert not failed(hold(built, composed(built)))
    built = elements(pond(), shelf | {"water": "low"}, water={"pond": 0.0, "low": -0.25})
    assert [f.element for f in failed(hold(built, composed(built)))] == ["pond", "ledge"]


@pytest.mark.parametrize(("gap", "fails"), [(0.17, True), (0.22, True), (0.33, False)])
def test_a_thin_rim_is_found_with_its_width(gap: float, fails: bool):
    """A pad 0.3 m under the water begins `gap` outside its upright edge."""
    pad = {"type": "pad", "name": "step", "outline": box(3.05 + gap, -1, 2, 2), "level": -0.5,
           "cut_batter": "vertical"}  # fmt: skip
    water = pond(outline=circle(3.05), cut_batter="vertical", freeboard=0.0)
    built = elements(water, pad, water={"pond": -0.2})
    at = composed(built)
    assert not failed(hold(built, at))
    wrong = failed(rims_wide(built, at, least=0.3, unit=METRE))
    assert bool(wrong) == fails
    for finding in wrong:
        width = float(finding.found.split("begins ")[1].split(" m")[0])
        assert gap <= width <= gap + CELL
        assert finding.place == pytest.approx((3.05 + gap, 0.0), abs=1.5 * CELL)


def stream(levels, path=((-4, 0), (0, 0), (4, 0)), **keys) -> dict:
    return {
        "type": "stream", "name": "beck", "path": path, "levels": levels, "width": 1.0,
        "depth": 0.2, "side": "vertical", "freeboard": 0.1,
    } | keys  # fmt: skip


def test_a_pool_holds_where_a_stream_leaves_it():
    """The bed lies 0.2 m under the pool's water, which the stream's own water dams."""
    out = stream([-0.1, -0.2, -0.4], path=((2.9, 0), (4, 0), (5.5, 0)))
    built = elements(pond(), out, water={"pond": -0.1})
    assert not failed(hold(built, composed(built)))
    low = stream([-0.2, -0.3, -0.4], path=((2.9, 0), (4, 0), (5.5, 0)))
    built = elements(pond(), low, water={"pond": -0.1})
    (wrong,) = failed(hold(built, composed(built)))
    assert shapely.box(2.8, -0.6, 3.3, 0.6).contains(shapely.Point(wrong.place))


def test_a_stream_that_rises_is_found_at_its_corner():
    (good,) = streams_fall(elements(stream([-0.1, [-0.2, -0.5], -0.5])), unit=METRE)
    assert good.passed
    assert good.found == "falls 0.40 m"
    (rise,) = failed(streams_fall(elements(stream([-0.5, -0.2, -0.2])), unit=METRE))
    assert rise.place == (0, 0)
    assert "rises by 0.30 m on the way to corner 2" in rise.found
    (step,) = failed(streams_fall(elements(stream([-0.2, [-0.5, -0.3], -0.4])), unit=FOOT))
    assert step.place == (0, 0)
    assert "rises by 0.66 ft at corner 2" in step.found


def test_water_runs_out_beside_a_stream_where_its_bank_is_cut_away():
    sound = elements(stream([-0.2, -0.3, -0.4]))
    assert not failed(rims_wide(sound, composed(sound), least=0.3, unit=METRE))
    pad = {"type": "pad", "name": "step", "outline": box(1, 0.3, 1, 2), "level": -0.6}
    built = elements(stream([-0.2, -0.3, -0.4]), pad)
    (leak,) = failed(rims_wide(built, composed(built), least=0.3, unit=METRE))
    assert (leak.check, leak.element) == ("rim holds the water", "beck")
    assert shapely.box(0.5, 0.25, 2.5, 1).contains(shapely.Point(leak.place))


FALL = {
    "type": "fall", "name": "fall", "lip": [[-0.5, 3.2], [0.5, 3.2]], "from": "upper",
    "to": "pond", "landing": {"reach": 0.5, "depth": 0.3},
}  # fmt: skip
LEVELS = {"pond": -1.0, "upper": -0.2}


def test_a_fall_drops_into_its_pool():
    built = elements(pond(), FALL, water=LEVELS)
    (good,) = falls_drop(built, unit=METRE)
    assert good.passed
    assert good.found == "drops 0.80 m into pond"
    sill, landing = built[1].shapes
    turned = (built[0], replace(built[1], shapes=(sill, replace(landing, level=0.1))))
    (wrong,) = failed(falls_drop(turned, unit=METRE))
    assert "stands 0.30 m above its lip" in wrong.found
    assert wrong.place == pytest.approx((0, 3.2))
    far = FALL | {"lip": [[4.5, 4.5], [5.5, 4.5]]}
    (dry,) = failed(falls_drop(elements(pond(), far, water=LEVELS), unit=METRE))
    assert "lands in no water at -1.00 m" in dry.found


@pytest.mark.parametrize(("share", "short"), [(0.5, 0), (1.25, 0), (1.5, 0.2)])
def test_a_plunge_pool_is_as_deep_as_the_rule_asks(share: float, short: float):
    """Under a fall of 0.8 m a share of 1.25 asks for the 1.0 m that is there, 1.5 for 1.2 m."""
    findings = pools_deep(elements(pond(), FALL, water=LEVELS), share=share, unit=METRE)
    assert bool(failed(findings)) == (short > 0)
    assert findings[0].found == "1.00 m of water under a fall of 0.80 m"
    if short:
        assert f"deepen pond by {short:.2f} m" in findings[0].mend


def test_a_step_in_a_stream_needs_depth_too():
    steep = elements(stream([-0.1, [-0.2, -0.8], -0.8]))
    (finding,) = failed(pools_deep(steep, share=0.5, unit=METRE))
    assert finding.place == (0, 0)
    assert "0.20 m of water under a fall of 0.60 m" in finding.found


def test_elements_that_overlap_must_share_a_level():
    tables = [
        {"type": "basin", "name": name, "outline": box(x, 0, 3, 2), "floor": 0.5, "water": level}
        for name, x, level in (("a", 0, "pond"), ("b", 2, "low"))
    ]
    (wrong,) = failed(levels_agree(elements(*tables, water={"pond": 0, "low": -0.3}), unit=METRE))
    assert wrong.element == "b"
    assert "overlaps a by 2.00 m², its water 0.30 m below" in wrong.found
    assert shapely.box(2, 0, 3, 2).contains(shapely.Point(wrong.place))
    assert not failed(levels_agree(elements(*tables, water={"pond": 0, "low": 0}), unit=METRE))


def test_a_stream_meets_the_pools_at_its_ends():
    into = stream([-0.1, -0.2, -0.3], path=((-5.5, 0), (-4, 0), (-2.9, 0)))
    assert not failed(levels_agree(elements(pond(), into, water={"pond": -0.3}), unit=METRE))
    (low,) = failed(levels_agree(elements(pond(), into, water={"pond": -0.2}), unit=METRE))
    assert "ends 0.10 m below the water of pond that it enters" in low.found
    assert low.place == pytest.approx((-2.9, 0))
    out = stream([-0.1, -0.2, -0.3], path=((2.9, 0), (4, 0), (5.5, 0)))
    (high,) = failed(levels_agree(elements(pond(), out, water={"pond": -0.2}), unit=METRE))
    assert "begins 0.10 m above" in high.found


def test_a_shelf_needs_the_run_of_its_riser():
    """0.6 m deep at 2:1 runs 1.2 m; a ledge 2 m wide has 1.0 m."""
    ledge = {"type": "shelf", "name": "ledge", "outline": box(0, 0, 2, 4), "depth": 0.6}
    (wrong,) = failed(shelves_fit(elements(ledge | {"riser": "2:1"}), unit=METRE))
    assert "never reached" in wrong.found
    assert float(wrong.found.split("needs ")[1].split(" m")[0]) == pytest.approx(0.2, abs=0.05)
    assert not failed(shelves_fit(elements(ledge | {"riser": "1.5:1"}), unit=METRE))


def test_banks_that_meet_on_a_shelf_are_said():
    """Two shelves of 1.5 m in a circle of 2 m radius: the second has 0.5 m."""
    shelves = [{"depth": 0.3, "width": 1.5}, {"depth": 0.6, "width": 1.5}]
    keys = {"type": "basin", "name": "b", "outline": circle(2), "floor": 1.0}
    (wrong,) = failed(shelves_fit(elements(keys | {"shelves": shelves}), unit=METRE))
    assert "the shelf 0.60 m deep" in wrong.found
    assert float(wrong.found.split("is ")[1].split(" m")[0]) == pytest.approx(1.0, abs=0.1)
    assert not failed(shelves_fit(elements(keys | {"shelves": shelves[:1]}), unit=METRE))


def test_a_dig_that_enters_a_keep_out_is_measured():
    """Over-dug 0.5 m on all sides and 0.2 m below; the roots begin 0.2 m from the water."""
    hole = {
        "type": "basin", "name": "pond", "outline": box(0, 0, 4, 3), "floor": 1.0,
        "batter": "vertical", "cut_batter": "vertical", "over_dig": {"side": 0.5, "below": 0.2},
    }  # fmt: skip
    roots = {"type": "keep_out", "name": "roots", "outline": box(4.2, 1, 2, 1)}
    (wrong,) = failed(digs_keep_out(elements(hole, roots), FLAT, unit=METRE))
    assert wrong.element == "pond"
    assert "0.30 m² into roots, up to 0.30 m over its border and 1.20 m deep" in wrong.found
    assert shapely.box(4.2, 1, 4.5, 2).buffer(0.02).contains(shapely.Point(wrong.place))
    clear = roots | {"outline": box(4.5, 1, 2, 1)}
    assert not failed(digs_keep_out(elements(hole, clear), FLAT, unit=METRE))


def test_a_cut_face_in_a_keep_out_counts():
    """Water 0.6 m down, faces of 1:1: the cut reaches 0.6 m beyond the edge, 0.4 m into roots."""
    hole = {"type": "basin", "name": "pond", "outline": box(0, 0, 4, 3), "floor": 1.0,
            "water": "pond", "cut_batter": "1:1"}  # fmt: skip
    roots = {"type": "keep_out", "name": "roots", "outline": box(4.2, 1, 2, 1)}
    built = elements(hole, roots, water={"pond": -0.6})
    (wrong,) = failed(digs_keep_out(built, FLAT, unit=METRE))
    area, _, rest = wrong.found.removeprefix("is dug ").partition(" m² into roots, up to ")
    assert float(area) == pytest.approx(0.4, abs=0.02)
    assert float(rest.split(" m")[0]) == pytest.approx(0.4, abs=0.03)


def test_an_over_dig_that_undermines_a_neighbour_is_measured():
    """0.3 m apart, over-dug 0.5 m: 0.2 m × 3 m under the shallow one, 0.5 m under its dig."""
    tables = [
        {"type": "basin", "name": name, "outline": box(x, 0, 2, 3), "floor": floor,
         "batter": "vertical", "cut_batter": "vertical", "over_dig": {"side": side}}
        for name, x, floor, side in (("deep", 0, 1.5, 0.5), ("shallow", 2.3, 1.0, 0))
    ]  # fmt: skip
    (wrong,) = failed(digs_stay_clear(elements(*tables), FLAT, unit=METRE))
    assert wrong.element == "deep"
    assert "0.60 m² into shallow, up to 0.50 m under its dig" in wrong.found
    assert "0.30 m apart" in wrong.expected
    touching = [tables[0], tables[1] | {"outline": box(2, 0, 2, 3)}]
    assert not failed(digs_stay_clear(elements(*touching), FLAT, unit=METRE))


def test_rock_and_drawdown():
    assert rock_fits("pond", too_much_m3=0.0, unit=METRE).passed
    short = rock_fits("pond", too_much_m3=1.25, unit=METRE)
    assert (short.passed, "1.2 m³ more" in short.found) == (False, True)
    (vault,) = elements(pond(), water={"pond": 0})
    assert drawdown_taken(vault, transit_m3=0.8, room_m3=0.8, unit=METRE).passed
    over = drawdown_taken(vault, transit_m3=0.9, room_m3=0.8, unit=FOOT)
    assert not over.passed
    assert over.found.startswith("238 gal")  # 0.9 m³ at 264.172 US gallons a cubic metre
    assert over.place == pytest.approx((0, 0), abs=0.5)


def test_the_sample_site_passes_every_check():
    findings = Site.open(SAMPLE).checks
    assert len(findings) > 15
    assert [finding for finding in findings if not finding.passed] == []
