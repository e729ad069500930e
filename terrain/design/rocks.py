"""What one rock of a group is, and how many of them there are."""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from terrain.design.scans import Scan, read_scan
from terrain.design.tables import MOST_ROCKS, RockTable
from terrain.errors import Place, PlanError
from terrain.units import Unit

MOST_ROCK_M, LEAST_ROCK_M = 10.0, 0.005  # beyond these a size is a slip of the pen or of the unit


@dataclass(frozen=True)
class Form:
    """One rock: an ellipsoid, or the body of a scan.

    Attributes
    ----------
    axes
        Full length along the edge, width across it, height; m.
    volume_m3
        π/6 of the product of the axes, or what the scan encloses.
    mass_kg
        Volume times density.
    scan
        Its surface, or None for an ellipsoid.
    """

    axes: tuple[float, float, float]
    volume_m3: float
    mass_kg: float
    scan: Scan | None = None

    def height_of(self, share: float) -> float:
        """The height, as a part of the whole, below which a share of the volume lies.

        The cap of relative height t of an ellipsoid holds t² (3 − 2t) of it; this is the inverse.
        """
        if self.scan is not None:
            return self.scan.height_of(share)
        return float(0.5 - np.sin(np.arcsin(1 - 2 * share) / 3))


def form(table: RockTable, folder: Path, unit: Unit) -> Form:
    """Size from weight, weight from size, or both from a scan.

    Parameters
    ----------
    folder
        Where the plan file lies; scans are looked up from here.
    unit
        Of a scan's coordinates.

    Raises
    ------
    PlanError
        The scan cannot be used, or the rock is too large or too small to be one.
    """
    scan = None
    if table.mesh is not None:
        scan = _scan(folder / table.mesh, unit)
        axes, volume = scan.axes, scan.volume_m3
    else:
        axes = table.size or ellipsoid_axes(table.weight or 0.0, table.density, table.proportions)
        volume = math.pi / 6 * math.prod(axes)
    if not (max(axes) <= MOST_ROCK_M and min(axes) >= LEAST_ROCK_M):
        sides = " × ".join(f"{side / unit.metres:.3g}" for side in axes)
        low, high = unit.length(LEAST_ROCK_M, 3), unit.length(MOST_ROCK_M, 1)
        raise PlanError(
            f"a rock of {sides} {unit.symbol}",
            place=Place(key=_given_by(table)),
            expected=f"sides from {low} to {high}",
            mend=f"check the number and its unit; a mesh is in {unit.plural}",
        )
    return Form(axes, volume, volume * table.density, scan)


def _scan(path: Path, unit: Unit) -> Scan:
    try:
        return read_scan(path, unit)
    except PlanError as error:
        raise PlanError(
            error.found, place=Place(key="mesh"), expected=error.expected, mend=error.mend
        ) from None


def _given_by(table: RockTable) -> str:
    return "mesh" if table.mesh else "size" if table.size else "weight"


def ellipsoid_axes(
    mass: float, density: float, proportions: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Full axes in given proportions of an ellipsoid of a mass (kg) and density (kg/m³), m."""
    scale = math.cbrt(6 * mass / (math.pi * density * math.prod(proportions)))
    length, width, height = (scale * part for part in proportions)
    return length, width, height


def tally(table: RockTable, one: Form, room: int) -> int:
    """How many rocks a group has, where its stretch of the edge holds `room` of them.

    A `total` weight is rounded to whole rocks, and to whole pairs where they frame a fall.

    Raises
    ------
    PlanError
        Less than half a rock, or more than `MOST_ROCKS`.
    """
    if table.at is not None:
        return len(table.at)
    if table.count is not None:
        return table.count
    pair = 2 if table.place == "frame" else 1
    if table.total is not None:
        number = pair * round(table.total / one.mass_kg / pair)
    elif table.place == "frame" or (table.mesh is not None and table.gap is None):
        number = pair
    else:
        number = max(room, 1)
    if not 1 <= number <= MOST_ROCKS:
        raise PlanError(
            f"{number:,} rocks of {one.mass_kg:,.3g} kg",
            place=Place(key="total" if table.total else _given_by(table)),
            expected=f"1 to {MOST_ROCKS:,} rocks",
            mend="check the weight and the size with their units",
        )
    return number
