"""A site under a changed plan: only what changed is done again, and the answer is the same."""

import math

import pytest

from sample_surveys import site_folder
from terrain.site import Site


@pytest.fixture(scope="module")
def site():
    return Site.open(site_folder())


def deeper(site: Site, name: str, **change):
    tables = tuple(
        table.model_copy(update=change) if table.name == name else table
        for table in site.plan.element
    )
    return site.plan.model_copy(update={"element": tables})


def test_a_revision_keeps_the_ground_and_the_elements_that_stay(site):
    revised = site.revised(deeper(site, "pond", floor=1.7))
    assert revised.existing is site.existing
    for before, after in zip(site.elements, revised.elements, strict=True):
        assert (after is before) == (before.name != "pond")


@pytest.mark.slow
def test_a_revision_answers_as_a_fresh_site_does(site):
    plan = deeper(site, "plunge pool", depth=1.1)
    revised, fresh = site.revised(plan), Site(plan, site.path)
    for ours, theirs in zip(revised.volumes.accounts, fresh.volumes.accounts, strict=True):
        assert ours.quantities == theirs.quantities
    assert revised.volumes.excavation_bank_m3 > site.volumes.excavation_bank_m3


def test_a_changed_level_builds_every_element_again(site):
    water = dict(site.plan.water) | {"pond": site.plan.water["pond"] - 0.05}
    revised = site.revised(site.plan.model_copy(update={"water": water}))
    assert revised.existing is site.existing
    assert revised.elements[0].water_level_m == pytest.approx(water["pond"])


def test_fill_alone_needs_loads_in_over_the_range_of_the_soil(site):
    """A mound and no dig: compacted / (1 − shrink) × (1 + swell), within the ranges' ends."""
    mound = tuple(table for table in site.plan.element if table.type == "mound")
    truck = site.plan.truck.model_copy(update={"volume": 0.1})
    raised = site.revised(site.plan.model_copy(update={"element": mound, "truck": truck}))
    fill, soil = raised.volumes.fill_compacted_m3, site.plan.soil[0]
    least, most = (fill / (1 - soil.shrink[k]) * (1 + soil.swell[k]) / truck.volume for k in (0, 2))
    likely = raised.haul.likely.loads
    assert math.ceil(least) < raised.haul.loads_low < likely
    assert likely < raised.haul.loads_high < math.ceil(most)
