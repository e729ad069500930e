"""Factors of safety by the method of slices.

A factor is what the strength of the soil is divided by until the mass just stands. The methods
differ in what they say of the forces between slices (Duncan and Wright 2005, "Soil Strength and
Slope Stability", ch. 6): the ordinary method leaves them out, Bishop's simplified method (1955,
Géotechnique 5) takes them as level and turns moments about the centre, Janbu's simplified method
(1973) takes them as level and sums forces, and Spencer's method (1967, Géotechnique 17) gives them
one inclination and satisfies both.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import root

from terrain.arrays import FloatArray
from terrain.kernels import kernel
from terrain.stability.slices import (
    ACROSS,
    COHESION,
    DOWN,
    PORE,
    SLOPE,
    TAN,
    TURN,
    WIDTH,
    Circle,
    Slices,
    X,
    Z,
)

LEAST_M_ALPHA = 0.2  # under it the toe is too steep for Bishop's method (Whitman, Bailey 1967)
_ROUNDS = 60
_CLOSE = 1e-10
_RESIDUAL = 1e-8
_LEANS = (0.6, 0.3, 0.0, 0.9, 1.2)  # of the slip's own lean, from which Spencer's method starts


@dataclass(frozen=True)
class SpencerFactor:
    """Spencer's answer.

    Attributes
    ----------
    factor
        The factor of safety.
    lean
        Tangent of the inclination of the forces between slices, λ.
    force_residual, moment_residual
        What is left of the two equilibria, as shares of the weight, and of the weight times the
        slip's length.
    least_normal_pa
        Least effective normal stress on the slip; under 0 the slip is pulled open there.
    """

    factor: float
    lean: float
    force_residual: float
    moment_residual: float
    least_normal_pa: float


def ordinary(slices: Slices, centre: Circle) -> float:
    """Factor by the ordinary method of slices (Fellenius 1927); NaN where nothing drives.

    Moments about the centre of a circle, or of the circle that a slip mostly follows.
    """
    cosine, sine, length = _base(slices)
    normal = slices.down_n * cosine + slices.across_n * sine
    effective = np.maximum(normal - slices.pore_pa * length, 0.0)
    strength = slices.cohesion_pa * length + effective * slices.tan_friction
    shear_arm, normal_arm = _arms(slices, centre)
    driving = _driving(slices, centre) - float((normal * normal_arm).sum())
    return float((shear_arm * strength).sum()) / driving if driving > 0 else float("nan")


def bishop(slices: Slices, centre: Circle) -> float:
    """Factor by Bishop's simplified method (1955); NaN where there is none.

    None is there where nothing drives, where `m_α = cos α + sin α tan φ / F` falls under 0.2, or
    where the rounds do not settle. Of a slip that leaves its circle, the normal forces turn too.
    """
    cosine, sine, _ = _base(slices)
    shear_arm, normal_arm = _arms(slices, centre)
    known = _driving(slices, centre)
    strength = slices.cohesion_pa * slices.width_m
    strength = strength + slices.tan_friction * np.maximum(
        slices.down_n - slices.pore_pa * slices.width_m, 0.0
    )
    factor = 1.0
    for _ in range(_ROUNDS):
        m_alpha = cosine + sine * slices.tan_friction / factor
        if m_alpha.min() < LEAST_M_ALPHA:
            return float("nan")
        normal = (slices.down_n - strength / m_alpha / factor * sine) / cosine
        driving = known - float((normal * normal_arm).sum())
        last, factor = factor, float((shear_arm * strength / m_alpha).sum()) / driving
        if factor <= 0 or not np.isfinite(factor):
            return float("nan")
        if abs(factor - last) < _CLOSE * factor:
            return factor
    return float("nan")


def janbu(slices: Slices) -> float:
    """Factor by Janbu's simplified method with its correction (1973); NaN where there is none.

    The correction is `1 + b (d/L − 1.4 (d/L)²)` of the slip's depth d under its chord of length L,
    b = 0.69 for undrained soil, 0.31 without cohesion and 0.5 with both.
    """
    driving = float((slices.down_n * slices.slope - slices.across_n).sum())
    if driving <= 0:
        return float("nan")
    secant2 = 1.0 + slices.slope**2
    shear = slices.cohesion_pa * slices.width_m
    shear = shear + (slices.down_n - slices.pore_pa * slices.width_m) * slices.tan_friction
    factor = 1.0
    for _ in range(_ROUNDS):
        lean = 1.0 + slices.slope * slices.tan_friction / factor
        if (lean / np.sqrt(secant2)).min() < LEAST_M_ALPHA:
            return float("nan")
        last, factor = factor, float((shear * secant2 / lean).sum()) / driving
        if factor <= 0:
            return float("nan")
        if abs(factor - last) < _CLOSE * factor:
            return factor * _janbu_correction(slices)
    return float("nan")


def spencer(slices: Slices, *, near: float = 1.0) -> SpencerFactor | None:
    """Solve Spencer's method (1967) for any slip; None where it has no answer.

    None is there where no one inclination satisfies both equilibria, as in steep cuts whose crest
    would be pulled open: a tension crack mends that.

    Each slice's forces give the one between slices, Q at an inclination θ; their sum and the sum
    of their moments vanish (Duncan and Wright 2005, eq. 6.19 to 6.24).

    Parameters
    ----------
    slices
        The mass.
    near
        Where to start from: Bishop's factor. Far from it the equations may settle at an answer that
        no slope has.
    """
    weight = float(np.abs(slices.down_n).sum())
    chord = float(np.ptp(slices.x_m)) or 1.0
    centre = _centre(slices)
    own = float(np.ptp(slices.z_m)) / chord

    def residuals(unknown: FloatArray) -> FloatArray:
        q, theta = _between(slices, unknown)
        turned = (slices.x_m - centre[0]) * np.sin(theta) - (slices.z_m - centre[1]) * np.cos(theta)
        moment = float((q * turned - slices.turn_nm).sum())
        return np.array([q.sum() / weight, moment / (weight * chord)])

    for lean in _LEANS:
        found = root(residuals, np.array([near, lean * own]), tol=1e-13)
        factor, tangent = float(found.x[0]), float(found.x[1])
        left = np.abs(residuals(found.x))
        if left.max() < _RESIDUAL and 0.01 < factor < 1e3 and abs(tangent) < 3:
            normal = _normal_pa(slices, found.x)
            return SpencerFactor(
                factor, tangent, float(left[0]), float(left[1]), float(normal.min())
            )
    return None


def _centre(slices: Slices) -> FloatArray:
    """Centre of the circle that the bases lie nearest to, about which forces turn least."""
    design = np.column_stack([slices.x_m, slices.z_m, np.ones(len(slices.x_m))])
    middle = design.mean(axis=0) * [1, 1, 0]
    right = ((design - middle)[:, :2] ** 2).sum(axis=1)
    solved = np.linalg.lstsq(design - middle, right, rcond=None)[0]
    return np.asarray(middle[:2] + 0.5 * solved[:2], dtype=np.float64)


def _base(slices: Slices) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cosine and sine of the base, and its length."""
    cosine = 1.0 / np.sqrt(1.0 + slices.slope**2)
    return cosine, cosine * slices.slope, slices.width_m / cosine


def _arms(slices: Slices, centre: Circle) -> tuple[FloatArray, FloatArray]:
    """Arms about the centre of the shear and of the normal force at each base, m."""
    cosine, sine, _ = _base(slices)
    right, up = slices.x_m - centre.x_m, slices.z_m - centre.z_m
    return right * sine - up * cosine, right * cosine + up * sine


def _driving(slices: Slices, centre: Circle) -> float:
    """Moment of all known forces about the centre, clockwise, N·m per metre."""
    right, up = slices.x_m - centre.x_m, slices.z_m - centre.z_m
    return float((slices.down_n * right + slices.across_n * up - slices.turn_nm).sum())


def _janbu_correction(slices: Slices) -> float:
    half = 0.5 * slices.width_m[[0, -1]] * [-1, 1]
    x = slices.x_m[[0, -1]] + half
    z = slices.z_m[[0, -1]] + half * slices.slope[[0, -1]]
    length = float(np.hypot(x[1] - x[0], z[1] - z[0]))
    under = ((slices.x_m - x[0]) * (z[1] - z[0]) - (slices.z_m - z[0]) * (x[1] - x[0])) / length
    ratio = max(float(under.max()), 0.0) / length
    cohesive, frictional = slices.cohesion_pa.max() > 0, slices.tan_friction.max() > 0
    b = 0.5 if cohesive and frictional else 0.31 if frictional else 0.69
    return 1.0 + b * (ratio - 1.4 * ratio**2)


def _between(slices: Slices, unknown: FloatArray) -> tuple[FloatArray, float]:
    factor, theta = float(unknown[0]), float(np.arctan(unknown[1]))
    alpha = np.arctan(slices.slope)
    length = slices.width_m * np.sqrt(1.0 + slices.slope**2)
    across, down = slices.across_n, slices.down_n
    normal = across * np.sin(alpha) + down * np.cos(alpha) - slices.pore_pa * length
    shear = (slices.cohesion_pa * length + normal * slices.tan_friction) / factor
    lean = np.cos(alpha - theta) + np.sin(alpha - theta) * slices.tan_friction / factor
    return -(across * np.cos(alpha) - down * np.sin(alpha) + shear) / lean, theta


def _normal_pa(slices: Slices, unknown: FloatArray) -> FloatArray:
    q, theta = _between(slices, unknown)
    alpha = np.arctan(slices.slope)
    length = slices.width_m * np.sqrt(1.0 + slices.slope**2)
    normal = slices.across_n * np.sin(alpha) + slices.down_n * np.cos(alpha)
    normal = normal + q * np.sin(alpha - theta)
    return np.asarray(normal / length - slices.pore_pa, dtype=np.float64)


@kernel
def bishop_of_table(table: FloatArray, x: float, z: float, close: float) -> float:
    """Bishop's factor of a table of slices about a centre; −1 inadmissible, −2 unsettled."""
    driving = 0.0
    for i in range(table.shape[1]):
        driving += table[DOWN, i] * (table[X, i] - x) - table[TURN, i]
        driving += table[ACROSS, i] * (table[Z, i] - z)
    if driving <= 0.0:
        return -1.0
    factor = 1.0
    for _ in range(_ROUNDS):
        strength = 0.0
        for i in range(table.shape[1]):
            slope, tan, width = table[SLOPE, i], table[TAN, i], table[WIDTH, i]
            secant = np.sqrt(1.0 + slope * slope)
            m_alpha = (1.0 + slope * tan / factor) / secant
            if m_alpha < LEAST_M_ALPHA:
                return -1.0
            effective = max(table[DOWN, i] - table[PORE, i] * width, 0.0)
            shear = table[COHESION, i] * width + effective * tan
            dx, dz = table[X, i] - x, table[Z, i] - z
            strength += np.sqrt(dx * dx + dz * dz) * shear / m_alpha
        last, factor = factor, strength / driving
        if factor <= 0.0:
            return -1.0
        if abs(factor - last) < close * factor:
            return factor
    return -2.0
