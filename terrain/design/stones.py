"""Where the rocks of an element sit: evenly along its edge, just inside it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.compose import compose_at
from terrain.design.elements import Element
from terrain.surface import Surface


@dataclass(frozen=True)
class Stone:
    """An ellipsoid seated on the finish.

    Attributes
    ----------
    element, group
        Names of the element and of its rock group.
    centre
        Of the ellipsoid, shape (3,), m.
    axes
        Full length along the edge, width across it, height; m.
    turn_deg
        Direction of the length, counter-clockwise from east.
    embedded
        Share of its volume below the finish.
    density
        kg/m³.
    """

    element: str
    group: str
    centre: FloatArray
    axes: tuple[float, float, float]
    turn_deg: float
    embedded: float
    density: float


def seat_stones(elements: Sequence[Element], existing: Surface) -> tuple[Stone, ...]:
    """Place every rock: spaced evenly, its outer face on the edge, sunk to its embedded share."""
    places: list[tuple[Element, int, FloatArray, FloatArray]] = []
    for element in elements:
        ring = element.outline.exterior
        for number, rock in enumerate(element.rock):
            stations = (np.arange(rock.count) + 0.5 + number / 3) / rock.count * ring.length
            points = shapely.line_interpolate_point(ring, stations % ring.length)
            ahead = shapely.line_interpolate_point(ring, (stations + 0.01) % ring.length)
            at = shapely.get_coordinates(points)
            along = shapely.get_coordinates(ahead) - at
            along /= np.hypot(along[:, 0], along[:, 1])[:, None]
            inward = np.column_stack([-along[:, 1], along[:, 0]])
            if not ring.is_ccw:
                inward = -inward
            middle = at + inward * rock.axes[1] / 2
            turn = np.degrees(np.arctan2(along[:, 1], along[:, 0]))
            places.append((element, number, middle, turn))
    if not places:
        return ()
    finish = compose_at(np.concatenate([middle for _, _, middle, _ in places]), elements, existing)
    seats = np.split(finish.finish, np.cumsum([len(middle) for _, _, middle, _ in places])[:-1])
    stones = []
    for (element, number, middle, turn), seat in zip(places, seats, strict=True):
        rock = element.rock[number]
        sunk = (_cap_height(rock.embedded) - 0.5) * rock.axes[2]
        for (x, y), z, angle in zip(middle, seat - sunk, turn, strict=True):
            stones.append(
                Stone(
                    element.name,
                    rock.name,
                    np.array([x, y, z]),
                    rock.axes,
                    float(angle),
                    rock.embedded,
                    rock.density,
                )
            )
    return tuple(stones)


def _cap_height(share: float) -> float:
    """Height, as a part of the whole, below which `share` of an ellipsoid's volume lies.

    The cap of relative height t holds t² (3 − 2t) of the volume; this is the inverse.
    """
    return float(0.5 - np.sin(np.arcsin(1 - 2 * share) / 3))
