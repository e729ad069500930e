"""Simulated surveys of known ground, and the true and the estimated volume of a pond dug in it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely

from terrain.earthwork.uncertainty import Dug, volume_uncertainty
from terrain.surface import Lattice, build_tin
from terrain.surface.crossvalidation import CrossValidation, ErrorModel, Residuals
from terrain.surface.doubt import TinDoubt, points_at
from terrain.surface.ground_law import Drift
from tests.calibration.grounds import SIZE, Ground

CELL = 0.25
LATTICE = Lattice(CELL / 2, CELL / 2, CELL, round(SIZE / CELL), round(SIZE / CELL))
ACROSS = np.array([5.0, 3.8])  # half axes of the pond's floor, m
DEPTH = 1.2
UNASKED = CrossValidation(
    Residuals(np.empty((0, 2)), np.empty(0), np.empty(0), np.empty(0)), (), ErrorModel(0, 0, 1, 1)
)


@dataclass(frozen=True)
class Case:
    """How a kind of ground is surveyed.

    Attributes
    ----------
    ground
        Makes one from a random generator.
    noise_m
        True noise of a shot, m.
    stated
        Whether the estimate is told of it.
    drift
        An error that shots share, and whether the estimate is told of it.
    benchmark_m
        Standard error of the benchmark, which is told.
    lines
        Breaklines are walked.
    shots
        Free ones.
    """

    ground: Callable[[np.random.Generator], Ground]
    noise_m: float = 0.02
    stated: bool = True
    drift: Drift | None = None
    drift_stated: bool = True
    benchmark_m: float = 0.0
    lines: bool = False
    shots: int = 150


@dataclass(frozen=True)
class Outcome:
    """Estimated less true volume, and the ± that was given, m³."""

    error_m3: float
    pm_m3: float


def layout(count: int, seed: int, rng: np.random.Generator) -> np.ndarray:
    """Scattered at will, or paced out as a grid, in turn."""
    if seed % 2 == 0:
        return rng.uniform(0, SIZE, (count, 2))
    line = np.linspace(0.3, SIZE - 0.3, round(np.sqrt(count)))
    nodes = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    return nodes + rng.normal(0, 0.2, nodes.shape)


def survey(case: Case, seed: int) -> Outcome:
    """Survey a ground of its own, dig a pond in it, and ask how sure its volume is."""
    rng = np.random.default_rng([seed, 77])
    ground = case.ground(rng)
    xy = layout(case.shots, seed, rng)
    lines, walked = [], [line for line in ground.lines if case.lines and len(line) > 1]
    for line in walked:
        lines.append(np.arange(len(line)) + len(xy))
        xy = np.vstack([xy, line])
    error = rng.normal(0, case.noise_m, len(xy)) + rng.normal(0, 1) * case.benchmark_m
    if case.drift is not None:
        root = np.linalg.cholesky(case.drift.covariance(xy) + 1e-12 * np.eye(len(xy)))
        error = error + root @ rng.normal(size=len(xy))
    points = np.column_stack([xy, ground.at(xy) + error])
    tin = build_tin(points, breaklines=lines, longest_border_m=np.inf)
    on_lines = points_at(tin, np.vstack(walked)) if walked else None
    noise, ones = np.full(len(tin.points), case.noise_m), np.ones(len(tin.points))
    doubt = TinDoubt(tin, noise, UNASKED, ones, 1.96, case.stated, on_lines)

    true = ground.nodes(LATTICE.x, LATTICE.y)
    found = np.nan_to_num(tin.on_lattice(LATTICE).z, nan=-9.0)
    dig = _dig(LATTICE.nodes, float(np.median(true))).reshape(true.shape)
    dug = CELL**2 * (np.maximum(found - dig, 0.0).sum() - np.maximum(true - dig, 0.0).sum())
    drifts = (case.drift,) if case.drift is not None and case.drift_stated else ()
    told = volume_uncertainty(
        doubt,
        {"pond": Dug(_daylight(found - dig), 0.0)},
        method_bound_m3=0.0,
        benchmark_m=case.benchmark_m,
        drifts=drifts,
    )
    return Outcome(float(dug), told.pm_m3)


def _dig(xy: np.ndarray, level: float) -> np.ndarray:
    """A level floor with batters of 1:1 all around."""
    out = (xy - SIZE / 2) / ACROSS
    beyond = np.maximum(np.hypot(out[:, 0], out[:, 1]) - 1.0, 0.0) * ACROSS.mean()
    return level - DEPTH + beyond


def _daylight(depth: np.ndarray) -> shapely.Polygon:
    """Where the batters come out of the ground, along 72 rays."""
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    away = np.arange(1.0, 2.3, 0.02)
    ray = away[None, :, None] * (ACROSS * np.column_stack([np.cos(turn), np.sin(turn)]))[:, None]
    at = np.clip(((ray + SIZE / 2) / CELL).astype(int), 0, len(depth) - 1)
    out = depth[at[..., 1], at[..., 0]] <= 0
    end = np.where(out.any(axis=1), out.argmax(axis=1), len(away) - 1)
    return shapely.Polygon(SIZE / 2 + ray[np.arange(72), end])
