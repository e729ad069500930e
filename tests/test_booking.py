"""What is booked for a site whose dig is known in closed form."""

import json
import math
import tomllib
from collections.abc import Sequence

import pytest

from terrain.booking import Booking, book, likely_soils, outfit_of, soil_ranges, truck_of
from terrain.design import Plan
from terrain.design.machine_tables import DumperTable, LoaderTable
from terrain.design.plan import check_plan
from terrain.earthwork.soil import Soil
from terrain.errors import PlanError
from terrain.haul import Balance, SoilWork, balance
from terrain.haul.carrying import Carry
from terrain.haul.draws import draw
from terrain.site import Site
from tests.cli.sites import DUG_M3, LOOSE_M3, write_site

MACHINES = """
[excavator]
bucket = "0.5 m3"
fill = 0.8
cycle = "30 s"

[tip]
distance = "6 km"
wait = "3 min"
fee = 50
currency = "EUR"
"""
TRUCK = """payload = "40 t"
haul_speed = "36 km/h"
return_speed = "36 km/h"
dump = "1 min"
spot = "30 s"
number = 2
"""


def booked(plan: Plan, table: str, **keys) -> Booking:
    """What is booked for the site's dig with a ± of 5 %, its volumes put in by hand."""
    plan = plan.model_copy(update={table: getattr(plan, table).model_copy(update=keys)})

    def balanced(soils: Sequence[Soil], scale: float) -> Balance:
        return balance([SoilWork(soils[0], scale * DUG_M3, 0.0)], truck_of(plan))

    drawn = [
        (each, balanced(each.soils, each.scale))
        for each in draw(soil_ranges(plan), 0.05, seed=plan.work.seed)
    ]
    return book(plan, outfit_of(plan, 1.2), balanced(likely_soils(plan), 1.0), drawn, ())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory):
    folder = write_site(tmp_path_factory.mktemp("booked") / "hollow", "m")
    plan = folder / "site.toml"
    text = plan.read_text(encoding="utf-8").replace('payload = "40 t"', TRUCK)
    plan.write_text(text + MACHINES, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def site(folder):
    return Site.open(folder)


def test_two_trucks_by_hand(site):
    """23 passes of 0.4 m³ in 30 s, 600 s each way, 240 s at the tip, 30 s to back up: 2,160 s.

    Two trucks of 9 m³ at 50 min/h carry 25 m³/h; the excavator could load 9 m³ in 690 s.
    """
    booking = site.booking
    fleet = booking.fleet
    assert fleet.filling.passes == 23
    assert fleet.round.whole_s == pytest.approx(2160)
    assert (fleet.trucks, fleet.keep_busy, fleet.limited_by) == (2, 4, "trucks")
    assert fleet.loose_m3_per_h == pytest.approx(25)
    assert fleet.excavator_m3_per_h == pytest.approx(9 / 690 * 3600 * 50 / 60)
    assert booking.hours.whole_h == pytest.approx(LOOSE_M3 / 25, rel=1e-3)
    assert booking.days.likely == pytest.approx(LOOSE_M3 / 25 / 8, rel=1e-3)
    assert booking.days.low < booking.days.likely < booking.days.high
    assert booking.hand is None


@pytest.mark.parametrize(
    ("per", "amount"),
    [
        ("load", math.ceil(LOOSE_M3 / 9)),
        ("t", 1.8 * DUG_M3),
        ("ton", 1.8 * DUG_M3 / 0.90718474),
        ("m3", LOOSE_M3),
        ("yd3", LOOSE_M3 / 0.9144**3),
    ],
)
def test_the_tip_takes_its_fee_by_load_by_weight_or_by_volume(site, per, amount):
    fee = booked(site.plan, "tip", per=per).fee
    assert fee.likely == pytest.approx(50 * amount)
    assert fee.low <= fee.likely <= fee.high
    assert booked(site.plan, "tip", fee=None).fee is None


def test_a_struck_body_takes_more_loads(site):
    """Closed form: 65.3 m³ loose in loads of 2 m³ are 33, whatever the heaped body would hold."""
    struck = booked(site.plan, "truck", struck=2.0, filled="struck")
    assert struck.fleet.filling.load_m3 == 2.0
    assert struck.loads_drawn.low < math.ceil(LOOSE_M3 / 2) < struck.loads_drawn.high
    assert booked(site.plan, "truck", struck=2.0).fleet.filling.load_m3 == 9.0


def test_the_excavator_sets_the_pace_where_no_number_of_trucks_is_given(site):
    free = booked(site.plan, "truck", number=None)
    assert (free.fleet.trucks, free.fleet.limited_by) == (4, "excavator")
    assert free.hours.whole_h == pytest.approx(LOOSE_M3 / (9 / 690 * 3600 * 50 / 60))


def test_without_a_timed_pass_the_textbook_and_the_pace_of_shaping_hold(site):
    """200 passes an hour in medium soil, 1.15 of it at 1.2 m of 4 m, and half of that: 31.3 s."""
    (pace,) = booked(site.plan, "excavator", cycle=None).paces
    assert pace.digger.cycle_s == pytest.approx(3600 / 200 / 1.15 / 0.5)
    (bulk,) = booked(site.plan, "excavator", cycle=None, pace=1.0).paces
    assert bulk.digger.cycle_s == pytest.approx(3600 / 200 / 1.15)


def test_a_tracked_dumper_waits_for_its_excavator(site):
    """1 m³ of 1.44 t a go, 2.5 passes of 30 s, 60 s of turning, 60 m at 4 and back at 6 km/h."""
    plan = site.plan.model_copy(update={"dumper": DumperTable()})
    works = [SoilWork(likely_soils(plan)[0], DUG_M3, 10.0)]
    likely = balance(works, truck_of(plan))
    drawn = [(each, likely) for each in draw(soil_ranges(plan), 0.0, seed=1)]
    (carried,) = book(plan, outfit_of(plan, 1.2), likely, drawn, (Carry(12.5, 60.0),)).carried
    round_s = 60 + 2.5 * 30 + 60 * 3.6 / 4 + 60 * 3.6 / 6
    assert carried.hours == pytest.approx(12.5 * round_s / 3600 * 60 / 50)
    light = plan.model_copy(update={"dumper": DumperTable(payload="720 kg")})
    (half,) = book(light, outfit_of(light, 1.2), likely, drawn, (Carry(12.5, 60.0),)).carried
    assert half.carrier.load_m3 == pytest.approx(0.5)


def test_one_truck_brings_in_what_is_missing_where_no_number_is_given(site):
    """100 m³ placed of nothing dug: 125 m³ loose at 12.5 m³/h of one truck, 10 h."""
    truck = site.plan.truck.model_copy(update={"number": None})
    work = site.plan.work.model_copy(update={"by_hand": 1e-9})
    plan = site.plan.model_copy(update={"truck": truck, "work": work})
    likely = balance([SoilWork(likely_soils(plan)[0], 1e-6, 100.0)], truck_of(plan))
    drawn = [(each, likely) for each in draw(soil_ranges(plan), 0.0, seed=1)]
    booking = book(plan, outfit_of(plan, 0.0), likely, drawn, ())
    assert booking.fleet.trucks == 1
    assert booking.hours.bringing_h == booking.hours.whole_h == pytest.approx(10.0)
    assert booking.fee is None


def test_a_small_dig_is_done_by_hand(site):
    """All of it leaves: 2.2 and 1.3 person-hours for each m³ of medium soil, by two people."""
    booking = booked(site.plan, "work", by_hand=100.0)
    assert booking.hours is None
    assert booking.hand.person_hours == pytest.approx(3.5 * DUG_M3)
    assert booking.days.likely == pytest.approx(3.5 * DUG_M3 / 2 / 8)
    assert booked(site.plan, "work", by_hand=52.0).hand is None


def test_the_seed_changes_the_draws_and_nothing_else(site):
    one, same, other = (booked(site.plan, "work", seed=seed) for seed in (1, 1, 2))
    assert one == same
    assert other.hours == one.hours
    assert other.days.likely == one.days.likely
    assert other.days_drawn != one.days_drawn


def test_where_all_is_known_low_and_high_are_the_likely(site):
    sure = site.plan.soil[0].model_copy(update={"swell": (0.25, 0.25, 0.25)})
    plan = site.plan.model_copy(update={"soil": (sure,)})
    likely = balance([SoilWork(likely_soils(plan)[0], DUG_M3, 0.0)], truck_of(plan))
    drawn = [(each, likely) for each in draw(soil_ranges(plan), 0.0, seed=1)]
    days = book(plan, outfit_of(plan, 1.2), likely, drawn, ()).days
    assert days.low == days.likely == days.high


def test_what_is_raised_is_carried_by_the_machine_that_is_sooner_done(site):
    """A terrace of 12 m³ at (520, 803): from the pond at (515, 812), nearer than the pit."""
    text = f"""
    {(site.folder / "site.toml").read_text(encoding="utf-8")}
    [loader]
    bucket = "0.8 m3"
    fill = 1.0
    [dumper]
    volume = "0.5 m3"
    [[element]]
    type = "pad"
    name = "terrace"
    outline = {{ points = [[517, 801], [523, 801], [523, 805], [517, 805]] }}
    level = 100.5
    fill_batter = "vertical"
    """
    raised = site.revised(check_plan(tomllib.loads(text), site.path))
    (carried,) = raised.booking.carried
    assert carried.carrier.name == "track loader"
    assert carried.carry.distance_m == pytest.approx(math.hypot(5, 9), abs=0.05)
    assert carried.carry.volume_loose_m3 == pytest.approx(1.25 * 12, rel=5e-3)
    round_h = (24 + 1.8 * carried.carry.distance_m) / 3600
    assert carried.hours == pytest.approx(carried.carry.volume_loose_m3 / 0.8 * round_h * 60 / 50)


def test_haul_tells_what_is_booked(site, capsys):
    from cli.haul import show

    show(site)
    text = capsys.readouterr().out
    assert "With 2 trucks the trucks set the pace: 25.0 m³ loose an hour leave" in text
    assert "A truck's round of 36 min: loading 12, out 10, at the tip 4, back 10" in text
    assert "The dig takes about 0.3 days (2.6 h)" in text
    assert "The tip takes about 400 EUR" in text
    assert "at 50 for each load." in text
    assert "usual numbers" not in text


def test_haul_tells_it_as_json_with_another_seed(folder, capsys):
    from cli.main import app

    with pytest.raises(SystemExit) as left:
        app(["haul", str(folder), "--json", "--seed=2"], prog_name="tarnwright")
    assert left.value.code == 0
    document = json.loads(capsys.readouterr().out)
    assert document["days"] == pytest.approx(LOOSE_M3 / 25 / 8, rel=1e-3)
    assert document["fleet"]["limited_by"] == "trucks"
    assert document["production"]["soils"][0]["loose_m3_per_h"] == pytest.approx(40)
    assert document["production"]["soils"][0]["bank_m3_per_h"] == pytest.approx(32)
    assert document["tip"]["fee"] == 400
    assert document["draws"]["seed"] == 2
    days = document["draws"]["days"]
    assert days["p10"] < days["p50"] < days["p90"]
    assert (document["days_low"], document["days_high"]) == (days["p10"], days["p90"])


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('volume = "9 m3"', 'volume = "9 m3"\nfilled = "struck"', "the struck volume is missing"),
        ('volume = "9 m3"', 'volume = "9 m3"\nstruck = "10 m3"', "more than the heaped 9 m3"),
        ('haul_speed = "36 km/h"', "haul_speed = 36", "is a speed without its unit"),
        ('cycle = "30 s"', 'cycle = "30 m"', "is not a time"),
        ('cycle = "30 s"', 'cycle = "0 s"', "cycle"),
    ],
)
def test_machines_that_cannot_be(folder, old, new, told):
    text = (folder / "site.toml").read_text(encoding="utf-8")
    assert old in text
    with pytest.raises(PlanError) as caught:
        check_plan(tomllib.loads(text.replace(old, new)), folder / "site.toml")
    assert told in str(caught.value)
    assert "expected" in str(caught.value)


def test_what_lies_within_reach_the_excavator_lays_itself(site):
    plan = site.plan.model_copy(update={"loader": LoaderTable()})
    likely = balance([SoilWork(likely_soils(plan)[0], DUG_M3, 10.0)], truck_of(plan))
    drawn = [(each, likely) for each in draw(soil_ranges(plan), 0.0, seed=1)]
    ways = (Carry(5.0, 7.9), Carry(2.0, 20.0), Carry(6.0, 60.0))
    (carried,) = book(plan, outfit_of(plan, 1.2), likely, drawn, ways).carried
    assert carried.carry.volume_loose_m3 == pytest.approx(8.0)
    assert carried.carry.distance_m == pytest.approx((2 * 20 + 6 * 60) / 8)
    without = plan.model_copy(update={"loader": None})
    assert book(without, outfit_of(plan, 1.2), likely, drawn, ways).carried == ()
