"""The strength and the weight of the soils of a slope."""

from dataclasses import dataclass

import numpy as np

from terrain.errors import Place, StabilityError

WATER_N_M3 = 9810.0  # unit weight of water
_STEEPEST_DEG = 60.0  # no soil has a larger angle of friction


@dataclass(frozen=True)
class SlopeSoil:
    """One soil of a slope.

    Attributes
    ----------
    name
        What it is called in answers.
    cohesion_pa
        Effective cohesion c′, or the undrained strength, Pa.
    friction_deg
        Effective angle of friction φ′, degrees; 0 where the strength is undrained.
    moist_n_m3, saturated_n_m3
        Unit weight above and under the water line, N/m³.
    pore_ratio
        Pore pressure as a share of the weight above, rᵤ, on top of what the water line says.
    """

    name: str
    cohesion_pa: float
    friction_deg: float
    moist_n_m3: float
    saturated_n_m3: float
    pore_ratio: float = 0.0

    @property
    def tan_friction(self) -> float:
        """Tangent of the angle of friction."""
        return float(np.tan(np.radians(self.friction_deg)))


def check_soil(soil: SlopeSoil) -> SlopeSoil:
    """Pass a soil on that can exist.

    Raises
    ------
    StabilityError
        Its strength or its weight is none that soil has.
    """
    place = Place(key=f'soil "{soil.name}"')
    if not 0 <= soil.friction_deg < _STEEPEST_DEG:
        raise StabilityError(
            f"an angle of friction of {soil.friction_deg:g}°",
            place=place,
            expected=f"0° to less than {_STEEPEST_DEG:.0f}°; most soils have 20° to 45°",
            mend="give degrees, not a slope in percent or a tangent",
        )
    if not 0 <= soil.cohesion_pa < 1e7:
        raise StabilityError(
            f"a cohesion of {soil.cohesion_pa / 1e3:g} kPa",
            place=place,
            expected="0 to some hundred kPa",
            mend="give it as a pressure, such as 5 kPa",
        )
    if soil.cohesion_pa == 0 and soil.friction_deg == 0:
        raise StabilityError(
            "neither cohesion nor friction",
            place=place,
            expected="a strength: cohesion, friction or both",
            mend="give at least one; water is said by the water line",
        )
    if not 5e3 < soil.moist_n_m3 <= soil.saturated_n_m3 < 4e4:
        raise StabilityError(
            f"unit weights of {soil.moist_n_m3 / 1e3:g} moist and "
            f"{soil.saturated_n_m3 / 1e3:g} kN/m³ saturated",
            place=place,
            expected="5 to 40 kN/m³, saturated no lighter than moist",
            mend="give them as kN/m³ or kg/m³ with the unit",
        )
    if not 0 <= soil.pore_ratio < 1:
        raise StabilityError(
            f"a pore pressure ratio of {soil.pore_ratio:g}",
            place=place,
            expected="0 (dry) to less than 1; 0.5 is water up to the surface",
            mend="give it as a share",
        )
    return soil
