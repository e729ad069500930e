"""Light on a height field: slope to the sun, cast shadow, and how much sky a place sees."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from terrain.arrays import FloatArray


@dataclass(frozen=True)
class Sun:
    """Where the light comes from: compass direction and height above the horizon, degrees."""

    azimuth_deg: float = 315.0
    altitude_deg: float = 42.0

    @property
    def direction(self) -> FloatArray:
        """Unit vector from the ground towards the sun, (3,)."""
        azimuth, altitude = np.radians([self.azimuth_deg, self.altitude_deg])
        level = np.cos(altitude)
        return np.array([level * np.sin(azimuth), level * np.cos(azimuth), np.sin(altitude)])


def without_gaps(z: FloatArray) -> FloatArray:
    """The surface with every NaN replaced by its nearest height."""
    gaps = np.isnan(z)
    if not gaps.any():
        return z
    nearest = ndimage.distance_transform_edt(gaps, return_distances=False, return_indices=True)
    return np.asarray(z[tuple(nearest)], dtype=np.float64)


def cell_normals(nodes: FloatArray) -> FloatArray:
    """Upward unit normal of each cell from the cross product of its diagonals.

    Parameters
    ----------
    nodes
        (ny, nx, 3), m.

    Returns
    -------
    FloatArray
        (ny − 1, nx − 1, 3).
    """
    normal = np.cross(nodes[1:, 1:] - nodes[:-1, :-1], nodes[1:, :-1] - nodes[:-1, 1:])
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-12))


def in_sun(z: FloatArray, cell: float, sun: Sun, *, soft_m: float = 0.12) -> FloatArray:
    """Share of the sun that reaches each node past what stands in its way, 0 to 1, shape of `z`.

    Walks from every node towards the sun in steps of one cell (longer on deep relief) and keeps
    the highest obstacle above the ray; `soft_m` is the height over which the shadow's edge fades.
    """
    whole = without_gaps(z)
    east, north, up = sun.direction
    level = float(np.hypot(east, north))
    reach = float(np.ptp(whole)) * level / up
    stride = max(cell, reach / 160)
    ny, nx = whole.shape
    above = np.full(whole.shape, -np.inf)
    for k in range(1, int(reach / stride) + 2):
        far = k * stride
        dj, di = round(far * east / level / cell), round(far * north / level / cell)
        if abs(dj) >= nx or abs(di) >= ny:
            break
        here = (slice(max(0, -di), ny - max(0, di)), slice(max(0, -dj), nx - max(0, dj)))
        there = (slice(max(0, di), ny - max(0, -di)), slice(max(0, dj), nx - max(0, -dj)))
        blocked = whole[there] - whole[here] - far * up / level
        above[here] = np.maximum(above[here], blocked)
    return np.clip(1 - above / soft_m, 0.0, 1.0)


def sky_seen(z: FloatArray, cell: float) -> FloatArray:
    """How open each node is, about 0.4 in a narrow pit to 1 on open ground, shape of `z`.

    A node darkens by how far it lies below the mean ground around it, at three distances.
    """
    whole = without_gaps(z)
    open_share = np.ones_like(whole)
    for radius_m in (0.25, 0.7, 1.8):
        around = ndimage.gaussian_filter(whole, radius_m / cell, mode="nearest", truncate=2.5)
        sunk = np.maximum(around - whole, 0.0) / radius_m
        open_share *= 1 - 0.34 * sunk / (sunk + 0.35)
    return np.clip(open_share, 0.4, 1.0)


def cell_light(nodes: FloatArray, over: FloatArray, cell: float, sun: Sun) -> FloatArray:
    """Brightness of each cell, about 0.35 in deep shade to 1.2 facing the sun, (ny − 1, nx − 1).

    Parameters
    ----------
    nodes
        What is lit, (ny, nx, 3), m, already exaggerated.
    over
        Heights of what casts the shadows, (ny, nx), m: the same surface, or it with its stones.
    """
    normals = softened(cell_normals(nodes * [1, 1, 1.6]), (0.8, 0.8, 0))
    facing = normals / np.linalg.norm(normals, axis=-1, keepdims=True) @ sun.direction
    level = sun.direction[2]
    turned = np.clip(0.72 * facing / level, 0.0, 1.0)
    shade = to_cells(
        softened(np.stack([in_sun(over, cell, sun), sky_seen(over, cell)]), (0, 0.8, 0.8))
    )
    sunlit, sky = shade
    return np.asarray(sky * (0.52 + 0.68 * turned * (0.30 + 0.70 * sunlit)))


def softened(values: FloatArray, spread: Sequence[float]) -> FloatArray:
    """Shade smoothed over `spread` cells along each axis, so that no staircase shows in it."""
    return np.asarray(ndimage.gaussian_filter(values, spread, mode="nearest"))


def to_cells(nodes: FloatArray) -> FloatArray:
    """Mean of the four corners of each cell, (..., ny, nx) → (..., ny − 1, nx − 1)."""
    lower, upper = nodes[..., :-1, :], nodes[..., 1:, :]
    return (lower[..., :-1] + lower[..., 1:] + upper[..., :-1] + upper[..., 1:]) / 4
