"""A vertical cut through a slope: its ground, strata, water and loads."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from terrain.arrays import FloatArray
from terrain.errors import Place, StabilityError
from terrain.stability.soils import WATER_N_M3, SlopeSoil, check_soil

_TOUCH_M = 1e-6
_NO_LOADS = np.empty((0, 3))


class Numbers(NamedTuple):
    """A slope as kernels take it; names as of `SlopeSection`.

    `push` is what the water in the crack pushes with, N per metre of slope: `½ γw h²`.
    """

    along: FloatArray
    ground: FloatArray
    tops: FloatArray
    water: FloatArray
    strengths: FloatArray
    loads: FloatArray
    pond: float
    seismic: float
    crack: float
    crack_water: float
    push: float


@dataclass(frozen=True)
class SlopeSection:
    """A slope that rises to the right, so that soil slides to the left.

    Every line is given at the same places along the section and is straight between them.

    Attributes
    ----------
    along_m
        Places along the section, growing, shape (m,).
    ground_m
        Elevation of the ground, shape (m,).
    tops_m
        Elevation of the top of each stratum, the uppermost first, which is the ground's,
        shape (k, m).
    soils
        Of each stratum.
    water_m
        Elevation of the water line in the ground, shape (m,); −inf where there is none.
    pond_m
        Level of open water against the ground; −inf without.
    loads
        Strips of load on the ground: from, to (m along) and pressure (Pa), shape (n, 3).
    seismic
        Horizontal acceleration towards the left, as a share of gravity.
    crack_m
        Depth of a tension crack that every slip ends at; 0 without.
    crack_water_m
        Depth of the water in it.
    """

    along_m: FloatArray
    ground_m: FloatArray
    tops_m: FloatArray
    soils: tuple[SlopeSoil, ...]
    water_m: FloatArray
    pond_m: float = -np.inf
    loads: FloatArray = field(default_factory=lambda: _NO_LOADS)
    seismic: float = 0.0
    crack_m: float = 0.0
    crack_water_m: float = 0.0

    @property
    def strengths(self) -> FloatArray:
        """Per soil: cohesion (Pa), tan φ, moist and saturated weight (N/m³), rᵤ, shape (k, 5)."""
        return np.array(
            [
                [s.cohesion_pa, s.tan_friction, s.moist_n_m3, s.saturated_n_m3, s.pore_ratio]
                for s in self.soils
            ]
        )

    @property
    def numbers(self) -> Numbers:
        """The same for kernels."""
        return Numbers(
            self.along_m,
            self.ground_m,
            self.tops_m,
            self.water_m,
            self.strengths,
            self.loads,
            self.pond_m,
            self.seismic,
            self.crack_m,
            self.crack_water_m,
            0.5 * WATER_N_M3 * self.crack_water_m**2,
        )

    def ground_at(self, along: FloatArray) -> FloatArray:
        """Elevation of the ground at places along the section, m."""
        return np.asarray(np.interp(along, self.along_m, self.ground_m), dtype=np.float64)


def slope_section(
    ground: FloatArray,
    soils: Sequence[SlopeSoil],
    *,
    tops: Sequence[FloatArray] = (),
    water: FloatArray | None = None,
    pond_m: float | None = None,
    loads: Sequence[tuple[float, float, float]] = (),
    seismic: float = 0.0,
    crack_m: float = 0.0,
    crack_water_m: float = 0.0,
) -> SlopeSection:
    """Describe a slope by lines; one that falls to the right is turned around.

    Parameters
    ----------
    ground
        Its line, shape (n, 2): along and elevation, m.
    soils
        From above.
    tops
        Lines of the top of each soil but the first, each shape (n, 2); a stratum whose top lies
        over the ground begins at the ground, and one that ends has no thickness.
    water
        The water line in the ground, shape (n, 2); it ends where its line ends.
    pond_m
        Level of open water against the slope. The ground under it is saturated.
    loads
        From, to (m along) and pressure (Pa).
    seismic
        Horizontal acceleration out of the slope, as a share of gravity.
    crack_m, crack_water_m
        Depth of a tension crack, and of the water in it.

    Raises
    ------
    StabilityError
        A line, a soil or a load is none that a slope has.
    """
    ground = _line("ground", ground)
    if len(soils) != len(tops) + 1:
        raise StabilityError(
            f"{len(soils)} soils and {len(tops)} tops of strata",
            expected="one top for each soil but the uppermost, which begins at the ground",
            mend="add the missing one",
        )
    _check_loads(loads, seismic, crack_m, crack_water_m)
    lines = [_line(f"top of {soil.name}", top) for soil, top in zip(soils[1:], tops, strict=True)]
    if ground[0, 1] > ground[-1, 1]:
        ground, lines = _turned(ground), [_turned(line) for line in lines]
        water = None if water is None else _turned(np.asarray(water, dtype=np.float64))
        loads = [(-end, -start, pressure) for start, end, pressure in loads]
    if water is not None:
        water = _line("water line", water)
    places = _places(ground, [*lines, *([] if water is None else [water])], pond_m)
    surface = np.interp(places, ground[:, 0], ground[:, 1])
    strata = _strata(places, surface, lines, soils)
    wet = np.full(len(places), -np.inf)
    if water is not None:
        wet = np.interp(places, water[:, 0], water[:, 1], left=-np.inf, right=-np.inf)
        _below(places, wet, surface if pond_m is None else np.maximum(surface, pond_m))
    if pond_m is not None:
        wet = np.where(surface < pond_m + _TOUCH_M, np.maximum(wet, pond_m), wet)
    return SlopeSection(
        places,
        surface,
        strata,
        tuple(check_soil(soil) for soil in soils),
        wet,
        -np.inf if pond_m is None else float(pond_m),
        np.array(loads, dtype=np.float64).reshape(-1, 3),
        seismic,
        crack_m,
        crack_water_m,
    )


def drawn_down(section: SlopeSection) -> SlopeSection:
    """The slope when its open water is suddenly gone, before the soil has drained.

    Total unloading with the excess pressure kept (Bishop 1954; Morgenstern 1963, Géotechnique 13,
    with B̄ = 1): under ground that lay in the water, pore pressure falls by the weight of the
    water that stood on it, so that the water line lies at the ground there; elsewhere it stays.
    """
    water = np.minimum(section.water_m, section.ground_m)
    return replace(section, water_m=water, pond_m=-np.inf)


def _line(name: str, line: FloatArray) -> FloatArray:
    line = np.asarray(line, dtype=np.float64)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2:
        raise StabilityError(
            f"a line of shape {line.shape}",
            place=Place(key=name),
            expected="at least two points of place and elevation",
            mend="add points",
        )
    if not np.isfinite(line).all():
        raise StabilityError(
            "a point that is not known",
            place=Place(key=name),
            expected="a line that stays on the survey",
            mend="shorten the section so that it ends inside the survey",
        )
    if not (np.diff(line[:, 0]) > 0).all():
        at = int(np.argmax(np.diff(line[:, 0]) <= 0))
        raise StabilityError(
            f"it turns back at {line[at, 0]:.2f} m along",
            place=Place(key=name),
            expected="points that follow each other along the section",
            mend="give an overhang or an upright face a little run, such as 1 mm",
        )
    return line


def _turned(line: FloatArray) -> FloatArray:
    return np.ascontiguousarray(line[::-1] * [-1.0, 1.0])


def _places(ground: FloatArray, lines: Sequence[FloatArray], pond_m: float | None) -> FloatArray:
    """Every place where a line of the section has a kink, within the ground."""
    own = [ground[:, 0], *(line[:, 0] for line in lines)]
    level = pond_m if pond_m is not None else np.inf
    z = ground[:, 1] - level
    crossing = np.flatnonzero(z[1:] * z[:-1] < 0)
    share = z[crossing] / (z[crossing] - z[crossing + 1])
    own.append(ground[crossing, 0] + share * np.diff(ground[:, 0])[crossing])
    places = np.unique(np.concatenate(own))
    inside = (places >= ground[0, 0]) & (places <= ground[-1, 0])
    return np.asarray(places[inside])


def _strata(
    places: FloatArray,
    surface: FloatArray,
    lines: Sequence[FloatArray],
    soils: Sequence[SlopeSoil],
) -> FloatArray:
    tops = [surface]
    for soil, line in zip(soils[1:], lines, strict=True):
        top = np.minimum(np.interp(places, line[:, 0], line[:, 1]), surface)
        over = top - tops[-1]
        if (over > _TOUCH_M).any():
            at = int(np.argmax(over))
            raise StabilityError(
                f"it lies {over[at]:.2f} m above the top of the stratum over it, "
                f"{places[at]:.2f} m along",
                place=Place(key=f"top of {soil.name}"),
                expected="strata that do not cross, the uppermost first",
                mend="let it meet the other line where the stratum ends",
            )
        tops.append(np.minimum(top, tops[-1]))
    return np.array(tops)


def _below(places: FloatArray, wet: FloatArray, surface: FloatArray) -> None:
    over = wet - surface
    if (over > 1e-3).any():
        at = int(np.argmax(over))
        raise StabilityError(
            f"it stands {over[at]:.2f} m above the ground, {places[at]:.2f} m along",
            place=Place(key="water line"),
            expected="water in the ground, or a pond's level where it stands on it",
            mend="lower the line to the ground, or give the level of the pond",
        )


def _check_loads(
    loads: Sequence[tuple[float, float, float]], seismic: float, crack_m: float, water_m: float
) -> None:
    for start, end, pressure in loads:
        if not (start < end and 0 <= pressure < 1e7):
            raise StabilityError(
                f"a load of {pressure / 1e3:g} kPa from {start:g} to {end:g} m",
                place=Place(key="loads"),
                expected="from left to right, with a pressure of 0 or more",
                mend="give the nearer end first",
            )
    if not 0 <= seismic < 1:
        raise StabilityError(
            f"a seismic coefficient of {seismic:g}",
            expected="0 to less than 1, a share of gravity",
            mend="0.1 to 0.2 is usual where the ground shakes",
        )
    if not 0 <= water_m <= crack_m:
        raise StabilityError(
            f"{water_m:g} m of water in a tension crack of {crack_m:g} m",
            expected="no more water than the crack is deep",
            mend="lower one or raise the other",
        )
