"""Zones of the site that quantities are told apart by."""

from dataclasses import dataclass

import shapely

from terrain.design.outlines import outline_polygon
from terrain.design.setting import Setting


@dataclass(frozen=True)
class Zone:
    """A named part of the site (local m), and the day on which it is dug, where one is planned."""

    name: str
    outline: shapely.Polygon
    day: int | None


def build_zones(setting: Setting) -> tuple[Zone, ...]:
    """Resolve the zones of a plan.

    Raises
    ------
    PlanError
        Naming the zone and what is wrong with its outline.
    """
    return tuple(
        Zone(
            table.name,
            outline_polygon(
                table.outline,
                key=f'zone "{table.name}"',
                strings=setting.strings,
                folder=setting.folder,
                unit=setting.unit,
                origin=setting.origin,
            ),
            table.day,
        )
        for table in setting.plan.zone
    )
