"""What excavators, trucks and loaders move in an hour.

Against textbooks and a field manual, from memory, and against problems of the textbook kind whose
answers are worked by hand here. The planning tables of loaders and of hand work are common
practice; where they were read was not kept.
"""

import pytest

from terrain.earthwork.soil import Soil, loose_to_bank
from terrain.haul.carrying import Carrier, Carry, carrying_hours
from terrain.haul.digging import Digger, cycle_time, swing_depth
from terrain.haul.fleet import Filling, Round, fill_truck, run_fleet
from terrain.haul.hand import hand_work
from terrain.units import parse_speed, parse_volume

YARD3 = parse_volume("1 yd3")
FIFTY_MINUTES = 50 / 60


def going(load_min: float, other_min: float) -> Round:
    """A round whose other times are told together."""
    return Round(60 * load_min, 60 * other_min, 0.0, 0.0, 0.0)


def test_a_small_excavator_in_sand_and_gravel():
    """Nunnally, Construction Methods and Management, ch. 3, from memory: 148 LCY/h, 113 LCM/h.

    Bucket 3/4 yd³ (0.57 m³) heaped, filled to 0.95; 14 ft of 20 ft deep, swing 90°, 50 min/h.
    """
    bucket = 0.75 * YARD3
    cycle = cycle_time(bucket, "easy") / swing_depth(90, 14 / 20)
    digger = Digger(0.95 * bucket, cycle, FIFTY_MINUTES)
    assert digger.loose_m3_per_h / YARD3 == pytest.approx(148, abs=0.5)
    assert digger.loose_m3_per_h == pytest.approx(113, abs=0.6)


def test_a_basement_in_common_earth():
    """By hand: 160 · 1.0792 · 1.5 · 0.90 · 50/60 = 194.3 LCY/h, 155 BCY/h.

    Bucket 1.5 yd³ filled to 0.90; 13 ft of 24 ft deep, swing 90°, 50 min/h, swell 25 % (FM 5-434
    for common earth). At 54.2 % of the depth the textbook's factor lies between 1.10 and 1.00.
    """
    bucket = 1.5 * YARD3
    factor = swing_depth(90, 13 / 24)
    assert factor == pytest.approx(1.10 - 0.10 * (13 / 24 - 0.5) / 0.2)
    digger = Digger(0.9 * bucket, cycle_time(bucket, "medium") / factor, FIFTY_MINUTES)
    assert digger.loose_m3_per_h / YARD3 == pytest.approx(194.3, abs=0.1)
    earth = Soil("common earth", 0.25, 0.10, 1900.0)
    assert loose_to_bank(digger.loose_m3_per_h, earth) / YARD3 == pytest.approx(155.4, abs=0.1)


def test_days_to_dig_a_dam():
    """By hand: 64,000 yd³ compacted are 64.1 days of 8 h.

    A pass of 25 s, 1.5 yd³ filled to 0.9, 50 min/h, 13 ft of 24 ft deep at 90°; soil of 2,500
    loose and 3,500 compacted lb/yd³: 89,600 loose yd³ at 144 · 1.0792 · 1.35 · 50/60 = 174.8.
    """
    digger = Digger(1.35 * YARD3, 25 / swing_depth(90, 13 / 24), FIFTY_MINUTES)
    assert digger.loose_m3_per_h / YARD3 == pytest.approx(174.8, abs=0.05)
    assert 64_000 * YARD3 * 3500 / 2500 / digger.loose_m3_per_h / 8 == pytest.approx(64.1, abs=0.05)


def test_a_wide_swing_is_slower():
    """Nunnally, ch. 3, from memory: from a standard swing of 90° to 180° the pace falls by 17 %."""
    assert swing_depth(180, 0.7) / swing_depth(90, 0.7) == pytest.approx(0.83)
    assert swing_depth(45, 0.1) == swing_depth(30, 0.3) == 1.33


def test_a_shovel_and_its_trucks():
    """Nunnally, ch. 5, from memory: 371 BCY/h and 20 BCY trucks with 0.5 h besides loading.

    10.3 trucks, so 11; 278 BCY/h at an efficiency of 0.75; with 9 trucks 244 BCY/h.
    """
    filling = Filling(20 * YARD3, 1)
    rounds = going(60 * 20 / 371, 30)
    full = run_fleet(filling, rounds, efficiency=0.75, trucks=None, most=1000)
    assert full.trucks == full.keep_busy == 11
    assert full.limited_by == "excavator"
    assert full.loose_m3_per_h / YARD3 == pytest.approx(278, abs=0.5)
    nine = run_fleet(filling, rounds, efficiency=0.75, trucks=9, most=1000)
    assert nine.limited_by == "trucks"
    assert nine.loose_m3_per_h / YARD3 == pytest.approx(244, abs=0.5)


def test_five_trucks_of_six():
    """300 BCY/h, 12 BCY trucks, 8 min travel and 2 min fixed, efficiency 0.80.

    By hand: 2.4 min to load, 12.4 min round, 5.17 so 6 trucks; five carry 5 · 12 · 60 / 12.4 · 0.8
    = 232.3 BCY/h, and the shovel would dig 240.
    """
    filling, rounds = Filling(12 * YARD3, 1), Round(144, 240, 60, 240, 60)
    assert rounds.whole_s == pytest.approx(12.4 * 60)
    five = run_fleet(filling, rounds, efficiency=0.8, trucks=5, most=1000)
    assert five.keep_busy == 6
    assert five.loose_m3_per_h / YARD3 == pytest.approx(232.3, abs=0.05)
    assert five.excavator_m3_per_h / YARD3 == pytest.approx(240)


def test_one_truck_by_the_field_manual():
    """The method of FM 5-434, from memory: 12 LCY in 20 min, 50 min/h: 30 LCY/h; clay 21 BCY/h."""
    one = run_fleet(
        Filling(12 * YARD3, 1), going(4, 16), efficiency=FIFTY_MINUTES, trucks=1, most=1000
    )
    assert one.loose_m3_per_h / YARD3 == pytest.approx(30)
    clay = Soil("clay", 1 / 0.70 - 1, 0.10, 1900.0)
    assert loose_to_bank(one.loose_m3_per_h, clay) / YARD3 == pytest.approx(21)


def test_a_truck_every_quarter_of_an_hour():
    """By hand: 18 yd³ loose, swell 20 %, four rounds an hour: 60 yd³ in place."""
    one = run_fleet(Filling(18 * YARD3, 1), going(3, 12), efficiency=1.0, trucks=1, most=1000)
    earth = Soil("", 0.20, 0.0, 1900.0)
    assert loose_to_bank(one.loose_m3_per_h, earth) / YARD3 == pytest.approx(60)


@pytest.mark.parametrize(("bucket", "passes"), [(6.0, 9), (7.0, 8)])
def test_passes_of_a_loader_that_fills_its_trucks(bucket: float, passes: int):
    """By hand: 45.9 yd³ by 6 or 7 yd³ at 0.9 are 8.5 and 7.3 passes."""
    filling = fill_truck(45.9 * YARD3, 0.9 * bucket * YARD3)
    assert filling == Filling(45.9 * YARD3, passes)


@pytest.mark.parametrize(
    ("bucket", "hourly"),
    [(0.76, (65, 45, 35, 30, 25, 20, 15, 15)), (1.53, (130, 90, 70, 60, 50, 40, 35, 30))],
)
def test_a_track_loader_over_ten_to_eighty_metres(bucket: float, hourly: tuple[int, ...]):
    """A planning table (common practice), m³ an hour rounded to 5, mostly down.

    It takes 0.4 min to dig, turn and dump, 3 km/h loaded and 6 km/h back.
    """
    loader = Carrier("track loader", bucket, parse_speed("3 km/h"), parse_speed("6 km/h"), 24.0)
    for step, published in enumerate(hourly, start=1):
        found = loader.loose_m3_per_h(10 * step, efficiency=1.0)
        assert abs(found - published) <= 3.5
    hours = carrying_hours(Carry(90.0, 20.0), loader, efficiency=0.5)
    assert hours == pytest.approx(90 / (0.5 * bucket * 60 / (0.4 + 0.4 + 0.2)))


@pytest.mark.parametrize(
    ("digging", "dig", "load"), [("easy", 1.2, 1.0), ("medium", 2.2, 1.3), ("hard", 3.3, 1.9)]
)
def test_hand_work_by_an_estimators_list(digging, dig: float, load: float):
    """A list of labour (common practice), h/m³ in sand, medium and heavy soil.

    Digging to 1 m and loading as given; wheeling up to 50 m takes 1.25, placing and tamping 1.00.
    """
    work = hand_work(4.0, 1.5, digging)
    assert work.dig_h == pytest.approx(4.0 * dig)
    assert work.load_h == pytest.approx(1.5 * load)
    assert work.place_h == pytest.approx(2.5 * (1.25 + 1.00))
    assert work.person_hours == pytest.approx(work.dig_h + work.load_h + work.place_h)
