"""How sure the ground of a survey is, from what is known of its kind."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from terrain.arrays import BoolArray, FloatArray
from terrain.measured.ground import Measured
from terrain.measured.spot_survey import SpotSurvey
from terrain.surface import Grid, Tin
from terrain.surface.doubt import (
    Doubt,
    MergedDoubt,
    doubt_of_grid,
    doubt_of_tin,
    noise_at_points,
    points_at,
)
from terrain.surface.ground_law import Drift
from terrain.surface.merge import Merged


def doubt_of(ground: Measured, shots: SpotSurvey | None) -> Doubt:
    """Say how sure the ground of one survey is.

    The noise is what the plan states, else what the shots state of themselves, else what they
    say of each other.
    """
    surface, table = ground.surface, ground.reading.table
    drifts = (Drift(table.common, table.common_over),) if table.common > 0 else ()
    if isinstance(surface, Tin):
        noise: float | FloatArray | None = table.noise
        if table.noise is None and shots is not None:
            noise = _noise_of_shots(surface, shots)
        on_lines = None if shots is None else _on_lines(surface, shots)
        return replace(doubt_of_tin(surface, noise_m=noise, on_lines=on_lines), drifts=drifts)
    cloud = ground.reading.cloud
    if cloud is None:
        noise = table.noise if table.noise is not None else _noise_of_grid(surface)
        counts = np.isfinite(surface.z).astype(np.int64)
    else:
        noise = table.noise if table.noise is not None else cloud.noise_m
        counts = cloud.counts.astype(np.int64)
    return replace(doubt_of_grid(surface, counts, noise_m=noise), drifts=drifts)


def doubt_of_all(ground: Tin | Grid | Merged, doubts: Sequence[Doubt]) -> Doubt:
    """How sure the joined ground is."""
    return MergedDoubt(ground, tuple(doubts)) if isinstance(ground, Merged) else doubts[0]


def _on_lines(surface: Tin, shots: SpotSurvey) -> BoolArray | None:
    """Which points were shot along a breakline; None if no line was walked."""
    lines = (*shots.used.breaklines, *shots.used.soft)
    if not lines:
        return None
    rows = np.concatenate([line.rows for line in lines])
    return points_at(surface, shots.spots.xyz[rows])


def _noise_of_shots(surface: Tin, shots: SpotSurvey) -> FloatArray | None:
    """Noise of each point, where the shots state theirs; those that do not have the usual one."""
    sigma = shots.spots.sigma[shots.ground]
    known = np.isfinite(sigma)
    if not known.any():
        return None
    sigma = np.where(known, sigma, np.median(sigma[known]))
    return noise_at_points(surface, shots.spots.xyz[shots.ground], sigma)


def _noise_of_grid(grid: Grid) -> float:
    """Noise of a node: robust spread of its height less the mean of its two neighbours.

    Of three independent heights that difference has 1.5 times the variance of one; a curved
    ground adds to it, so that this is the most that noise can be.
    """
    off = [(z[:, 2:] + z[:, :-2]) / 2 - z[:, 1:-1] for z in (grid.z, grid.z.T) if z.shape[1] > 2]
    every = np.concatenate([each[np.isfinite(each)] for each in off]) if off else np.empty(0)
    if every.size == 0:
        return 0.0
    return float(1.4826 * np.median(np.abs(every - np.median(every))) / 1.5**0.5)
