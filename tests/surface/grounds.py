"""Known grounds and ways to survey them, seeded."""

from collections.abc import Callable

import numpy as np

Ground = Callable[[np.ndarray], np.ndarray]
SIZE = 50.0


def plane(seed: int) -> Ground:
    return lambda xy: 3.0 + 0.08 * xy[:, 0] - 0.03 * xy[:, 1]


def _waves(seed: int, smoothness: float, length: float, sd: float, count: int = 400) -> Ground:
    """A Gaussian random field of Matérn covariance as a sum of waves (its spectrum is Student's).

    Smoothness under 1 is a fractal of that Hurst exponent at short distance; infinite smoothness
    is the Gaussian covariance.
    """
    rng = np.random.default_rng(seed)
    waves = rng.normal(size=(count, 2)) / length
    if np.isfinite(smoothness):
        waves *= np.sqrt(2 * smoothness / rng.chisquare(2 * smoothness, count))[:, None]
    phase = rng.uniform(0, 2 * np.pi, count)
    return lambda xy: sd * np.sqrt(2 / count) * np.cos(xy @ waves.T + phase).sum(axis=1)


def rolling(seed: int) -> Ground:
    return _waves(seed, np.inf, 12.0, 1.0)


def broken(seed: int) -> Ground:
    return _waves(seed, 0.5, 30.0, 1.0)


def rough(seed: int) -> Ground:
    return _waves(seed, 0.8, 60.0, 2.0)


def half_rough(seed: int) -> Ground:
    """A lawn in the west, broken ground in the east."""
    whole = _waves(seed, 0.6, 30.0, 1.5)
    return lambda xy: whole(xy) * (0.04 + 0.96 / (1 + np.exp(-2 * (xy[:, 0] - 25.0))))


def scattered(count: int, rng: np.random.Generator) -> np.ndarray:
    return rng.uniform(0, SIZE, (count, 2))


def paced(count: int, rng: np.random.Generator) -> np.ndarray:
    """A grid paced out by foot."""
    line = np.linspace(0, SIZE, round(np.sqrt(count)))
    nodes = np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2)
    return nodes + rng.normal(0, 0.2, nodes.shape)


def gapped(count: int, rng: np.random.Generator) -> np.ndarray:
    """Nothing within 9 m of the middle."""
    xy = scattered(2 * count, rng)
    return xy[np.hypot(*(xy - SIZE / 2).T) > 9.0][:count]


def west_heavy(count: int, rng: np.random.Generator) -> np.ndarray:
    """Two thirds of the shots in the west half besides its share of the rest."""
    west = rng.uniform((0, 0), (SIZE / 2, SIZE), (count - count // 3, 2))
    return np.vstack([scattered(count // 3, rng), west])


def surveyed(ground: Ground, xy: np.ndarray, noise: float, rng: np.random.Generator) -> np.ndarray:
    return np.column_stack([xy, ground(xy) + rng.normal(0, noise, len(xy))])
