"""An invented garden in closed form: sloping ground, a pond, a plunge pool, a pit and a mound."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import shapely

from terrain.design.tables import Plan
from terrain.measured import Reading, SpotSurvey, sort_shots
from terrain.survey import Role, Spots
from terrain.units import METRE, Unit


@dataclass(frozen=True)
class FakeLattice:
    x0: float
    y0: float
    cell: float
    nx: int
    ny: int

    @property
    def x(self):
        return self.x0 + self.cell * np.arange(self.nx)

    @property
    def y(self):
        return self.y0 + self.cell * np.arange(self.ny)


@dataclass(frozen=True)
class FakeComposition:
    lattice: FakeLattice
    existing: np.ndarray
    dig: np.ndarray
    subgrade: np.ndarray
    finish: np.ndarray
    water: np.ndarray
    owner: np.ndarray


@dataclass(frozen=True)
class FakeStone:
    element: str
    centre: tuple[float, float, float]
    axes: tuple[float, float, float]
    turn_deg: float


@dataclass(frozen=True)
class FakeElement:
    name: str
    kind: str
    outline: shapely.Polygon
    water_level_m: float | None


@dataclass(frozen=True)
class FakeGround:
    footprint: shapely.Polygon


@dataclass(frozen=True)
class FakeSite:
    name: str
    unit: Unit
    origin: tuple[float, float]
    composition: FakeComposition
    stones: tuple[FakeStone, ...]
    elements: tuple[FakeElement, ...]
    existing: FakeGround
    plan: Plan
    spot_surveys: dict[str, SpotSurvey]
    folder: Path = field(default=Path())


POND_LEVEL = 101.30
POOL_LEVEL = 102.70


ROLES = {"GS": Role.GROUND, "TB": Role.BREAKLINE, "WE": Role.OUTLINE, "RK": Role.IGNORE}
SPOILED = (14.0, 26.0, 1.4)
"""Easting and northing of the shot that was booked too high, and by how much, m."""


def rover(existing, xx, yy, pond):
    """Shots every 2.5 m, a bank top, the pond's edge, boulders; one height is wrong."""
    step = round(2.5 / (xx[0, 1] - xx[0, 0]))
    spots = np.c_[xx[::step, ::step].ravel(), yy[::step, ::step].ravel()]
    bank = np.c_[np.linspace(6, 36, 13), 28 + np.sin(np.linspace(0, 3, 13))]
    boulders = np.array([[8.0, 9.0], [30.0, 4.0], [36.0, 21.0]])
    edge = np.array(pond.exterior.coords)[:-1:6]
    xy = np.concatenate([spots, bank, edge, boulders, [SPOILED[:2]]])
    code = np.repeat(["GS", "TB1", "WE1", "RK", "GS"], [len(spots), 13, len(edge), 3, 1])
    column, row = ((xy[:, k] / (xx[0, 1] - xx[0, 0])).round().astype(int) for k in (0, 1))
    z = existing[row.clip(0, len(xx) - 1), column.clip(0, xx.shape[1] - 1)]
    known = np.isfinite(z)
    xyz, code = np.c_[xy, z][known], code[known]
    xyz[-1, 2] += SPOILED[2]
    number = np.arange(1, len(xyz) + 1)
    shots = Spots(xyz, number.astype(str), code, number, Path("rover.csv"))
    table = plan_of_the_garden().survey[0]
    return sort_shots(Reading(table, "spot heights", len(xyz), shots), (), ROLES)


def plan_of_the_garden():
    return Plan.model_validate(
        {
            "site": {"name": "Thornybeck guest house"},
            "survey": [{"name": "rover", "file": "rover.csv"}],
            "codes": {code: role.value for code, role in ROLES.items()},
        }
    )


def inward(outline, xx, yy):
    """Distance inside the outline's edge, negative outside."""
    points = shapely.points(xx.ravel(), yy.ravel())
    shapely.prepare(outline)
    inside = shapely.contains_xy(outline, xx.ravel(), yy.ravel())
    edge = shapely.distance(outline.exterior, points)
    return np.where(inside, edge, -edge).reshape(xx.shape)


def coverage(existing, lattice):
    """Cells of the lattice with a height, as one polygon."""
    half = lattice.cell / 2
    strips = []
    for row, y in zip(np.isfinite(existing), lattice.y, strict=True):
        known = lattice.x[row]
        if len(known):
            strips.append(shapely.box(known[0] - half, y - half, known[-1] + half, y + half))
    return shapely.union_all(strips)


def garden(*, cell: float = 0.1, unit: Unit = METRE, far: float = 0.0) -> FakeSite:
    lattice = FakeLattice(0.0, 0.0, cell, round(42 / cell) + 1, round(32 / cell) + 1)
    xx, yy = np.meshgrid(lattice.x, lattice.y)
    existing = (
        99.9 + 0.10 * yy + 0.012 * xx + 0.18 * np.sin(xx / 4.1) * np.cos(yy / 5.3)
        + 1.1 * np.exp(-(((xx - 31) / 6) ** 2 + ((yy - 25) / 5) ** 2))
    )  # fmt: skip
    turn = np.linspace(0, 2 * np.pi, 97)[:-1]
    reach = 1 + 0.12 * np.sin(2 * turn + 0.6) + 0.10 * np.sin(3 * turn)
    pond = shapely.Polygon(
        np.c_[18 + 7.6 * reach * np.cos(turn), 12.2 + 4.6 * reach * np.sin(turn)]
    )
    pool = shapely.Point(25.6, 20.4).buffer(1.9, quad_segs=24)
    pit = shapely.affinity.rotate(shapely.box(4.6, 16.2, 8.4, 18.8), 24)
    mound = shapely.Point(32.5, 8.5).buffer(3.4, quad_segs=24)

    def stepped(d):
        return np.interp(d, [0, 0.08, 0.7, 0.78, 1.3, 2.2], [0, 0.3, 0.32, 0.6, 0.62, 1.5])

    dig, subgrade, finish = existing.copy(), existing.copy(), existing.copy()
    water = np.full_like(existing, np.nan)
    owner = np.full(existing.shape, -1, dtype=np.int32)
    plans = (
        (pond, POND_LEVEL, stepped, 0.10),
        (pool, POOL_LEVEL, lambda d: np.interp(d, [0, 1.6], [0.05, 1.1]), 0.10),
        (pit, POND_LEVEL + 0.1, lambda d: np.where(d > 0.02, 1.9, 0.0), 0.05),
    )
    for index, (outline, level, depth, layer) in enumerate(plans):
        d = inward(outline, xx, yy)
        bed = np.where(d >= 0, level - depth(d), level + np.maximum(-d - 0.3, 0.0))
        dug = np.where(
            d >= -0.5, level - depth(np.maximum(d + 0.5, 0.0)) - 0.25, level + 2 * (-d - 0.5) - 0.25
        )
        lower = np.minimum(dig, dug)
        owner[lower < dig - 1e-9] = index
        dig = lower
        finish = np.where(d >= 0, bed, np.minimum(finish, np.where(d > -3, bed + 0.05, 1e9)))
        finish = np.where((d < 0) & (d > -0.9) & (finish < level), level + 0.15, finish)
        subgrade = np.where(d >= 0, bed - layer, finish)
        water = np.where((d >= 0) & (bed < level), level, water)
        dig = np.minimum(dig, subgrade)
    d = inward(mound, xx, yy)
    raised = existing + np.minimum(1.1, np.maximum(d, 0) / 2.2)
    finish = np.where(d > 0, raised, finish)
    subgrade = np.where(d > 0, raised, np.minimum(subgrade, finish))
    owner[(d > 0) & (owner < 0)] = 3
    survey = rover(existing, xx, yy, pond)
    border = (np.abs((xx - 21) / 21) ** 4 + np.abs((yy - 16) / 16) ** 4) > 1.06
    surfaces = [existing, dig, subgrade, finish, water]
    for surface in surfaces:
        surface[border] = np.nan
    owner[border] = -1
    rng = np.random.default_rng(7)
    stones = []
    for name, outline, count, sizes in (
        ("pond", pond, 46, (0.9, 0.7, 0.5)),
        ("plunge pool", pool, 18, (1.1, 0.8, 0.7)),
    ):
        for part in (np.arange(count) + rng.uniform(-0.2, 0.2, count)) / count:
            spot = outline.exterior.interpolate(part % 1, normalized=True)
            axes = np.array(sizes) * rng.uniform(0.75, 1.35)
            level = POND_LEVEL if name == "pond" else POOL_LEVEL
            centre = (spot.x, spot.y, level + 0.1 * axes[2])
            stones.append(FakeStone(name, centre, tuple(axes), float(rng.uniform(0, 180))))
    elements = (
        FakeElement("pond", "basin", pond, POND_LEVEL),
        FakeElement("plunge pool", "plunge_pool", pool, POOL_LEVEL),
        FakeElement("filter pit", "filter_pit", pit, POND_LEVEL + 0.1),
        FakeElement("mound", "mound", mound, None),
    )
    composition = FakeComposition(lattice, *surfaces, owner)
    return FakeSite(
        "Thornybeck guest house", unit, (far + 412_300.0, far + 5_617_800.0), composition,
        tuple(stones), elements, FakeGround(coverage(existing, lattice)), plan_of_the_garden(),
        {"rover": survey},
    )  # fmt: skip
