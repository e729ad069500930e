"""How sure a volume is: the parts of its ±, their sum, and what it is mostly made of.

Parts are independent of each other and add by squares. Within a part, elements go together as its
cause does:

- noise of single shots, errors that shots share, and the ground between the shots: as
  `terrain.surface.volume_doubt` says;
- the benchmark: wholly, since all heights rise and fall with it. A standard error;
- the dig's level and edge: wholly within an element, which one operator digs to one laser and one
  staking, and not at all between elements. Stated as ± (95 %), as a tolerance is;
- the method of computing: its bound, which is never exceeded.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.surface import Lattice
from terrain.surface.doubt import Doubt
from terrain.surface.ground_law import Drift
from terrain.surface.volume_doubt import COVER_95, NAMES, VolumeDoubt, volume_doubts


class Source(StrEnum):
    """What makes a volume doubtful, in plain words."""

    NOISE = "noise of the shots"
    DRIFT = "errors that shots have in common"
    SPACING = "ground between the shots"
    BENCHMARK = "height of the benchmark"
    DIG_LEVEL = "level to which is dug"
    DIG_EDGE = "edge to which is dug"
    METHOD = "method of computing"


@dataclass(frozen=True)
class Part:
    """One source of doubt: its name in plain words and its ± (95 %), m³."""

    name: str
    pm_m3: float


@dataclass(frozen=True)
class ElementUncertainty:
    """The ± (95 %) of one element's volume.

    Attributes
    ----------
    name
        The element's.
    pm_m3
        All parts together, m³.
    parts
        The largest first.
    sides
        Share of "north", "east", "south", "west" and "middle" in the variance that noise and
        spacing of the shots add, the largest first.
    """

    name: str
    pm_m3: float
    parts: tuple[Part, ...]
    sides: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Uncertainty:
    """The ± (95 %) of a volume and what it is made of, largest first.

    Attributes
    ----------
    pm_m3
        All parts together, m³; NaN where the ground's is not known.
    parts
        By source.
    elements
        The same of each element; their ± do not add by squares where they go together.
    """

    pm_m3: float
    parts: tuple[Part, ...]
    elements: tuple[ElementUncertainty, ...] = ()


@dataclass(frozen=True)
class Dug:
    """What is dug of an element.

    Attributes
    ----------
    region
        In plan, in the surface's coordinates; it has an area.
    faces_m2
        Its faces seen from the side (`upright_faces`), m².
    """

    region: shapely.Polygon | shapely.MultiPolygon
    faces_m2: float


@dataclass(frozen=True)
class DigTolerance:
    """How truly is dug: ± (95 %) of the level, and of the edge in plan, m."""

    level_m: float = 0.0
    edge_m: float = 0.0


def upright_faces(depth: FloatArray, cell: float) -> float:
    """All faces of a dig seen from the side, m²: what its volume grows by for 1 m to the outside.

    Every level's outline moves by as much, so that it is the sum of their lengths over the depth,
    which is the integral of the slope (the coarea formula; Federer 1959): perimeter times depth
    for upright walls, half of that for a cone.

    Parameters
    ----------
    depth
        Dug depth at nodes, shape (ny, nx), m; 0 or NaN where nothing is dug.
    cell
        Distance of nodes, m.
    """
    known = np.pad(np.maximum(np.nan_to_num(depth), 0.0), 1)
    east = 0.5 * (known[1:, 1:] - known[1:, :-1] + known[:-1, 1:] - known[:-1, :-1])
    north = 0.5 * (known[1:, 1:] - known[:-1, 1:] + known[1:, :-1] - known[:-1, :-1])
    return float(np.hypot(east, north).sum() * cell)


def dug_of(depth: FloatArray, lattice: Lattice) -> Dug | None:
    """What is dug of an element by its depth at the nodes of a lattice; None if nothing is.

    Parameters
    ----------
    depth
        Shape (ny, nx), m; 0 or NaN where the element digs nothing.
    lattice
        Its nodes.
    """
    deep = np.nan_to_num(depth) > 0
    if not deep.any():
        return None
    rows, columns = (np.flatnonzero(deep.any(axis=axis)) for axis in (1, 0))
    south, west = int(rows[0]), int(columns[0])
    piece = (slice(south, int(rows[-1]) + 1), slice(west, int(columns[-1]) + 1))
    turns = np.diff(np.pad(deep[piece], ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, start = np.nonzero(turns == 1)
    end = np.nonzero(turns == -1)[1]
    half, cell = 0.5 * lattice.cell, lattice.cell
    east = lattice.x0 + west * cell - half
    north = lattice.y0 + (south + row) * cell
    strips = shapely.box(east + start * cell, north - half, east + end * cell, north + half)
    region = shapely.union_all(strips).simplify(half)
    return Dug(region, upright_faces(depth[piece], cell))


def volume_uncertainty(
    doubt: Doubt,
    dug: Mapping[str, Dug],
    *,
    method_bound_m3: float,
    benchmark_m: float = 0.0,
    tolerance: DigTolerance = DigTolerance(),
    drifts: Sequence[Drift] = (),
) -> Uncertainty:
    """Say how sure the dug volume is.

    The dig is to a design, so that the error of the volume is that of the ground over what is dug,
    and of the bucket. That the daylight edge moves with the ground's height adds only its square.

    Parameters
    ----------
    doubt
        Of the ground.
    dug
        By element.
    method_bound_m3
        Of the method of computing, for all elements together, m³.
    benchmark_m
        Standard error of the height of the benchmark that all shots hang on, m.
    tolerance
        Of the bucket.
    drifts
        Errors that shots have in common.
    """
    ground = volume_doubts(doubt, {name: one.region for name, one in dug.items()}, drifts=drifts)
    area = sum(one.region.area for one in dug.values())
    elements = tuple(
        _element(name, one, ground.each.get(name), benchmark_m, tolerance)
        for name, one in dug.items()
    )
    parts = {
        **_ground_parts(ground.together),
        Source.BENCHMARK: COVER_95 * benchmark_m * area,
    }
    digging = dig_uncertainty(dug, method_bound_m3=method_bound_m3, tolerance=tolerance)
    whole = combine([*_listed(parts), *digging.parts])
    pm = whole.pm_m3 if ground.each or not dug else float("nan")
    return Uncertainty(pm, whole.parts, tuple(sorted(elements, key=lambda one: -one.pm_m3)))


def dig_uncertainty(
    dug: Mapping[str, Dug], *, method_bound_m3: float, tolerance: DigTolerance
) -> Uncertainty:
    """Say how sure a volume is whose bottom is the dig and whose top is the design.

    Parameters
    ----------
    dug
        By element.
    method_bound_m3
        Of the method of computing, for all elements together, m³.
    tolerance
        Of the bucket.
    """
    return combine(
        _listed(
            {
                Source.DIG_LEVEL: _root([tolerance.level_m * d.region.area for d in dug.values()]),
                Source.DIG_EDGE: _root([tolerance.edge_m * d.faces_m2 for d in dug.values()]),
                Source.METHOD: method_bound_m3,
            }
        )
    )


def _element(
    name: str,
    dug: Dug,
    ground: VolumeDoubt | None,
    benchmark_m: float,
    tolerance: DigTolerance,
) -> ElementUncertainty:
    parts = combine(
        _listed(
            {
                **({} if ground is None else _ground_parts(ground)),
                Source.BENCHMARK: COVER_95 * benchmark_m * dug.region.area,
                Source.DIG_LEVEL: tolerance.level_m * dug.region.area,
                Source.DIG_EDGE: tolerance.edge_m * dug.faces_m2,
            }
        )
    )
    sides = () if ground is None else zip(NAMES, ground.sides.tolist(), strict=True)
    ordered = tuple(sorted(sides, key=lambda one: -one[1]))
    pm = float("nan") if ground is None else parts.pm_m3
    return ElementUncertainty(name, pm, parts.parts, ordered)


def _ground_parts(ground: VolumeDoubt) -> dict[Source, float]:
    return {
        Source.NOISE: ground.factor * ground.noise_m3,
        Source.DRIFT: ground.factor * ground.drift_m3,
        Source.SPACING: ground.factor * ground.spacing_m3,
    }


def _listed(parts: Mapping[Source, float]) -> list[Part]:
    return [Part(source.value, pm) for source, pm in parts.items() if pm > 0]


def _root(each: Sequence[float]) -> float:
    return float(np.sqrt(sum(one**2 for one in each)))


def combine(parts: list[Part]) -> Uncertainty:
    """Independent parts add as squares."""
    ordered = tuple(sorted(parts, key=lambda part: -part.pm_m3))
    return Uncertainty(float(np.sqrt(sum(part.pm_m3**2 for part in parts))), ordered)
