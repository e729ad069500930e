"""Opening a site for work that trusts its ground."""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from terrain.site import Site


def open_site(path: Path, *, leave_out_odd: bool) -> "Site":
    """Open a site; say on stderr which doubtful heights its ground is made with."""
    from cli.output import counted, warn
    from terrain.site import Site

    site = Site.open(path, leave_out_odd=leave_out_odd)
    survey = site.spot_surveys.get(site.plan.ground_survey.name)
    if survey is not None and survey.odd and survey.table.odd_heights == "keep":
        points = ", ".join(f"{odd.name} (line {odd.line})" for odd in survey.odd[:5])
        more = " …" if len(survey.odd) > 5 else ""
        warn(
            f"{survey.table.file}: {counted(len(survey.odd), 'height')} far from the neighbours "
            f"kept in the ground: {points}{more}\n"
            "  to mend:  look with `tarnwright survey`; --leave-out-odd leaves them out"
        )
    return site
