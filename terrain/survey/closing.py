"""How well lines of levels close on known points, what is made of it, and what may be wrong."""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from terrain.arrays import FloatArray
from terrain.survey.reduction import Sights
from terrain.units import FOOT_M, Unit

MM_PER_ROOT_KM = 12.0  # common limit for construction levelling, in mm times the root of km
_MOST_SUSPECTS = 3


@dataclass(frozen=True)
class Closure:
    """A line of levels between two known points.

    Attributes
    ----------
    first, last
        Rows of the two points.
    setups
        Instrument stations between them.
    distance_m
        Length of the line along its sights, m.
    assumed
        The length comes from a usual sight, not from the book.
    misclosure_m
        Levelled less known height of the last point, m.
    limit_m
        What the misclosure may be, m.
    """

    first: int
    last: int
    setups: int
    distance_m: float
    assumed: bool
    misclosure_m: float
    limit_m: float

    @property
    def holds(self) -> bool:
        """Whether the misclosure is within the limit."""
        return abs(self.misclosure_m) <= self.limit_m + 1e-9


@dataclass(frozen=True)
class Closing:
    """Closures of a level book, and its heights with the misclosures distributed.

    Attributes
    ----------
    closures
        One for each stretch between known points.
    heights
        (n,) adjusted heights, m.
    """

    closures: tuple[Closure, ...]
    heights: FloatArray


def limit_of(distance_m: float) -> float:
    """Misclosure allowed over a distance: 12 mm times the root of its kilometres, m."""
    return MM_PER_ROOT_KM / 1000 * math.sqrt(distance_m / 1000)


def close_lines(
    sights: Sights,
    heights: FloatArray,
    known: Mapping[int, float],
    *,
    sight_lengths: FloatArray,
    usual_sight_m: float,
    limit_m: float | None,
) -> Closing:
    """Hold the heights against known points, and distribute what is left.

    A misclosure grows along the line with the length of its setups, or alike in each where the
    book gives no lengths. All sights of one setup are corrected by the same amount.

    Parameters
    ----------
    sights, heights
        The book and its (n,) reduced heights, m.
    known
        Known height of rows where lines begin, turn or end, m.
    sight_lengths
        (n, 2) distances of backsight and foresight, m, NaN where the book has none.
    usual_sight_m
        Length of a sight where the book gives none, m.
    limit_m
        Allowed misclosure, m; by default 12 mm times the root of the kilometres.
    """
    setup, begins = sights.setup, np.isfinite(sights.start)
    adjusted = heights.copy()
    closures = []
    row, count = 0, len(heights)
    while row < count:
        end = next((i for i in range(row + 1, count) if begins[i]), count)
        ties = [i for i in range(row + 1, end) if i in known]
        start, error = row, 0.0
        for tie in ties:
            # the setups from one known point to the next, each from its backsight to its foresight
            stations = np.arange(_begun(sights, start), setup[tie] + 1)
            lengths = _setup_lengths(sights, sight_lengths, stations)
            given = bool(np.isfinite(lengths).all())
            weights = lengths if given else np.ones(len(stations))
            distance = float(lengths.sum()) if given else 2 * usual_sight_m * len(stations)
            off = float(heights[tie] - known[tie]) - error
            closures.append(
                Closure(
                    start,
                    tie,
                    len(stations),
                    distance,
                    not given,
                    off,
                    limit_of(distance) if limit_m is None else limit_m,
                )
            )
            share = np.cumsum(weights) / weights.sum()
            for i in range(start + 1, tie + 1):
                adjusted[i] = heights[i] - error - off * share[setup[i] - stations[0]]
            error += off
            start = tie
        adjusted[start + 1 : end] = heights[start + 1 : end] - error
        row = end
    return Closing(tuple(closures), adjusted)


def _begun(sights: Sights, row: int) -> int:
    """Setup that begins with the backsight on a row."""
    return int(np.isfinite(sights.back[: row + 1]).sum()) - 1


def _setup_lengths(
    sights: Sights, sight_lengths: FloatArray, stations: Sequence[int] | np.ndarray
) -> FloatArray:
    backs = np.flatnonzero(np.isfinite(sights.back))
    lengths = []
    for station in stations:
        fore = np.flatnonzero((sights.setup == station) & np.isfinite(sights.fore))
        there = sight_lengths[fore[-1], 1] if len(fore) else np.nan
        lengths.append(sight_lengths[backs[station], 0] + there)
    lengths_m = np.array(lengths, dtype=np.float64)
    return np.where(lengths_m > 0, lengths_m, np.nan)


@dataclass(frozen=True)
class ChainReading:
    """A reading that carries the line of levels, as it was written.

    `sign` is the sign with which the reading enters heights: 1 for backsights, -1 for foresights.
    """

    where: str
    text: str
    metres: float
    sign: int


def suspects(closure: Closure, readings: Sequence[ChainReading], unit: Unit) -> tuple[str, ...]:
    """Mistakes that would explain a misclosure: exchanged digits, a whole foot, a tenth."""
    tolerance = min(closure.limit_m, 0.05 * abs(closure.misclosure_m))
    found = [
        f"{reading.where} {reading.text} may be {other}"
        for reading in readings
        for other in _exchanged(reading.text)
        if abs(
            closure.misclosure_m
            + reading.sign * math.copysign(1, reading.metres) * _change(reading, other, unit)
        )
        <= tolerance
    ]
    if found:
        return tuple(found[:_MOST_SUSPECTS])
    whole = {
        f"1 {unit.symbol}": unit.metres,
        f"0.1 {unit.symbol}": 0.1 * unit.metres,
        f"10 {unit.symbol}": 10 * unit.metres,
        "1 ft": FOOT_M,
        "1 in": FOOT_M / 12,
    }
    return tuple(
        f"it is near {name}: one reading may be off by that"
        for name, size in whole.items()
        if abs(abs(closure.misclosure_m) - size) <= min(closure.limit_m, 0.05 * size)
    )[:1]


def _change(reading: ChainReading, other: str, unit: Unit) -> float:
    return float(other) * unit.metres - abs(reading.metres)


def _exchanged(text: str) -> Iterator[str]:
    """The number with each two neighbouring digits exchanged."""
    plain = text.strip().lstrip("-").replace(",", ".")
    if not re.fullmatch(r"\d+\.\d+", plain):
        return
    places = [i for i, character in enumerate(plain) if character.isdigit()]
    for i, j in pairwise(places):
        if plain[i] != plain[j]:
            letters = list(plain)
            letters[i], letters[j] = letters[j], letters[i]
            yield "".join(letters)
