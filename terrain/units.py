"""Lengths, volumes, masses and densities as people write them, to SI and back.

Everything inside is metres, cubic metres, kilograms and radians. This module is the only door.
"""

import math
import re
from dataclasses import dataclass

from terrain.errors import UnitError


@dataclass(frozen=True)
class Unit:
    """A system of measure that a file is written in and that its answers are shown in.

    Attributes
    ----------
    key
        The word used in a plan file.
    metres
        Length of one unit, m.
    symbol, area, volume, water, mass
        What is printed after a length, an area, a volume of earth, of water, a mass.
    area_m2, volume_m3, water_m3, mass_kg
        One printed unit of each, in SI.
    """

    key: str
    name: str
    metres: float
    symbol: str
    area: str
    area_m2: float
    volume: str
    volume_m3: float
    water: str
    water_m3: float
    mass: str
    mass_kg: float

    @property
    def plural(self) -> str:
        """`metres`, `international feet`."""
        return self.name.replace("foot", "feet") if "foot" in self.name else f"{self.name}s"

    def length(self, metres: float, digits: int = 2) -> str:
        """Write a length: `1.25 m`."""
        return f"{metres / self.metres:,.{digits}f} {self.symbol}"

    def area_text(self, square_metres: float, digits: int = 0) -> str:
        """Write an area: `86 m²`."""
        return f"{square_metres / self.area_m2:,.{digits}f} {self.area}"

    def volume_text(self, cubic_metres: float, digits: int = 1) -> str:
        """Write a volume of earth: `12.5 m³`, `16.3 yd³`."""
        return f"{cubic_metres / self.volume_m3:,.{digits}f} {self.volume}"

    def mass_text(self, kilograms: float, digits: int = 1) -> str:
        """Write a mass: `14.1 t`, `15.5 tons` (of 2,000 lb)."""
        return f"{kilograms / self.mass_kg:,.{digits}f} {self.mass}"


FOOT_M = 0.3048
US_SURVEY_FOOT_M = 1200 / 3937  # NGS, 85 FR 62698 (2020)
_POUND = 0.45359237
_GALLON = 231 * (FOOT_M / 12) ** 3
_US_WATER_AND_MASS = ("gal", _GALLON, "tons", 2000 * _POUND)

METRE = Unit("m", "metre", 1.0, "m", "m²", 1.0, "m³", 1.0, "m³", 1.0, "t", 1000.0)
FOOT = Unit(
    "ft",
    "international foot",
    FOOT_M,
    "ft",
    "ft²",
    FOOT_M**2,
    "yd³",
    27 * FOOT_M**3,
    *_US_WATER_AND_MASS,
)
US_SURVEY_FOOT = Unit(
    "us-ft",
    "US survey foot",
    US_SURVEY_FOOT_M,
    "ft",
    "ft²",
    US_SURVEY_FOOT_M**2,
    "yd³",
    27 * US_SURVEY_FOOT_M**3,
    *_US_WATER_AND_MASS,
)
UNITS = {unit.key: unit for unit in (METRE, FOOT, US_SURVEY_FOOT)}

_LENGTHS = {
    "m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0,
    "mm": 0.001, "cm": 0.01, "km": 1000.0, "mi": 5280 * FOOT_M, "miles": 5280 * FOOT_M,
    "ft": FOOT_M, "foot": FOOT_M, "feet": FOOT_M, "'": FOOT_M, "′": FOOT_M,
    "in": FOOT_M / 12, "inch": FOOT_M / 12, "inches": FOOT_M / 12,
    '"': FOOT_M / 12, "″": FOOT_M / 12, "yd": 3 * FOOT_M, "us-ft": US_SURVEY_FOOT_M,
}  # fmt: skip
_VOLUMES = {
    "m3": 1.0, "m³": 1.0, "l": 0.001, "litre": 0.001, "litres": 0.001, "liter": 0.001,
    "ft3": FOOT_M**3, "ft³": FOOT_M**3, "cuft": FOOT_M**3,
    "yd3": 27 * FOOT_M**3, "yd³": 27 * FOOT_M**3, "cuyd": 27 * FOOT_M**3,
    "gal": _GALLON,
}  # fmt: skip
_MASSES = {
    "kg": 1.0, "t": 1000.0, "tonne": 1000.0, "tonnes": 1000.0,
    "lb": _POUND, "lbs": _POUND, "ton": 2000 * _POUND, "tons": 2000 * _POUND,
}  # fmt: skip
_FLOWS = {
    "m3/s": 1.0, "m³/s": 1.0, "m3/h": 1 / 3600, "m³/h": 1 / 3600,
    "l/s": 0.001, "l/min": 0.001 / 60, "l/h": 0.001 / 3600,
    "gpm": _GALLON / 60, "gal/min": _GALLON / 60, "gph": _GALLON / 3600, "gal/h": _GALLON / 3600,
    "cfs": FOOT_M**3, "ft3/s": FOOT_M**3,
}  # fmt: skip
_PRESSURES = {
    "pa": 1.0, "kpa": 1e3, "mpa": 1e6, "kn/m2": 1e3, "kn/m²": 1e3, "n/m2": 1.0,
    "psf": _POUND * 9.80665 / FOOT_M**2, "psi": _POUND * 9.80665 * 144 / FOOT_M**2,
    "tsf": 2000 * _POUND * 9.80665 / FOOT_M**2,
}  # fmt: skip
_SPEEDS = {
    "m/s": 1.0, "km/h": 1 / 3.6, "kph": 1 / 3.6, "m/min": 1 / 60,
    "mph": 5280 * FOOT_M / 3600, "ft/min": FOOT_M / 60, "ft/s": FOOT_M,
}  # fmt: skip
_TIMES = {
    "s": 1.0, "sec": 1.0, "seconds": 1.0, "min": 60.0, "minute": 60.0, "minutes": 60.0,
    "h": 3600.0, "hr": 3600.0, "hour": 3600.0, "hours": 3600.0,
}  # fmt: skip
_DENSITIES = {
    "kg/m3": 1.0, "kg/m³": 1.0, "t/m3": 1000.0, "t/m³": 1000.0,
    "lb/ft3": _POUND / FOOT_M**3, "lb/ft³": _POUND / FOOT_M**3, "pcf": _POUND / FOOT_M**3,
    "lb/yd3": _POUND / (27 * FOOT_M**3), "lb/yd³": _POUND / (27 * FOOT_M**3),
}  # fmt: skip

_NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d+\.?\d*(?:[eE][-+]?\d+)?|\.\d+)"
_TERM = re.compile(rf"\s*({_NUMBER})\s*([^\s\d.,]+)([23]?(?:/[a-zA-Z]+)?)\s*,?")


def _number(text: str) -> float:
    total = 0.0
    for part in text.split():
        top, _, bottom = part.partition("/")
        total += float(top) / float(bottom) if bottom else float(top)
    return total


def _plain(table: dict[str, float]) -> list[str]:
    """The first, shortest spelling of every unit in a table."""
    return list({factor: key for key, factor in reversed(table.items())}.values())[::-1]


def _parse(text: str, table: dict[str, float], kind: str, example: str) -> float:
    """Sum the terms of `"3 ft 6 in"`; every term needs a unit from `table`."""
    expected = f"a {kind} such as {example}"
    mend = f"put one of these after each number: {', '.join(_plain(table))}"
    body = text.strip()
    sign = -1.0 if body.startswith(("-", "−")) else 1.0
    body = body[1:] if body.startswith(("+", "-", "−")) else body
    total, position = 0.0, 0
    while position < len(body):
        term = _TERM.match(body, position)
        word, power = (term[2].lower(), term[3].lower()) if term else ("", "")
        if term is None or not {word, word + power} & table.keys():
            raise UnitError(f"{text!r} is not a {kind}", expected=expected, mend=mend)
        try:
            size = _number(term[1])
        except ZeroDivisionError:
            raise UnitError(f"{text!r} is not a {kind}", expected=expected, mend=mend) from None
        # the 2 of "3ft2in" begins the next term; the 3 of "9m3" does not
        whole = word + power in table
        total += size * table[word + power if whole else word]
        position = term.end() if whole else term.end(2)
    if not body:
        raise UnitError(f"an empty text is not a {kind}", expected=expected, mend=mend)
    if not math.isfinite(total):
        raise UnitError(f"{text!r} is not a {kind}", expected="a finite number")
    return sign * total


def parse_length(value: float | str, unit: Unit) -> float:
    """Length in metres from a bare number in `unit` or a text that names its own unit.

    Examples
    --------
    >>> round(parse_length("3 ft 6 in", METRE), 4)
    1.0668
    >>> parse_length(2, FOOT)
    0.6096
    """
    try:
        metres = float(value) * unit.metres
    except ValueError:
        metres = _parse(str(value), _LENGTHS, "length", '"3 ft 6 in", "18 in" or "0.9 m"')
    except OverflowError:
        metres = math.inf
    if not math.isfinite(metres):
        raise UnitError(f"{value!r} is not a length", expected="a finite number")
    return metres


def parse_volume(value: str) -> float:
    """Volume in m³ from a text with its unit: `"12 yd3"`."""
    return _parse(value, _VOLUMES, "volume", '"9 m3" or "12 yd3"')


def parse_mass(value: str) -> float:
    """Mass in kg from a text with its unit: `"18 t"`; `ton` is the short ton of 2,000 lb."""
    return _parse(value, _MASSES, "mass", '"18 t" or "40000 lb"')


def parse_density(value: str) -> float:
    """Density in kg/m³ from a text with its unit: `"1600 kg/m3"`."""
    return _parse(value, _DENSITIES, "density", '"1600 kg/m3" or "2700 lb/yd3"')


def parse_flow(value: str) -> float:
    """Flow in m³/s from a text with its unit: `"20 m3/h"`, `"5 l/s"`, `"100 gpm"`."""
    return _parse(value, _FLOWS, "flow", '"20 m3/h", "5 l/s" or "100 gpm"')


def parse_pressure(value: str) -> float:
    """Pressure in Pa from a text with its unit: `"5 kPa"`, `"100 psf"`."""
    return _parse(value, _PRESSURES, "pressure", '"5 kPa" or "100 psf"')


def parse_speed(value: str) -> float:
    """Speed in m/s from a text with its unit: `"40 km/h"`, `"25 mph"`."""
    return _parse(value, _SPEEDS, "speed", '"40 km/h" or "25 mph"')


def parse_time(value: str) -> float:
    """Time in s from a text with its unit: `"18 s"`, `"1.5 min"`, `"1 h 30 min"`."""
    return _parse(value, _TIMES, "time", '"18 s", "1.5 min" or "8 h"')


def parse_batter(value: str | float) -> float:
    """Run over rise of a slope: `"1.5:1"` gives 1.5, `"0:1"` (or `"vertical"`) a wall.

    Examples
    --------
    >>> parse_batter("1.5:1")
    1.5
    """
    if isinstance(value, str) and value.strip().lower() == "vertical":
        return 0.0
    parts = value.split(":") if isinstance(value, str) else [value, 1.0]
    try:
        run, rise = (float(part) for part in parts)
        sound = rise > 0 and run >= 0 and math.isfinite(run / rise)
    except (TypeError, ValueError, OverflowError):
        sound = False
    if not sound or isinstance(value, bool):
        raise UnitError(
            f"{value!r} is not a batter", expected='run:rise such as "1.5:1", or "vertical"'
        )
    return run / rise
