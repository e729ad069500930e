"""`tarnwright draw`: pictures, the 3D page, the plan sheet and sections."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.options import AsJson, LeaveOutOdd, OutFolder, SitePath

if TYPE_CHECKING:
    from terrain.review import Drawn


def command(
    site: SitePath = Path(),
    out: OutFolder = None,
    leave_out_odd: LeaveOutOdd = False,
    as_json: AsJson = False,
) -> None:
    """Draw plan, sections, a 3D page and pictures."""
    from cli.opening import open_site
    from cli.output import print_json, print_lines
    from terrain.review import draw_site

    opened = open_site(site, leave_out_odd=leave_out_odd)
    drawn = draw_site(opened, out or opened.folder / "out")
    if as_json:
        print_json(document(drawn))
    else:
        print_lines(*(str(file) for file in drawn.files), *drawn.notes)


def document(drawn: "Drawn") -> dict[str, Any]:
    """What `--json` prints."""
    return {"files": [str(file) for file in drawn.files], "notes": list(drawn.notes)}
