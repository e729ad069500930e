"""Readings of a levelling staff as they are booked: metres, feet and tenths, feet and inches."""

import re

from terrain.errors import Place, SurveyError
from terrain.units import FOOT, FOOT_M, Unit

_INVERTED = re.compile(r"\s*\b(?:inv(?:erted)?)\b\.?\s*", re.IGNORECASE)
_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
_PLAIN = re.compile(_NUMBER)
_METRIC = re.compile(rf"{_NUMBER}\s*(mm|cm|m|metres?|meters?)\.?")
_METRES = {"mm": 0.001, "cm": 0.01}
_FEET = re.compile(rf"{_NUMBER}\s*(?:'|ft\.?(?![a-z])|feet|foot)\s*-?\s*(.*)")
_DASHED = re.compile(r"(\d{1,3})-(\d{1,2}(?:\.\d+)?)(?:[- ]+(?:(\d{1,2})/(\d{1,2})|([0-7])))?\"?")
_INCHES = re.compile(
    rf"(?:{_NUMBER}(?:[\s-]+(\d{{1,2}})/(\d{{1,2}}))?|(\d{{1,2}})/(\d{{1,2}}))?\s*(\"|in\b\.?|inch\b|inches\b)?"
)
_RULES = (2, 4, 8, 16, 32, 64)
_EXPECTED = "a reading such as 1.435, 4.52, 4-6-3/8, 4'6-3/8\" or 4 ft 6 3/8 in"


def read_staff(text: str, unit: Unit, place: Place, *, decimal_comma: bool = False) -> float:
    """Return a staff reading in metres; negative if the staff stood upside down.

    A bare number is in `unit`. `4-6-3/8` is feet, inches and a fraction, `4-6-3` feet, inches and
    eighths. A staff held upside down against a ceiling or a pipe has a minus, or the word `inv`.

    Raises
    ------
    SurveyError
        The text is no reading.
    """
    plain = _INVERTED.sub(" ", text).strip()
    inverted = plain != text.strip()
    if plain[:1] in ("-", "−"):
        if inverted:
            raise _no_reading(text, place, "write either the minus or the word, not both")
        inverted, plain = True, plain[1:].strip()
    plain = re.sub(r"[’‘′]", "'", plain.lower())
    plain = re.sub(r"[”“″]|''", '"', plain)
    if decimal_comma:
        plain = plain.replace(",", ".")
    length = _length(plain, unit, text, place)
    return -length if inverted else length


def _length(plain: str, unit: Unit, text: str, place: Place) -> float:
    foot = FOOT_M if unit.key == "m" else unit.metres
    if _PLAIN.fullmatch(plain):
        return float(plain) * unit.metres
    if metric := _METRIC.fullmatch(plain):
        return float(metric[1]) * _METRES.get(metric[2], 1.0)
    if dashed := _DASHED.fullmatch(plain):
        feet, inches, top, bottom, eighths = dashed.groups()
        part = _fraction(top, bottom, text, place) + int(eighths or 0) / 8
        return foot * (int(feet) + _under_a_foot(float(inches) + part, text, place) / 12)
    if feet_first := _FEET.fullmatch(plain):
        inches = _inches(feet_first[2], text, place)
        if inches and "." in feet_first[1]:
            raise _no_reading(text, place, "write whole feet before the inches")
        return foot * (float(feet_first[1]) + _under_a_foot(inches, text, place) / 12)
    if plain.endswith(('"', "in", "in.", "inch", "inches")):
        return foot / 12 * _inches(plain, text, place)
    mend = "correct the reading"
    if plain.startswith("(") and plain.endswith(")"):
        mend = f"write -{plain.strip('() ')} if the staff stood upside down"
    elif "," in plain:
        mend = "write a decimal point, or part the cells by semicolons where commas are decimal"
    elif not re.search(r"\d", plain):
        mend = "leave the cell empty where there is no reading; words belong under remarks"
    raise _no_reading(text, place, mend)


def _inches(plain: str, text: str, place: Place) -> float:
    parts = _INCHES.fullmatch(plain.strip())
    if parts is None:
        raise _no_reading(text, place, "write inches as 6, 6.5 or 6 3/8")
    whole, top, bottom, only_top, only_bottom, _ = parts.groups()
    return float(whole or 0) + _fraction(top or only_top, bottom or only_bottom, text, place)


def _fraction(top: str | None, bottom: str | None, text: str, place: Place) -> float:
    if top is None or bottom is None:
        return 0.0
    if int(bottom) not in _RULES or int(top) >= int(bottom):
        raise _no_reading(text, place, "write a fraction of an inch such as 1/2, 3/8 or 5/16")
    return int(top) / int(bottom)


def _under_a_foot(inches: float, text: str, place: Place) -> float:
    if inches >= 12:
        raise _no_reading(text, place, "after feet there are less than 12 inches")
    return inches


def _no_reading(text: str, place: Place, mend: str) -> SurveyError:
    return SurveyError(
        f"{text.strip()!r} is not a staff reading", place=place, expected=_EXPECTED, mend=mend
    )


def likely_unit(reading_m: float, longest_m: float, unit: Unit) -> str:
    """Say how a reading that is too long may have been meant."""
    size = abs(reading_m) / unit.metres
    if unit.key == "m" and 100 <= size <= 1000 * longest_m:
        return f"if it is in millimetres, write {size / 1000:g}"
    if unit.key == "m" and size * FOOT.metres <= longest_m:
        return 'if the staff is in feet, say so: unit = "ft" for this survey'
    digits = f"{size:.0f}"
    if size == int(size) and len(digits) in (3, 4):
        return f"a decimal point may be missing: {digits[:1]}.{digits[1:]}"
    return "correct the reading, or give the length of the staff in the plan"
