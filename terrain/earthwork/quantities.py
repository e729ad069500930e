"""What is dug, put back, raised and filled, by the element that decided it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.earthwork.layered import Layered


@dataclass(frozen=True)
class LiftPlan:
    """Level tops of an element's lifts, bottom up (m), and the share of each that is voids."""

    names: tuple[str, ...]
    tops: FloatArray
    voids: FloatArray


@dataclass(frozen=True)
class LiftVolume:
    """One lift: its place in the pit, its volume, and the water that its voids hold below level."""

    name: str
    volume_m3: float
    pore_water_m3: float


@dataclass(frozen=True)
class ElementQuantities:
    """Volumes of one element, m³; areas m²; depths m.

    Attributes
    ----------
    excavation_bank_m3
        Existing down to dig.
    over_dig_room_m3
        Dig up to subgrade, as far as it lies below the existing ground: room that rock and
        backfill share.
    fill_compacted_m3
        Soil above the existing ground: rims, mounds, beds laid on low ground.
    drape_m3
        Subgrade up to bed.
    stone_m3
        Bed up to stone: lifts, or gravel around a vault or pipe.
    lifts
        The same, lift by lift.
    returned_compacted_m3
        Stone up to finish: soil put back over a trench.
    free_water_m3
        Finish up to the water level, before rock displaces any.
    dig_area_m2, water_area_m2
        In plan.
    max_depth_m
        Greatest depth dug below the existing ground.
    max_water_depth_m
        Greatest depth of free water.
    """

    excavation_bank_m3: float
    over_dig_room_m3: float
    fill_compacted_m3: float
    drape_m3: float
    stone_m3: float
    lifts: tuple[LiftVolume, ...]
    returned_compacted_m3: float
    free_water_m3: float
    dig_area_m2: float
    water_area_m2: float
    max_depth_m: float
    max_water_depth_m: float


def measure_elements(
    at: Layered, weight: FloatArray, lifts: Sequence[LiftPlan | None], levels: Sequence[float]
) -> tuple[ElementQuantities, ...]:
    """Integrate the layered surfaces, element by element.

    Parameters
    ----------
    at
        The surfaces at the places of a quadrature.
    weight
        Its weights, shape (n,), m².
    lifts
        For each element its lifts, or None.
    levels
        For each element the water level that fills its pores, m; NaN for none.

    Returns
    -------
    tuple of ElementQuantities
        One an element. What each place holds is given to exactly one of them.
    """
    count = len(lifts)
    dug = at.existing - at.dig
    room = np.minimum(at.subgrade, at.existing) - at.dig
    raised = np.maximum(at.subgrade - at.existing, 0.0)
    drape = at.bed - at.subgrade
    depth = np.nan_to_num(np.maximum(at.water - at.finish, 0.0))

    def by_owner(height: FloatArray, owner: Int32Array) -> FloatArray:
        mine = owner >= 0
        sums = np.bincount(owner[mine], (height * weight)[mine], minlength=count)
        return sums.astype(np.float64)

    excavation, room_volume = by_owner(dug, at.dig_owner), by_owner(room, at.dig_owner)
    fill, drapes = by_owner(raised, at.fill_owner), by_owner(drape, at.finish_owner)
    stone = by_owner(at.stone - at.bed, at.finish_owner)
    returned = by_owner(at.finish - at.stone, at.finish_owner)
    water = by_owner(depth, at.water_owner)
    dig_area = by_owner((dug > 0).astype(np.float64), at.dig_owner)
    water_area = by_owner((depth > 0).astype(np.float64), at.water_owner)
    return tuple(
        ElementQuantities(
            excavation_bank_m3=float(excavation[row]),
            over_dig_room_m3=float(room_volume[row]),
            fill_compacted_m3=float(fill[row]),
            drape_m3=float(drapes[row]),
            stone_m3=float(stone[row]),
            lifts=_lift_volumes(at, weight, at.finish_owner == row, lifts[row], levels[row]),
            returned_compacted_m3=float(returned[row]),
            free_water_m3=float(water[row]),
            dig_area_m2=float(dig_area[row]),
            water_area_m2=float(water_area[row]),
            max_depth_m=float(np.max(dug[at.dig_owner == row], initial=0.0)),
            max_water_depth_m=float(np.max(depth[at.water_owner == row], initial=0.0)),
        )
        for row in range(count)
    )


def _lift_volumes(
    at: Layered, weight: FloatArray, mine: BoolArray, lifts: LiftPlan | None, level: float
) -> tuple[LiftVolume, ...]:
    if lifts is None:
        return ()
    bed, finish, weight = at.bed[mine], at.finish[mine], weight[mine]
    volumes = []
    bottom = bed
    for name, top_level, voids in zip(lifts.names, lifts.tops, lifts.voids, strict=True):
        top = np.clip(top_level, bed, np.maximum(finish, bed))
        wet = np.clip(level, bottom, top) - bottom if np.isfinite(level) else np.zeros_like(bed)
        volumes.append(
            LiftVolume(
                name,
                float(np.sum((top - bottom) * weight)),
                float(np.sum(wet * weight) * voids),
            )
        )
        bottom = top
    return tuple(volumes)
