"""Invented sites of known truth, shot with a rover's noise: banks, walls, ditches, rough ground."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from terrain.survey import Linework, Role, Spots, sort_codes

ROLES = {
    "GS": Role.GROUND,
    "TB": Role.BREAKLINE,
    "TOE": Role.BREAKLINE,
    "TW": Role.BREAKLINE,
    "BW": Role.BREAKLINE,
    "DB": Role.BREAKLINE,
    "RK": Role.ROCK,
}
HEIGHT_NOISE, PLAN_NOISE = 0.02, 0.01  # m, one standard deviation of a rover on a pole


@dataclass(frozen=True)
class Shot:
    """One survey: shots as booked, and which of them walk a line."""

    spots: Spots
    work: Linework

    @property
    def on_line(self):
        rows = [line.rows for line in self.work.breaklines]
        return np.concatenate(rows) if rows else np.empty(0, dtype=np.int64)


def spots_of(xyz, code=None):
    n = len(xyz)
    return Spots(
        xyz=np.asarray(xyz, dtype=float),
        name=np.array([f"p{i}" for i in range(n)]),
        code=np.array([""] * n if code is None else code, dtype=np.str_),
        line=np.arange(n) + 2,
        source=Path("rover.csv"),
    )


def shoot(rng, parts, ground: Callable) -> Shot:
    """Shoot places of each code on `ground(x, y)` with noise, in the order given."""
    xy = np.concatenate([places for _, places in parts])
    code = np.repeat([code for code, _ in parts], [len(places) for _, places in parts])
    z = np.concatenate([ground(code, *places.T) for code, places in parts])
    xyz = np.column_stack([xy, z])
    xyz += rng.normal(0, [PLAN_NOISE, PLAN_NOISE, HEIGHT_NOISE], xyz.shape)
    spots = spots_of(xyz, code)
    return Shot(spots, sort_codes(spots, ROLES))


def walked_grid(rng, step, low=(0.0, 0.0), high=(40.0, 30.0), loose=0.2):
    """Places on a grid walked to and fro, none of them quite where it should be."""
    x, y = (np.arange(a, b, step) for a, b in zip(low, high, strict=True))
    rows = [np.column_stack([x[:: 1 - 2 * (k % 2)], np.full_like(x, v)]) for k, v in enumerate(y)]
    xy = np.concatenate(rows)
    return xy + rng.uniform(-loose, loose, xy.shape) * step


def along(x, y):
    return np.column_stack(np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float)))


def uneven(rng, step, end=30.0):
    """Stations every `step` or so."""
    s = np.arange(0.3, end, step)
    return s + rng.uniform(-0.2, 0.2, len(s)) * step


def bank(rng) -> Shot:
    """A 1:1 bank 3 m high whose top winds, on ground that rises gently."""

    def top(y):
        return 18 + 1.5 * np.sin(y / 6)

    def ground(_, x, y):
        return 100 + 0.03 * y + 0.01 * x - np.clip(x - top(y), 0, 3)

    grid = walked_grid(rng, 2.0)
    s, t = uneven(rng, 1.8), uneven(rng, 1.8)
    parts = [("GS", grid), ("TB1", along(top(s), s)), ("TOE1", along(top(t) + 3, t))]
    return shoot(rng, parts, ground)


def wall(rng) -> Shot:
    """A vertical wall 1.2 m high, shot along its top and 3 cm before its foot."""

    def ground(code, x, y):
        above = np.full(len(x), code == "TW1") if code[:2] in {"TW", "BW"} else x < 20
        return 100 + 0.02 * y + 1.2 * above

    grid = walked_grid(rng, 1.5)
    grid = grid[abs(grid[:, 0] - 20) > 0.05]
    s, t = uneven(rng, 1.5), uneven(rng, 1.5)
    parts = [("GS", grid), ("TW1", along(20.0, s)), ("BW1", along(20.03, t))]
    return shoot(rng, parts, ground)


def ditch(rng) -> Shot:
    """A ditch 0.8 m deep and 2 m wide across falling ground, shot on both tops and its bottom."""

    def middle(x):
        return 15 + np.sin(x / 5)

    def ground(_, x, y):
        return 100 - 0.04 * x - 0.8 * np.clip(1 - abs(y - middle(x)), 0, 1)

    grid = walked_grid(rng, 2.5)
    stations = [uneven(rng, 1.2, 40.0) for _ in range(3)]
    lines = [
        (code, along(s, middle(s) + side))
        for code, s, side in zip(("TB1", "DB1", "TB2"), stations, (-1, 0, 1), strict=True)
    ]
    return shoot(rng, [("GS", grid), *lines], ground)


def rough(rng) -> Shot:
    """Hummocks of a decimetre or two in every direction, and the bottom of a gully through them."""
    waves = [
        (amplitude, 2 * np.pi / length * np.array([np.cos(turn), np.sin(turn)]), phase)
        for amplitude, length in ((0.10, 5.0), (0.08, 6.5), (0.15, 9.0), (0.4, 20.0))
        for turn, phase in [rng.uniform(0, 2 * np.pi, 2)]
    ]

    def ground(_, x, y):
        hummocks = sum(a * np.sin(k[0] * x + k[1] * y + p) for a, k, p in waves)
        return 100 + hummocks - 1.5 * np.exp(-(((y - 12 - 2 * np.sin(x / 7)) / 2) ** 2))

    s = uneven(rng, 1.3, 40.0)
    parts = [("GS", walked_grid(rng, 1.4, loose=0.35)), ("DB1", along(s, 12 + 2 * np.sin(s / 7)))]
    return shoot(rng, parts, ground)


SITES = {"bank": bank, "wall": wall, "ditch": ditch, "rough": rough}
