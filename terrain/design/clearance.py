"""Whether a dig reaches where it must not: into a keep-out, or under another element."""

from collections.abc import Sequence

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.bodies import TOUCH_M
from terrain.design.checks import Finding, good, places_inside
from terrain.design.compose import compose_at
from terrain.design.shapes import Element
from terrain.surface import Surface
from terrain.units import Unit

TOLERANCE_M = 0.005
MOST_PLACES = 40_000
STEP_M = 0.02
BUILT_IN = {"basin", "shelf", "plunge_pool", "stream", "filter_pit", "vault"}


def _raster(shape: shapely.Geometry) -> tuple[FloatArray, float]:
    """Places inside a shape and the area that each stands for."""
    step = max(STEP_M, float(np.sqrt(shape.area / MOST_PLACES)))
    xy = places_inside(shape, step)
    return xy, float(shape.area) / len(xy)


def digs_keep_out(elements: Sequence[Element], existing: Surface, *, unit: Unit) -> list[Finding]:
    """Whether any dig, over-dig and cut face included, enters a keep-out zone."""
    check, expected = "dig keeps out", "no digging inside a keep-out"
    findings = []
    for zone in elements:
        if zone.kind != "keep_out":
            continue
        xy, area = _raster(zone.outline)
        at = compose_at(xy, elements, existing)
        dug = np.nan_to_num(at.existing - at.dig)
        entered = dug > TOLERANCE_M
        if not entered.any():
            findings.append(good(check, zone, "nothing is dug in it", expected))
        for row in np.unique(at.dig_owner[entered]):
            mine = np.flatnonzero(entered & (at.dig_owner == row))
            worst = mine[np.argmax(dug[mine])]
            into = shapely.distance(shapely.points(xy[mine]), zone.outline.boundary).max()
            into += np.sqrt(area) / 2  # a place is the middle of its square
            findings.append(
                Finding(
                    check,
                    elements[row].name,
                    (float(xy[worst, 0]), float(xy[worst, 1])),
                    f"is dug {unit.area_text(len(mine) * area, 2)} into {zone.name}, up to "
                    f"{unit.length(float(into))} over its border and "
                    f"{unit.length(float(dug[worst]))} deep",
                    expected,
                    "move it away by that much, give it less over_dig, or steepen its cut_batter",
                    passed=False,
                )
            )
    return findings


def digs_stay_clear(elements: Sequence[Element], existing: Surface, *, unit: Unit) -> list[Finding]:
    """Whether the over-dig of one element would undermine another that it does not touch."""
    check, expected = "dig stays clear", "soil left standing between elements that do not touch"
    findings = []
    for element in elements:
        if element.kind not in BUILT_IN:
            continue
        wrong = []
        for other in elements:
            near = other.kind in BUILT_IN and other is not element
            if not near or element.outline.dwithin(other.outline, TOUCH_M):
                continue
            shared = element.grown.intersection(other.outline)
            if shared.area == 0:
                continue
            xy, area = _raster(shared)
            under = compose_at(xy, [other], existing).dig - compose_at(xy, [element], existing).dig
            deeper = np.nan_to_num(under)
            undermined = deeper > TOLERANCE_M
            if not undermined.any():
                continue
            worst = int(np.argmax(deeper))
            gap = float(element.outline.distance(other.outline))
            wrong.append(
                Finding(
                    check,
                    element.name,
                    (float(xy[worst, 0]), float(xy[worst, 1])),
                    f"its over-dig reaches {unit.area_text(undermined.sum() * area, 2)} into "
                    f"{other.name}, up to {unit.length(float(deeper[worst]))} under its dig",
                    f"{expected}; they are {unit.length(gap)} apart",
                    f"give it less over_dig.side than {unit.length(gap)}, move them apart, or let "
                    "their outlines touch",
                    passed=False,
                )
            )
        findings += wrong or [good(check, element, "it undermines nothing", expected)]
    return findings
