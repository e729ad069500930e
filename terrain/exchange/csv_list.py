"""Setting-out lists as text with commas: the first line names each column and its unit."""

import csv
from collections.abc import Callable, Sequence
from pathlib import Path

from terrain.stakes import KINDS, Mark, Stake
from terrain.survey.bearings import degrees_minutes_seconds
from terrain.units import Unit
from terrain.whole import whole_file

_Value = float | None


def write_stakes_csv(
    path: Path, stakes: Sequence[Stake], *, unit: Unit, marks: Sequence[Mark]
) -> Path:
    """Write one line a stake, lengths in the unit of the site, cut positive and fill negative.

    Easting, northing and levels have three decimals; cuts have two in metres, and in feet are
    written in feet and hundredths. Sights have columns only where there are two control points,
    whose names stand in the first line.
    """
    head, rows = _head(unit, marks), [_row(stake, unit, bool(marks)) for stake in stakes]
    with whole_file(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)
    return path


def _head(unit: Unit, marks: Sequence[Mark]) -> list[str]:
    length = f"({unit.plural if unit.symbol == 'ft' else unit.symbol})"
    head = ["stake", "element", "kind"]
    head += [
        f"{what} {length}"
        for what in ("easting", "northing", "existing level", "dig level", "cut (fill negative)",
                     "offset to edge of dig", "offset to foot of face")
    ]  # fmt: skip
    if marks:
        first, second = (mark.name for mark in marks)
        for name in (first, second):
            head += [f"bearing from {name} (d m s)", f"bearing from {name} (deg)"]
            head.append(f"distance from {name} {length}")
        head.append(f"along {first} to {second} {length}")
        head.append(f"across, right positive {length}")
    return head


def _row(stake: Stake, unit: Unit, sighted: bool) -> list[str]:
    def length(digits: int) -> Callable[[_Value], str]:
        return lambda m: "" if m is None else f"{m / unit.metres:.{digits}f}"

    place, depth = length(3), length(2)
    row = [stake.name, stake.element, KINDS[stake.kind]]
    row += [place(m) for m in (stake.east_m, stake.north_m, stake.existing_m, stake.dig_m)]
    row += [_no_minus_zero(depth(stake.cut_m)), depth(stake.offset_m), depth(stake.foot_m)]
    if sighted:
        for bearing, distance in (
            (stake.bearing_deg, stake.distance_m),
            (stake.second_bearing_deg, stake.second_distance_m),
        ):
            row.append("" if bearing is None else degrees_minutes_seconds(bearing))
            row += ["" if bearing is None else f"{bearing:.5f}", place(distance)]
        row += [_no_minus_zero(place(stake.along_m)), _no_minus_zero(place(stake.across_m))]
    return row


def _no_minus_zero(text: str) -> str:
    return text.removeprefix("-") if text.strip("-0.") == "" else text
