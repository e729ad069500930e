"""How sure a volume is: the parts of its ±, and their sum."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from terrain.arrays import FloatArray, IntArray

COVER_95 = 1.96
MOST_POINTS = 20_000  # more say nothing new of their spread
SEED = 20_000


@dataclass(frozen=True)
class Part:
    """One source of doubt: its name in plain words and its ± (95 %), m³."""

    name: str
    pm_m3: float


@dataclass(frozen=True)
class Uncertainty:
    """The ± (95 %) of a volume and what it is made of, largest first."""

    pm_m3: float
    parts: tuple[Part, ...]


def combine(parts: list[Part]) -> Uncertainty:
    """Independent parts add as squares."""
    ordered = tuple(sorted(parts, key=lambda part: -part.pm_m3))
    return Uncertainty(float(np.sqrt(sum(part.pm_m3**2 for part in parts))), ordered)


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
