"""The pictures of `tarnwright slopes`, written whole or not at all."""

import os
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from terrain.review.draw import Drawn, make_whole
from terrain.review.rendering import WINDOW_VARIABLE, Rendering, this_machine
from terrain.review.slope_plan import slope_plan
from terrain.review.slope_sections import MOST_SECTIONS, slope_sections
from terrain.whole import written_into

if TYPE_CHECKING:
    from terrain.site import Site
    from terrain.slopes import SlopeFace


def draw_slopes(site: "Site", folder: Path, chosen: Sequence["SlopeFace"] = ()) -> Drawn:
    """Draw the plan of the faces, sections of the worst or of the chosen, and the faces in 3D.

    Raises
    ------
    OutputError
        If the folder cannot be written to.
    """
    faces = list(chosen) or worst_of_each(site.slopes.faces, MOST_SECTIONS)
    with written_into(folder):
        files = [
            make_whole(folder / "slopes.png", partial(slope_plan, site)),
            make_whole(folder / "slopes.pdf", partial(slope_plan, site)),
        ]
        if faces:
            sheet = partial(slope_sections, site, faces)
            files.append(make_whole(folder / "slope_sections.png", sheet))
        found = this_machine()
        if found.works:
            files += _pictures(site, folder, found)
    return Drawn(tuple(files), () if found.works else (found.advice,))


def worst_of_each(faces: Sequence["SlopeFace"], most: int) -> list["SlopeFace"]:
    """The worst face of each element in the dig and as built, then the worst of the others."""
    tried = [face for face in faces if face.cases]
    first: dict[tuple[str, bool], SlopeFace] = {}
    for face in tried:
        first.setdefault((face.element, face.temporary), face)
    others = [face for face in tried if first[face.element, face.temporary] is not face]
    chosen = [*first.values(), *others][:most]
    return [face for face in tried if any(face is each for each in chosen)]


def _pictures(site: "Site", folder: Path, found: Rendering) -> list[Path]:
    os.environ[WINDOW_VARIABLE] = found.window or ""
    from terrain.review.camera import prepare  # noqa: PLC0415 - kept off machines that cannot render
    from terrain.review.scenes import SLOPES  # noqa: PLC0415

    _, near = prepare(site)
    return [make_whole(folder / each.file, partial(each.write, site, near)) for each in SLOPES]
