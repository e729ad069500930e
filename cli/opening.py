"""Opening a site for work that trusts its ground."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from terrain.design.survey_tables import SurveyTable
    from terrain.site import Site


def open_site(path: Path, *, leave_out_odd: bool, more: Sequence["SurveyTable"] = ()) -> "Site":
    """Open a site; say on stderr which doubtful heights its ground is made with.

    `more` are surveys besides those of its plan.
    """
    from cli.output import counted, warn
    from terrain.site import Site

    site = Site.open(path, leave_out_odd=leave_out_odd)
    if more:
        site = site.with_surveys(more)
    for name, said in site.suspicions.items():
        for each in said:
            warn(f"{name}: {each.kind}? {each.evidence}\n  to mend:  {each.mend}")
    for table in site.plan.ground_surveys:
        survey = site.spot_surveys.get(table.name)
        kept = [odd for odd in survey.odd if survey.kept(odd)] if survey is not None else []
        if not kept:
            continue
        points = ", ".join(f"{odd.name} (line {odd.line})" for odd in kept[:5])
        others = " …" if len(kept) > 5 else ""
        warn(
            f"{table.file}: {counted(len(kept), 'height')} far from the neighbours "
            f"kept in the ground: {points}{others}\n"
            "  to mend:  look with `tarnwright survey`; --leave-out-odd leaves them out"
        )
    return site
