"""Every length, volume, mass and density is converted exactly, once, and wrong text is refused."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from terrain.errors import UnitError
from terrain.units import (
    FOOT,
    METRE,
    UNITS,
    US_SURVEY_FOOT,
    Unit,
    parse_batter,
    parse_density,
    parse_flow,
    parse_length,
    parse_mass,
    parse_speed,
    parse_time,
    parse_volume,
)

EXACT = {"rel": 1e-15, "abs": 0.0}


def test_us_survey_foot_and_foot():
    """1200/3937 m until 2022 (85 FR 62698); 0.3048 m exactly (1959). Their ratio 1.000002000004."""
    assert pytest.approx(0.304800609601219, abs=5e-16) == US_SURVEY_FOOT.metres
    assert FOOT.metres == 0.3048
    assert US_SURVEY_FOOT.metres / FOOT.metres == pytest.approx(1.000002000004, abs=5e-13)


def test_the_two_feet_part_by_four_feet_at_a_state_plane_easting():
    """Closed form: 2,000,000 ft read in the wrong foot is off by 4.000 ft, 1.219 m."""
    apart = parse_length(2_000_000, US_SURVEY_FOOT) - parse_length(2_000_000, FOOT)
    assert apart == pytest.approx(1.219, abs=5e-4)
    assert apart / 0.3048 == pytest.approx(4.000, abs=5e-4)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("3 ft 6 in", 42 * 0.0254),
        ("3ft6in", 42 * 0.0254),
        ("3ft2in", 38 * 0.0254),
        ("3' 6\"", 42 * 0.0254),
        ("3′ 6″", 42 * 0.0254),
        ("3 ft, 6 in", 42 * 0.0254),
        ("18 in", 18 * 0.0254),
        ("6 1/2 in", 6.5 * 0.0254),
        ("1/4 in", 0.25 * 0.0254),
        ("0.9 m", 0.9),
        (".9 m", 0.9),
        ("90 cm", 0.9),
        ("900 mm", 0.9),
        ("1 yd", 0.9144),
        ("1 km", 1000.0),
        ("3937 us-ft", 1200.0),
        ("1e3 mm", 1.0),
        ("-2 ft", -0.6096),
        ("−2 ft", -0.6096),
        ("+2 ft", 0.6096),
        ("2 FT", 0.6096),
        ("1.5 metres", 1.5),
    ],
)
@pytest.mark.parametrize("unit", UNITS.values(), ids=UNITS)
def test_a_length_that_names_its_unit_ignores_the_files(text: str, metres: float, unit: Unit):
    """The inch is 25.4 mm exactly (1959)."""
    assert parse_length(text, unit) == pytest.approx(metres, **EXACT)


@pytest.mark.parametrize("value", [2, 2.0, "2", " 2 "])
def test_a_bare_length_is_in_the_files_unit(value: float | str):
    assert parse_length(value, METRE) == 2.0
    assert parse_length(value, FOOT) == pytest.approx(0.6096, **EXACT)
    assert parse_length(value, US_SURVEY_FOOT) == pytest.approx(2400 / 3937, **EXACT)


@pytest.mark.parametrize(
    ("text", "cubic_metres", "tolerance"),
    [
        ("1 yd3", 0.764554857984, 1e-15),
        ("1 yd³", 0.764554857984, 1e-15),
        ("27 ft3", 0.764554857984, 1e-15),
        ("201.974 gal", 0.764554857984, 5e-6),  # gallons in a cubic yard, to 3 decimals
        ("7.48052 gal", 0.3048**3, 1e-6),  # 1728 / 231 in a cubic foot
        ("9 m3", 9.0, 1e-15),
        ("250 l", 0.25, 1e-15),
    ],
)
def test_volumes(text: str, cubic_metres: float, tolerance: float):
    """Exact definitions: the US gallon is 231 cubic inches, the cubic yard 27 cubic feet."""
    assert parse_volume(text) == pytest.approx(cubic_metres, rel=tolerance)


@pytest.mark.parametrize(
    ("text", "kilograms"),
    [
        ("1 ton", 907.18474),
        ("2000 lb", 907.18474),
        ("1 t", 1000.0),
        ("18 tonnes", 18_000.0),
        ("5 kg", 5.0),
    ],
)
def test_masses(text: str, kilograms: float):
    """The short ton is 2,000 lb of 0.45359237 kg exactly (1959)."""
    assert parse_mass(text) == pytest.approx(kilograms, **EXACT)


def test_densities_of_water_and_of_rounded_tables():
    """1 kg/m³ = 1.68555 lb/yd³; water's 62.4 lb/ft³ is 1,684.8 lb/yd³ and about 1,000 kg/m³."""
    assert parse_density("1.68555 lb/yd3") == pytest.approx(1.0, rel=5e-6)
    assert parse_density("62.4 pcf") == pytest.approx(parse_density("1684.8 lb/yd3"), **EXACT)
    assert parse_density("62.4 lb/ft3") == pytest.approx(1000, rel=1e-3)
    assert parse_density("1.9 t/m3") == pytest.approx(1900, **EXACT)


@pytest.mark.parametrize(
    ("value", "run"), [("1.5:1", 1.5), ("2:1", 2.0), ("1:4", 0.25), ("0:1", 0.0), ("vertical", 0.0)]
)
def test_batters(value: str, run: float):
    assert parse_batter(value) == run


@pytest.mark.parametrize(
    ("run", "rise", "degrees"), [(0.75, 1, 53.13), (1, 1, 45.0), (1.5, 1, 33.69), (1, 2, 63.43)]
)
def test_batters_by_their_angle(run: float, rise: float, degrees: float):
    """29 CFR 1926 Subpart P, table B-1 (transcribed): 53°, 45° and 34° for ¾:1, 1:1 and 1½:1."""
    slope = math.degrees(math.atan2(1, parse_batter(f"{run}:{rise}")))
    assert slope == pytest.approx(degrees, abs=0.005)


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "-",
        "deep",
        "3 ft 6",
        "ft",
        "3 furlongs",
        "3,5 m",
        "1/0 in",
        "nan",
        "inf",
        "-inf",
        "1e999",
        "3 m2",
        "3 kg",
        "two ft",
        "3 ft / 2 in",
        "--3 ft",
    ],
)
def test_bad_lengths(text: str):
    with pytest.raises(UnitError, match="length"):
        parse_length(text, METRE)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_lengths_that_are_no_number(value: float):
    with pytest.raises(UnitError, match="length"):
        parse_length(value, FOOT)


@pytest.mark.parametrize("text", ["", "12", "12 yd", "12 kg", "yd3", "1 m3 and a bit", "1e999 m3"])
def test_bad_volumes(text: str):
    with pytest.raises(UnitError, match="volume"):
        parse_volume(text)


@pytest.mark.parametrize("text", ["", "18", "18 m", "heavy", "1e999 t"])
def test_bad_masses(text: str):
    with pytest.raises(UnitError, match="mass"):
        parse_mass(text)


@pytest.mark.parametrize("text", ["", "1600", "1600 kg", "kg/m3", "1600 kg/m2", "1e999 kg/m3"])
def test_bad_densities(text: str):
    with pytest.raises(UnitError, match="density"):
        parse_density(text)


@pytest.mark.parametrize(
    "value", ["", "1", "1:0", "1:-1", "-1:1", "a:b", "1:1:1", "nan:1", "inf:1", "1:nan", -1.0]
)
def test_bad_batters(value: str | float):
    with pytest.raises(UnitError, match="batter"):
        parse_batter(value)


def test_an_error_says_what_was_found_expected_and_how_to_mend_it():
    with pytest.raises(UnitError) as refusal:
        parse_length("3 furlongs", METRE)
    assert "'3 furlongs'" in refusal.value.found
    assert "3 ft 6 in" in refusal.value.expected
    assert "us-ft" in refusal.value.mend


@given(
    metres=st.floats(-1e7, 1e7, allow_nan=False),
    unit=st.sampled_from([METRE, FOOT, US_SURVEY_FOOT]),
)
def test_a_length_survives_being_written_and_read(metres: float, unit: Unit):
    shown = metres / unit.metres
    assert parse_length(shown, unit) == pytest.approx(metres, rel=1e-15, abs=1e-300)
    assert parse_length(repr(shown), unit) == pytest.approx(metres, rel=1e-15, abs=1e-300)


@given(feet=st.integers(0, 10_000), eighths=st.integers(1, 95))
def test_feet_and_inches_with_fractions_add_up(feet: int, eighths: int):
    whole, part = divmod(eighths, 8)
    inches = f"{whole} {part}/8" if whole else f"{part}/8"
    text = f"{feet} ft {inches} in"
    assert parse_length(text, METRE) == pytest.approx((feet * 12 + eighths / 8) * 0.0254, rel=1e-14)


@given(run=st.floats(0, 100), rise=st.floats(0.01, 100))
def test_batters_are_run_over_rise(run: float, rise: float):
    assert parse_batter(f"{run!r}:{rise!r}") == pytest.approx(run / rise, rel=1e-15)


@pytest.mark.parametrize(
    ("unit", "length", "area", "volume"),
    [
        (METRE, "1,234.50 m", "10 m²", "12.5 m³"),
        (FOOT, "4,050.20 ft", "108 ft²", "16.3 yd³"),
        (US_SURVEY_FOOT, "4,050.19 ft", "108 ft²", "16.3 yd³"),
    ],
)
def test_what_is_printed(unit: Unit, length: str, area: str, volume: str):
    """1234.5 m, 10 m² and 12.5 m³ by the exact definitions."""
    assert unit.length(1234.5) == length
    assert unit.area_text(10.0) == area
    assert unit.volume_text(12.5) == volume


def test_answers_are_written_in_the_trades_words():
    """A cubic yard is 0.764554857984 m³, a short ton 907.18474 kg, exactly."""
    assert METRE.mass_text(14_100) == "14.1 t"
    assert FOOT.mass_text(907.18474 * 15.5) == "15.5 tons"
    assert FOOT.volume_text(0.764554857984 * 16.3) == "16.3 yd³"
    assert FOOT.water_m3 == pytest.approx(0.003785411784, **EXACT)
    assert (METRE.plural, FOOT.plural, US_SURVEY_FOOT.plural) == (
        "metres",
        "international feet",
        "US survey feet",
    )


@pytest.mark.parametrize("value", [[1], {"run": 1}, None, True, 10**400, "1:2:3", math.nan])
def test_what_is_no_batter_is_refused(value: object):
    with pytest.raises(UnitError, match="is not a batter"):
        parse_batter(value)  # type: ignore[arg-type]


@pytest.mark.parametrize("text", ["1e999 m3", "9e999 yd3"])
def test_an_endless_quantity_is_refused(text: str):
    with pytest.raises(UnitError, match="is not a volume"):
        parse_volume(text)


@pytest.mark.parametrize(
    ("text", "si"),
    [
        ("20 m3/h", 20 / 3600),
        ("5 l/s", 0.005),
        ("100 gpm", 100 * 231 * 0.0254**3 / 60),
        ("448.831 gpm", 0.3048**3),
        ("1 ft3/s", 0.3048**3),
    ],
)
def test_flows(text, si):
    """1 ft³/s = 448.831 gal/min: exact from 231 in³ in a gallon."""
    assert parse_flow(text) == pytest.approx(si, rel=1e-6)


@pytest.mark.parametrize(
    ("parse", "text", "si"),
    [
        (parse_speed, "36 km/h", 10.0),
        (parse_speed, "25 mph", 11.176),
        (parse_speed, "60 m/min", 1.0),
        (parse_time, "18 s", 18.0),
        (parse_time, "1.5 min", 90.0),
        (parse_time, "1 h 30 min", 5400.0),
    ],
)
def test_speeds_and_times(parse, text, si):
    """A mile is 1,609.344 m, so 1 mph is 0.44704 m/s."""
    assert parse(text) == pytest.approx(si, rel=1e-12)


@pytest.mark.parametrize(("parse", "text"), [(parse_speed, "36 m"), (parse_time, "3 m")])
def test_a_speed_or_time_without_its_unit_is_refused(parse, text):
    with pytest.raises(UnitError, match=r"is not a (speed|time)"):
        parse(text)


def test_a_mile_is_a_length():
    assert parse_length("2 mi", METRE) == pytest.approx(3218.688, rel=1e-12)
