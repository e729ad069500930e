"""The heaps of `tarnwright haul`: what is laid where on the site, and what does not fit."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import shapely

    from terrain.site import Site

_FORMS = {"cone": "cone", "ridge": "ridge", "flat": "flat-topped"}


def heaps_document(site: "Site") -> dict[str, Any]:
    """What `--json` tells of the heaps; outlines in true coordinates, m."""
    laid = site.heaps
    return {
        "heaps": [
            {
                "name": each.name,
                "shape": each.heap.shape,
                "volume_loose_m3": each.heap.volume_loose_m3,
                "bound_m3": each.heap.bound_m3,
                "height_m": each.heap.height_m,
                "toe_area_m2": each.heap.toe.area,
                "toe_m": _rings(each.heap.toe, site),
                "room_m2": each.room.area,
                "fits": each.heap.fits,
                "left_over_m3": each.heap.left_over_m3,
                "soils": _soils(each.soils),
            }
            for each in laid.heaps
        ],
        "heaped_loose_m3": laid.laid_m3,
        "not_heaped_loose_m3": laid.left_over_m3,
        "not_heaped": _soils(laid.left_over),
    }


def _soils(volumes: Mapping[str, float]) -> list[dict[str, Any]]:
    return [{"soil": soil, "volume_loose_m3": volume} for soil, volume in volumes.items()]


def _rings(toe: "shapely.Polygon | shapely.MultiPolygon", site: "Site") -> list[list[list[float]]]:
    """Outer and inner rings, each [[easting, northing], ...]."""
    import numpy as np
    import shapely

    rings = [ring for part in shapely.get_parts(toe) for ring in (part.exterior, *part.interiors)]
    return [
        np.round(shapely.get_coordinates(ring.simplify(0.01)) + site.origin, 3).tolist()
        for ring in rings
    ]


def show_heaps(site: "Site") -> None:
    """Print each heap of the plan; nothing where the plan has none."""
    from cli.output import number, print_lines, print_table

    laid, unit = site.heaps, site.unit
    if not laid.heaps:
        return
    print_lines("")
    print_table(
        f"Heaped instead of hauled ({unit.volume} loose; heights {unit.symbol}, areas {unit.area})",
        ("", "form", "room", "laid", "±", "high", "covers", "does not\nfit"),
        [
            (
                each.name,
                _FORMS[each.heap.shape] if each.heap.volume_loose_m3 else "–",
                number(each.room.area / unit.area_m2),
                number(each.heap.volume_loose_m3 / unit.volume_m3),
                number(each.heap.bound_m3 / unit.volume_m3, 2),
                number(each.heap.height_m / unit.metres, 2),
                number(each.heap.toe.area / unit.area_m2),
                number(each.heap.left_over_m3 / unit.volume_m3),
            )
            for each in laid.heaps
        ],
        left=(0, 1),
    )
    print_lines("", _left_over(site))


def _left_over(site: "Site") -> str:
    from cli.output import counted
    from terrain.haul import loads

    laid, unit = site.heaps, site.unit
    if laid.laid_m3 + laid.left_over_m3 == 0:
        return "Nothing is left over to heap."
    if laid.left_over_m3 == 0:
        return f"All {unit.volume_text(laid.laid_m3)} loose fit on the site: no load need leave."
    load_m3 = {each.soil.name: each.load_m3 for each in site.haul.likely.soils}
    what = " and ".join(
        f"{unit.volume_text(volume)} of {soil} ({counted(loads(volume, load_m3[soil]), 'load')})"
        for soil, volume in laid.left_over.items()
    )
    held = "Nothing fits" if laid.laid_m3 == 0 else f"{unit.volume_text(laid.laid_m3)} loose fit"
    leaves = "does not and must" if len(laid.left_over) == 1 else "do not and must"
    return f"{held} on the site; {what} {leaves} leave."
