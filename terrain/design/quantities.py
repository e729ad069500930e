"""The kinds of value a plan file may hold, each turned into SI where it is read."""

from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, WithJsonSchema

from terrain.errors import PlanError, UnitError
from terrain.units import (
    METRE,
    Unit,
    parse_batter,
    parse_density,
    parse_flow,
    parse_length,
    parse_mass,
    parse_pressure,
    parse_speed,
    parse_time,
)
from terrain.units import parse_volume as parse_volume_text

LONGEST_NAME = 80
LONGEST_PATH = 4_096
FINEST_CELL_M, COARSEST_CELL_M = 0.01, 10.0


def _unit(info: ValidationInfo) -> Unit:
    context: dict[str, Any] = info.context or {}
    unit: Unit = context.get("unit", METRE)
    return unit


def _length(value: Any, info: ValidationInfo) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        msg = f"{value!r} is not a length"
        raise UnitError(msg, expected='a number or a text such as "3 ft 6 in"')
    return parse_length(value, _unit(info))


def pair_of_lengths(value: Any, info: ValidationInfo) -> tuple[float, float]:
    """One length for both, or a pair."""
    pair = value if isinstance(value, list | tuple) else [value] * 2
    lengths = tuple(_length(each, info) for each in pair)
    if len(lengths) != 2 or min(lengths) <= 0:
        msg = f"{value!r} is no distance"
        raise UnitError(msg, expected="one length, or two, each more than 0")
    return lengths[0], lengths[1]


def _name(text: str) -> str:
    """A name fits on one line of a table and in a file's name."""
    if not text.strip() or not text.isprintable() or len(text) > LONGEST_NAME:
        what = "empty" if not text.strip() else f"{len(text)} characters long"
        if not text.isprintable():
            what = f"{text[:LONGEST_NAME]!r}, with a line break or a character that cannot be seen"
        msg = f"the text is {what}"
        raise PlanError(msg, expected=f"1 to {LONGEST_NAME} characters on one line")
    return text.strip()


def _file(text: str) -> str:
    """A path as long as systems allow."""
    if not text.strip() or not text.isprintable() or len(text) > LONGEST_PATH:
        msg = f"{text[:LONGEST_NAME]!r} is no file's name"
        raise PlanError(msg, expected=f"1 to {LONGEST_PATH} characters on one line")
    return text.strip()


def _cell(metres: float, info: ValidationInfo) -> float:
    if not FINEST_CELL_M <= metres <= COARSEST_CELL_M:
        unit = _unit(info)
        low, high = (unit.length(bound, 3) for bound in (FINEST_CELL_M, COARSEST_CELL_M))
        msg = f"a computing grid with cells of {metres / unit.metres:g} {unit.symbol}"
        raise PlanError(
            msg, expected=f"{low} to {high}", mend="0.1 m (4 in) suits ponds; leave the key out"
        )
    return metres


def _rock_size(value: Any, info: ValidationInfo) -> tuple[float, ...]:
    """One size, or length along the edge, width across it and height."""
    sizes = value if isinstance(value, list | tuple) else [value] * 3
    expected = "one length, or [along the edge, across it, height]"
    if len(sizes) != 3:
        msg = f"{value!r} has {len(sizes)} of 3 sizes"
        raise UnitError(msg, expected=expected)
    lengths = tuple(_length(size, info) for size in sizes)
    if min(lengths) <= 0:
        msg = f"{value!r} is not the size of a rock"
        raise UnitError(msg, expected=f"{expected}, more than 0")
    return lengths


def _text_with_unit(value: Any, kind: str, example: str) -> str:
    if not isinstance(value, str):
        raise UnitError(
            f"{value!r} is a {kind} without its unit",
            expected=f"a text with its unit, such as {example}",
        )
    return value


def _volume(value: Any) -> float:
    return parse_volume_text(_text_with_unit(value, "volume", '"10 m3" or "12 yd3"'))


def _mass(value: Any) -> float:
    return parse_mass(_text_with_unit(value, "mass", '"16 t" or "40000 lb"'))


def _density(value: Any) -> float:
    return parse_density(_text_with_unit(value, "density", '"1900 kg/m3" or "2700 lb/yd3"'))


def _flow(value: Any) -> float:
    return parse_flow(_text_with_unit(value, "flow", '"20 m3/h", "5 l/s" or "100 gpm"'))


def _pressure(value: Any) -> float:
    return parse_pressure(_text_with_unit(value, "pressure", '"5 kPa" or "100 psf"'))


def _pressures(value: Any) -> tuple[float, float, float]:
    """One pressure, or low, likely and high."""
    each = value if isinstance(value, list | tuple) else [value] * 3
    found = [one if isinstance(one, float) else _pressure(one) for one in each]
    if len(found) != 3 or not 0 <= found[0] <= found[1] <= found[2]:
        msg = f"{value!r} is out of order"
        raise UnitError(msg, expected='["1 kPa", "4 kPa", "8 kPa"], none below the one before')
    return found[0], found[1], found[2]


def _friction(values: tuple[float, float, float]) -> tuple[float, float, float]:
    if not (values[0] >= 0 and values[2] < 60):
        msg = f"an angle of friction of {values[0]:g}° to {values[2]:g}° is not believable"
        raise UnitError(msg, expected="degrees, 0 to less than 60; most soils have 20 to 45")
    return values


def _speed(value: Any) -> float:
    return parse_speed(_text_with_unit(value, "speed", '"40 km/h" or "25 mph"'))


def _time(value: Any) -> float:
    return parse_time(_text_with_unit(value, "time", '"18 s", "1.5 min" or "8 h"'))


def _range(value: Any) -> tuple[float, float, float]:
    """One number, or low, likely and high."""
    numbers = value if isinstance(value, list | tuple) else [value] * 3
    try:
        low, likely, high = (float(number) for number in numbers)
    except (TypeError, ValueError, OverflowError):
        msg = f"{value!r} is not a share"
        raise UnitError(msg, expected="one number, or [low, likely, high]") from None
    if not low <= likely <= high:
        msg = f"{value!r} is out of order"
        raise UnitError(msg, expected="[low, likely, high], none below the one before")
    return low, likely, high


def _swell(values: tuple[float, float, float]) -> tuple[float, float, float]:
    if not (values[0] >= 0 and values[2] <= 1):
        msg = f"a swell of {values[0]:g} to {values[2]:g} is not believable"
        raise UnitError(msg, expected="loose/bank − 1, between 0 and 1 (0.3 for 30 %)")
    return values


def _shrink(values: tuple[float, float, float]) -> tuple[float, float, float]:
    if not (values[0] > -0.6 and values[2] < 0.5):
        msg = f"a shrink of {values[0]:g} to {values[2]:g} is not believable"
        raise UnitError(msg, expected="1 − compacted/bank, between −0.6 (blasted rock) and 0.5")
    return values


QUANTITY = "x-quantity"
"""Marks in a JSON schema what a value measures, until `terrain.design.schema` has used it."""


def _shown(kind: str, pattern: str, *, text_only: bool = False, **limits: float) -> WithJsonSchema:
    """What an editor is told of a quantity: a bare number, or a text of this pattern."""
    types: str | list[str] = "string" if text_only else ["number", "string"]
    return WithJsonSchema({"type": types, "pattern": pattern, **limits, QUANTITY: kind})


_LENGTH_TEXT = r"^\s*[-+−]?\s*\.?[0-9]"
_AMOUNT_TEXT = r"^\s*\.?[0-9].*[a-zA-Z]"
_BATTER_TEXT = r"^\s*([0-9.]+\s*:\s*[0-9.]+|[Vv]ertical)\s*$"
_EACH_LENGTH = {"type": ["number", "string"], "pattern": _LENGTH_TEXT, "exclusiveMinimum": 0}
_RANGE = {
    "anyOf": [
        {"type": "number"},
        {"type": "array", "items": {"type": "number"}, "minItems": 3, "maxItems": 3},
    ]
}
_SIZES = {
    "anyOf": [
        _EACH_LENGTH,
        {"type": "array", "items": _EACH_LENGTH, "minItems": 3, "maxItems": 3},
    ]
}

FileName = Annotated[str, AfterValidator(_file), WithJsonSchema({"type": "string", "minLength": 1})]
Name = Annotated[str, AfterValidator(_name), WithJsonSchema({"type": "string", "minLength": 1})]
Coordinate = Annotated[float, BeforeValidator(_length), _shown("length", _LENGTH_TEXT)]
Level = Annotated[float, BeforeValidator(_length), _shown("length", _LENGTH_TEXT)]
Length = Annotated[
    float, BeforeValidator(_length), Field(ge=0), _shown("length", _LENGTH_TEXT, minimum=0)
]
Extent = Annotated[
    float, BeforeValidator(_length), Field(gt=0), _shown("length", _LENGTH_TEXT, exclusiveMinimum=0)
]
Cell = Annotated[
    float,
    AfterValidator(_cell),
    BeforeValidator(_length),
    _shown("length", _LENGTH_TEXT, exclusiveMinimum=0),
]
RockSize = Annotated[
    tuple[float, float, float], BeforeValidator(_rock_size), WithJsonSchema(_SIZES)
]
Batter = Annotated[float, BeforeValidator(parse_batter), _shown("batter", _BATTER_TEXT, minimum=0)]
Volume = Annotated[
    float, BeforeValidator(_volume), Field(gt=0), _shown("volume", _AMOUNT_TEXT, text_only=True)
]
Mass = Annotated[
    float, BeforeValidator(_mass), Field(gt=0), _shown("mass", _AMOUNT_TEXT, text_only=True)
]
Pressure = Annotated[
    float, BeforeValidator(_pressure), Field(ge=0), _shown("pressure", _AMOUNT_TEXT, text_only=True)
]
PressureRange = Annotated[
    tuple[float, float, float],
    BeforeValidator(_pressures),
    WithJsonSchema(
        {
            "oneOf": [
                {"type": "string", "pattern": _AMOUNT_TEXT},
                {
                    "type": "array",
                    "items": {"type": "string", "pattern": _AMOUNT_TEXT},
                    "minItems": 3,
                    "maxItems": 3,
                },
            ]
        }
    ),
]
Speed = Annotated[
    float, BeforeValidator(_speed), Field(gt=0), _shown("speed", _AMOUNT_TEXT, text_only=True)
]
Duration = Annotated[
    float,
    BeforeValidator(_time),
    Field(ge=0),
    _shown("time", _AMOUNT_TEXT, text_only=True),
]
Flow = Annotated[
    float, BeforeValidator(_flow), Field(gt=0), _shown("flow", _AMOUNT_TEXT, text_only=True)
]
Density = Annotated[
    float, BeforeValidator(_density), Field(gt=0), _shown("density", _AMOUNT_TEXT, text_only=True)
]
FrictionRange = Annotated[
    tuple[float, float, float],
    AfterValidator(_friction),
    BeforeValidator(_range),
    WithJsonSchema(_RANGE),
]
Swell = Annotated[
    tuple[float, float, float],
    AfterValidator(_swell),
    BeforeValidator(_range),
    WithJsonSchema(_RANGE),
]
Shrink = Annotated[
    tuple[float, float, float],
    AfterValidator(_shrink),
    BeforeValidator(_range),
    WithJsonSchema(_RANGE),
]
Place = tuple[Coordinate, Coordinate]
