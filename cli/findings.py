"""What the checks found and where water stands, for people and as JSON."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from terrain.design.checks import Finding
    from terrain.earthwork.storage import StageStorage
    from terrain.earthwork.water import Drawdown
    from terrain.site import Site
    from terrain.surface.hollows import Low

SHOWN_LOW_M = 0.05  # shallower puddles are left out of what people read
MOST_LOWS = 3
ROWS = 4  # of a body's curve


def checks_and_water(site: "Site") -> dict[str, Any]:
    """The keys `checks`, `water`, `lows` and `drawdown` of `volumes --json`."""
    return {
        "checks": [_finding(site, finding) for finding in site.checks],
        "water": {
            body.name: {
                "elements": list(body.elements),
                "level_m": body.level_m,
                "spill_level_m": body.spill_level_m,
                "spill_easting_m": _true(site, body.spill_place, 0),
                "spill_northing_m": _true(site, body.spill_place, 1),
                "levels_m": body.curve.level_m.tolist(),
                "areas_m2": body.curve.area_m2.tolist(),
                "volumes_m3": body.curve.volume_m3.tolist(),
            }
            for body in site.water.bodies
        },
        "lows": [_low(site, low) for low in site.water.lows],
        "drawdown": _drawdown(site.water.drawdown),
    }


def _true(site: "Site", place: tuple[float, float] | None, axis: int) -> float | None:
    return None if place is None else float(place[axis] + site.origin[axis])


def _finding(site: "Site", finding: "Finding") -> dict[str, Any]:
    return {
        "check": finding.check,
        "element": finding.element,
        "easting_m": _true(site, finding.place, 0),
        "northing_m": _true(site, finding.place, 1),
        "found": finding.found,
        "expected": finding.expected,
        "mend": finding.mend,
        "pass": finding.passed,
    }


def _low(site: "Site", low: "Low") -> dict[str, Any]:
    return {
        "spill_level_m": low.level,
        "spill_easting_m": _true(site, low.outlet, 0),
        "spill_northing_m": _true(site, low.outlet, 1),
        "deepest_easting_m": _true(site, low.deepest, 0),
        "deepest_northing_m": _true(site, low.deepest, 1),
        "depth_m": low.depth_m,
        "area_m2": low.area_m2,
        "volume_m3": low.volume_m3,
    }


def _drawdown(drawdown: "Drawdown | None") -> dict[str, Any] | None:
    if drawdown is None:
        return None
    return {
        "from": drawdown.reservoir,
        "transit_m3": drawdown.transit_m3,
        "running_water_m3": dict(drawdown.running),
        "heads_m3": dict(drawdown.heads),
        "room_m3": drawdown.room_m3,
        "running_level_m": drawdown.running_level_m,
        "rest_level_m": drawdown.rest_level_m,
        "spill_level_m": drawdown.spill_level_m,
        "pass": drawdown.taken,
    }


def show_checks(site: "Site") -> None:
    """Print what failed, with its place and mend, or that nothing did."""
    from cli.output import counted, print_lines

    failed = [finding for finding in site.checks if not finding.passed]
    if not failed:
        if site.checks:
            print_lines(f"Checks: {len(site.checks)} made, none failed.")
        return
    print_lines("", f"Checks: {counted(len(failed), 'failure')} in {len(site.checks)}.")
    for finding in failed:
        print_lines(
            f"  {finding.element}: {finding.found}{_where(site, finding.place)}",
            f"    expected: {finding.expected}",
            f"    to mend:  {finding.mend}",
        )


def _where(site: "Site", place: tuple[float, float] | None) -> str:
    if place is None:
        return ""
    east, north = (float(v) for v in (site.origin + place) / site.unit.metres)
    return f" (at E {east:.1f}, N {north:.1f})"


def show_water(site: "Site") -> None:
    """Print each body of water by its depth, the lows that hold none, and the drawdown."""
    from cli.output import number, print_lines, print_table

    unit = site.unit
    digits = 1 if unit.water_m3 > 0.1 else 0
    rows = []
    for body in site.water.bodies:
        for k, (level, area, volume) in enumerate(_picked(body.curve)):
            rows.append(
                (
                    body.name if k == 0 else "",
                    number(level / unit.metres, 2),
                    number(area / unit.area_m2, 1 if unit.area_m2 == 1 else 0),
                    number(volume / unit.water_m3, digits),
                    number(body.spill_level_m / unit.metres, 2) if k == 0 else "",
                )
            )
    if rows:
        print_table(
            f"Water by its level (net of stone and rock; {unit.symbol}, {unit.area}, {unit.water})",
            ("", "level", "area", "volume", "runs out at"),
            rows,
        )
    dry = [low for low in site.water.lows if low.depth_m >= SHOWN_LOW_M and not _wet(site, low)]
    for low in dry[:MOST_LOWS]:
        print_lines(
            f"Rain gathers {unit.length(low.depth_m)} deep{_where(site, low.deepest)} and runs out "
            f"at {unit.length(low.level)}{_where(site, low.outlet)}."
        )
    drawdown = site.water.drawdown
    if drawdown is not None:
        print_lines(
            f"When the pump stops {drawdown.transit_m3 / unit.water_m3:,.{digits}f} {unit.water} "
            f"run back to {drawdown.reservoir}, which takes "
            f"{drawdown.room_m3 / unit.water_m3:,.{digits}f} and rises to "
            f"{unit.length(drawdown.rest_level_m)}."
        )


def _picked(curve: "StageStorage") -> list[tuple[float, float, float]]:
    """A few points of a curve, from the top down, without the bottom where nothing stands."""
    import numpy as np

    last = len(curve.level_m) - 1
    at = np.unique(np.round(np.linspace(last, min(1, last), ROWS)).astype(int))[::-1]
    return [
        (float(curve.level_m[k]), float(curve.area_m2[k]), float(curve.volume_m3[k])) for k in at
    ]


def _wet(site: "Site", low: "Low") -> bool:
    """Whether the plan has water in a low, or a box that is closed by its lid."""
    import numpy as np

    at = site.composition
    vaults = [row for row, element in enumerate(site.elements) if element.kind == "vault"]
    boxed = np.isin(at.finish_owner.flat[low.nodes], vaults)
    return bool((np.isfinite(at.water.flat[low.nodes]) | boxed).any())
