"""The three methods side by side: how each came to its answer, and the sections behind one."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from terrain.earthwork import TrapezoidVolume
    from terrain.earthwork.stationing import Station
    from terrain.site import Site

PICTURE, PAGES = "volume_sections.png", "volume_sections.pdf"
MOST_ROWS = 25


@dataclass(frozen=True)
class SideBySide:
    """A site's stations, as many as can be read in one table, and the files that show them."""

    site: "Site"
    stations: tuple["Station", ...]
    files: tuple[Path, ...]


def side_by_side(site: "Site", folder: Path) -> SideBySide:
    """List the stations and draw them: a picture, and sheets to print.

    Nothing is drawn where nothing is dug or raised.
    """
    from terrain.review.method_sections import (
        draw_page,
        draw_pages,
        drawn_stations,
        round_stations,
    )
    from terrain.whole import whole_file

    stations = site.stations(round_stations(site, MOST_ROWS))
    if not drawn_stations(stations):
        return SideBySide(site, stations, ())
    files = (folder / PICTURE, folder / PAGES)
    for file, draw in zip(files, (draw_page, draw_pages), strict=True):
        with whole_file(file) as temporary:
            draw(site, stations, temporary)
    return SideBySide(site, stations, files)


def sections_document(beside: SideBySide) -> dict[str, Any]:
    """What `volumes --methods --json` says of the sections; places are true, not local."""
    site, methods = beside.site, beside.site.methods
    cut, fill = site.sections
    return {
        "baseline": _baseline(site),
        "spacing_m": site.plan.sections.spacing,
        "cut_m3": cut.cut_m3,
        "fill_m3": fill.fill_m3,
        "end_area_m3": {"cut_m3": cut.end_area_cut_m3, "fill_m3": fill.end_area_fill_m3},
        "prismoidal_correction_m3": {
            "cut_m3": cut.correction_cut_m3,
            "fill_m3": fill.correction_fill_m3,
        },
        "curve_m3": {"cut_m3": cut.curve_cut_m3, "fill_m3": fill.curve_fill_m3},
        "spread_m3": {"cut_m3": methods.cut_spread_m3, "fill_m3": methods.fill_spread_m3},
        "agree": methods.agree,
        "stations": [
            {
                "station_m": station.station_m,
                "place_m": [float(a + b) for a, b in zip(station.place, site.origin, strict=True)],
                "cut_m2": station.cut_m2,
                "fill_m2": station.fill_m2,
                "cut_so_far_m3": station.cut_so_far_m3,
                "fill_so_far_m3": station.fill_so_far_m3,
            }
            for station in beside.stations
        ],
        "cut_stretches": _stretches(cut, "cut"),
        "fill_stretches": _stretches(fill, "fill"),
        "files": [str(file) for file in beside.files],
    }


def _stretches(volume: "TrapezoidVolume", what: str) -> list[dict[str, Any]]:
    """From station to station: the three areas and what they make."""
    return [
        {
            "from_m": part.start.station_m,
            "to_m": part.end.station_m,
            "areas_m2": [
                getattr(section, f"{what}_m2") for section in (part.start, part.middle, part.end)
            ],
            "end_area_m3": getattr(part, f"end_area_{what}_m3"),
            "correction_m3": getattr(part, f"correction_{what}_m3"),
            "curve_m3": getattr(part, f"curve_{what}_m3"),
            f"{what}_m3": getattr(part, f"{what}_m3"),
        }
        for part in volume.stretches
    ]


def _baseline(site: "Site") -> dict[str, Any]:
    from terrain.earthwork.baselines import Arc

    line, (east, north) = site.sections[0].baseline, site.origin
    if isinstance(line, Arc):
        return {
            "kind": "arc",
            "given": True,
            "centre_m": [float(line.centre[0] + east), float(line.centre[1] + north)],
            "radius_m": line.radius,
            "length_m": line.length,
        }
    return {
        "kind": "legs",
        "given": site.baseline_given,
        "corners_m": [[float(x + east), float(y + north)] for x, y in line],
    }


def show_side_by_side(beside: SideBySide) -> None:
    """Print what each method says and why it is sure, and what lies behind the sections."""
    from cli.output import print_lines, print_table

    site, methods = beside.site, beside.site.methods
    unit = site.unit

    def volume(cubic_metres: float) -> str:
        return f"{cubic_metres / unit.volume_m3:,.2f}"

    def taken_off(cubic_metres: float) -> str:
        return f"{-cubic_metres / unit.volume_m3 + 0.0:+,.2f}".replace("-", "−")

    print_table(
        f"The same by three methods ({unit.volume})",
        ("", "dig", "rim, fill", "± of the method"),
        [
            (name, volume(a.cut_m3), volume(a.fill_m3), volume(a.bound_m3))
            for name, a in methods.by_name.items()
        ]
        + [("spread", volume(methods.cut_spread_m3), volume(methods.fill_spread_m3), "")],
    )
    print_lines(
        "They agree within the ± of each."
        if methods.agree
        else "They differ by more than the ± of each.",
        "",
        *_how(site),
        "",
    )
    cut, fill = site.sections
    rows = [
        ("average end areas", volume(cut.end_area_cut_m3), volume(fill.end_area_fill_m3)),
        (
            "prismoidal correction",
            *map(taken_off, (cut.correction_cut_m3, fill.correction_fill_m3)),
        ),
    ]
    if cut.curve_cut_m3 or fill.curve_fill_m3:
        bends = (-cut.curve_cut_m3, -fill.curve_fill_m3)
        rows.append(("bend of the baseline (Pappus)", *map(taken_off, bends)))
    rows.append(("prismoidal, true mid-sections", volume(cut.cut_m3), volume(fill.fill_m3)))
    print_table(f"By sections ({unit.volume})", ("", "dig", "rim, fill"), rows)
    print_lines("")
    print_table(
        f"Stations along the baseline ({unit.symbol}, {unit.area}, {unit.volume})",
        ("station", "dig\narea", "fill\narea", "dig\nso far", "fill\nso far"),
        [
            (
                f"{station.station_m / unit.metres:,.2f}",
                f"{station.cut_m2 / unit.area_m2:,.2f}",
                f"{station.fill_m2 / unit.area_m2:,.2f}",
                volume(station.cut_so_far_m3),
                volume(station.fill_so_far_m3),
            )
            for station in beside.stations
        ],
        left=(),
    )
    print_lines("", *map(str, beside.files))


def _how(site: "Site") -> list[str]:
    """How each method came to its answer and to its ±, in plain words."""
    from terrain.review.method_sections import baseline_points

    unit, (cut, fill) = site.unit, site.sections
    tolerance = f"{site.tolerance_m3 / unit.volume_m3:,.2g} {unit.volume}"
    ends = [place + site.origin for place in baseline_points(cut.baseline)[[0, -1]]]
    first, last = (f"{x / unit.metres:,.2f} E {y / unit.metres:,.2f} N" for x, y in ends)
    gaps = [
        part.end.station_m - part.start.station_m
        for volume in (cut, fill)
        for part in volume.stretches
    ]
    apart = (
        f"{unit.length(min(gaps))} to {unit.length(max(gaps))} apart"
        if gaps
        else "nothing to measure"
    )
    spacing = site.plan.sections.spacing
    chosen = (
        f"put in until the ± of dig and of fill is under {tolerance}"
        if spacing is None
        else f"at most the plan's {unit.length(spacing)}"
    )
    found = "from the plan" if site.baseline_given else "the long axis of the dig"
    cell = unit.length(site.lattice.cell)
    grid = (
        f"grid: cells of {cell} by their four corners, those with a steep face in 64 parts. "
        "Its ± is what blocks of four cells differ by from one cell of twice the size, added up "
        "without cancelling."
    )
    trapezoid = (
        f"trapezoid: {len(cut.stretches) + 1} stations of dig and {len(fill.stretches) + 1} of "
        f"fill, {apart}, {chosen}, with a section half-way between each two. Baseline {found}, "
        f"{first} to {last}. Its ± is how far the areas of five sections in a row are from a "
        "smooth curve, and what the sections themselves may be off."
    )
    prism = (
        f"prism: triangles split where dig turns to fill, over cells of {cell} that are quartered "
        f"until twice what the last splits changed is under {tolerance}, for dig and for fill "
        "each; that is its ±."
    )
    return [grid, trapezoid, prism]
