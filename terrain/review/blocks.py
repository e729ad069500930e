"""The shape of a stone: seeded rounded blocks that fill their stated size exactly."""

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from terrain.arrays import FloatArray, Int32Array

if TYPE_CHECKING:
    from terrain.design import Composition, Stone

SHAPES = 12
"""How many different blocks there are; a stone's element and its turn there choose one."""


@dataclass(frozen=True)
class Block:
    """A closed convex block that just fills the box from −1 to 1.

    Attributes
    ----------
    points
        (n, 3), no unit.
    triangles
        (m, 3), counter-clockwise seen from outside.
    """

    points: FloatArray
    triangles: Int32Array


@cache
def _ball(rounds: int) -> Block:
    """Unit sphere from an octahedron, each triangle split in four `rounds` times."""
    points = [
        np.array(p, dtype=float)
        for p in ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1))
    ]
    faces = [(0, 2, 4), (2, 1, 4), (1, 3, 4), (3, 0, 4), (2, 0, 5), (1, 2, 5), (3, 1, 5), (0, 3, 5)]
    for _ in range(rounds):
        middle: dict[tuple[int, int], int] = {}
        split = []
        for face in faces:
            mids = []
            for a, b in zip(face, face[1:] + face[:1], strict=True):
                edge = (min(a, b), max(a, b))
                if edge not in middle:
                    middle[edge] = len(points)
                    centre = points[a] + points[b]
                    points.append(centre / np.linalg.norm(centre))
                mids.append(middle[edge])
            (a, b, c), (ab, bc, ca) = face, mids
            split += [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
        faces = split
    return Block(np.array(points), np.array(faces, dtype=np.int32))


@cache
def block(shape: int, *, rounds: int = 3) -> Block:
    """One of the `SHAPES` blocks; `rounds` of splitting give 8·4^rounds triangles.

    Six faces of a box, each a little askew, and seven broken corners bound the block; its radius in
    direction u is the soft minimum (Σ max(0, u·nᵢ/dᵢ)^p)^(−1/p), which rounds every arris.
    """
    rng = np.random.default_rng(1000 + shape)
    faces = np.repeat(np.eye(3), 2, axis=0) * np.tile([1, -1], 3)[:, None]
    faces = faces + rng.normal(0, 0.10, faces.shape)
    corners = rng.normal(size=(7, 3))
    normals = np.concatenate([faces, corners])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    reach = np.concatenate([rng.uniform(0.88, 1.05, 6), rng.uniform(1.0, 1.25, 7)])
    ball = _ball(rounds)
    facing = np.maximum(ball.points @ (normals / reach[:, None]).T, 0.0)
    radius = (facing**14).sum(axis=1) ** (-1 / 14)
    points = ball.points * radius[:, None]
    low, high = points.min(axis=0), points.max(axis=0)
    return Block(2 * (points - low) / (high - low) - 1, ball.triangles)


def shape_of(stones: Sequence["Stone"]) -> Int32Array:
    """Which block each stone is, (n,); the same stones always get the same blocks."""
    seen: dict[str, int] = {}
    shapes = []
    for stone in stones:
        turn = seen[stone.element] = seen.get(stone.element, 0) + 1
        shapes.append((zlib.crc32(stone.element.encode()) + 5 * turn + turn // 12) % SHAPES)
    return np.array(shapes, dtype=np.int32)


def placed(stone: "Stone", points: FloatArray) -> FloatArray:
    """Points of a block in the site: scaled to the stone, turned about z, moved to its centre."""
    turn = np.radians(stone.turn_deg)
    x, y, z = (points * (np.asarray(stone.axes) / 2)).T
    turned = np.stack([x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn), z])
    return turned.T + np.asarray(stone.centre)


def finish_with_stones(composition: "Composition", stones: Sequence["Stone"]) -> FloatArray:
    """The finish raised to the top of every stone taken as an ellipsoid, (ny, nx), m."""
    lattice = composition.lattice
    top = composition.finish.copy()
    for stone in stones:
        half = np.asarray(stone.axes) / 2
        cx, cy, cz = stone.centre
        reach = float(half[:2].max())
        first = np.floor((np.array([cx, cy]) - reach - [lattice.x0, lattice.y0]) / lattice.cell)
        last = np.ceil((np.array([cx, cy]) + reach - [lattice.x0, lattice.y0]) / lattice.cell) + 1
        j0, i0 = np.maximum(first, 0).astype(int)
        j1, i1 = np.minimum(last, [lattice.nx, lattice.ny]).astype(int)
        if j0 >= j1 or i0 >= i1:
            continue
        dx, dy = np.meshgrid(lattice.x[j0:j1] - cx, lattice.y[i0:i1] - cy)
        turn = np.radians(stone.turn_deg)
        u = (dx * np.cos(turn) + dy * np.sin(turn)) / half[0]
        v = (dy * np.cos(turn) - dx * np.sin(turn)) / half[1]
        room = 1 - u**2 - v**2
        height = np.where(room > 0, cz + half[2] * np.sqrt(np.maximum(room, 0)), -np.inf)
        window = top[i0:i1, j0:j1]
        np.maximum(window, height, out=window)
    return top
