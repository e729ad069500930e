"""Slips along a plane: long thin veneers, and wedges behind steep cuts."""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray
from terrain.stability.section import SlopeSection
from terrain.stability.slices import slices_of_line
from terrain.stability.soils import WATER_N_M3, SlopeSoil

_NEARLY = 0.98  # of the height of a face: where its crest begins
_LEAST_DIP, _DIPS, _PIECES = np.radians(15.0), 60, 24


@dataclass(frozen=True)
class Wedge:
    """The plane through the toe on which a steep cut stands worst: its factor and its dip."""

    factor: float
    dip_deg: float


def infinite_slope(
    slope: float,
    thickness_m: float,
    soil: SlopeSoil,
    *,
    water_share: float = 0.0,
    interface: SlopeSoil | None = None,
    seismic: float = 0.0,
) -> float:
    """Factor of a long even layer that slides on a plane as steep as its surface.

    `[c′ + (γ d cos²β − u) tan φ′] / (γ d sin β cos β)` with seepage along the slope,
    `u = γw m d cos²β` (Duncan and Wright 2005, "Soil Strength and Slope Stability", eq. 6.9 to
    6.11); a level seismic force takes from the normal force and adds to the driving one.

    Parameters
    ----------
    slope
        Rise over run of the surface.
    thickness_m
        Upright thickness d of the layer.
    soil
        What it is made of.
    water_share
        Share m of the thickness under water that seeps along the slope, 0 to 1.
    interface
        Strength of what it lies on, such as gravel on a liner; by default the soil's own.
    seismic
        Horizontal acceleration as a share of gravity.
    """
    beta = np.arctan(slope)
    wet = water_share * thickness_m
    weight = soil.moist_n_m3 * (thickness_m - wet) + soil.saturated_n_m3 * wet
    pore = WATER_N_M3 * wet * np.cos(beta) ** 2 + soil.pore_ratio * weight
    on = interface or soil
    driving = weight * (np.sin(beta) * np.cos(beta) + seismic * np.cos(beta) ** 2)
    normal = weight * (np.cos(beta) ** 2 - seismic * np.sin(beta) * np.cos(beta)) - pore
    if driving <= 0:
        return float("inf")
    return float((on.cohesion_pa + max(normal, 0.0) * on.tan_friction) / driving)


def wedge_on_plane(
    height_m: float,
    face: float,
    dip: float,
    soil: SlopeSoil,
    *,
    back: float = 0.0,
    load_pa: float = 0.0,
    seismic: float = 0.0,
) -> float:
    """Factor of the wedge between a face and a plane through its toe (Culmann 1866).

    Parameters
    ----------
    height_m
        Of the face.
    face, dip, back
        Angles from level of the face, of the plane and of the ground behind the crest, radians.
    soil
        Of the wedge, without water.
    load_pa
        On the ground behind the crest.
    seismic
        Horizontal acceleration as a share of gravity.
    """
    # from the crest to where the plane comes out behind it
    run = height_m * (1 / np.tan(dip) - 1 / np.tan(face)) / (1 - np.tan(back) / np.tan(dip))
    length = (height_m + run * np.tan(back)) / np.sin(dip)
    weight = 0.5 * height_m * run * soil.moist_n_m3 + load_pa * run
    driving = weight * (np.sin(dip) + seismic * np.cos(dip))
    normal = weight * (np.cos(dip) - seismic * np.sin(dip))
    strength = soil.cohesion_pa * length + max(float(normal), 0.0) * soil.tan_friction
    return float(strength / driving) if driving > 0 else float("inf")


def worst_wedge(
    height_m: float,
    face: float,
    soil: SlopeSoil,
    *,
    back: float = 0.0,
    load_pa: float = 0.0,
    seismic: float = 0.0,
) -> Wedge:
    """The plane through the toe with the least factor; arguments as of `wedge_on_plane`.

    Its dip lies between those of the ground behind and of the face; the least is found by golden
    section, since the factor falls to one side of it and rises to the other.
    """
    low, high = max(back, 0.0) + 1e-4, face - 1e-6
    golden = 0.5 * (np.sqrt(5.0) - 1.0)

    def factor(dip: float) -> float:
        return wedge_on_plane(
            height_m, face, dip, soil, back=back, load_pa=load_pa, seismic=seismic
        )

    while high - low > 1e-7:
        a, b = high - golden * (high - low), low + golden * (high - low)
        if factor(a) < factor(b):
            high = b
        else:
            low = a
    dip = 0.5 * (low + high)
    return Wedge(factor(dip), float(np.degrees(dip)))


def culmann_height(face: float, soil: SlopeSoil) -> float:
    """Height at which a plane slip just starts, m: `4 c sin β cos φ / (γ (1 − cos(β − φ)))`.

    Parameters
    ----------
    face
        Angle of the face from level, radians.
    soil
        Without water.
    """
    phi = np.radians(soil.friction_deg)
    return float(
        4 * soil.cohesion_pa / soil.moist_n_m3
        * np.sin(face) * np.cos(phi) / (1 - np.cos(face - phi))
    )  # fmt: skip


@dataclass(frozen=True)
class PlaneSlip:
    """The plane on which a steep face of any strata, water and loads stands worst.

    Attributes
    ----------
    factor
        Its factor.
    dip_deg
        From level.
    line
        Where it comes out of the face and where it begins behind the crest, shape (2, 2), m.
    length_m, normal_n
        Its length and the effective force on it in each soil of the section, shape (k,).
    driving_n
        Force along it.
    """

    factor: float
    dip_deg: float
    line: FloatArray
    length_m: FloatArray
    normal_n: FloatArray
    driving_n: float

    def factors(self, strengths: FloatArray) -> FloatArray:
        """Factors at other strengths: cohesion and tan φ by soil, shape (n, k, 2) → (n,)."""
        held = strengths[:, :, 0] @ self.length_m + strengths[:, :, 1] @ self.normal_n
        return np.asarray(held / self.driving_n)


def worst_plane(section: SlopeSection, height_m: float) -> PlaneSlip | None:
    """The worst of the planes through the toe and through the foot of each stratum in the face.

    Equilibrium along the plane, `Σ (c′ l + N′ tan φ′) / Σ T`, is exact for a plane, as in
    Culmann's wedge; None where no plane comes out behind the crest.

    Parameters
    ----------
    section
        The slope.
    height_m
        Of the face above the lowest place of the section.
    """
    along, ground = section.along_m, section.ground_m
    lowest = float(ground.min())
    crest = int(np.argmax(ground >= lowest + _NEARLY * height_m))
    toe = int(np.flatnonzero(ground[: crest + 1] <= lowest + (1 - _NEARLY) * height_m)[-1])
    feet = [lowest, *(float(top[crest]) for top in section.tops_m[1:])]
    found: list[PlaneSlip] = []
    for z in feet:
        if z > ground[crest] - (1 - _NEARLY) * height_m:
            continue
        x = float(np.interp(z, ground[toe : crest + 1], along[toe : crest + 1]))
        foot = np.array([x, float(np.interp(x, along, ground))])
        steepest = np.arctan2(ground[crest] - foot[1], max(along[crest] - x, 1e-6))
        dips = np.linspace(_LEAST_DIP, steepest, _DIPS + 1)[:-1]
        tried = (_on_plane(section, foot, float(dip), crest) for dip in dips)
        found += [plane for plane in tried if plane is not None]
    return min(found, key=lambda plane: plane.factor, default=None)


def _on_plane(section: SlopeSection, foot: FloatArray, dip: float, crest: int) -> PlaneSlip | None:
    along, ground = section.along_m, section.ground_m
    over = foot[1] + np.tan(dip) * (along - foot[0]) - ground
    out = crest + int(np.argmax(over[crest:] >= 0))
    if out == 0 or over[out] < 0:
        return None
    share = -over[out - 1] / (over[out] - over[out - 1])
    end = along[out - 1] + share * (along[out] - along[out - 1])
    line = np.array([foot, [end, float(np.interp(end, along, ground))]])
    slices = slices_of_line(section, line, _PIECES)
    if slices is None:
        return None
    cosine, sine = np.cos(dip), np.sin(dip)
    length = slices.width_m / cosine
    normal = slices.down_n * cosine + slices.across_n * sine - slices.pore_pa * length
    driving = float((slices.down_n * sine - slices.across_n * cosine).sum())
    if driving <= 0:
        return None
    tops = [np.interp(slices.x_m, along, top) for top in section.tops_m[1:]]
    soil = sum((slices.z_m < top).astype(np.int64) for top in tops)
    which = np.broadcast_to(soil, length.shape)
    count = len(section.soils)
    lengths, normals = (
        np.asarray(np.bincount(which, weights=each, minlength=count), dtype=np.float64)
        for each in (length, np.maximum(normal, 0.0))
    )
    own = section.strengths
    held = float(own[:, 0] @ lengths + own[:, 1] @ normals)
    return PlaneSlip(held / driving, float(np.degrees(dip)), line, lengths, normals, driving)
