"""Slips along a plane: long thin veneers, and wedges behind steep cuts."""

from dataclasses import dataclass

import numpy as np

from terrain.stability.soils import WATER_N_M3, SlopeSoil


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
