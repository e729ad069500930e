"""Where a site's spoil goes: closed forms, what may lie under liner, days, room."""

import math

import pytest

from terrain.design.tables import OverDigTable
from terrain.errors import PlanError
from terrain.site import Site
from tests.cli.strata_site import write_strata_site

POND, MOUND = 9 * math.pi, 4 * math.pi  # m²; the pit is 16 m²


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return Site.open(write_strata_site(tmp_path_factory.mktemp("moving") / "hollow"))


def altered(site, *, soil=None, element=None, **keys):
    """The site with other keys for one soil or element."""
    tables = {"soil": site.plan.soil, "element": site.plan.element}
    for kind, name in (("soil", soil), ("element", element)):
        tables[kind] = tuple(
            table.model_copy(update=keys) if table.name == name else table for table in tables[kind]
        )
    return site.revised(site.plan.model_copy(update=tables))


def used(site, kind):
    """Bank volume by soil and by where it comes from, in the uses of one kind, m³."""
    moves, found = site.moves, {}
    for flow in moves.transport.flows:
        if moves.is_placed(flow) and moves.transport.job.uses[flow.target].kind == kind:
            key = flow.soil.name, moves.ends(flow)[0]
            found[key] = found.get(key, 0.0) + flow.bank_m3
    return found


def test_the_mound_is_made_of_the_nearest_loam(site):
    """0.3 m high and 0.25 m to refill, at no shrink; the pond has 0.55 m of loam on 9π m²."""
    assert used(site, "mound") == {("loam", "pond"): pytest.approx(0.55 * MOUND, rel=0.02)}
    (flow,) = [f for f in site.moves.transport.flows if site.moves.is_placed(f)]
    assert flow.distance_m == pytest.approx(math.hypot(515 - 505, 812 - 818), abs=0.02)


def test_stripped_topsoil_becomes_no_fill_unless_the_plan_says_so(site):
    bare = altered(site, soil="loam", good_for=("rim",))
    assert {soil for soil, _ in used(bare, "mound")} == {"gravel"}
    rich = altered(bare, soil="topsoil", good_for=("mound", "stockpile"))
    assert {soil for soil, _ in used(rich, "mound")} == {"topsoil"}
    with pytest.raises(PlanError, match="no soil of the plan may be placed as mound"):
        _ = altered(bare, soil="gravel", good_for=("rim",)).moves


def test_mass_is_conserved_from_the_dig_to_where_it_ends(site):
    density = {soil.name: soil.bank_density for soil in site.plan.soil}
    dug = sum((c.bank_m3 + c.under_fill_m3) * density[c.soil] for c in site.spoil.cells)
    assert sum(f.mass_kg for f in site.moves.transport.flows) == pytest.approx(dug, rel=1e-9)
    left = sum(each.surplus_bank_m3 * each.soil.bank_density for each in site.haul.likely.soils)
    away = sum(f.mass_kg for f in site.moves.transport.flows if f.target == -1)
    assert left == pytest.approx(away, rel=1e-9)


@pytest.mark.parametrize("organic", ["topsoil", "loam"])
def test_organic_soil_never_lies_under_liner(site, organic):
    over_dig = OverDigTable(below=0.2)
    roomy = altered(site, element="pond", over_dig=over_dig)
    assert ("loam", "pond") in used(roomy, "backfill")
    rotten = altered(roomy, soil=organic, organic=True, good_for=("backfill", "mound"))
    soils = {soil for soil, _ in used(rotten, "backfill")}
    assert soils
    assert organic not in soils
    assert organic in {soil for soil, _ in used(rotten, "mound")}
    with pytest.raises(PlanError, match="under the liner"):
        _ = altered(rotten, element="pond", fill_soil=organic).moves


def test_the_days_of_the_plan_order_the_work(site):
    """The west is dug on day 3, with part of the mound: the pond's loam of day 1 waits for it.

    Without the zones the mound has no day: it is stripped first, and nothing waits.
    """
    moves = site.moves
    days = [moves.steps[step].day for step in moves.order.steps]
    assert [day for day in days if day] == [1, 2, 3, 3]
    wait = 1.25 * moves.transport.placed().sum()  # loam at a swell of 25 % and no shrink
    assert moves.order.peak_m3 == pytest.approx(wait, rel=1e-9)
    free = site.revised(site.plan.model_copy(update={"zone": ()}))
    assert free.moves.order.peak_m3 == 0
    assert altered(free, element="mound", day=4).moves.order.peak_m3 == pytest.approx(
        wait, rel=1e-6
    )
    assert altered(free, element="mound", day=1).moves.order.peak_m3 == 0
