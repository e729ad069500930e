"""What can be wrong, said so that a person can mend it.

::

    TerrainError
    ├── SurveyError        a measurement file cannot be read, or contradicts itself
    ├── UnitError          a length, volume, mass or density cannot be understood
    ├── PlanError          the plan file asks for something that cannot be built
    ├── SurfaceError       a surface cannot be made from the points, or does not reach
    ├── StabilityError     a slope that cannot be analysed as it is described
    ├── MethodsDisagree    two volume methods differ by more than their own error bounds
    └── OutputError        a result cannot be written, or a scene cannot be rendered

Every error says what was found, where (file, line, key), what was expected and how to mend it.
"""

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Place:
    """Where in an input something was found."""

    file: Path | str | None = None
    line: int | None = None
    key: str | None = None

    def __str__(self) -> str:
        """`rover.csv, line 12, northing`: the parts that are known."""
        parts = []
        if self.file is not None:
            parts.append(Path(self.file).name)
        if self.line is not None:
            parts.append(f"line {self.line}")
        if self.key is not None:
            parts.append(self.key)
        return ", ".join(parts)


class TerrainError(Exception):
    """Root of every error that an input can cause.

    Parameters
    ----------
    found
        What is wrong, with the value that was found.
    place
        File, line and key, as far as they are known.
    expected
        What would have been right.
    mend
        What the person can do about it.
    """

    def __init__(
        self, found: str, *, place: Place | None = None, expected: str = "", mend: str = ""
    ) -> None:
        self.found = found
        self.place = place or Place()
        self.expected = expected
        self.mend = mend
        super().__init__(found, self.place, expected, mend)

    def __str__(self) -> str:
        where = str(self.place)
        text = f"{where}: {self.found}" if where else self.found
        if self.expected:
            text += f"\n  expected: {self.expected}"
        if self.mend:
            text += f"\n  to mend:  {self.mend}"
        return text


class SurveyError(TerrainError, ValueError):
    """A measurement file cannot be read, or contradicts itself."""


class UnitError(TerrainError, ValueError):
    """A quantity cannot be understood, or its unit contradicts another."""


class PlanError(TerrainError, ValueError):
    """The plan file asks for something that cannot be built."""


class SurfaceError(TerrainError, ValueError):
    """A surface cannot be made from these points, or does not reach far enough."""


class StabilityError(TerrainError, ValueError):
    """A slope cannot be analysed as it is described."""


class MethodsDisagree(TerrainError, ArithmeticError):  # noqa: N818 - reads as what happened
    """Two volume methods differ by more than their own error bounds."""


class OutputError(TerrainError, OSError):
    """A result cannot be written, or a scene cannot be rendered."""


def nearest(word: str, known: Sequence[str]) -> str:
    """A mend for a word that nobody knows: the known one most like it, or all of them."""
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"did you mean {near[0]!r}?" if near else f"use one of {', '.join(known) or '(none)'}"
