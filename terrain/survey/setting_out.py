"""Where a staff stood: at a stake of a named grid, or beside a baseline."""

import math
import re
from dataclasses import dataclass, field
from string import ascii_uppercase

from terrain.errors import Place, SurveyError
from terrain.units import Unit

_STAKE = re.compile(r"([A-Z]{1,3})[\s\-_./]?(\d{1,4})|(\d{1,4})[\s\-_./]?([A-Z]{1,3})")
_PLUS = re.compile(r"(-?\d{1,6})\s*\+\s*(\d{2,3})(\.\d+)?")
_SIDE = re.compile(r"(?:(l|lt|left|r|rt|right)\.?\s*)?([-+]?)\s*(\d+\.?\d*|\.\d+)\s*(\w*)\.?")
_LEFT, _RIGHT = ("l", "lt", "left"), ("r", "rt", "right")
_ON_THE_LINE = ("cl", "c/l", "c", "centre", "center", "centreline", "centerline")
_MILLIMETRE = 0.001


def _whole(name: str) -> tuple[str, int] | None:
    stake = _STAKE.fullmatch(name.strip().upper())
    if stake is None:
        return None
    return stake[1] or stake[4], int(stake[2] or stake[3])


@dataclass(frozen=True)
class NamedGrid:
    """Stakes on a square or oblong grid, letters one way and numbers the other.

    Letters run A to Z, then AA, AB and on. A name may be written `B7`, `b-7` or `7B`.

    Attributes
    ----------
    origin
        Easting and northing of the stake `first`, m.
    bearing_deg
        Direction in which the numbers grow, clockwise from north.
    spacing_m
        Distance from number to number, and from letter to letter, m.
    last
        Stake in the far corner; names beyond it, such as `BM1` or `TP2`, are none of the grid.
    first
        Stake at the origin.
    letters
        Side to which the letters grow, seen along the numbers.
    skip
        Letters that the grid leaves out, such as `IO`.
    """

    origin: tuple[float, float]
    bearing_deg: float
    spacing_m: tuple[float, float]
    last: str
    first: str = "A1"
    letters: str = "right"
    skip: str = ""
    _alphabet: str = field(init=False, repr=False)

    def __post_init__(self) -> None:
        alphabet = "".join(c for c in ascii_uppercase if c not in self.skip.upper())
        object.__setattr__(self, "_alphabet", alphabet)
        for key, name in (("first", self.first), ("last", self.last)):
            if self._steps(name) is None:
                raise SurveyError(
                    f"{name!r} is no stake of a grid",
                    place=Place(key=f"grid, {key}"),
                    expected="letters and a number, such as A1 or H12",
                    mend="name a stake in the corner of the grid",
                )
        if self._extent is None or self.letters not in ("left", "right"):
            raise SurveyError(
                f"a grid from {self.first!r} to {self.last!r}, letters to the {self.letters}",
                place=Place(key="grid"),
                expected="letters and numbers that grow from the first to the last stake, letters "
                "to the left or the right",
                mend="exchange first and last, or correct them",
            )

    def _steps(self, name: str) -> tuple[int, int] | None:
        """Place of letter and number in their orders."""
        parts = _whole(name)
        if parts is None or not set(parts[0]) <= set(self._alphabet):
            return None
        letter = 0
        for character in parts[0]:
            letter = letter * len(self._alphabet) + self._alphabet.index(character) + 1
        return letter, parts[1]

    @property
    def _extent(self) -> tuple[int, int] | None:
        return self._from_first(self.last, None)

    def _from_first(self, name: str, extent: tuple[int, int] | None) -> tuple[int, int] | None:
        at, first = self._steps(name), self._steps(self.first)
        if at is None or first is None:
            return None
        across, along = at[0] - first[0], at[1] - first[1]
        beyond = extent is not None and (across > extent[0] or along > extent[1])
        return None if across < 0 or along < 0 or beyond else (across, along)

    def position(self, name: str) -> tuple[float, float] | None:
        """Easting and northing of a stake, m; None if the name is none of the grid's."""
        steps = self._from_first(name, self._extent)
        if steps is None:
            return None
        bearing = math.radians(self.bearing_deg)
        along = steps[1] * self.spacing_m[0]
        right = steps[0] * self.spacing_m[1] * (1 if self.letters == "right" else -1)
        return _beside(self.origin, bearing, along, right)


@dataclass(frozen=True)
class Baseline:
    """A straight line that stations and offsets are measured from.

    Attributes
    ----------
    start, end
        Easting and northing of its ends, m.
    start_station_m
        Station of the start, m.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    start_station_m: float = 0.0

    def __post_init__(self) -> None:
        if self.length_m < _MILLIMETRE:
            raise SurveyError(
                "the baseline begins where it ends",
                place=Place(key="baseline"),
                expected="two different ends",
                mend="correct one of them",
            )

    @property
    def length_m(self) -> float:
        """Distance between the ends, m."""
        return math.dist(self.start, self.end)

    def holds(self, station_m: float) -> bool:
        """Whether a station lies between the ends."""
        along = station_m - self.start_station_m
        return -_MILLIMETRE <= along <= self.length_m + _MILLIMETRE

    def position(self, station_m: float, offset_m: float) -> tuple[float, float]:
        """Easting and northing, m, of a station and its offset, to the right if positive."""
        east, north = (b - a for a, b in zip(self.start, self.end, strict=True))
        along = station_m - self.start_station_m
        return _beside(self.start, math.atan2(east, north), along, offset_m)


def _beside(
    start: tuple[float, float], bearing: float, along: float, right: float
) -> tuple[float, float]:
    east, north = math.sin(bearing), math.cos(bearing)
    return start[0] + along * east + right * north, start[1] + along * north - right * east


def read_station(text: str, unit: Unit, place: Place, *, decimal_comma: bool = False) -> float:
    """Return a station in metres: `12.5`, `1+25` (of 100), or `0+125` (of 1000).

    Two digits after the plus count hundreds before it, three digits thousands.
    """
    plain = text.strip().replace(",", ".") if decimal_comma else text.strip()
    if plus := _PLUS.fullmatch(plain):
        hundreds = float(plus[1]) * (100.0 if len(plus[2]) == 2 else 1000.0)
        return (hundreds + float(plus[2] + (plus[3] or ""))) * unit.metres
    if re.fullmatch(r"-?(\d+\.?\d*|\.\d+)", plain):
        return float(plain) * unit.metres
    raise SurveyError(
        f"{text.strip()!r} is not a station" if plain else "the station is missing",
        place=place,
        expected="a distance along the baseline: 12.5, 1+25 or 0+125",
        mend="write the station",
    )


def read_offset(text: str, unit: Unit, place: Place, *, decimal_comma: bool = False) -> float:
    """Return an offset in metres, to the right if positive: `-3.5`, `L 3.5`, `3.5 R`, `CL`."""
    plain = text.strip().lower()
    plain = plain.replace(",", ".") if decimal_comma else plain
    if plain in _ON_THE_LINE:
        return 0.0
    parts = _SIDE.fullmatch(plain)
    sides = {word for word in (parts[1], parts[4]) if word} if parts else {""}
    known = sides <= {*_LEFT, *_RIGHT} and len(sides) <= 1
    if parts is None or not known or (sides and parts[2]):
        raise SurveyError(
            f"{text.strip()!r} is not an offset" if plain else "the offset is missing",
            place=place,
            expected="a distance from the baseline, left negative or named: -3.5, L 3.5, R 3.5, CL",
            mend="write the offset with one sign or one side; 0 or CL on the line",
        )
    left = parts[2] == "-" or bool(sides & set(_LEFT))
    return (-1 if left else 1) * float(parts[3]) * unit.metres
