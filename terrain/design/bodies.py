"""Bodies of water: elements that touch and share a level are one."""

from collections.abc import Sequence
from dataclasses import dataclass

from terrain.design.shapes import Element

TOUCH_M = 0.01  # outlines nearer than this touch
LEVEL_M = 0.001  # levels nearer than this are one


@dataclass(frozen=True)
class Body:
    """Water at one level.

    Attributes
    ----------
    level
        Its elevation, m.
    rows
        Of its elements, ascending.
    """

    level: float
    rows: tuple[int, ...]


def bodies(elements: Sequence[Element]) -> tuple[Body, ...]:
    """Group the elements in which water stands; a fall's landing belongs to its pool."""
    left = [row for row, element in enumerate(elements) if element.water_level_m is not None]
    found = []
    while left:
        group = [left.pop(0)]
        level = _level(elements[group[0]])
        for row in group:  # grows while it is walked
            near = [
                other
                for other in left
                if abs(_level(elements[other]) - level) < LEVEL_M
                and elements[row].outline.dwithin(elements[other].outline, TOUCH_M)
            ]
            group += near
            left = [other for other in left if other not in near]
        found.append(Body(level, tuple(sorted(group))))
    return tuple(found)


def _level(element: Element) -> float:
    return float("nan") if element.water_level_m is None else element.water_level_m
