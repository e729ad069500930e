"""What loads the slopes of a site: heaps, rocks and machines, as strips along a section."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design import Composition, Element, Plan, StoneGroup
from terrain.earthwork.strata import Top
from terrain.stability.faces import Face
from terrain.stability.soils import WATER_N_M3
from terrain.surface import Surface
from terrain.units import Unit

GRAVITY = 9.80665
_STRIP_M = 0.5  # of a heap, as a load
_NARROWEST_M = 1.5  # a slip, along the face


@dataclass(frozen=True)
class LyingHeap:
    """A heap: its name, its thickness at places (m), its toe, and its density (kg/m³)."""

    name: str
    thickness: Callable[[FloatArray], FloatArray]
    toe: shapely.Geometry
    density: float


@dataclass(frozen=True)
class SlopeGround:
    """What slopes are measured on.

    Attributes
    ----------
    plan, folder
        The plan, and where it lies.
    elements
        As built, local m.
    existing, dig, finish
        Surfaces.
    composition
        The same at nodes.
    heaps, stone_groups
        What loads the ground.
    tops
        Tops of the strata below the first.
    origin
        True coordinates less local ones, shape (2,), m.
    unit
        That lengths are told in.
    """

    plan: Plan
    folder: Path
    elements: tuple[Element, ...]
    existing: Surface
    dig: Surface
    finish: Surface
    composition: Composition
    heaps: tuple[LyingHeap, ...]
    stone_groups: tuple[StoneGroup, ...]
    tops: tuple[Top, ...]
    origin: FloatArray
    unit: Unit


Load = tuple[float, float, float]
"""A strip along a profile, from and to, m, and its pressure, Pa."""


def heap_loads(on: SlopeGround, profile: FloatArray, face: Face) -> list[Load]:
    """Heaps over a profile, in strips of half a metre."""
    along = np.arange(profile[0, 0], profile[-1, 0], _STRIP_M)
    middle = origin_of(face) + (along + 0.5 * _STRIP_M)[:, None] * face.inward[face.worst]
    reached = shapely.LineString(middle) if len(middle) > 1 else shapely.Point(middle[0])
    loads = []
    for heap in on.heaps:
        if heap.toe.distance(reached) > _STRIP_M:
            continue
        pressure = heap.thickness(middle) * heap.density * GRAVITY
        loads += [
            (float(s), float(s + _STRIP_M), float(p))
            for s, p in zip(along, pressure, strict=True)
            if p > 100.0
        ]
    return loads


def machine_load(on: SlopeGround) -> list[Load]:
    """The machine beside an open dig, if the plan has one."""
    machine = on.plan.slopes.machine
    if machine is None:
        return []
    return [(-machine.away - machine.width, -machine.away, machine.pressure)]


def rock_loads(
    on: SlopeGround,
    profile: FloatArray,
    xy: FloatArray,
    face: Face,
    water: float | None,
    soil_density: float,
) -> list[Load]:
    """Rocks of the finish as strips across the profile.

    A slip is about as wide along a face as the face is high, and carries the rocks within that
    width, each spread over it. Under the finish a rock takes the place of soil that is weighed
    already, and under water it is lighter by the water that it displaces.
    """
    inward = face.inward[face.worst]
    width = max(face.height, _NARROWEST_M)
    across = np.array([-inward[1], inward[0]])
    loads: list[Load] = []
    for group in on.stone_groups:
        away = group.centres[:, :2] - origin_of(face)
        s, beside = away @ inward, np.abs(away @ across)
        inside = (beside < 0.5 * width) & (s > profile[0, 0]) & (s < profile[-1, 0])
        if not inside.any():
            continue
        volume, high = group.form.volume_m3, float(group.form.axes[2])
        long = float(np.sqrt(group.form.axes[0] * group.form.axes[1]))
        sunk = group.embedded[inside]
        bare = np.maximum(high * (1.0 - sunk), 1e-6)
        top = group.centres[inside, 2] + 0.5 * high
        soaked = 0.0 if water is None else np.clip((water - top + bare) / bare, 0.0, 1.0)
        mass = (
            group.form.mass_kg
            - volume * sunk * soil_density
            - volume * (1.0 - sunk) * soaked * WATER_N_M3 / GRAVITY
        )
        pressure = np.maximum(mass, 0.0) * GRAVITY / (long * width)
        loads += [
            (float(x - 0.5 * long), float(x + 0.5 * long), float(p))
            for x, p in zip(s[inside], pressure, strict=True)
        ]
    return loads


def origin_of(face: Face) -> FloatArray:
    """Where distances along the worst profile are counted from, local m."""
    return np.asarray(face.edge[face.worst], dtype=np.float64)
