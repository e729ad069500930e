"""Which column of a spot file is which, and in what unit it says to be."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from terrain.units import FOOT_M, US_SURVEY_FOOT_M, Unit

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

# how well a height is known: named as vertical, or as nothing but an accuracy
_VERTICAL = {
    "vrms", "vrmse", "rmsv", "rmsz", "zrms", "vsigma", "sigmav", "sigmaz", "zsigma", "sigmau",
    "sigmaup", "sigmaelevation", "sigmaheight", "sdz", "zsd", "sdu", "sdv", "sdup", "sdelevation",
    "sdheight", "stdz", "zstd", "stdv", "stdu", "stdup", "stdheight", "stdelevation", "stdevz",
    "stdevv", "stdevu", "stddevz", "stddevv", "stddevu", "sz", "vacc", "vaccuracy", "accv", "zacc",
    "vertacc", "vertaccuracy", "verticalaccuracy", "accuracyz", "accuracyvertical",
    "heightaccuracy", "elevationaccuracy", "vprec", "vprecision", "vertprec", "vertprecision",
    "verticalprecision", "heightprecision", "precisionz", "verticalrms", "vertrms", "verticalsigma",
    "verticalstd",
    "verticalerror", "verterror", "heighterror", "elevationerror", "zerror", "verticaluncertainty",
    "zuncertainty", "heightuncertainty", "verticalstandarddeviation", "standarddeviationz",
    "heightrms", "elevationrms", "elevationsigma", "heightsigma", "cqz", "cqheight", "1dcq", "cq1d",
}  # fmt: skip
_PLAIN = {
    "sigma", "accuracy", "acc", "rms", "rmse", "std", "stdev", "stddev", "sd", "precision", "error",
    "uncertainty", "standarddeviation", "quality", "cq", "3drms", "3dcq", "cq3d", "3daccuracy",
}  # fmt: skip
_GEOGRAPHIC = {"lat", "latitude", "lon", "long", "lng", "longitude"}
_METRES = {
    "m": 1.0, "mm": 0.001, "cm": 0.01, "km": 1000.0, "in": FOOT_M / 12, "yd": 3 * FOOT_M,
    "ft": FOOT_M, "us-ft": US_SURVEY_FOOT_M,
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
    name, unit = split_unit(plain, lambda before: bool(_column(before)))
    return Heading(plain, _column(name), unit_word(unit) if unit else None)


def split_unit(text: str, is_name: Callable[[str], bool]) -> tuple[str, str]:
    """Name and unit of a heading: what stands in brackets, or a unit word after a known name."""
    plain = text.strip()
    parts = re.fullmatch(r"(.*?)\s*[(\[]\s*(.+?)\s*[)\]]", plain)
    if parts:
        return parts[1], parts[2]
    for cut in re.finditer(r"[\s_\-.]+", plain):
        if unit_word(plain[cut.end() :]) and is_name(plain[: cut.start()]):
            return plain[: cut.start()], plain[cut.end() :]
    return plain, ""


def _column(name: str) -> str:
    return _NAMES.get(_joined(name), "")


def _joined(name: str) -> str:
    return re.sub(r"[\s\-_.#/]+", "", name.lower())


def is_geographic(text: str) -> bool:
    """Whether a heading names a latitude or a longitude."""
    return bool(_GEOGRAPHIC & set(re.split(r"[^a-z]+", text.lower())))


def sigma_column(headings: Sequence[Heading], unit: Unit) -> tuple[int, float] | None:
    """Position of the column that says how well heights are known, and metres of its unit.

    A vertical accuracy goes before one that says neither; horizontal ones, counts and dilutions
    are none.
    """
    for known in (_VERTICAL, _PLAIN):
        for i, heading in enumerate(headings):
            name, said = split_unit(heading.text, _is_accuracy)
            if _joined(name) in known:
                return i, metres_of(unit_word(said) or "", unit)
    return None


def _is_accuracy(name: str) -> bool:
    return _joined(name) in _VERTICAL | _PLAIN


def metres_of(said: str, unit: Unit) -> float:
    """Metres of the unit that a column says; `unit` for plain feet and where it says none."""
    if said == "either ft" and unit.key not in _AGREES[said]:
        return FOOT_M
    return _METRES.get(said, unit.metres)


def unit_row(row: Sequence[str]) -> list[str | None] | None:
    """Units that a row under the header gives for its columns; None if it is no such row."""
    words = [text.strip(" ()[]\t") for text in row]
    units = [unit_word(word) for word in words]
    plain = ("", "-", "--", "text", "none", "n/a")
    if sum(unit is not None for unit in units) < 2 or not all(
        unit or word.lower() in plain for unit, word in zip(units, words, strict=True)
    ):
        return None
    return units


@dataclass(frozen=True)
class Layout:
    """Position of each column in a row, and how many fields a row has.

    `sigma_unit` is the length in metres of one unit of the column `sigma`, if there is one.
    """

    position: dict[str, int]
    width: int
    sigma_unit: float = 1.0

    @property
    def code_is_last(self) -> bool:
        """A row may then leave its code out where spaces part the fields."""
        return self.position.get("code") == self.width - 1


def layout_of(columns: Sequence[str]) -> Layout:
    """Layout of columns in order; unknown columns are empty strings."""
    return Layout({name: i for i, name in enumerate(columns) if name}, len(columns))
