"""A site's dig by stratum, zone and day: closed forms, and what reaches the soil balance."""

import math

import pytest

from terrain.design.plan import read_plan
from terrain.earthwork.breakdown import Axis
from terrain.errors import PlanError
from terrain.site import Site
from tests.cli.sites import DUG_M3, replace, write_site
from tests.cli.strata_site import write_strata_site

POND = 9 * math.pi  # m², 1 m deep; the pit is 16 m² and 1.5 m deep
MOUND = 4 * math.pi  # m² under the mound
SHARP = {"rel": 3e-3}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_strata_site(tmp_path_factory.mktemp("spoil") / "hollow")


@pytest.fixture(scope="module")
def site(folder):
    return Site.open(folder)


def test_strata_hold_their_thickness_times_the_area_dug(site):
    """Topsoil 0.25 m; loam from 0.25 to 0.8 m; gravel below: 0.7 m in the pit, 0.2 in the pond."""
    found = {part.stratum: part.bank_m3 for part in site.spoil.parts}
    closed = {
        "topsoil": 0.25 * (16 + POND),
        "loam": 0.55 * (16 + POND),
        "gravel": 0.7 * 16 + 0.2 * POND,
    }
    assert found == pytest.approx(closed, **SHARP)
    by_element = site.spoil.dug.by(Axis.ELEMENT, Axis.STRATUM)
    assert by_element[0, :3] == pytest.approx([4.0, 8.8, 11.2], rel=1e-6)


def test_every_way_of_telling_the_dig_apart_sums_to_the_excavation(site):
    spoil, whole = site.spoil, site.volumes.excavation_bank_m3
    assert whole == pytest.approx(DUG_M3, **SHARP)
    for values in (
        [part.bank_m3 for part in spoil.parts],
        [volume for *_, volume in spoil.bands()],
        spoil.by_zone.values(),
        spoil.by_day.values(),
        [cell.bank_m3 for cell in spoil.cells],
    ):
        assert sum(values) == pytest.approx(whole, rel=1e-9)
    for account, element in zip(site.volumes.accounts, site.elements, strict=True):
        mine = sum(cell.bank_m3 for cell in spoil.cells if cell.element == element.name)
        assert mine == pytest.approx(account.quantities.excavation_bank_m3, rel=1e-9)


def test_zones_share_what_they_cut_in_two_and_the_first_counts_where_two_overlap(site):
    west, pit, elsewhere = site.spoil.by_zone.values()
    assert (west, pit) == pytest.approx((12, 12), rel=1e-6)
    assert elsewhere == pytest.approx(POND, **SHARP)


def test_a_zone_has_its_own_day(site):
    days = site.spoil.by_day
    assert days == pytest.approx({1: POND, 2: 12, 3: 12, None: 0}, **SHARP)


def test_topsoil_is_stripped_under_the_mound_too(site):
    spoil = site.spoil
    assert spoil.under_fill_m2 == pytest.approx(MOUND, rel=0.02)
    assert spoil.stripped.whole_m3 == pytest.approx(0.25 * spoil.under_fill_m2, rel=1e-9)
    assert spoil.stripped_m2 == pytest.approx(16 + POND + MOUND, rel=0.01)
    assert spoil.stripped_m3 == pytest.approx(0.25 * spoil.stripped_m2, rel=1e-9)
    under = {(cell.element, cell.stratum) for cell in spoil.cells if cell.under_fill_m3 > 0}
    assert under == {("mound", "topsoil")}


def test_soil_balance_counts_each_soil_by_its_own_states(site):
    """The loam gives the mound and the refill under it; every soil is swollen by its own factor."""
    fill, strip = site.volumes.fill_compacted_m3, site.spoil.stripped.whole_m3
    loam, topsoil, gravel = site.haul.likely.soils
    assert topsoil.surplus_loose_m3 == pytest.approx(1.2 * (0.25 * (16 + POND) + strip), **SHARP)
    assert gravel.surplus_loose_m3 == pytest.approx(1.1 * (11.2 + 0.2 * POND), **SHARP)
    assert loam.placed_compacted_m3 == pytest.approx(fill + strip, rel=1e-9)
    left = 0.55 * (16 + POND) - fill - strip
    assert loam.surplus_loose_m3 == pytest.approx(1.25 * left, rel=0.01)
    assert site.haul.likely.loads == loam.loads + topsoil.loads + gravel.loads
    assert gravel.loads == math.ceil(1.1 * (11.2 + 0.2 * POND) / 9)


def changed(site: Site, name: str, **change):
    tables = tuple(
        table.model_copy(update=change) if table.name == name else table
        for table in site.plan.element
    )
    return site.revised(site.plan.model_copy(update={"element": tables}))


def test_an_element_that_names_its_soil_is_dug_in_it_whatever_the_strata(site):
    spoil = changed(site, "pit", soil="gravel").spoil
    assert [part.stratum for part in spoil.parts] == ["topsoil", "loam", "gravel", None]
    assert spoil.parts[-1].bank_m3 == pytest.approx(24, rel=1e-6)
    assert spoil.dug_in("gravel") == pytest.approx(24 + 0.2 * POND, **SHARP)


def test_topsoil_stays_under_a_mound_of_topsoil(site):
    assert changed(site, "mound", soil="topsoil").spoil.stripped.whole_m3 == 0


def test_without_strata_the_elements_soils_are_the_parts(tmp_path):
    site = Site.open(write_site(tmp_path / "plain", "m"))
    (part,) = site.spoil.parts
    assert (part.stratum, part.soil.name) == (None, "loam")
    assert part.bank_m3 == pytest.approx(site.volumes.excavation_bank_m3, rel=1e-9)
    assert site.spoil.stripped_m2 == site.spoil.stripped.whole_m3 == 0


def test_a_surveyed_top_is_no_check_of_the_ground(folder, tmp_path):
    """Probes meet the gravel at 99.4 m under the pit alone; the pond counts as unsurveyed."""
    for file in folder.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    rows = [f"{n},{801 + 6 * (n // 2)},{501 + 6 * (n % 2)},99.4,GS" for n in range(4)]
    text = "\n".join(["point,northing,easting,elevation,code", *rows, ""])
    (tmp_path / "probes.csv").write_text(text, encoding="utf-8")
    replace(tmp_path / "site.toml", "level = 99.2", 'survey = "probes"')
    replace(
        tmp_path / "site.toml",
        "[codes]",
        '[[survey]]\nname = "probes"\nfile = "probes.csv"\n[codes]',
    )
    site = Site.open(tmp_path)
    gravel = site.spoil.parts[2]
    assert gravel.bank_m3 == pytest.approx(16 * (99.4 - 98.5), rel=1e-6)
    assert gravel.unsurveyed_m3 == pytest.approx(POND, **SHARP)
    assert site.check_surveys == ()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("depth = 0.25", "", "where it begins is missing"),
        ("strip = true", "depth = 0.1", "the first stratum has a depth"),
        ("depth = 0.25", "depth = 0.25\nlevel = 99", "its top is given by depth and level"),
        ("depth = 0.25", 'survey = "rover"', "'rover' is not defined"),
        ("depth = 0.25", "depth = 0.25\nstrip = true", "others lie on it"),
        ('name = "loam"\ndepth', 'name = "loan"\ndepth', "'loan' is not defined"),
        ('name = "gravel"\nlevel', 'name = "loam"\nlevel', "stratum name 'loam' is used twice"),
        ("day = 3", "day = 0", "found 0"),
    ],
)
def test_a_plan_with_wrong_strata_is_refused_in_words(folder, tmp_path, old, new, said):
    file = tmp_path / "site.toml"
    file.write_bytes((folder / "site.toml").read_bytes())
    replace(file, old, new)
    with pytest.raises(PlanError) as error:
        read_plan(file)
    assert said in error.value.found
    assert "stratum" in str(error.value) or "zone" in str(error.value)
