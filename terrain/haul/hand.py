"""A dig that is too small for a machine."""

from dataclasses import dataclass

from terrain.design.soil_tables import Digging

# Person-hours for each m³ in place: an estimator's list of labour for sand, medium and heavy soil,
# and broken rock as twice heavy soil (common practice).
_DIG: dict[Digging, float] = {"easy": 1.2, "medium": 2.2, "hard": 3.3, "rock": 6.6}
_LOAD: dict[Digging, float] = {"easy": 1.0, "medium": 1.3, "hard": 1.9, "rock": 1.9}
_WHEEL, _PUT_BACK = 1.25, 1.0  # by barrow up to 50 m; placed and tamped


@dataclass(frozen=True)
class HandWork:
    """Person-hours of digging, loading what leaves, and wheeling and placing what stays."""

    dig_h: float
    load_h: float
    place_h: float

    @property
    def person_hours(self) -> float:
        """All of it."""
        return self.dig_h + self.load_h + self.place_h


def hand_work(dug_m3: float, leaves_m3: float, digging: Digging) -> HandWork:
    """Work with hand tools on soil of one kind.

    Parameters
    ----------
    dug_m3
        Dug, in place.
    leaves_m3
        The part of it that leaves the site, in place; the rest is put back or raised.
    """
    stays = dug_m3 - leaves_m3
    return HandWork(
        dig_h=dug_m3 * _DIG[digging],
        load_h=leaves_m3 * _LOAD[digging],
        place_h=stays * (_WHEEL + _PUT_BACK),
    )
