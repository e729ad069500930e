"""Every check of a plan, one after the other."""

from collections.abc import Mapping, Sequence

from terrain.design import Composition, Element
from terrain.design import checks as plan_checks
from terrain.design.checks import Finding
from terrain.design.clearance import digs_keep_out, digs_stay_clear
from terrain.design.holding import rims_hold, rims_wide, running_surface
from terrain.design.tables import ChecksTable
from terrain.earthwork.water import Drawdown
from terrain.surface import Surface
from terrain.units import Unit


def check_site(
    elements: Sequence[Element],
    at: Composition,
    existing: Surface,
    limits: ChecksTable,
    rock_too_much_m3: Mapping[str, float],
    drawdown: Drawdown | None,
    *,
    unit: Unit,
) -> tuple[Finding, ...]:
    """Check a plan against itself, its ground and its quantities.

    Parameters
    ----------
    rock_too_much_m3
        Embedded rock that the over-dug room cannot hold, by element.
    """
    hold = rims_hold(elements, running_surface(elements, at), at.finish_owner, unit=unit)
    leaks = {finding.element for finding in hold if not finding.passed}
    wide = rims_wide(elements, at, least=limits.rim_width, unit=unit)
    findings = [
        *hold,
        *(finding for finding in wide if finding.element not in leaks),
        *plan_checks.streams_fall(elements, unit=unit),
        *plan_checks.falls_drop(elements, unit=unit),
        *plan_checks.pools_deep(elements, share=limits.plunge_depth, unit=unit),
        *plan_checks.levels_agree(elements, unit=unit),
        *plan_checks.shelves_fit(elements, unit=unit),
        *digs_keep_out(elements, existing, unit=unit),
        *digs_stay_clear(elements, existing, unit=unit),
        *(
            plan_checks.rock_fits(name, too_much_m3=too_much, unit=unit)
            for name, too_much in rock_too_much_m3.items()
        ),
    ]
    if drawdown is not None:
        source = next(element for element in elements if element.name == drawdown.reservoir)
        findings.append(
            plan_checks.drawdown_taken(
                source, transit_m3=drawdown.transit_m3, room_m3=drawdown.room_m3, unit=unit
            )
        )
    return tuple(findings)
