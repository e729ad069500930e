"""Lines as a file holds them, before units: what the readers of all formats hand on."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from terrain.arrays import FloatArray
from terrain.errors import Place, SurveyError


@dataclass(frozen=True)
class Shape:
    """One line, ring or point.

    Attributes
    ----------
    xyz
        Vertices, shape (k, 3), in the file's unit; NaN heights where there are none. A ring
        repeats its first vertex.
    ring
        It is the ring of a polygon.
    hole
        That ring is a hole in the one before it.
    attributes
        Attributes of its feature that are texts or numbers, as texts.
    id
        Id of its feature; empty if there is none.
    feature
        Number of its feature in the file, from 1.
    """

    xyz: FloatArray
    ring: bool
    hole: bool
    attributes: Mapping[str, str]
    id: str
    feature: int


@dataclass(frozen=True)
class Shapes:
    """The shapes of a file, and its coordinate system as it names it."""

    shapes: tuple[Shape, ...]
    crs: str | None


def no_line(path: Path, feature: int, found: str) -> SurveyError:
    """Return the error for a geometry that cannot be used."""
    return SurveyError(
        found,
        place=Place(path, key=f"feature {feature}"),
        expected="a line, a polygon or a point",
        mend="export it as lines of straight pieces, polygons or points",
    )


def plain_attributes(items: Iterator[tuple[object, object]]) -> dict[str, str]:
    """Attributes that are texts or numbers, as texts; whole numbers without a point."""
    plain: dict[str, str] = {}
    for key, value in items:
        if isinstance(value, bool) or value is None:
            continue
        if isinstance(value, float) and value.is_integer():
            plain[str(key)] = str(int(value))
        elif isinstance(value, str | int | float) and value == value:  # noqa: PLR0124 - not NaN
            plain[str(key)] = str(value)
    return plain
