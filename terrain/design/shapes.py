"""What an element does to the ground, once outlines and levels are resolved. Lengths in m."""

from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.edges import Edge
from terrain.design.paths import Reach
from terrain.design.profiles import Profile
from terrain.design.tables import LiftTable, RockTable

Outline: TypeAlias = shapely.Polygon | shapely.MultiPolygon


@dataclass(frozen=True)
class Sloped:
    """A plane: `level` at the origin of local coordinates, and its rise eastward and northward.

    Below `low` and above `high` it goes on level.
    """

    level: float
    east: float = 0.0
    north: float = 0.0
    low: float = -np.inf
    high: float = np.inf

    def at(self, xy: FloatArray) -> FloatArray:
        """Heights at `xy`, shape (n, 2) → (n,), m."""
        plane = self.level + self.east * xy[:, 0] + self.north * xy[:, 1]
        return np.clip(plane, self.low, self.high)


@dataclass(frozen=True)
class Trough:
    """A channel along a path in a pit's floor; lengths in m, path shape (k, 2)."""

    path: FloatArray
    width: float
    depth: float


@dataclass(frozen=True)
class Rim:
    """The raised edge: how far above the water, how wide, how steep outside."""

    freeboard: float
    crest: float
    batter: float


@dataclass(frozen=True)
class Excavation:
    """A hollow inside an outline.

    Attributes
    ----------
    level
        The elevation that depths are measured down from, m; with `below_surface` its mean.
    below_surface
        Depths are measured down from the ground itself, place by place.
    edge, grown_edge
        The outline, and the outline grown by the over-dig, cut into banks.
    profiles
        Depth profile of each bank.
    slope
        Added to the profile's depth, place by place, or None.
    trough
        Dug below the floor, or None.
    cover
        Thickness of the drapes between subgrade and finish, m.
    depth_is_to_soil
        True where the profiles give the soil face (a pit, filled with lifts afterwards), False
        where they give the finish.
    below
        Over-dig under the subgrade, m.
    cut_batter
        Run over rise of the face above the level, where the ground is higher; 0 is a wall.
    rim
        Raised where the ground is lower than level + freeboard, or None.
    lifts
        Level layers, bottom up; empty unless the element is a pit.
    """

    level: float
    edge: Edge
    grown_edge: Edge
    profiles: tuple[Profile, ...]
    trough: Trough | None
    cover: float
    depth_is_to_soil: bool
    below: float
    cut_batter: float
    rim: Rim | None
    lifts: tuple[LiftTable, ...]
    below_surface: bool = False
    slope: Sloped | None = None

    @property
    def floor(self) -> float:
        """Elevation of the deepest bank's floor, without the trough, m."""
        return self.level - max(profile.floor for profile in self.profiles)

    @property
    def lift_tops(self) -> FloatArray:
        """Elevation of the top of each lift, bottom up, m; the floor drape lies under them."""
        bed = self.floor + self.cover
        return bed + np.cumsum([lift.thickness for lift in self.lifts], dtype=np.float64)


@dataclass(frozen=True)
class Corridor:
    """A stream bed along a path.

    Attributes
    ----------
    reach
        The path with level, half width and depth along it.
    side_batter
        Of the bed's sides, from the water's edge down.
    cover, below, side, cut_batter, rim
        As for `Excavation`; `side` is the over-dig outward.
    """

    reach: Reach
    side_batter: float
    cover: float
    below: float
    side: float
    cut_batter: float
    rim: Rim | None


@dataclass(frozen=True)
class Vault:
    """A box in the ground: a base under it, gravel around it.

    Attributes
    ----------
    level
        Of its top, m; with `below_surface` the mean of the ground's.
    edge, outer_edge
        The box, and the box with its surround.
    depth, base
        Inside, and of the slab under it, m.
    """

    level: float
    edge: Edge
    outer_edge: Edge
    depth: float
    base: float
    cut_batter: float
    voids: float
    below_surface: bool


@dataclass(frozen=True)
class Run:
    """A trench along a path.

    Attributes
    ----------
    reach
        The path with invert (or, with `below_surface`, depth below the ground), half width along
        it.
    bedding, surround, pipe
        Thickness under the invert, height of the surround over it, and the pipe's diameter, m.
    """

    reach: Reach
    below_surface: bool
    bedding: float
    surround: float
    pipe: float

    @property
    def pipe_m3(self) -> float:
        """What the pipe takes from its surround, m³."""
        return float(np.pi / 4 * self.pipe**2 * self.reach.length)


@dataclass(frozen=True)
class Pad:
    """A plane that is cut to and filled up to."""

    edge: Edge
    plane: Sloped
    cover: float
    cut_batter: float
    fill_batter: float


@dataclass(frozen=True)
class Heap:
    """Soil placed upward from a toe: up to `height` above the ground, at `batter`."""

    edge: Edge
    height: float
    batter: float


Shape: TypeAlias = Excavation | Corridor | Vault | Run | Pad | Heap


@dataclass(frozen=True)
class Element:
    """One thing to build, in local coordinates.

    Attributes
    ----------
    name, kind
        As in the plan file.
    outline, grown
        As it will look, and as it will be dug.
    shapes
        What it does to the ground, in order; empty for a zone.
    water_level_m
        Elevation of the water that stands in it, or None.
    rock
        Groups of rocks.
    soil
        Name of its soil, or None for the site's first.
    edge_allowance_m
        Liner beyond the water's edge, m; None where there is no liner.
    edge
        Its outline cut into banks, or None where it has none.
    lip
        The two ends of a fall's lip, shape (2, 2), or None.
    """

    name: str
    kind: str
    outline: Outline
    grown: Outline
    shapes: tuple[Shape, ...]
    water_level_m: float | None
    rock: tuple[RockTable, ...]
    soil: str | None
    edge_allowance_m: float | None
    edge: Edge | None
    lip: FloatArray | None = None

    @cached_property
    def excavation(self) -> Excavation | None:
        """The first hollow, or None."""
        found = [shape for shape in self.shapes if isinstance(shape, Excavation)]
        return found[0] if found else None

    @cached_property
    def pipe_m3(self) -> float:
        """Volume of the pipe in it, m³."""
        return sum(shape.pipe_m3 for shape in self.shapes if isinstance(shape, Run))

    @cached_property
    def heap(self) -> Heap | None:
        """The first heap of placed soil, or None."""
        found = [shape for shape in self.shapes if isinstance(shape, Heap)]
        return found[0] if found else None
