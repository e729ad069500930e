"""Grounds that are known everywhere, quick to ask at shots and on a lattice; each seed another."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from terrain.kernels import kernel

SIZE = 24.0
WAVES = 200


@dataclass(frozen=True)
class Ground:
    """Heights at places, shape (n, 2) → (n,), and at the nodes of rows y and columns x."""

    at: Callable[[np.ndarray], np.ndarray]
    nodes: Callable[[np.ndarray, np.ndarray], np.ndarray]
    lines: tuple[np.ndarray, ...] = ()


@kernel
def _product(north: np.ndarray, east: np.ndarray) -> np.ndarray:
    """`N E`, without the threads of BLAS that take longer to meet than this does."""
    out = np.zeros((north.shape[0], east.shape[1]))
    for j in range(north.shape[0]):
        for k in range(north.shape[1]):
            for i in range(east.shape[1]):
                out[j, i] += north[j, k] * east[k, i]
    return out


def _waves(k: np.ndarray, height: np.ndarray, phase: np.ndarray) -> Ground:
    def nodes(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        east, north = np.outer(k[:, 0], x), np.outer(y, k[:, 1]) + phase
        return _product(height * np.cos(north), np.cos(east)) - _product(
            height * np.sin(north), np.sin(east)
        )

    return Ground(lambda xy: (height * np.cos(xy @ k.T + phase)).sum(axis=1), nodes)


def plane(rng: np.random.Generator) -> Ground:
    """A tilted lawn."""
    east, north = rng.normal(0, 0.08, 2)
    return Ground(lambda xy: xy @ [east, north], lambda x, y: east * x[None] + north * y[:, None])


def rolling(rng: np.random.Generator) -> Ground:
    """Smooth humps and hollows half a metre high: Gaussian covariance of 6 m."""
    k = rng.normal(size=(WAVES, 2)) / 6.0
    height = np.full(WAVES, 0.5 * np.sqrt(2 / WAVES))
    return _waves(k, height, rng.uniform(0, 2 * np.pi, WAVES))


def _fractal(rng: np.random.Generator, hurst: float, at_1_m: float) -> Ground:
    """Differences grow with distance to the power `hurst`; waves from 0.3 to 150 m."""
    octaves = np.log(150 / 0.3)
    place = (np.arange(WAVES) + rng.uniform(size=WAVES)) / WAVES
    size = 2 * np.pi / 150 * np.exp(octaves * place)
    turn = rng.uniform(0, 2 * np.pi, WAVES)
    k = size[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    height = at_1_m * size**-hurst * np.sqrt(2 * octaves / WAVES)
    return _waves(k, height, rng.uniform(0, 2 * np.pi, WAVES))


def fractal(rng: np.random.Generator) -> Ground:
    """A hillside, the rougher the nearer one looks."""
    return _fractal(rng, 0.75, 0.06)


def broken(rng: np.random.Generator) -> Ground:
    """Rubble and ledges."""
    return _fractal(rng, 0.4, 0.10)


def terraces(rng: np.random.Generator) -> Ground:
    """Four even levels parted by three steep winding walls; crest and toe of each as lines."""
    turn = rng.uniform(0, 2 * np.pi)
    up = np.array([np.cos(turn), np.sin(turn)])
    along = np.array([-up[1], up[0]])
    start = up @ [SIZE / 2, SIZE / 2] + np.array([-5.0, 0.0, 5.0]) + rng.uniform(-0.8, 0.8, 3)
    swing, phase = rng.uniform(0.3, 1.2), rng.uniform(0, 2 * np.pi, 3)
    rise, tilt = rng.uniform(0.3, 0.7, 3), rng.normal(0, 0.04, 2)

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        t, s = x * up[0] + y * up[1], x * along[0] + y * along[1]
        z = tilt[0] * x + tilt[1] * y
        for k in range(3):
            z = z + rise[k] * np.clip((t - start[k] - swing * np.sin(s / 3 + phase[k])) / 0.3, 0, 1)
        return z

    lines = []
    s = np.arange(-SIZE, 2 * SIZE, 1.2) + rng.uniform(0, 1.2)
    for k in range(3):
        toe = start[k] + swing * np.sin(s / 3 + phase[k])
        for t in (toe, toe + 0.3):
            line = t[:, None] * up + s[:, None] * along
            lines.append(line[((line > 0) & (line < SIZE)).all(axis=1)])
    return Ground(
        lambda xy: height(xy[:, 0], xy[:, 1]),
        lambda x, y: height(x[None], y[:, None]),
        tuple(lines),
    )
