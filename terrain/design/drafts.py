"""First basins for outlines that were shot, to be changed by whoever builds them."""

import math
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.survey import Linework, OddHeight, Spots
from terrain.units import Unit

DEEPEST_M, SHELF_M = 1.2, 0.4
FLOOR_SHARE = 0.6  # of the radius that fits inside: a 1:1 batter then leaves a floor


@dataclass(frozen=True)
class BasinDraft:
    """A basin inside a surveyed outline, in the unit of the plan to be written.

    Attributes
    ----------
    code
        Full code of the outline.
    water
        Name of its level; outlines that touch share one.
    level
        Height of the lowest shot of the edge, heights that look odd left out.
    lowest
        Name of that shot.
    odd
        How many heights of the edge look odd.
    floor
        Depth below the water.
    shelf
        Depth and width of a shelf, None where there is no room for one.
    """

    code: str
    water: str
    level: float
    lowest: str
    odd: int
    floor: float
    shelf: float | None


def draft_basins(
    spots: Spots, linework: Linework, odd: tuple[OddHeight, ...], *, unit: Unit
) -> tuple[BasinDraft, ...]:
    """Propose a water level and a basin for every outline of a survey."""
    rings = [shapely.Polygon(spots.xyz[line.rows, :2]) for line in linework.outlines]
    doubted = np.array([height.row for height in odd], dtype=np.int64)
    edges = []
    for line in linework.outlines:
        sound = line.rows[~np.isin(line.rows, doubted)]
        edges.append(sound if len(sound) else line.rows)
    piece = _joined(rings)
    drafts = []
    for number, (line, ring) in enumerate(zip(linework.outlines, rings, strict=True)):
        pond = [k for k, other in enumerate(piece) if other == piece[number]]
        shots = np.concatenate([edges[k] for k in pond])
        lowest = int(shots[np.argmin(spots.xyz[shots, 2])])
        room = _room(ring)
        drafts.append(
            BasinDraft(
                code=line.code,
                water=linework.outlines[pond[0]].code.lower()[:60].strip(),
                level=math.floor(spots.xyz[lowest, 2] / unit.metres * 1000 + 1e-6) / 1000,
                lowest=str(spots.name[lowest]),
                odd=int(np.isin(line.rows, doubted).sum()),
                floor=_handy(min(DEEPEST_M, FLOOR_SHARE * room), unit),
                shelf=_handy(SHELF_M, unit) if room >= 4 * SHELF_M else None,
            )
        )
    return tuple(drafts)


def _joined(rings: list[shapely.Polygon]) -> list[int]:
    """Number of the connected piece of water that each ring belongs to."""
    whole = shapely.unary_union(rings)
    pieces = list(getattr(whole, "geoms", [whole]))
    insides = [ring.representative_point() for ring in rings]
    return [next(k for k, piece in enumerate(pieces) if piece.covers(spot)) for spot in insides]


def _room(ring: shapely.Polygon) -> float:
    """Radius of the largest circle inside, m."""
    return float(shapely.maximum_inscribed_circle(ring).length)


def _handy(metres: float, unit: Unit) -> float:
    """A depth in the plan's unit, rounded down to 0.05 m or 3 in, never to nothing."""
    step = 0.05 if unit.key == "m" else 0.25
    return round(max(math.floor(metres / unit.metres / step + 1e-9), 1) * step, 2)
