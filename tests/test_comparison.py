"""What a second plan changes: nothing of itself, the opposite when swapped, and closed forms."""

import math

import pytest

from terrain.comparison import Comparison, amounts, amounts_by_element, moved
from terrain.design.changing import change_plan, read_setting
from terrain.design.plan import plan_tables
from terrain.site import Site
from tests.cli.sites import DUG_M3, replace, write_site

PIT_M2, POND_M2 = 16.0, 9 * math.pi


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = write_site(tmp_path_factory.mktemp("compared") / "hollow", "m")
    replace(folder / "site.toml", "cell = 0.1000000", "cell = 0.25")
    return Site.open(folder)


def after(site, *settings):
    plan = change_plan(plan_tables(site.path), [read_setting(said) for said in settings], site.path)
    return site.revised(plan)


@pytest.fixture(scope="module")
def changed(site):
    return after(site, "pit.depth=1.8", "pond.floor=0.8")


def test_a_plan_differs_from_itself_by_nothing(site):
    again = Comparison(site, Site(site.plan, site.path))
    assert again.where == ()
    assert again.same_ground
    assert set(moved(amounts(site), amounts(again.after)).values()) == {0}


def test_swapping_the_plans_turns_every_sign(site, changed):
    there, back = Comparison(site, changed), Comparison(changed, site)
    forth = moved(amounts(site), amounts(changed))
    assert {key: -value for key, value in forth.items()} == moved(amounts(changed), amounts(site))
    assert any(forth.values())
    for one, other in zip(there.where, back.where, strict=True):
        assert one.element == other.element
        assert (one.lower_m2, one.lower_m3, one.deepest_m) == (
            other.higher_m2,
            other.higher_m3,
            other.highest_m,
        )
        assert one.centroid_m == other.centroid_m


def test_a_deeper_pit_moves_its_area_times_the_depth(site, changed):
    parts = {
        name: moved(amounts_by_element(site)[name], amounts_by_element(changed)[name])
        for name in ("pit", "pond")
    }
    assert parts["pit"]["excavation_bank_m3"] == pytest.approx(0.3 * PIT_M2, rel=1e-9)
    assert parts["pit"]["max_depth_m"] == pytest.approx(0.3)
    assert parts["pond"]["excavation_bank_m3"] == pytest.approx(-0.2 * POND_M2, rel=2e-3)


def test_where_the_level_differs_and_by_how_much(site, changed):
    where = {each.element: each for each in Comparison(site, changed).where}
    assert where["pit"].deepest_m == pytest.approx(0.3)
    assert where["pit"].higher_m2 == 0
    assert where["pit"].centroid_m == pytest.approx((504, 804), abs=0.13)
    assert where["pond"].highest_m == pytest.approx(0.2)
    assert where["pond"].lower_m2 == 0
    assert where["pond"].centroid_m == pytest.approx((515, 812), abs=0.05)
    # nodes in a region number its area over that of a cell, to half a cell along its edge
    half = site.lattice.cell / 2
    assert where["pit"].lower_m2 == pytest.approx(PIT_M2, abs=16 * half + 4 * half**2)
    assert where["pond"].higher_m2 == pytest.approx(POND_M2, abs=6 * math.pi * half)


def test_wider_over_dig_of_an_upright_pit_is_a_frame_around_it(site):
    wider = after(site, "pit.over_dig.side=0.5 m")
    frame = (4 + 2 * 0.5) ** 2 - 4**2  # the grown outline keeps its square corners
    (one,) = Comparison(site, wider).where
    difference = moved(amounts(site), amounts(wider))
    assert one.element == "pit"
    assert difference["excavation_bank_m3"] == pytest.approx(1.5 * frame, rel=1e-9)
    assert difference["backfill_compacted_m3"] == pytest.approx(1.5 * frame, rel=1e-9)


def test_a_smaller_truck_moves_loads_alone_and_measures_nothing_again(site):
    amounts(site)
    smaller = after(site, "truck.volume=3 m3")
    assert smaller.accounts is site.accounts
    difference = moved(amounts(site), amounts(smaller))
    assert {key for key, value in difference.items() if value} <= {"loads", "days"}
    assert amounts(smaller)["loads"] == math.ceil(1.25 * DUG_M3 / 3 - 1e-6)
    assert Comparison(site, smaller).where == ()


def test_elements_that_only_one_plan_has(site):
    without = site.revised(site.plan.model_copy(update={"element": site.plan.element[:1]}))
    comparison = Comparison(site, without)
    (gone,) = comparison.where
    assert (gone.element, gone.highest_m) == ("pond", pytest.approx(1.0))
    lost = moved(amounts_by_element(site)["pond"], {})
    assert lost["excavation_bank_m3"] == pytest.approx(-POND_M2, rel=2e-3)


def test_plans_on_two_grids_and_origins_are_compared_in_true_coordinates(site):
    plan = change_plan(
        plan_tables(site.path),
        [read_setting(said) for said in ("site.cell=0.2", "site.origin=[490, 790]")],
        site.path,
    )
    moved_pit = Comparison(site, Site(plan, site.path))
    assert moved_pit.same_ground
    assert sum(each.lower_m3 + each.higher_m3 for each in moved_pit.where) < 1e-9
    deeper = Comparison(site, after(Site(plan, site.path), "pit.depth=1.8"))
    (one,) = deeper.where
    assert (one.element, one.deepest_m) == ("pit", pytest.approx(0.3))
