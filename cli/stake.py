"""`tarnwright stake`: points to set out, with levels, cuts and sights; files for machines."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.options import AsJson, LeaveOutOdd, OutFolder, SitePath

if TYPE_CHECKING:
    from collections.abc import Sequence

    from terrain.site import Site
    from terrain.stakes import Stakes
    from terrain.surface.following import Followed

TOLERANCE_M = 0.010
"""Vertical tolerance of the triangles for machine guidance, m."""

Every = Annotated[
    str | None,
    typer.Option(
        help='Distance of points on grid and lines, such as "1 m" or "3 ft".',
        show_default="1.5 m or 5 ft",
    ),
]
Beyond = Annotated[
    str | None,
    typer.Option(
        help="Distance of offset stakes outside the edge of the dig.", show_default="1 m or 3 ft"
    ),
]
StandOn = Annotated[
    str | None,
    typer.Option(
        "--from",
        help="Control point, or point of a survey, that bearings and distances go out from.",
        show_default="the plan's first",
    ),
]
SightOn = Annotated[
    str | None,
    typer.Option(
        "--to",
        help="The one that is sighted on, from which distances go out too.",
        show_default="the plan's second",
    ),
]


def command(
    site: SitePath = Path(),
    every: Every = None,
    beyond: Beyond = None,
    stand_on: StandOn = None,
    sight_on: SightOn = None,
    out: OutFolder = None,
    leave_out_odd: LeaveOutOdd = False,
    as_json: AsJson = False,
) -> None:
    """Set out the dig: stakes, sheets and files for machines."""
    from cli.opening import open_site
    from cli.output import print_json, print_lines
    from terrain.stakes import BEYOND, EVERY, Pegging
    from terrain.units import parse_length

    opened = open_site(site, leave_out_odd=leave_out_odd)
    unit = opened.unit
    pegging = Pegging(
        EVERY[unit.key] if every is None else parse_length(every, unit),
        BEYOND[unit.key] if beyond is None else parse_length(beyond, unit),
        stand_on,
        sight_on,
    )
    stakes = opened.stakes(pegging)
    tin = opened.dig_tin(tolerance_m=TOLERANCE_M)
    folder = (out or opened.folder / "out") / "stakes"
    files = write_files(opened, stakes, tin, folder)
    if as_json:
        print_json(document(opened, stakes, tin, files))
    else:
        show(opened, stakes)
        print_lines("", *(str(file) for file in files))
        said = unit.length(TOLERANCE_M, 3)
        print_lines("", f"The triangles of dig.xml keep within {said} of the dig, walls apart.")
        print_lines(*(f"Note: {note}." for note in stakes.notes))


def write_files(site: "Site", stakes: "Stakes", tin: "Followed", folder: Path) -> "Sequence[Path]":
    """Write the lists, the sheets and the surfaces."""
    from cli.output import progress_bar
    from terrain.exchange.csv_list import write_stakes_csv
    from terrain.exchange.geojson import write_stakes_geojson
    from terrain.exchange.geopackage import write_stakes_geopackage
    from terrain.exchange.geotiff import write_geotiff
    from terrain.exchange.grids import coordinates_of
    from terrain.exchange.landxml import write_landxml
    from terrain.review.stake_sheets import sheet_count, write_stake_sheets

    unit, crs, points = site.unit, site.plan.site.crs, stakes.points
    coordinates = coordinates_of(crs, unit)
    files = [
        write_stakes_csv(folder / "stakes.csv", points, unit=unit, marks=stakes.marks),
        write_stakes_geojson(folder, points, unit=unit, crs=crs),
        write_stakes_geopackage(folder / "stakes.gpkg", points, unit=unit, coordinates=coordinates),
        write_landxml(
            folder / "dig.xml",
            {"dig": tin.tin},
            unit=coordinates.unit,
            crs=coordinates.crs,
            origin=site.origin,
        ),
        write_geotiff(
            folder / "dig.tif",
            site.composition.grid("dig"),
            origin=site.origin,
            coordinates=coordinates,
            name="dig",
        ),
    ]
    with progress_bar("sheets", sheet_count(site, stakes)) as advance:
        return [*files, *write_stake_sheets(site, stakes, folder, advance=advance)]


def document(
    site: "Site", stakes: "Stakes", tin: "Followed", files: "Sequence[Path]"
) -> dict[str, Any]:
    """What `--json` prints; true coordinates, m."""
    from dataclasses import asdict

    from terrain.survey.bearings import degrees_minutes_seconds

    return {
        "site": site.name,
        "points": [
            {
                **asdict(point),
                "bearing_dms": None
                if point.bearing_deg is None
                else degrees_minutes_seconds(point.bearing_deg),
            }
            for point in stakes.points
        ],
        "control_points": [
            {"name": mark.name, "east_m": mark.at[0], "north_m": mark.at[1], "level_m": mark.at[2]}
            for mark in stakes.marks
        ],
        "every_m": stakes.pegging.every_m,
        "beyond_m": stakes.pegging.beyond_m,
        "surface_tolerance_m": tin.tolerance_m,
        "notes": list(stakes.notes),
        "files": [str(file) for file in files],
    }


def show(site: "Site", stakes: "Stakes") -> None:
    """Print how many points of each kind, and the cuts between which they lie."""
    from cli.output import print_table
    from terrain.stakes import KINDS

    unit = site.unit
    digits = 1 if unit.symbol == "ft" else 2
    rows = []
    for element in site.elements:
        for kind, words in KINDS.items():
            cuts = [p.cut_m / unit.metres for p in stakes.of(element.name) if p.kind == kind]
            if cuts:
                span = [f"{cut + 0.0:.{digits}f}" for cut in (min(cuts), max(cuts))]
                rows.append((element.name, words, f"{len(cuts)}", *span))
    head = ("element", "points", "number", f"least cut\n{unit.symbol}", f"most cut\n{unit.symbol}")
    print_table(f"{site.name}: {len(stakes.points):,} points", head, rows, left=(0, 1))
