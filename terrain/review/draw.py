"""Every picture, sheet and page of a site, written whole or not at all."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from terrain.review.page import write_page
from terrain.review.rendering import WINDOW_VARIABLE, Rendering, this_machine
from terrain.review.sheets import plan_sheet, sections_sheet
from terrain.review.survey_sheet import survey_sheet
from terrain.whole import written_into

if TYPE_CHECKING:
    from terrain.site import Site


@dataclass(frozen=True)
class Drawn:
    """What was made.

    Attributes
    ----------
    files
        In the order a reader wants them.
    notes
        What could not be made, and what to do about it.
    """

    files: tuple[Path, ...]
    notes: tuple[str, ...]


def draw_site(site: "Site", folder: Path) -> Drawn:
    """Make the sheets, the page and, where this machine renders, the pictures in 3D.

    Raises
    ------
    OutputError
        If the folder cannot be written to.
    """
    with written_into(folder):
        with ThreadPoolExecutor(max_workers=1) as helper:
            probed = helper.submit(this_machine)
            files = [
                make_whole(folder / "survey.png", partial(survey_sheet, site)),
                make_whole(folder / "plan.png", partial(plan_sheet, site)),
                make_whole(folder / "sections.png", partial(sections_sheet, site)),
                make_whole(folder / "site.html", partial(write_page, site)),
            ]
            found = probed.result()
        if found.works:
            files = _pictures(site, folder, found) + files
    return Drawn(tuple(files), () if found.works else (found.advice,))


def _pictures(site: "Site", folder: Path, found: Rendering) -> list[Path]:
    """The pictures in 3D; VTK and pyvista are loaded only now, with the window class that works."""
    os.environ[WINDOW_VARIABLE] = found.window or ""
    from terrain.review.camera import prepare  # noqa: PLC0415 - kept off machines that cannot render
    from terrain.review.scenes import PICTURES  # noqa: PLC0415

    whole, near = prepare(site)
    return [
        make_whole(folder / each.file, partial(each.write, site, near if each.near else whole))
        for each in PICTURES
    ]


def make_whole(path: Path, make: Callable[[Path], None]) -> Path:
    """Make a file beside its place and move it there when it is whole."""
    with TemporaryDirectory(prefix=".drawing-", dir=path.parent) as aside:
        made = Path(aside) / path.name
        make(made)
        made.replace(path)
    return path
