"""A sliding mass cut into upright slices, with the forces on each."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray
from terrain.kernels import kernel
from terrain.stability.section import Numbers, SlopeSection
from terrain.stability.soils import WATER_N_M3

# rows of a table of slices: middle, foot and slope of the base, width; forces in N per metre
X, Z, SLOPE, WIDTH, DOWN, ACROSS, TURN, PORE, COHESION, TAN = range(10)
_THIN_M = 1e-9


@dataclass(frozen=True)
class Slices:
    """The slices of a mass that slides to the left, per metre of slope.

    Attributes
    ----------
    x_m, z_m
        Middle of each base, shape (n,).
    slope
        Rise of each base to the right, tan α, shape (n,).
    width_m
        Shape (n,).
    down_n, across_n
        Forces on each but for those at its base and between slices: down, and to the right.
    turn_nm
        Their moment about the middle of the base, counter-clockwise.
    pore_pa
        Pore pressure at the base.
    cohesion_pa, tan_friction
        Strength at the base.
    """

    x_m: FloatArray
    z_m: FloatArray
    slope: FloatArray
    width_m: FloatArray
    down_n: FloatArray
    across_n: FloatArray
    turn_nm: FloatArray
    pore_pa: FloatArray
    cohesion_pa: FloatArray
    tan_friction: FloatArray


@dataclass(frozen=True)
class Circle:
    """A circular slip: centre, radius, and where it meets the ground, all m."""

    x_m: float
    z_m: float
    radius_m: float
    start_m: float
    end_m: float


def circle_through(section: SlopeSection, start_m: float, end_m: float, sagitta: float) -> Circle:
    """The circle through two places on the ground, and so deep between them.

    Parameters
    ----------
    section
        The slope.
    start_m, end_m
        Places along the section, the lower first.
    sagitta
        Depth of the arc under its chord, as a share of the chord.
    """
    ground = section.ground_at(np.array([start_m, end_m]))
    x, z, radius = circle_of(start_m, float(ground[0]), end_m, float(ground[1]), sagitta)
    return Circle(x, z, radius, start_m, end_m)


def slices_of_circle(section: SlopeSection, circle: Circle, count: int) -> Slices | None:
    """Cut the mass over a circle into slices of even width.

    None where the arc leaves the ground, is upright, or does not rise to the right.
    """
    table = np.empty((10, count))
    named = np.array([circle.x_m, circle.z_m, circle.radius_m, circle.start_m, circle.end_m])
    cut = cut_circle(section.numbers, named, table)
    return Slices(*table) if cut else None


def slices_of_line(section: SlopeSection, slip: FloatArray, count: int) -> Slices | None:
    """Cut the mass over a slip of straight pieces into slices; None where it leaves the ground.

    Parameters
    ----------
    section
        The slope.
    slip
        Its points from the lower end, shape (n, 2), m. Its ends lie on the ground.
    count
        Slices, at least one a piece.
    """
    lengths = np.diff(slip[:, 0])
    each = np.maximum(np.round(count * lengths / lengths.sum()).astype(np.int64), 1)
    edges = np.concatenate(
        [
            *(
                np.linspace(a, b, n, endpoint=False)
                for a, b, n in zip(slip[:-1, 0], slip[1:, 0], each, strict=True)
            ),
            slip[-1:, 0],
        ]
    )
    table = np.empty((10, len(edges) - 1))
    table[X], table[WIDTH] = 0.5 * (edges[1:] + edges[:-1]), np.diff(edges)
    foot = np.interp(edges, slip[:, 0], slip[:, 1])
    table[Z], table[SLOPE] = 0.5 * (foot[1:] + foot[:-1]), np.diff(foot) / np.diff(edges)
    if not load_slices(section.numbers, table):
        return None
    return Slices(*table)


@kernel
def circle_of(
    x0: float, z0: float, x1: float, z1: float, sagitta: float
) -> tuple[float, float, float]:
    """Centre and radius of the arc through two points, so deep under its chord."""
    chord = np.hypot(x1 - x0, z1 - z0)
    radius = chord * (0.25 + sagitta * sagitta) / (2.0 * sagitta)
    away = radius - sagitta * chord
    return (
        0.5 * (x0 + x1) - away * (z1 - z0) / chord,
        0.5 * (z0 + z1) + away * (x1 - x0) / chord,
        radius,
    )


@kernel
def cut_circle(slope: Numbers, circle: FloatArray, table: FloatArray) -> bool:
    """Fill a table of slices, shape (10, n), over a circle (x, z, radius, start, end)."""
    along, ground = slope.along, slope.ground
    x, z, radius, start, end = circle[0], circle[1], circle[2], circle[3], circle[4]
    if max(np.interp(start, along, ground), np.interp(end, along, ground)) > z + _THIN_M:
        return False
    if slope.crack > 0.0:
        end = _end_at_crack(slope, circle)
    if end - start < _THIN_M or start <= x - radius or end >= x + radius:
        return False
    count = table.shape[1]
    width = (end - start) / count
    lower = z - np.sqrt(radius * radius - (start - x) ** 2)
    for i in range(count):
        right = start + (i + 1) * width - x
        if radius * radius <= right * right:
            return False
        upper = z - np.sqrt(radius * radius - right * right)
        table[X, i], table[WIDTH, i] = start + (i + 0.5) * width, width
        table[Z, i], table[SLOPE, i] = 0.5 * (lower + upper), (upper - lower) / width
        lower = upper
    return load_slices(slope, table)


@kernel
def _end_at_crack(slope: Numbers, circle: FloatArray) -> float:
    """Where the upper half of an arc is as deep as the crack; the start if it never is."""
    x, z, radius = circle[0], circle[1], circle[2]
    low, high = 0.5 * (circle[3] + circle[4]), circle[4]
    under = np.interp(low, slope.along, slope.ground) - z
    if under + np.sqrt(radius**2 - (low - x) ** 2) < slope.crack:
        return float(circle[3])
    for _ in range(40):
        middle = 0.5 * (low + high)
        away = max(radius**2 - (middle - x) ** 2, 0.0)
        if np.interp(middle, slope.along, slope.ground) - z + np.sqrt(away) < slope.crack:
            high = middle
        else:
            low = middle
    return float(low)


@kernel
def _push_crack(push: float, depth: float, table: FloatArray) -> None:
    """Water in the crack pushes the last slice to the left, a third of its depth up."""
    if push > 0.0:
        last = table.shape[1] - 1
        foot = table[Z, last] + 0.5 * table[SLOPE, last] * table[WIDTH, last]
        table[ACROSS, last] -= push
        table[TURN, last] += push * (foot + depth / 3.0 - table[Z, last])


@kernel
def load_slices(slope: Numbers, table: FloatArray) -> bool:
    """Fill the forces into a table of slices whose bases are known; False off the ground."""
    along, ground, tops, water = slope.along, slope.ground, slope.tops, slope.water
    strengths, loads, pond, seismic = slope.strengths, slope.loads, slope.pond, slope.seismic
    strata, last = tops.shape[0], along.shape[0] - 2
    k = 0
    for i in range(table.shape[1]):
        x, base, width = table[X, i], table[Z, i], table[WIDTH, i]
        while k < last and along[k + 1] < x:
            k += 1
        run = along[k + 1] - along[k]
        t = (x - along[k]) / run
        surface = ground[k] + t * (ground[k + 1] - ground[k])
        if surface < base - _THIN_M:
            return False
        wet = -np.inf
        if water[k] > -np.inf and water[k + 1] > -np.inf:
            wet = water[k] + t * (water[k + 1] - water[k])
        weight, moment, upper, own = 0.0, 0.0, surface, 0
        for j in range(strata):
            lower = base
            if j + 1 < strata:
                lower = max(base, tops[j + 1, k] + t * (tops[j + 1, k + 1] - tops[j + 1, k]))
            if upper > lower:
                level = min(max(wet, lower), upper)
                dry, soaked = (upper - level) * strengths[j, 2], (level - lower) * strengths[j, 3]
                weight += dry + soaked
                moment += dry * (0.5 * (upper + level) - base)
                moment += soaked * (0.5 * (level + lower) - base)
                upper, own = lower, j
        pore = strengths[own, 4] * weight
        if wet > base:
            pore += WATER_N_M3 * (wet - base)
        down, across = weight * width, -seismic * weight * width
        turn = seismic * moment * width
        if pond > surface:
            pressure = WATER_N_M3 * (pond - surface) * width
            lean = (ground[k + 1] - ground[k]) / run
            down += pressure
            across += pressure * lean
            turn -= pressure * lean * (surface - base)
        for j in range(loads.shape[0]):
            shared = min(loads[j, 1], x + 0.5 * width) - max(loads[j, 0], x - 0.5 * width)
            if shared > 0.0:
                down += shared * loads[j, 2]
        table[DOWN, i], table[ACROSS, i], table[TURN, i] = down, across, turn
        table[PORE, i], table[COHESION, i], table[TAN, i] = (
            pore,
            strengths[own, 0],
            strengths[own, 1],
        )
    _push_crack(slope.push, slope.crack_water, table)
    return True
