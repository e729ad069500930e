"""Surveys that stand in the wrong place: what the numbers suggest, and how sure they are."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from terrain.arrays import FloatArray
from terrain.survey.offsets import other_foot, other_heights
from terrain.survey.suspicion import (
    Guess,
    Heights,
    Kind,
    Known,
    Reference,
    Suspicion,
    box_of,
    common_area,
    gap_between,
    guesses,
    heights_agree,
    length_of,
    place_text,
    sample_of,
    sides_text,
)
from terrain.units import METRE, Unit

if TYPE_CHECKING:
    from pyproj.crs import CRS

_NEAR_M = 100.0  # surveys closer than this, or than the larger one is long, may be neighbours
_FAR_M, _FAR_TIMES = 1000.0, 20.0  # beyond this no two surveys are of one site
_OVERLAP = 0.3  # of the smaller box, that makes a mended place believable
_STEPS = (1e6, 1e5, 1e4)  # leading digits are left out in whole steps of these
_ROOM = 20.0  # a step must be this many times the sites' length, or it fits by chance


def looks_misplaced(
    xyz: FloatArray,
    others: Sequence[Reference] = (),
    *,
    crs: str | None = None,
    unit: Unit = METRE,
) -> tuple[Suspicion, ...]:
    """Say what may be wrong with the place of a survey; empty where nothing is.

    A mistake is named where undoing it brings the survey to the others (or into the area of use
    of its coordinate system) and the numbers as they stand do not. Heights are compared where
    surveys overlap: a survey whose heights follow another's is taken to lie right in plan.

    Parameters
    ----------
    xyz
        Points of the survey, or the corners of its box, shape (n, 2) or (n, 3), m as read.
    others
        What it should lie near, in the same coordinates.
    crs
        Coordinate system in which the numbers were taken, if any.
    unit
        Unit with which the file was read.
    """
    here = sample_of(np.asarray(xyz, dtype=np.float64))
    known = tuple(
        Known(other.name, sample_of(np.asarray(other.xyz, np.float64))) for other in others
    )
    known = tuple(other for other in known if len(other.xyz))
    system = _system(crs) if crs else None
    if not len(here):
        return ()
    found = _as_degrees(here, known, system, unit)
    if not found:
        found = _in_plan(here, known, system, unit) if known else _in_its_system(here, system)
    if not found and known:
        found = _in_its_system(here, system) + other_foot(here, known) + other_heights(here, known)
    return tuple(found)


def _system(crs: str) -> "CRS":
    from terrain.survey.place import crs_named  # noqa: PLC0415 - loads pyproj

    return crs_named(crs)


def _as_degrees(
    here: FloatArray, known: Sequence[Known], system: "CRS | None", unit: Unit
) -> list[Suspicion]:
    if system is None:
        return []
    from terrain.survey.zones import as_degrees  # noqa: PLC0415 - loads pyproj

    return as_degrees(here, known, system, unit)


def _in_its_system(here: FloatArray, system: "CRS | None") -> list[Suspicion]:
    if system is None:
        return []
    from terrain.survey.zones import in_its_system  # noqa: PLC0415 - loads pyproj

    return in_its_system(here, system)


def _other_zone(
    here: FloatArray, known: Sequence[Known], system: "CRS | None", unit: Unit
) -> list[Suspicion]:
    if system is None:
        return []
    from terrain.survey.zones import other_zone  # noqa: PLC0415 - loads pyproj

    return other_zone(here, known, system, unit)


def _in_plan(
    here: FloatArray, known: Sequence[Known], system: "CRS | None", unit: Unit
) -> list[Suspicion]:
    box = box_of(here)
    nearest = min(known, key=lambda other: gap_between(box, other.box))
    gap = gap_between(box, nearest.box)
    reach = max(length_of(box), *(length_of(other.box) for other in known))
    strange = gap > max(reach, _NEAR_M)
    as_read = [other.heights(here) for other in known]
    if any(heights_agree(heights) for heights in as_read):
        return []
    found = []
    for guess in guesses(here, unit):
        for other, heights in zip(known, as_read, strict=True):
            why = _speaks_for(guess, box, other, heights, gap if strange else None)
            if why:
                found.append(Suspicion(guess.kind, why, guess.mend))
                break
    if found or not strange:
        return found
    found = _truncated(box, known, unit) or _other_zone(here, known, system, unit)
    if not found and gap > max(_FAR_M, _FAR_TIMES * reach):
        found = _in_its_system(here, system) or [_apart(box, nearest, gap)]
    return found


def _speaks_for(
    guess: Guess, box: FloatArray, other: Known, as_read: Heights | None, gap: float | None
) -> str:
    """Return the evidence for a guess by one reference; empty if there is none."""
    mended = box_of(guess.xyz)
    share, alike = common_area(mended, other.box)
    if gap is not None:
        if share < _OVERLAP:
            return ""
        return (
            f"as read it lies {gap:,.0f} m from {other.name}; {guess.how} it overlaps it "
            f"({share:.0%} of the smaller box): {place_text(box)} becomes {place_text(mended)}, "
            f"{other.name} is at {place_text(other.box)}"
        )
    before = common_area(box, other.box)[1]
    if guess.kind not in (Kind.EXCHANGED, Kind.SIGN) and alike >= 0.7 and before <= 0.2:
        return (
            f"as read {sides_text(box)}, {guess.how} {sides_text(mended)}; {other.name} measures "
            f"{sides_text(other.box)} in the same place"
        )
    after = other.heights(guess.xyz)
    if (
        as_read is not None
        and after is not None
        and heights_agree(after)
        and after.places >= len(guess.xyz) / 2
        and after.spread <= as_read.spread / 4
    ):
        return (
            f"heights miss those of {other.name} by ±{as_read.spread:.2f} m as read and by "
            f"±{after.spread:.2f} m {guess.how}, at {after.places:,} places"
        )
    return ""


def _apart(box: FloatArray, nearest: Known, gap: float) -> Suspicion:
    return Suspicion(
        Kind.APART,
        f"it lies at {place_text(box)}, {gap:,.0f} m from {nearest.name} at "
        f"{place_text(nearest.box)}, and no usual mistake explains it",
        "check that this file is of this site, and its crs, unit and columns",
    )


def _truncated(box: FloatArray, known: Sequence[Known], unit: Unit) -> list[Suspicion]:
    """Find whole steps of the file's numbers that bring it to another."""
    middle = (box[:2] + box[2:]) / 2
    for step in _STEPS:
        for other in known:
            if step * unit.metres < _ROOM * (length_of(box) + length_of(other.box)):
                continue
            away = ((other.box[:2] + other.box[2:]) / 2 - middle) / unit.metres
            whole = np.round(away / step) * step + 0.0  # no -0
            moved = box + np.tile(whole, 2) * unit.metres
            if whole.any() and common_area(moved, other.box)[0] >= _OVERLAP:
                return [
                    Suspicion(
                        Kind.TRUNCATED,
                        f"adding {whole[0]:+,.0f} to its eastings and {whole[1]:+,.0f} to its "
                        f"northings ({unit.symbol}) makes it overlap {other.name}",
                        "export the survey again with all digits, or give two control points",
                    )
                ]
    return []
