"""Key paths into a plan: where they lead, what they say when they lead nowhere."""

import contextlib
import copy
from pathlib import Path

import pytest
import tomlkit
from hypothesis import example, given, settings
from hypothesis import strategies as st

from terrain.design.changing import apply, change_plan, find, read_path, read_setting
from terrain.errors import PlanError, TerrainError
from terrain.units import FOOT_M

PLAN = Path("site.toml")
TEXT = """
[site]
name = "Brindle hollow"
unit = "m"
[[survey]]
name = "rover"
file = "rover.csv"
[water]
pond = 101.2
pool = 102.0
[[soil]]
name = "loam"
swell = [0.2, 0.3, 0.4]
[truck]
volume = "9 m3"
[over_dig]
side = 0.4
below = 0.1
[[element]]
type = "basin"
name = "pond"
water = "pond"   # kept
outline = { circle = { centre = [5, 5], radius = 3 } }
shelves = [{ depth = 0.3, width = 0.5 }, { depth = 0.6, width = 0.4 }]
floor = 1.4
rock = [{ name = "edge stones", count = 8, size = 0.5 }]
[[element]]
type = "filter_pit"
name = "no. 2 pit"
water = "pond"
outline = { points = [[20, 20], [24, 20], [24, 24], [20, 24]] }
depth = 1.5
lifts = [{ name = "cobble", thickness = 0.9 }]
"""
TABLES = tomlkit.parse(TEXT).unwrap()


def changed(*settings):
    return change_plan(TABLES, [read_setting(said) for said in settings], PLAN)


@pytest.mark.parametrize(
    ("setting", "value_of", "value"),
    [
        ("basin.pond.floor=1.6", lambda plan: plan.element[0].floor, 1.6),
        ("pond.floor=2 ft", lambda plan: plan.element[0].floor, 2 * FOOT_M),
        ('pond.floor="2 ft"', lambda plan: plan.element[0].floor, 2 * FOOT_M),
        ("pond.shelves.1.depth=0.7", lambda plan: plan.element[0].shelves[1].depth, 0.7),
        ("element.0.shelves.0.width=0.7", lambda plan: plan.element[0].shelves[0].width, 0.7),
        ("pond.rock.edge stones.count=11", lambda plan: plan.element[0].rock[0].count, 11),
        ('"no. 2 pit".lifts.cobble.voids=0.5', lambda plan: plan.element[1].lifts[0].voids, 0.5),
        ("filter_pit.'no. 2 pit'.depth=1.2", lambda plan: plan.element[1].depth, 1.2),
        ("pond.batter=2:1", lambda plan: plan.element[0].batter, 2.0),
        ("soil.loam.swell=0.25", lambda plan: plan.soil[0].swell, (0.25,) * 3),
        ("soil.loam.swell.1=0.25", lambda plan: plan.soil[0].swell, (0.2, 0.25, 0.4)),
        ("water.pond=101.4", lambda plan: plan.water["pond"], 101.4),
        ("over_dig.side=0.9", lambda plan: plan.over_dig.side, 0.9),
        ("truck.volume=6 m3", lambda plan: plan.truck.volume, 6.0),
        ("site.cell=0.2", lambda plan: plan.site.cell, 0.2),
        ("work.people=3", lambda plan: plan.work.people, 3),
    ],
)
def test_a_path_leads_to_its_value(setting, value_of, value):
    assert value_of(changed()) != value
    assert value_of(changed(setting)) == pytest.approx(value)


def test_an_elements_own_over_dig_begins_as_the_sites():
    assert changed("pond.over_dig.side=2 ft").element[0].over_dig.below == 0.1


def test_later_settings_stand_on_earlier_ones():
    plan = changed("pond.name=tarn", "tarn.floor=1.1")
    assert (plan.element[0].name, plan.element[0].floor) == ("tarn", 1.1)


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        ("pond.flor=1", "--set pond.flor=1: element \"pond\".*unknown key 'flor'(?s:.*)'floor'"),
        ("pnd.floor=1", "no element or table 'pnd'(?s:.*)did you mean 'pond'"),
        ("basin.pnod.floor=1", "no basin 'pnod'(?s:.*)'pond'"),
        ("water.pole=1", "water has no 'pole'(?s:.*)did you mean 'pool'"),
        ("soil.lome.swell=0.2", "no soil 'lome'(?s:.*)loam"),
        ("pond.shelves.2.depth=1", "pond.shelves has no item '2'(?s:.*)from 0 to 1"),
        ("pond.floor.deep=1", "pond.floor is 1.4, not a table"),
        ("pond.floor=deep", "'deep' is not a length"),
        ("pond.floor=-1", "pond.floor=-1"),
        ("pond=1", "whole table"),
        ("truck=1", "whole table"),
        ("truck.volum=1", "--set truck.volum=1: truck.*unknown key 'volum'(?s:.*)'volume'"),
        ("pond.over_digg.side=1", "unknown key 'over_digg'(?s:.*)'over_dig'"),
        ("pond.floor", "sets nothing"),
        ("=1", "sets nothing"),
        ("pond..floor=1", "not a key path"),
        ("pond.floor.=1", "not a key path"),
        ('"pond.floor=1', "not a key path"),
    ],
)
def test_a_path_that_leads_nowhere_says_what_is_near(setting, said):
    with pytest.raises(PlanError, match=said):
        changed(setting)


def test_the_tables_that_are_changed_stay_as_they_are():
    before = copy.deepcopy(TABLES)
    changed("pond.shelves.0.depth=0.2", "pond.over_dig.side=1", "water.pond=101")
    assert before == TABLES


def test_what_is_found_at_a_path():
    assert find(TABLES, read_path("basin.pond.shelves.1.depth")) == 0.6
    assert find(TABLES, read_path("water.pond")) == 101.2
    assert find(TABLES, read_path("pond.freeboard")) is None
    assert find(TABLES, read_path("nobody.floor")) is None


def test_a_document_with_comments_is_changed_as_the_tables_are():
    document = tomlkit.parse(TEXT)
    settings = [
        read_setting(said)
        for said in ("pond.over_dig.side=2 ft", "pond.shelves.1.depth=0.7", "soil.loam.swell.0=0.1")
    ]
    plain = copy.deepcopy(TABLES)
    for setting in settings:
        apply(document, setting, new_table=tomlkit.inline_table)
        apply(plain, setting)
    text = tomlkit.dumps(document)
    assert tomlkit.parse(text).unwrap() == plain
    assert 'water = "pond"   # kept' in text


STEPS = st.sampled_from(
    [
        *(
            "pond",
            "basin",
            "element",
            "filter_pit",
            "no. 2 pit",
            '"no. 2 pit"',
            "0",
            "1",
            "-1",
            "9",
        ),
        *(
            "shelves",
            "depth",
            "floor",
            "over_dig",
            "side",
            "water",
            "site",
            "soil",
            "loam",
            "swell",
        ),
        *("outline", "circle", "centre", "lifts", "cobble", "codes", "rock", "truck", "", " ", '"'),
        *("survey", "zone", "stratum", "name", "type", "from", "\n", "²", "99999999999999999999"),
    ]
)
VALUES = st.one_of(
    st.sampled_from(
        [
            *("1", "0.5", "-1", "2 ft", "1e400", "nan", "[1, 2]", "{ a = 1 }", "true", "vertical"),
            *("", "1\nb = 2", "2020-01-01", "07:30:00", "[" * 4000, '"', "'x'", "1:1", "basin"),
        ]
    ),
    st.text(max_size=8),
)


@settings(max_examples=60, deadline=None)
@given(key=st.one_of(st.lists(STEPS, max_size=6).map(".".join), st.text(max_size=12)), value=VALUES)
@example(key="." * 60, value="1")
@example(key="pond.shelves", value="1")
@example(key="pond.shelves", value="[" * 4000)
@example(key="pond.shelves", value="[" * 480 + "]" * 480)
@example(key="pond.shelves", value="[" * 250 + "]" * 250)
def test_a_torn_path_or_value_is_told_and_never_a_traceback(key, value):
    before = copy.deepcopy(TABLES)
    with contextlib.suppress(TerrainError):
        changed(f"{key}={value}")
    assert before == TABLES
