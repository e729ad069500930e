"""Make the surveys of Sallowrigg: `python -m sample_surveys.make_sallowrigg [FOLDER]`.

Sallowrigg is an invented upland guest house with a wet hillside garden. The ground is a closed
form (`sample_surveys.sallowrigg_hill.ground`), so every answer about it can be checked. Two surveys
are drawn from it with a fixed seed:

- `rover.csv`: about 400 shots of a surveyor with a rover pole, in walking order, with
  `POLE_NOISE` of noise up and `PLAN_NOISE` in plan. **One shot is a bust**: at point `BUST` the
  pole stood at 1 m while the book said 2 m, so its elevation is `BUST_OFF` too low.
- `drone.laz`: about a million points seen from above, all of class 0: bare ground and grass,
  rushes, shrubs, the lower canopies of four trees, boulders, a parked excavator, and stray returns
  below the ground and in the air.

The same seed gives the same files: `rover.csv` to the byte, `drone.laz` to the point.
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import laspy
import numpy as np

from sample_surveys import site_folder
from sample_surveys.draws import Draws
from sample_surveys.sallowrigg_cover import (
    BOULDERS,
    MACHINE,
    SHRUBS,
    TREES,
    Dome,
    Machine,
    rush_tussocks,
)
from sample_surveys.sallowrigg_hill import (
    CREASES,
    DITCH,
    DITCH_HALF_WIDTH,
    LENGTH,
    SOUTH,
    WEST,
    WIDTH,
    Crease,
    filter_pit_edge,
    ground,
    plunge_pool_edge,
    pond_edge,
    to_grid,
)
from terrain.arrays import BoolArray, FloatArray

SEED = 20_240_611
POLE_NOISE = 0.015
PLAN_NOISE = 0.008
BUST = "292"
BUST_OFF = -1.0

CLOUD_STEP = 0.0346  # one beam falls somewhere in each square of this side, m
CLOUD_NOISE = 0.014
SCALE = 0.001
LOW_STRAYS = 120
LOW_CLUMPS, IN_A_CLUMP = 5, 8
HIGH_STRAYS = 240
MACHINE_SIDES = 2500


@dataclass(frozen=True)
class Walk:
    """Places that the surveyor shoots under one code, in walking order."""

    code: str
    e: FloatArray
    n: FloatArray


def _inside(e: FloatArray, n: FloatArray) -> BoolArray:
    east, north = e - WEST, n - SOUTH
    return (east > 0.2) & (east < LENGTH - 0.2) & (north > 0.2) & (north < WIDTH - 0.2)


def _along(draws: Draws) -> FloatArray:
    """Places along a line, paced not measured."""
    t = np.arange(-22.0, 22.0, 2.3)
    return t + draws.uniform(-0.5, 0.5, t.size)


def _crease_walk(crease: Crease, draws: Draws) -> Walk:
    t = _along(draws)
    e, n = to_grid(crease.at(t) + draws.normal(0.03, t.size), t)
    inside = _inside(e, n)
    return Walk(crease.code, e[inside], n[inside])


def _ditch_walks(draws: Draws) -> list[Walk]:
    """Both tops and the bottom, shot at the same places along the ditch."""
    t = _along(draws)
    across = [
        to_grid(DITCH.at(t) + aside + draws.normal(0.03, t.size), t)
        for aside in (-DITCH_HALF_WIDTH, 0.0, DITCH_HALF_WIDTH)
    ]
    inside = np.all([_inside(e, n) for e, n in across], axis=0)
    return [
        Walk(code, e[inside], n[inside])
        for code, (e, n) in zip(("DT1", "DB1", "DT2"), across, strict=True)
    ]


def _string_walks(draws: Draws) -> list[Walk]:
    """Bank tops and toes, the ditch and the path's edges, walked there and back."""
    walks = [_crease_walk(crease, draws) for crease in CREASES]
    walks[4:4] = _ditch_walks(draws)
    return [
        Walk(walk.code, walk.e[:: 1 - 2 * (k % 2)], walk.n[:: 1 - 2 * (k % 2)])
        for k, walk in enumerate(walks)
    ]


def _edge_walks() -> list[Walk]:
    return [
        Walk("WE1", *pond_edge()),
        Walk("PP1", *plunge_pool_edge()),
        Walk("FP1", *filter_pit_edge()),
    ]


def _lattice_walk(
    east: tuple[float, float], north: tuple[float, float], step: float, draws: Draws
) -> tuple[FloatArray, FloatArray]:
    """Paces up and down a rectangle, none of them quite regular."""
    columns = np.linspace(*east, round((east[1] - east[0]) / step) + 1)
    rows = np.linspace(*north, round((north[1] - north[0]) / step) + 1)
    e, n = np.meshgrid(columns, rows)
    e[1::2] = e[1::2, ::-1]
    loose = 0.28 * step
    e = e.ravel() + draws.uniform(-loose, loose, e.size)
    n = n.ravel() + draws.uniform(-loose, loose, n.size)
    return (
        np.clip(e, WEST + 0.25, WEST + LENGTH - 0.25),
        np.clip(n, SOUTH + 0.25, SOUTH + WIDTH - 0.25),
    )


def _spot_walk(others: Sequence[Walk], draws: Draws) -> Walk:
    """Shots between the lines, closer on the terrace where the digging will be."""
    wide = _lattice_walk((WEST + 0.4, WEST + 39.6), (SOUTH + 0.4, SOUTH + 29.6), 2.7, draws)
    close = _lattice_walk((WEST + 11.0, WEST + 27.0), (SOUTH + 5.0, SOUTH + 26.0), 1.75, draws)
    e, n = np.concatenate([wide[0], close[0]]), np.concatenate([wide[1], close[1]])
    clear = ~MACHINE.covers(e, n)
    for walk in others:
        away = np.hypot(e[:, None] - walk.e, n[:, None] - walk.n).min(axis=1)
        clear &= away > 0.75
    e, n = e[clear], n[clear]
    kept: list[int] = []
    for i in range(e.size):
        if np.all(np.hypot(e[kept] - e[i], n[kept] - n[i]) > 0.9):
            kept.append(i)
    return Walk("GS", e[kept], n[kept])


def rover_text(seed: int = SEED) -> str:
    """Text of `rover.csv`: point, northing, easting, elevation, code."""
    draws = Draws(seed)
    strings, edges = _string_walks(draws), _edge_walks()
    rocks = Walk("RK", np.array([b.e for b in BOULDERS]), np.array([b.n for b in BOULDERS]))
    walks = [*strings, *edges, rocks, _spot_walk([*strings, *edges, rocks], draws)]
    lines = ["point,northing,easting,elevation,code"]
    for walk in walks:
        crown = np.array([b.height for b in BOULDERS]) if walk is rocks else 0.0
        z = ground(walk.e, walk.n) + crown + draws.normal(POLE_NOISE, walk.e.size)
        e = walk.e + draws.normal(PLAN_NOISE, walk.e.size)
        n = walk.n + draws.normal(PLAN_NOISE, walk.e.size)
        for shot in zip(n, e, z, strict=True):
            name = str(len(lines))
            northing, easting, elevation = shot
            elevation += BUST_OFF if name == BUST else 0.0
            lines.append(f"{name},{northing:.3f},{easting:.3f},{elevation:.3f},{walk.code}")
    return "\n".join(lines) + "\n"


def _beams(draws: Draws) -> tuple[FloatArray, FloatArray]:
    """One beam somewhere in each square, row by row from the south."""
    columns, rows = int(LENGTH / CLOUD_STEP), int(WIDTH / CLOUD_STEP)
    column, row = np.meshgrid(np.arange(columns), np.arange(rows))
    e = WEST + CLOUD_STEP * (column.ravel() + draws.uniform(0.0, 1.0, column.size))
    n = SOUTH + CLOUD_STEP * (row.ravel() + draws.uniform(0.0, 1.0, row.size))
    return e, n


def _strays(draws: Draws) -> FloatArray:
    """Returns from below the ground, alone and in clumps, and from the air, shape (n, 3)."""
    seeds = np.column_stack(
        [
            draws.uniform(WEST, WEST + LENGTH, LOW_CLUMPS),
            draws.uniform(SOUTH, SOUTH + WIDTH, LOW_CLUMPS),
            draws.uniform(-2.5, -0.8, LOW_CLUMPS),
        ]
    ).repeat(IN_A_CLUMP, axis=0)
    clumps = seeds + draws.normal(0.12, seeds.size).reshape(seeds.shape)
    count = LOW_STRAYS + HIGH_STRAYS
    off = np.concatenate(
        [draws.uniform(-4.0, -0.4, LOW_STRAYS), 6.0 + draws.exponential(7.0, HIGH_STRAYS)]
    )
    alone = np.column_stack(
        [
            draws.uniform(WEST, WEST + LENGTH, count),
            draws.uniform(SOUTH, SOUTH + WIDTH, count),
            off,
        ]
    )
    strays = np.concatenate([alone, clumps])
    strays[:, 2] += ground(strays[:, 0], strays[:, 1])
    return strays


def cloud_points(seed: int = SEED) -> FloatArray:
    """Points of `drone.laz`, eastings, northings and elevations, m, shape (n, 3)."""
    draws = Draws(seed + 1)
    e, n = _beams(draws)
    z = ground(e, n) + draws.normal(CLOUD_NOISE, e.size)
    in_grass = draws.uniform(0.0, 1.0, e.size) < 0.06
    z = z + np.where(in_grass, draws.exponential(0.04, e.size), 0.0)
    things: tuple[Dome | Machine, ...] = (
        *BOULDERS, *rush_tussocks(draws), *SHRUBS, *TREES, MACHINE,
    )  # fmt: skip
    for thing in things:
        near = np.flatnonzero(thing.near(e, n))
        z[near] = np.fmax(z[near], thing.returns(e[near], n[near], draws))
    seen = np.column_stack([e, n, z])
    return np.concatenate([seen, MACHINE.sides(draws, MACHINE_SIDES), _strays(draws)])


def write_cloud(path: Path, points: FloatArray) -> None:
    """Write points as LAS 1.4, point format 6, all of class 0, packed as LAZ."""
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales = np.full(3, SCALE)
    header.offsets = np.array([WEST, SOUTH, 240.0])
    header.creation_date = date(2024, 6, 11)
    header.system_identifier = "invented"
    header.generating_software = "make_sallowrigg"
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = points.T
    cloud.return_number = np.ones(len(points), dtype=np.uint8)
    cloud.number_of_returns = np.ones(len(points), dtype=np.uint8)
    cloud.write(path)


def make(folder: Path) -> None:
    """Write both surveys into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "rover.csv").write_bytes(rover_text().encode())
    write_cloud(folder / "drone.laz", cloud_points())


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else site_folder())
