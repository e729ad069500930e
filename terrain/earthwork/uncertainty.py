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
from scipy.spatial import cKDTree

from terrain.arrays import FloatArray, IntArray
from terrain.surface import Lattice
from terrain.surface.doubt import Doubt
from terrain.surface.ground_law import Drift
from terrain.surface.volume_doubt import COVER_95, NAMES, VolumeDoubt, volume_doubts

MOST_POINTS = 20_000  # more say nothing new of their spread
SEED = 20_000


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


def factor_part(name: str, volume_m3: float, low: float, likely: float, high: float) -> Part:
    """Doubt of a volume times a factor known by its range, such as 1 + swell.

    Triangular between low and high with its mode at likely, whose variance is
    `(a² + b² + c² − ab − ac − bc) / 18`, half the sum of the squared differences of each two.
    """
    squares = (high - low) ** 2 + (high - likely) ** 2 + (likely - low) ** 2
    return Part(name, COVER_95 * volume_m3 * float(np.sqrt(squares / 36.0)))


def _sample(count: int) -> IntArray:
    if count <= MOST_POINTS:
        return np.arange(count, dtype=np.int64)
    return np.random.default_rng(SEED).choice(count, MOST_POINTS, replace=False)


def left_out_errors(
    points: FloatArray, *, rows: IntArray | None = None, neighbours: int = 12
) -> FloatArray:
    """Points' heights minus what their neighbours say without them, shape (n, 3) → (k,), m.

    `rows` picks the k points that are asked; by default all n.

    The neighbours' plane is fitted by distance-weighted least squares; NaN where they lie in one
    line.
    """
    count = min(neighbours + 1, len(points))
    asked = points if rows is None else points[rows]
    found = cKDTree(points[:, :2]).query(asked[:, :2], k=count)
    distance, near = np.asarray(found[0])[:, 1:], np.asarray(found[1])[:, 1:]
    around = points[near] - asked[:, None, :]
    weight = 1.0 / np.maximum(distance, 1e-6)
    design = np.concatenate([np.ones((*around.shape[:2], 1)), around[:, :, :2]], axis=2)
    weighted = design * weight[:, :, None]
    normal = np.einsum("nki,nkj->nij", weighted, design)
    right = np.einsum("nki,nk->ni", weighted, around[:, :, 2])
    sound = np.linalg.cond(normal) < 1e10
    errors = np.full(len(asked), np.nan)
    errors[sound] = -np.linalg.solve(normal[sound], right[sound][:, :, None])[:, 0, 0]
    return errors


def survey_part(points: FloatArray, surveyed_area: float, area: float) -> Part:
    """Doubt from noise and spacing together: what leaving each shot out says about its place.

    The errors' robust spread (NMAD; Höhle & Höhle 2009) is the doubt of one shot. Errors of shots
    are taken as correlated over about the mean spacing, so that an area of A m² averages
    `n = A / spacing²` of them: `σ_V = A σ / √n` (the large-area limit of Rolstad et al. 2009,
    eq. 8, with a correlation area of one spacing squared).

    Parameters
    ----------
    points
        The ground shots, shape (n, 3), m.
    surveyed_area, area
        What they cover, and what is dug, m².
    """
    spacing2 = surveyed_area / max(len(points), 1)
    errors = np.full(1, np.nan)
    if len(points) > 3:
        errors = left_out_errors(points, rows=_sample(len(points)))
    errors = errors[np.isfinite(errors)]
    if errors.size < 3 or area <= 0:
        return Part("survey noise and point spacing", float("nan"))
    sigma = 1.4826 * float(np.median(np.abs(errors - np.median(errors))))
    return Part(
        "survey noise and point spacing",
        COVER_95 * area * sigma / float(np.sqrt(max(area / spacing2, 1.0))),
    )
