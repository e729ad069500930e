"""Panels between stations: five sections each, halved until their areas leave little to gain.

By the prismoidal formula a panel is exact where areas are cubics of the distance, and the third
differences of its areas say how far it may be off where they are not.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from terrain.arrays import BoolArray, FloatArray, IntArray
from terrain.earthwork.baselines import Leg
from terrain.earthwork.profiles import SPARSE, Profile, sections
from terrain.surface import Surface

BOUND_SCALE = 2.0  # on the third differences: an upright face anywhere in a panel stays within
SETTLED_SHARE = 0.25  # of what the bound leaves, given to the panels that gain least
FIRST_PANELS = 16  # over what changes, if no spacing is given
MOST_FIRST_PANELS = 100  # in a stretch, where what changes is a speck
_INSIDE = 1e-9  # of a panel: how far within its ends its end sections are taken
_FIVE = np.array([0.0, 0.25, 0.5, 0.75, 1.0])


class Taken(NamedTuple):
    """A section that was measured: where, its areas of cut and fill, (2,), and its profile."""

    leg: Leg
    station: float
    areas: FloatArray
    profile: Profile


@dataclass(frozen=True)
class Panels:
    """Five sections each, evenly apart.

    Attributes
    ----------
    leg
        Which one, (n,).
    ends
        Stations, (n, 2), m.
    areas, curved
        Of cut and fill, as they are and as the bend of the leg weighs them, (n, 5, 2), m².
    doubt
        How far an area may be off, (n, 5), m².
    section
        Where each was measured: row of the measure's list, (n, 5).
    """

    leg: IntArray
    ends: FloatArray
    areas: FloatArray
    curved: FloatArray
    doubt: FloatArray
    section: IntArray

    def take(self, rows: BoolArray | IntArray) -> "Panels":
        """Some of the panels."""
        return Panels(
            self.leg[rows], self.ends[rows], self.areas[rows], self.curved[rows],
            self.doubt[rows], self.section[rows],
        )  # fmt: skip

    @property
    def length(self) -> FloatArray:
        """Of each panel, (n,), m."""
        return self.ends[:, 1] - self.ends[:, 0]

    @property
    def gain(self) -> FloatArray:
        """Bound on what the sections between these would still change, (n,), m³.

        One bend of the areas in the panel is off by no more than a twelfth of the length times the
        greatest third difference, one step by twice that.
        """
        third = np.abs(np.diff(self.curved, n=3, axis=1)).max(axis=(1, 2))
        gain: FloatArray = BOUND_SCALE * self.length / 12 * third
        return gain

    @property
    def bound(self) -> FloatArray:
        """With what the sections may be off themselves, (n,), m³."""
        return self.gain + self.length * (self.doubt @ [1, 4, 2, 4, 1]) / 12


def worth_splitting(panels: Panels, left: float) -> BoolArray:
    """None if all bounds together are `left` or less, else all but the panels that gain least."""
    gain = panels.gain
    if panels.bound.sum() <= left:
        return np.zeros(len(gain), dtype=np.bool_)
    order = np.argsort(gain)
    small = np.searchsorted(np.cumsum(gain[order]), SETTLED_SHARE * max(left, 0.0), side="right")
    split = np.zeros(len(gain), dtype=np.bool_)
    split[order[small:]] = True
    return split & (gain > 0)


def joined(parts: list[Panels]) -> Panels:
    """All panels in the order of their legs and stations."""
    names = ("leg", "ends", "areas", "curved", "doubt", "section")
    panels = Panels(*(np.concatenate([getattr(part, n) for part in parts]) for n in names))
    return panels.take(np.lexsort((panels.ends[:, 0], panels.leg)))


class Measure:
    """Two surfaces along the legs of a baseline, and every section taken so far."""

    def __init__(
        self,
        before: Surface,
        after: Surface,
        legs: tuple[Leg, ...],
        changed: FloatArray,
        step: float,
        tolerance_m2: float,
    ) -> None:
        self.before, self.after, self.legs = before, after, legs
        self.step, self.tolerance_m2 = step, tolerance_m2
        offsets = [leg.offsets_of(changed) for leg in legs]
        self.within = [(float(o.min()) - step, float(o.max()) + step) for o in offsets]
        self.taken: list[Taken] = []

    @property
    def count(self) -> int:
        """How many sections were taken."""
        return len(self.taken)

    def first_panels(
        self, breaks: list[FloatArray], changed: FloatArray, spacing: float | None
    ) -> Panels:
        """Panels between the breaks of each leg, closer together where places changed."""
        reach = float(np.ptp(changed @ self._main_way()))
        leg, ends = [], []
        for i, own in enumerate(breaks):
            stations, low, high = own, own[0], own[-1]
            if spacing is None:
                at = self.legs[i].stations_of(changed)
                low, high = np.clip([at.min(), at.max()], own[0], own[-1])
                stations = np.unique(np.append(own, [low, high]))
            for a, b in pairwise(stations):
                if b - a < 1e-9:
                    continue
                longest = 2 * spacing if spacing else max(reach, 1e-6) / FIRST_PANELS
                if b <= low or a >= high:
                    longest *= SPARSE
                longest = max(longest, (b - a) / MOST_FIRST_PANELS)
                edges = np.linspace(a, b, int(np.ceil((b - a) / longest - 1e-9)) + 1)
                ends.append(np.column_stack([edges[:-1], edges[1:]]))
                leg.append(np.full(len(edges) - 1, i))
        if not leg:
            leg, ends = [np.zeros(0, dtype=np.int64)], [np.zeros((0, 2))]
        return self._panels_of(np.concatenate(leg), np.concatenate(ends))

    def _main_way(self) -> FloatArray:
        longest = max(self.legs, key=lambda leg: leg.length)
        return longest.ahead

    def _panels_of(self, leg: IntArray, ends: FloatArray) -> Panels:
        """Panels with all five sections new."""
        stations = ends[:, :1] + _FIVE * (ends[:, 1:] - ends[:, :1])
        inward = _INSIDE * (ends[:, 1:] - ends[:, :1]) * [1, 0, 0, 0, -1]
        areas, curved, doubt, section = self._sections(
            np.repeat(leg, 5), stations.ravel(), inward.ravel()
        )
        n = len(leg)
        return Panels(
            leg, ends, areas.reshape(n, 5, 2), curved.reshape(n, 5, 2), doubt.reshape(n, 5),
            section.reshape(n, 5),
        )  # fmt: skip

    def halved(self, panels: Panels) -> Panels:
        """Two panels of each, one after the other, with two new sections in each of them."""
        n = len(panels.leg)
        at = np.array([0.125, 0.375, 0.625, 0.875])
        stations = panels.ends[:, :1] + at * panels.length[:, None]
        new = self._sections(np.repeat(panels.leg, 4), stations.ravel(), np.zeros(4 * n))
        old = (panels.areas, panels.curved, panels.doubt, panels.section)
        nine = []
        for was, is_new in zip(old, new, strict=True):
            both = np.empty((n, 9, *was.shape[2:]), dtype=was.dtype)
            both[:, ::2], both[:, 1::2] = was, is_new.reshape(n, 4, *was.shape[2:])
            nine.append(np.concatenate([both[:, :5], both[:, 4:]]))
        middle = panels.ends.mean(axis=1)
        ends = np.concatenate(
            [np.column_stack([panels.ends[:, 0], middle]),
             np.column_stack([middle, panels.ends[:, 1]])]
        )  # fmt: skip
        return Panels(np.tile(panels.leg, 2), ends, *nine)

    def _sections(
        self, leg: IntArray, stations: FloatArray, inward: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, IntArray]:
        areas, curved = np.zeros((len(leg), 2)), np.zeros((len(leg), 2))
        doubt, row = np.zeros(len(leg)), np.arange(len(leg)) + self.count
        profiles: list[Profile | None] = [None] * len(leg)
        for i in np.unique(leg):
            mine, own = np.flatnonzero(leg == i), self.legs[i]
            found = sections(
                self.before, self.after, own, stations[mine] + inward[mine],
                step=self.step, within=self.within[i], tolerance_m2=self.tolerance_m2,
            )  # fmt: skip
            areas[mine], doubt[mine] = found.areas, found.bounds
            curved[mine] = found.areas - own.curvature * found.moments
            for k, profile in zip(mine, found.profiles, strict=True):
                profiles[k] = profile
        self.taken.extend(
            Taken(self.legs[i], float(s), a, p)
            for i, s, a, p in zip(leg, stations, areas, profiles, strict=True)
            if p is not None
        )
        return areas, curved, doubt, row
