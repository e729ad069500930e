"""The trapezoid method: sections by the trapezoidal rule along a baseline, and what lies between.

Between two stations stands one true mid-section; two neighbouring stretches make a panel.
"""

from dataclasses import dataclass, field

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.earthwork.baselines import Arc, Leg, Region, legs_along, long_axis, look
from terrain.earthwork.cutfill import CutFill
from terrain.earthwork.panels import Measure, Panels, joined, worth_splitting
from terrain.earthwork.profiles import Profile
from terrain.earthwork.sections import average_end_area, prismoidal, prismoidal_corrections
from terrain.surface import Surface

USUAL_TOLERANCE = 1e-3  # of the cut and fill at a rough look
MOST_SECTIONS = 20_000  # before the bound is given as it is
PROFILE_SHARE = 0.1  # of the tolerance, left to the sections' own areas
_FIRST_STEPS = 100  # across what changes


@dataclass(frozen=True)
class Section:
    """One section square to the baseline.

    Attributes
    ----------
    station_m
        Along the baseline; before its beginning and past its end the baseline goes on straight.
    place
        (x, y) where it crosses the baseline, m.
    across
        Unit vector to the baseline's left.
    cut_m2, fill_m2
        Its areas.
    profile
        Heights along it.
    """

    station_m: float
    place: tuple[float, float]
    across: tuple[float, float]
    cut_m2: float
    fill_m2: float
    profile: Profile


@dataclass(frozen=True)
class Stretch:
    """What lies between two neighbouring stations.

    Attributes
    ----------
    leg
        Row of the baseline's leg that it lies on.
    start, middle, end
        Its sections.
    end_area_cut_m3, end_area_fill_m3
        By average end areas.
    correction_cut_m3, correction_fill_m3
        Prismoidal correction: to be subtracted from those.
    curve_cut_m3, curve_fill_m3
        What the bend of the baseline adds besides (Pappus); 0 on a straight leg.
    """

    leg: int
    start: Section
    middle: Section
    end: Section
    end_area_cut_m3: float
    end_area_fill_m3: float
    correction_cut_m3: float
    correction_fill_m3: float
    curve_cut_m3: float
    curve_fill_m3: float

    @property
    def cut_m3(self) -> float:
        """By the prismoidal formula, and by Pappus where the baseline bends."""
        return self.end_area_cut_m3 - self.correction_cut_m3 + self.curve_cut_m3

    @property
    def fill_m3(self) -> float:
        """By the prismoidal formula, and by Pappus where the baseline bends."""
        return self.end_area_fill_m3 - self.correction_fill_m3 + self.curve_fill_m3


@dataclass(frozen=True)
class TrapezoidVolume(CutFill):
    """Cut and fill from sections square to a baseline, by the prismoidal formula.

    Attributes
    ----------
    baseline
        As given, or as found.
    legs
        Parts of the baseline that measure anything.
    stretches
        From station to station, leg after leg.
    """

    baseline: FloatArray | Arc = field(repr=False)
    legs: tuple[Leg, ...] = field(repr=False)
    stretches: tuple[Stretch, ...] = field(repr=False)

    @property
    def stations(self) -> FloatArray:
        """Of the sections where stretches begin, and of the last one, shape (k,), m."""
        return np.array([section.station_m for section in self._at_stations])

    @property
    def cut_areas(self) -> FloatArray:
        """At the stations, shape (k,), m²."""
        return np.array([section.cut_m2 for section in self._at_stations])

    @property
    def fill_areas(self) -> FloatArray:
        """At the stations, shape (k,), m²."""
        return np.array([section.fill_m2 for section in self._at_stations])

    @property
    def sections(self) -> tuple[Section, ...]:
        """Every section at a station and half-way between two, in order."""
        inner = [section for part in self.stretches for section in (part.start, part.middle)]
        return (*inner, *(part.end for part in self.stretches[-1:]))

    @property
    def end_area_cut_m3(self) -> float:
        """By average end areas."""
        return sum(part.end_area_cut_m3 for part in self.stretches)

    @property
    def end_area_fill_m3(self) -> float:
        """By average end areas."""
        return sum(part.end_area_fill_m3 for part in self.stretches)

    @property
    def correction_cut_m3(self) -> float:
        """Prismoidal correction of all stretches."""
        return sum(part.correction_cut_m3 for part in self.stretches)

    @property
    def correction_fill_m3(self) -> float:
        """Prismoidal correction of all stretches."""
        return sum(part.correction_fill_m3 for part in self.stretches)

    @property
    def curve_cut_m3(self) -> float:
        """What the bend of the baseline adds."""
        return sum(part.curve_cut_m3 for part in self.stretches)

    @property
    def curve_fill_m3(self) -> float:
        """What the bend of the baseline adds."""
        return sum(part.curve_fill_m3 for part in self.stretches)

    @property
    def _at_stations(self) -> tuple[Section, ...]:
        return (*(part.start for part in self.stretches), *(p.end for p in self.stretches[-1:]))


def trapezoid_volume(
    before: Surface,
    after: Surface,
    *,
    region: Region | None = None,
    tolerance_m3: float | None = None,
    baseline: FloatArray | Arc | None = None,
    spacing: float | None = None,
    step: float | None = None,
) -> TrapezoidVolume:
    """Cut and fill by sections.

    Every place of the region is measured once, whichever way the baseline bends: see
    `baselines.legs_along`. On an arc a slice is longer outside than inside, by `1 − e / R` at an
    offset e towards the centre (Pappus); the correction is exact, not taken at the centroid only.

    Parameters
    ----------
    before, after
        Cut is where `after` is below `before`; where either is unknown there is neither.
    region
        Count only inside this; wherever both surfaces are known by default.
    tolerance_m3
        The bound to reach, m³; by default a thousandth of the cut and fill at a rough look.
        `bound_m3` of the answer says what was reached. A tenth of it is for the sections' areas;
        if `spacing` is given that is all it rules.
    baseline
        An arc, or corners of straight legs, shape (n, 2), n ≥ 2, m; the long axis of what changes
        by default. It says which way sections lie, not where the volume ends.
    spacing
        Greatest distance between stations, m. By default stations are put in until the bound is
        within the tolerance.
    step
        Nothing narrower than this may be lost along a section, m; by default a hundredth of what
        changes.
    """
    if region is None:
        region = _common(before, after)
    change = look(before, after, region)
    changed = change.places
    if tolerance_m3 is None:
        tolerance_m3 = USUAL_TOLERANCE * change.gross_m3
    if baseline is None:
        baseline = long_axis(changed)
    legs = legs_along(baseline, region)
    if step is None:
        step = max(float(np.ptp(changed, axis=0).max()), 1e-6) / _FIRST_STEPS
    breaks = [leg.breaks for leg in legs]
    whole = sum(float(b[-1] - b[0]) for b in breaks)
    tolerance_m2 = PROFILE_SHARE * tolerance_m3 / max(whole, 1e-9)
    measure = Measure(before, after, legs, changed, step, tolerance_m2)
    panels = measure.first_panels(breaks, changed, spacing)
    settled: list[Panels] = []
    while len(panels.leg):
        split = np.zeros(len(panels.leg), dtype=np.bool_)
        if spacing is None and measure.count + 4 * len(panels.leg) < MOST_SECTIONS:
            left = tolerance_m3 - sum(float(part.bound.sum()) for part in settled)
            split = worth_splitting(panels, left)
        settled.append(panels.take(~split))
        panels = measure.halved(panels.take(split))
    return _answer(baseline, measure, joined(settled))


def _common(before: Surface, after: Surface) -> Region:
    if before.footprint is after.footprint:
        return before.footprint
    both: Region = shapely.intersection(before.footprint, after.footprint)
    return both


def _section(measure: Measure, row: int) -> Section:
    leg, station, (cut, fill), profile = measure.taken[row]
    (place,), (across,) = leg.lines(np.array([station]))
    return Section(
        station,
        (float(place[0]), float(place[1])),
        (float(across[0]), float(across[1])),
        float(cut),
        float(fill),
        profile,
    )


def _answer(baseline: FloatArray | Arc, measure: Measure, panels: Panels) -> TrapezoidVolume:
    stretches, total = [], np.zeros(2)
    made = {int(row): _section(measure, int(row)) for row in np.unique(panels.section)}
    for p in range(len(panels.leg)):
        for k in (0, 2):
            ends = np.array([0.0, panels.length[p] / 2])
            plain, bent = panels.areas[p, k : k + 3], panels.curved[p, k : k + 3]
            end_area, less, curve = np.zeros(2), np.zeros(2), np.zeros(2)
            for c in (0, 1):
                end_area[c] = average_end_area(ends, plain[::2, c])
                less[c] = prismoidal_corrections(ends, plain[::2, c], plain[1:2, c])[0]
                volume = prismoidal(ends, bent[::2, c], bent[1:2, c])
                curve[c] = volume - prismoidal(ends, plain[::2, c], plain[1:2, c])
                total[c] += volume
            start, middle, end = (made[int(row)] for row in panels.section[p, k : k + 3])
            amounts = (float(v) for pair in (end_area, less, curve) for v in pair)
            stretches.append(Stretch(int(panels.leg[p]), start, middle, end, *amounts))
    return TrapezoidVolume(
        float(total[0]),
        float(total[1]),
        float(panels.bound.sum()),
        baseline,
        measure.legs,
        tuple(stretches),
    )
