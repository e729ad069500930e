"""Which column of a spot file is which, and in what unit it says to be."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from terrain.units import Unit

LETTERS = {
    "P": "point",
    "N": "northing",
    "E": "easting",
    "Z": "elevation",
    "D": "code",
    "*": "",
}
NEEDED = ("northing", "easting", "elevation")
TWO_ORDERS = (
    '"PNEZD" (point, northing, easting, elevation, code) or '
    '"PENZD" (point, easting, northing, elevation, code)'
)

_NAMES = {
    "point": "point", "points": "point", "name": "point", "id": "point", "pt": "point",
    "p": "point", "no": "point", "number": "point", "pointname": "point", "pointid": "point",
    "pointnumber": "point", "pointno": "point",
    "northing": "northing", "northings": "northing", "north": "northing", "n": "northing",
    "y": "northing",
    "easting": "easting", "eastings": "easting", "east": "easting", "e": "easting",
    "x": "easting",
    "elevation": "elevation", "elev": "elevation", "height": "elevation", "z": "elevation",
    "level": "elevation", "rl": "elevation", "h": "elevation",
    "code": "code", "codes": "code", "desc": "code", "description": "code", "d": "code",
    "featurecode": "code", "fieldcode": "code",
}  # fmt: skip

_UNIT_WORDS = {
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "mm": "mm", "millimetres": "mm", "millimeters": "mm", "cm": "cm", "centimetres": "cm",
    "centimeters": "cm", "km": "km", "in": "in", "inch": "in", "inches": "in", "yd": "yd",
    "yards": "yd", "deg": "deg", "degrees": "deg",
    "ft": "either ft", "foot": "either ft", "feet": "either ft", "'": "either ft",
    "ift": "ft", "international ft": "ft", "international foot": "ft", "international feet": "ft",
    "intl ft": "ft", "int ft": "ft", "ft int": "ft", "ft intl": "ft",
    "usft": "us-ft", "us ft": "us-ft", "us foot": "us-ft", "us feet": "us-ft", "ftus": "us-ft",
    "ft us": "us-ft", "feet us": "us-ft", "sft": "us-ft", "us survey ft": "us-ft",
    "us survey foot": "us-ft", "us survey feet": "us-ft", "survey ft": "us-ft",
    "survey foot": "us-ft", "survey feet": "us-ft",
}  # fmt: skip
_AGREES = {"either ft": ("ft", "us-ft")}
_UNIT = "(" + "|".join(sorted(map(re.escape, _UNIT_WORDS), key=len, reverse=True)) + ")"
_SAID = re.compile(
    rf"\bunits?\b\W*(?:(?:is|are|of\s+length)\b\W*)?(?:in\b\W*)?{_UNIT}(?![\w'])"
    rf"|\b(?:coordinates?|heights?|elevations?|levels?|lengths?|northings?|eastings?|values|survey)"
    rf"\b[\w ,]*\b(?:in|are)\s+{_UNIT}(?![\w'])"
)


def _words(text: str) -> str:
    return re.sub(r"[\s\-_.]+", " ", text.strip().lower().replace("u.s.", "us")).strip()


def unit_word(text: str) -> str | None:
    """Key of the unit that a word names, `either ft` where it does not say which foot."""
    return _UNIT_WORDS.get(_words(text))


def unit_in_comment(text: str) -> str | None:
    """Key of the unit that a comment says the survey is in: `# units: US survey feet`."""
    said = _SAID.search(_words(text))
    return _UNIT_WORDS[said[1] or said[2]] if said else None


def contradicts(said: str, unit: Unit) -> bool:
    """Whether a file that says `said` cannot be in `unit`; plain feet may be either foot."""
    return unit.key not in _AGREES.get(said, (said,))


@dataclass(frozen=True)
class Heading:
    """One field of a header line: its column (empty if unknown) and the unit that it names."""

    text: str
    column: str
    unit: str | None


def read_heading(text: str) -> Heading:
    """Understand `Northing`, `northing_ft`, `elevation (m)` or `Z [us-ft]`."""
    plain = text.strip()
    parts = re.fullmatch(r"(.*?)\s*[(\[]\s*(.+?)\s*[)\]]", plain)
    if parts:
        name, unit = parts[1], parts[2]
    else:
        name, unit = plain, ""
        for cut in re.finditer(r"[\s_\-.]+", plain):
            if unit_word(plain[cut.end() :]) and _column(plain[: cut.start()]):
                name, unit = plain[: cut.start()], plain[cut.end() :]
                break
    return Heading(plain, _column(name), unit_word(unit) if unit else None)


def _column(name: str) -> str:
    return _NAMES.get(re.sub(r"[\s\-_.#/]+", "", name.lower()), "")


@dataclass(frozen=True)
class Layout:
    """Position of each column in a row, and how many fields a row has."""

    position: dict[str, int]
    width: int

    @property
    def code_is_last(self) -> bool:
        """A row may then leave its code out where spaces part the fields."""
        return self.position.get("code") == self.width - 1


def layout_of(columns: Sequence[str]) -> Layout:
    """Layout of columns in order; unknown columns are empty strings."""
    return Layout({name: i for i, name in enumerate(columns) if name}, len(columns))
