"""The trapezoid method: sections by the trapezoidal rule along a baseline."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray
from terrain.earthwork.sections import average_end_area, prismoidal
from terrain.surface import Surface


@dataclass(frozen=True)
class TrapezoidVolume:
    """Cut and fill from sections square to a baseline.

    Attributes
    ----------
    stations
        Along the baseline, shape (k,), m.
    cut_areas, fill_areas
        Of the section at each station, shape (k,), m².
    cut_m3, fill_m3
        By the prismoidal formula with true mid-sections.
    end_area_cut_m3, end_area_fill_m3
        By average end areas over the stations and the mid-sections.
    bound_m3
        Twice the sum of what the mid-sections and the mid-offsets change, none cancelling.
    """

    stations: FloatArray
    cut_areas: FloatArray
    fill_areas: FloatArray
    cut_m3: float
    fill_m3: float
    end_area_cut_m3: float
    end_area_fill_m3: float
    bound_m3: float


def trapezoid_volume(
    before: Surface,
    after: Surface,
    baseline: FloatArray,
    *,
    spacing: float,
    half_width: float,
    offset_step: float,
) -> TrapezoidVolume:
    """Cut and fill by sections.

    Parameters
    ----------
    before, after
        Cut is where `after` is below `before`; where either is unknown there is neither.
    baseline
        Its two ends, shape (2, 2), m.
    spacing
        Greatest distance between stations, m.
    half_width
        How far the sections reach to either side, m.
    offset_step
        Greatest distance between heights along a section, m.
    """
    start, end = baseline
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    across = np.array([-along[1], along[0]])
    count = max(1, int(np.ceil(length / spacing)))
    every = np.linspace(0.0, length, 2 * count + 1)
    steps = 2 * max(1, int(np.ceil(half_width / offset_step)))
    offsets = np.linspace(-half_width, half_width, 2 * steps + 1)
    places = (start + every[:, None, None] * along + offsets[None, :, None] * across).reshape(-1, 2)
    rise = np.nan_to_num(after.elevation(places) - before.elevation(places))
    rise = rise.reshape(len(every), len(offsets))
    cut, fill = np.maximum(-rise, 0.0), np.maximum(rise, 0.0)
    cut_areas = np.trapezoid(cut, offsets, axis=1)
    fill_areas = np.trapezoid(fill, offsets, axis=1)
    stations = every[::2]
    bound = max(_bound(every, offsets, heights) for heights in (cut, fill))
    return TrapezoidVolume(
        stations=stations,
        cut_areas=cut_areas[::2],
        fill_areas=fill_areas[::2],
        cut_m3=prismoidal(stations, cut_areas[::2], cut_areas[1::2]),
        fill_m3=prismoidal(stations, fill_areas[::2], fill_areas[1::2]),
        end_area_cut_m3=average_end_area(every, cut_areas),
        end_area_fill_m3=average_end_area(every, fill_areas),
        bound_m3=bound,
    )


def _bound(every: FloatArray, offsets: FloatArray, heights: FloatArray) -> float:
    """Twice what mid-sections and mid-offsets change, piece by piece, without cancelling, m³."""
    areas = np.asarray(np.trapezoid(heights, offsets, axis=1))
    length, step = every[2] - every[0], offsets[2] - offsets[0]
    between_stations = np.abs(2 * areas[1::2] - areas[:-2:2] - areas[2::2]).sum() * length / 4
    bent = np.abs(2 * heights[:, 1::2] - heights[:, :-2:2] - heights[:, 2::2]).sum(axis=1)
    between_offsets = np.trapezoid(bent * step / 4, every)
    return 2 * float(between_stations + between_offsets)
