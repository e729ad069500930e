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
    for name, said in site.suspicions.items():
        for each in said:
            warn(f"{name}: {each.kind}? {each.evidence}\n  to mend:  {each.mend}")
    for table in site.plan.ground_surveys:
        survey = site.spot_surveys.get(table.name)
        kept = [odd for odd in survey.odd if survey.kept(odd)] if survey is not None else []
        if not kept:
            continue
        points = ", ".join(f"{odd.name} (line {odd.line})" for odd in kept[:5])
        more = " …" if len(kept) > 5 else ""
        warn(
            f"{table.file}: {counted(len(kept), 'height')} far from the neighbours "
            f"kept in the ground: {points}{more}\n"
            "  to mend:  look with `tarnwright survey`; --leave-out-odd leaves them out"
        )
    return site
