"""Stations to read: sections at round stations, with the cut and fill up to each."""

import math
from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray
from terrain.earthwork.baselines import Leg
from terrain.earthwork.profiles import Profile, Sections, sections
from terrain.earthwork.trapezoid import TrapezoidVolume
from terrain.surface import Surface

_FINE = 400  # steps across what changes, along a section
_SAME = 1e-9  # m


@dataclass(frozen=True)
class Station:
    """A section of dig and fill square to the baseline.

    Attributes
    ----------
    station_m
        Along the baseline.
    place
        (x, y) where it crosses the baseline, m.
    across
        Unit vector to the baseline's left.
    cut_m2, fill_m2
        Its areas.
    cut_so_far_m3, fill_so_far_m3
        From the beginning of the works up to here.
    dug, raised
        The ground with the dig, and with all that is placed on it, along the section.
    """

    station_m: float
    place: tuple[float, float]
    across: tuple[float, float]
    cut_m2: float
    fill_m2: float
    cut_so_far_m3: float
    fill_so_far_m3: float
    dug: Profile
    raised: Profile


def list_stations(
    surfaces: tuple[Surface, Surface, Surface],
    measured: tuple[TrapezoidVolume, TrapezoidVolume],
    every_m: float,
) -> tuple[Station, ...]:
    """Sections at whole multiples of a distance, leg after leg of one baseline.

    The first lies before anything changes and the last behind it. Inside a stretch the volume is
    that under the parabola through its three areas, so that it ends at the prismoidal formula.

    Parameters
    ----------
    surfaces
        Before, after the dig, and with the fill.
    measured
        Dig and fill, along the same baseline.
    every_m
        Distance between stations, m.
    """
    cut, fill = measured
    spans = [_span(measured, row) for row in range(len(cut.legs))]
    legs = [row for row, span in enumerate(spans) if span is not None]
    found: list[Station] = []
    for row in legs:
        low, high = spans[row] or (0.0, 0.0)
        first = math.floor(low / every_m + _SAME) if row == legs[0] else math.ceil(low / every_m)
        last = math.ceil(high / every_m - _SAME) if row == legs[-1] else math.floor(high / every_m)
        stations: FloatArray = every_m * np.arange(first, last + 1.0)
        leg, tolerance = cut.legs[row], 1e-3 * max(_greatest(cut), _greatest(fill))
        if not len(stations):
            continue
        dug, raised = (
            _taken((surfaces[0], after), leg, stations, _width(measured, row), tolerance)
            for after in surfaces[1:]
        )
        places, across = leg.lines(stations)
        found += [
            Station(
                float(station),
                (float(places[k, 0]), float(places[k, 1])),
                (float(across[k, 0]), float(across[k, 1])),
                float(dug.areas[k, 0]),
                float(raised.areas[k, 1]),
                _so_far(cut, row, float(station))[0],
                _so_far(fill, row, float(station))[1],
                dug.profiles[k],
                raised.profiles[k],
            )
            for k, station in enumerate(stations)
        ]
    return tuple(found)


def works_length(measured: tuple[TrapezoidVolume, TrapezoidVolume]) -> float:
    """Length of baseline along which anything is dug or raised, m."""
    spans = (_span(measured, row) for row in range(len(measured[0].legs)))
    return sum(span[1] - span[0] for span in spans if span is not None)


def _span(
    measured: tuple[TrapezoidVolume, TrapezoidVolume], row: int
) -> tuple[float, float] | None:
    """First and last station of a leg between which there is any cut or fill."""
    cut, fill = measured
    parts = [part for part in cut.stretches if part.leg == row and part.cut_m3 > 0]
    parts += [part for part in fill.stretches if part.leg == row and part.fill_m3 > 0]
    ends = [end for part in parts for end in (part.start.station_m, part.end.station_m)]
    return (min(ends), max(ends)) if ends else None


def _greatest(volume: TrapezoidVolume) -> float:
    return float(max(volume.cut_areas.max(), volume.fill_areas.max(), 1e-3))


def _width(measured: tuple[TrapezoidVolume, TrapezoidVolume], row: int) -> tuple[float, float]:
    """Offsets between which anything changes in a leg's sections."""
    lines = [
        section.profile
        for volume in measured
        for part in volume.stretches
        if part.leg == row
        for section in (part.start, part.middle, part.end)
    ]
    offsets = np.concatenate(
        [line.offset[np.abs(line.after - line.before) > _SAME] for line in lines]
    )
    return (float(offsets.min()), float(offsets.max())) if len(offsets) else (-1.0, 1.0)


def _taken(
    surfaces: tuple[Surface, Surface],
    leg: Leg,
    stations: FloatArray,
    width: tuple[float, float],
    tolerance_m2: float,
) -> Sections:
    step = max(width[1] - width[0], 1e-3) / _FINE
    wider = (width[0] - 4 * step, width[1] + 4 * step)
    return sections(*surfaces, leg, stations, step=step, within=wider, tolerance_m2=tolerance_m2)


def _so_far(volume: TrapezoidVolume, leg: int, station_m: float) -> tuple[float, float]:
    """Cut and fill of all stretches before a station of a leg, m³."""
    total = [0.0, 0.0]
    for part in volume.stretches:
        start, end = part.start.station_m, part.end.station_m
        if part.leg > leg or (part.leg == leg and start >= station_m):
            continue
        if part.leg < leg or end <= station_m:
            total[0] += part.cut_m3
            total[1] += part.fill_m3
            continue
        share = (station_m - start) / (end - start)
        three = (part.start, part.middle, part.end)
        for k, (areas, curve) in enumerate(
            (
                ([section.cut_m2 for section in three], part.curve_cut_m3),
                ([section.fill_m2 for section in three], part.curve_fill_m3),
            )
        ):
            total[k] += (end - start) * _under_parabola(areas, share) + share * curve
    return total[0], total[1]


def _under_parabola(areas: list[float], share: float) -> float:
    """Integral from 0 to a share of 1 of the parabola through values at 0, a half and 1."""
    a, m, b = areas
    slope, bend = 4 * m - 3 * a - b, 2 * (a - 2 * m + b)
    return share * (a + share * (slope / 2 + share * bend / 3))
