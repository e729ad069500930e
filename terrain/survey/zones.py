"""Surveys in another coordinate system than they say: the wrong zone, degrees, out of use."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyproj
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from terrain.arrays import FloatArray
from terrain.survey.place import degrees_of, from_degrees, plan_crs, plan_unit
from terrain.survey.suspicion import (
    Kind,
    Known,
    Suspicion,
    box_of,
    gap_between,
    guesses,
    length_of,
    middle_of,
    place_text,
)
from terrain.units import METRE, Unit

if TYPE_CHECKING:
    from pyproj.crs import CRS

_NEAR_M = 100.0  # surveys closer than this, or than the larger one is long, may be neighbours
_MARGIN_DEG, _UTM_MARGIN_DEG = 1.0, 3.0  # beyond an area of use; a zone is often carried on


def in_its_system(here: FloatArray, system: "CRS | None") -> list[Suspicion]:
    """Where the numbers lie in their coordinate system, against where that is used."""
    if system is None or not plan_crs(system).is_projected:
        return []
    flat = plan_crs(system)
    if flat.area_of_use is None or _is_inside(here, flat):
        return []
    west, south, east, north = flat.area_of_use.bounds
    at = degrees_of(flat, *middle_of(here))
    where = f"at {_degrees_text(at.longitude, at.latitude)}" if at else "at no place on earth"
    why = (
        f"{place_text(box_of(here))} (m) lies {where} in {flat.name}, which is used from "
        f"{_degrees_text(west, south)} to {_degrees_text(east, north)}"
    )
    unit = plan_unit(flat) or METRE
    found = [
        Suspicion(guess.kind, f"{why}; {guess.how} it lies inside", guess.mend)
        for guess in guesses(here, unit)
        if guess.kind is not Kind.SIGN and _is_inside(guess.xyz, flat, margin=0.0)
    ]
    return found or [Suspicion(Kind.OUTSIDE, why, "correct crs or unit of this survey")]


def _degrees_text(longitude: float, latitude: float) -> str:
    return (
        f"{abs(latitude):.2f}° {'N' if latitude >= 0 else 'S'} "
        f"{abs(longitude):.2f}° {'E' if longitude >= 0 else 'W'}"
    )


def _is_inside(xyz: FloatArray, flat: "CRS", *, margin: float | None = None) -> bool:
    at = degrees_of(flat, *middle_of(xyz))
    if at is None or flat.area_of_use is None:
        return False
    if margin is None:
        margin = _UTM_MARGIN_DEG if "UTM" in flat.name else _MARGIN_DEG
    west, south, east, north = flat.area_of_use.bounds
    longitude = (at.longitude - west) % 360.0
    width = (east - west) % 360.0 or 360.0
    beside = min(longitude - width, 360.0 - longitude) if longitude > width else 0.0
    return south - margin <= at.latitude <= north + margin and beside <= margin


def other_zone(
    here: FloatArray, known: Sequence[Known], system: "CRS | None", unit: Unit
) -> list[Suspicion]:
    """Find coordinate systems in which the numbers of the file lie at another survey."""
    if system is None or not plan_crs(system).is_projected:
        return []
    flat = plan_crs(system)
    numbers = np.array(middle_of(here)) / unit.metres
    fitting: list[tuple[float, str]] = []
    for other in known:
        centre = (other.box[:2] + other.box[2:]) / 2
        site = degrees_of(flat, *centre)
        if site is None:
            continue
        close = max(length_of(box_of(here)), length_of(other.box), _NEAR_M)
        for code, name in _candidates(flat, site.longitude, site.latitude):
            candidate = pyproj.CRS.from_epsg(code)
            place = degrees_of(candidate, *numbers * candidate.axis_info[0].unit_conversion_factor)
            if place is None or abs(place.latitude - site.latitude) > 0.1:
                continue
            moved = from_degrees(flat, place.longitude, place.latitude)
            off = float(np.hypot(*(moved - centre)))
            if off <= close:
                fitting.append((off, f"EPSG:{code} ({name})"))
        if fitting:
            own = flat.name.split(" / ")[0]
            fitting.sort(
                key=lambda fit: (f"({own} /" not in fit[1], round(fit[0], -1), len(fit[1]))
            )
            alike = f", and in {len(fitting) - 1} more like it" if len(fitting) > 1 else ""
            return [
                Suspicion(
                    Kind.OTHER_ZONE,
                    f"in {flat.name} it lies {gap_between(box_of(here), other.box):,.0f} m from "
                    f"{other.name}; in {fitting[0][1]} its numbers lie {fitting[0][0]:,.0f} m from "
                    f"the middle of {other.name}{alike}",
                    f'set crs = "{fitting[0][1].split(" ")[0]}" for this survey',
                )
            ]
    return []


def _candidates(flat: "CRS", longitude: float, latitude: float) -> Iterator[tuple[int, str]]:
    """Systems that are used at the place, and those of the same datum in the next zones."""
    at = AreaOfInterest(longitude, latitude, longitude, latitude)
    around = AreaOfInterest(
        max(longitude - 7, -180), max(latitude - 3, -90),
        min(longitude + 7, 180), min(latitude + 3, 90),
    )  # fmt: skip
    own = flat.name.split(" / ")[0]
    seen = set[str]()
    for area, contains in ((at, True), (around, False)):
        for entry in query_crs_info("EPSG", PJType.PROJECTED_CRS, area, contains=contains):
            if entry.code in seen or not (contains or entry.name.split(" / ")[0] == own):
                continue
            seen.add(entry.code)
            if entry.name != flat.name:
                yield int(entry.code), entry.name


def as_degrees(
    here: FloatArray, known: Sequence[Known], system: "CRS | None", unit: Unit
) -> list[Suspicion]:
    """Numbers as small as degrees, which are a place at the site if they are taken as such."""
    numbers = box_of(here) / unit.metres
    if np.abs(numbers).max() > 180 or length_of(numbers) > 0.5 or system is None:
        return []
    flat = plan_crs(system)
    if not flat.is_projected:
        return []
    x, y = (numbers[:2] + numbers[2:]) / 2
    for longitude, latitude, order in (
        (x, y, "longitude, latitude"),
        (y, x, "latitude, longitude"),
    ):
        if abs(latitude) > 90:
            continue
        place = from_degrees(flat, longitude, latitude)
        if not np.isfinite(place).all():
            continue
        spot = np.tile(place, 2)
        near = [
            other
            for other in known
            if gap_between(spot, other.box) <= max(length_of(other.box), 500.0)
        ]
        if near or (not known and _is_inside(place[None, :], flat, margin=0.0)):
            where = f"at {near[0].name}" if near else f"inside {flat.name}"
            return [
                Suspicion(
                    Kind.DEGREES,
                    f"its numbers lie about {x:.5f}, {y:.5f} and span {length_of(numbers):.5f}: "
                    f"taken as {order} they lie {where}",
                    'set crs = "EPSG:4326" for this survey',
                )
            ]
    return []
