"""`tarnwright demo`: everything on the invented sample site."""

import shutil
from pathlib import Path
from typing import Annotated

import typer


def command(
    out: Annotated[Path, typer.Option(help="Where everything goes.")] = Path("out"),
) -> None:
    """Show everything on a sample site that comes with it."""
    from cli import haul, survey, volumes
    from cli.output import CAUTION, print_lines, save_json
    from sample_surveys import site_folder
    from terrain.errors import OutputError, Place
    from terrain.review import draw_site
    from terrain.site import Site

    if out.exists() and not out.is_dir():
        raise OutputError("is a file", place=Place(out), expected="a folder", mend="use --out")
    folder = out / site_folder().name
    kept = _copy_missing(site_folder(), folder)
    site = Site.open(folder)
    for module in (survey, volumes, haul):
        module.show(site)
        print_lines("")
    saved = [
        save_json(module.document(site), out / f"{module.__name__.rpartition('.')[2]}.json")
        for module in (survey, volumes, haul)
    ]
    drawn = draw_site(site, out)
    changed = [f"  {file} is kept as you changed it; remove it to start afresh" for file in kept]
    print_lines(
        "Where it all is:",
        *(f"  {file}" for file in (*drawn.files, *saved)),
        f"  {folder / 'site.toml'} (change it, then: tarnwright volumes {folder})",
        *changed,
        *drawn.notes,
        "",
        CAUTION,
    )


def _copy_missing(source: Path, folder: Path) -> list[Path]:
    """Copy the sample's plan and surveys; return what is there already and differs."""
    from terrain.whole import whole_file

    kept = []
    for file in sorted(source.iterdir()):
        if file.suffix not in {".toml", ".csv", ".laz"}:
            continue
        copy = folder / file.name
        if copy.exists():
            if copy.read_bytes() != file.read_bytes():
                kept.append(copy)
            continue
        with whole_file(copy) as temporary:
            shutil.copyfile(file, temporary)
    return kept
