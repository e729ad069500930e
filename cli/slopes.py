"""`tarnwright slopes`: whether the faces of the dig and of the finish stand."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.options import CHECK_FAILED, AsJson, LeaveOutOdd, OutFolder, Seed, SitePath

if TYPE_CHECKING:
    from terrain.site import Site
    from terrain.slopes import SlipCase, SlopeFace, Slopes, Veneer

MOST_TOLD = 12  # faces that stand, in each table; all are in the JSON

DrawnFaces = Annotated[
    list[str] | None,
    typer.Option(
        "--section",
        metavar="FACE",
        help="Draw the section of this face, such as D3, or of a section that the plan asks for, "
        "instead of the worst ones; may be given again.",
        show_default=False,
    ),
]


def command(
    site: SitePath = Path(),
    section: DrawnFaces = None,
    out: OutFolder = None,
    leave_out_odd: LeaveOutOdd = False,
    seed: Seed = None,
    as_json: AsJson = False,
) -> None:
    """Find the faces of the dig, and say whether they stand."""
    from cli.opening import open_site
    from cli.output import print_json, print_lines
    from terrain.review.draw_slopes import draw_slopes

    opened = open_site(site, leave_out_odd=leave_out_odd)
    if seed is not None:
        table = opened.plan.slopes.model_copy(update={"seed": seed})
        opened = opened.revised(opened.plan.model_copy(update={"slopes": table}))
    chosen = _chosen(opened.slopes, section or [])
    drawn = draw_slopes(opened, out or opened.folder / "out", chosen)
    if as_json:
        files = [str(file) for file in drawn.files]
        print_json({**document(opened), "files": files, "notes": list(drawn.notes)})
    else:
        show(opened)
        print_lines("", *(str(file) for file in drawn.files), *drawn.notes)
    if not opened.slopes.passed:
        raise typer.Exit(CHECK_FAILED)


def _chosen(slopes: "Slopes", names: Sequence[str]) -> tuple["SlopeFace", ...]:
    """The faces that names mean: their own, or the first part of an asked section's."""
    chosen = []
    for name in names:
        found = [f for f in slopes.faces if name in (f.name, f.name.rpartition(",")[0])]
        if not any(face.cases for face in found):
            analysed = ", ".join(face.name for face in slopes.faces if face.cases) or "none"
            raise typer.BadParameter(f"no analysed face is called {name!r}; there are {analysed}")
        chosen += [face for face in found if face.cases]
    return tuple(chosen)


def document(site: "Site") -> dict[str, Any]:
    """What `--json` prints."""
    from cli.output import CAUTION

    slopes = site.slopes
    return {
        "site": site.name,
        "caution": CAUTION,
        "rules": slopes.rules.name,
        "source": slopes.rules.source,
        "pass": slopes.passed,
        "untested_soils": list(slopes.untested),
        "faces": [_face_document(site, face) for face in slopes.faces],
        "veneers": [
            {
                "element": veneer.element,
                "face": veneer.face,
                "slope_deg": veneer.slope_deg,
                "factor_of_safety": veneer.factor,
                "factor_low": veneer.factor_low,
                "factor_high": veneer.factor_high,
                "pass": veneer.stays,
            }
            for veneer in slopes.veneers
        ],
    }


def _face_document(site: "Site", each: "SlopeFace") -> dict[str, Any]:
    face, case = each.face, each.worst_case
    return {
        "id": each.name,
        "element": each.element or None,
        "temporary": each.temporary,
        "verdict": each.verdict,
        "pass": each.passed,
        "height_m": face.height,
        "angle_deg": face.angle_deg,
        "steepest_deg": face.steepest_deg,
        "length_m": face.length_m,
        "benches": int(face.benches[face.worst]),
        "place": [at + float(shift) for at, shift in zip(face.place, site.origin, strict=True)],
        "soils": list(each.soils),
        "soil_class": each.soil_class,
        "above": list(each.above),
        "below": list(each.below),
        "rule": _rule(site, each),
        "breaches": [
            {
                "rule": breach.rule,
                "found": breach.found,
                "mend": breach.mend,
                "extra_cut_bank_m3": breach.extra_cut_m3,
            }
            for breach in each.breaches
        ],
        "factor_of_safety": None if case is None else case.factor,
        "factor_low": None if case is None else case.low,
        "factor_high": None if case is None else case.high,
        "chance_below_1": None if case is None else case.chance_below_one,
        "method": None if case is None else case.method,
        "target": None if case is None else case.factors.target,
        "case": None if case is None else case.name,
        "cases": [_case_document(one) for one in each.cases],
    }


def _rule(site: "Site", each: "SlopeFace") -> str | None:
    """What decides: a rule that is broken, the slope of the class, or the factor wanted."""
    if each.breaches:
        return each.breaches[0].rule
    if each.temporary:
        run = site.slopes.rules.classes[each.soil_class].run_per_rise
        return f"class {each.soil_class}: {run:g}:1"
    case = each.worst_case
    return None if case is None else f"factor of at least {case.factors.target:g}"


def _case_document(case: "SlipCase") -> dict[str, Any]:
    found = case.factors.likely
    circle = found.circle
    return {
        "name": case.name,
        "factor_of_safety": case.factor,
        "factor_low": case.low,
        "factor_high": case.high,
        "chance_below_1": case.chance_below_one,
        "target": case.factors.target,
        "method": case.method,
        "pass": case.passed,
        "methods": dict(case.methods),
        "plane": None
        if case.plane is None
        else {"factor_of_safety": case.plane.factor, "dip_deg": case.plane.dip_deg},
        "circle": None
        if circle is None
        else {
            "along_m": circle.x_m,
            "elevation_m": circle.z_m,
            "radius_m": circle.radius_m,
            "from_m": circle.start_m,
            "to_m": circle.end_m,
        },
        "section_along_m": case.section.along_m.tolist(),
        "section_ground_m": case.section.ground_m.tolist(),
        "circles_tried": found.tried,
        "circles_off": found.off,
        "circles_inadmissible": found.inadmissible,
        "circles_unsettled": found.unsettled,
        "convergence": found.path.tolist(),
    }


def show(site: "Site") -> None:
    """Print the faces as a person reads them, the worst first."""
    from cli.output import CAUTION, print_lines

    slopes = site.slopes
    print_lines(CAUTION, "", f"{site.name}: {_summary(slopes)}.")
    for title, temporary in (
        ("Faces of the dig, while it is open", True),
        ("Faces of what is built", False),
    ):
        faces = [face for face in slopes.faces if face.temporary == temporary]
        if faces:
            print_lines("")
            _show_faces(site, title, faces)
    if not slopes.faces:
        print_lines("No face is as high as a step.")
    _show_breaches(site)
    _show_veneers(slopes.veneers)
    print_lines("", *_sources(site), "", CAUTION)


def _summary(slopes: "Slopes") -> str:
    from cli.output import counted

    said = Counter(face.verdict for face in slopes.faces)
    if not slopes.faces:
        return "no face"
    one = {"fails": "fails", "doubtful": "is doubtful", "stands": "stands", "low": "is low"}
    many = {"fails": "fail", "doubtful": "are doubtful", "stands": "stand", "low": "are low"}
    words = [f"{said[each]} {(one if said[each] == 1 else many)[each]}" for each in one]
    told = ", ".join(word for each, word in zip(one, words, strict=True) if said[each])
    return f"of {counted(len(slopes.faces), 'face')} {told}"


def _show_faces(site: "Site", title: str, faces: Sequence["SlopeFace"]) -> None:
    from cli.output import counted, print_lines, print_table

    unit = site.unit
    told = [face for face in faces if not face.passed]
    rest = [face for face in faces if face.passed]
    told += rest[:MOST_TOLD]
    print_table(
        f"{title} (lengths in {unit.symbol}; factors of safety: likely, and low to high)",
        (
            "face",
            "element",
            "high",
            "angle\noverall",
            "\nsteepest",
            "\nlong",
            "\nbenches",
            "\nclass",
            "factor",
            "below 1\nby chance",
            "wanted",
            "case",
            "method",
            "",
            "above",
            "below",
        ),
        [_row(site, face) for face in told],
        left=(0, 1, 7, 8, 11, 12, 13, 14, 15),
    )
    if len(rest) > MOST_TOLD:
        more = counted(len(rest) - MOST_TOLD, "more face")
        print_lines(f"  and {more} that {_keeps(len(rest) - MOST_TOLD)}; --json lists all.")


def _keeps(count: int) -> str:
    return "is low or stands" if count == 1 else "are low or stand"


def _row(site: "Site", each: "SlopeFace") -> tuple[str, ...]:
    from terrain.review.face_marks import factor_words

    face, case, metres = each.face, each.worst_case, site.unit.metres
    return (
        each.name,
        each.element or "–",
        f"{face.height / metres:.2f}",
        f"{face.angle_deg:.0f}°",
        f"{face.steepest_deg:.0f}°",
        f"{face.length_m / metres:.1f}",
        f"{face.benches[face.worst]}",
        each.soil_class,
        "not tried" if case is None else factor_words(case),
        "–" if case is None else f"{case.chance_below_one:.0%}",
        "–" if case is None else f"{case.factors.target:g}",
        "–" if case is None else case.name,
        "–" if case is None else case.method,
        each.verdict + (", breaks a rule" if each.breaches else ""),
        "; ".join(each.above) or "–",
        "; ".join(each.below) or "–",
    )


def _show_breaches(site: "Site") -> None:
    from cli.output import print_lines

    unit = site.unit
    broken: dict[tuple[str, str], list[str]] = {}
    for face in site.slopes.faces:
        whose = f"{face.name}, {face.element}" if face.element else face.name
        east, north = (
            (at + float(shift)) / unit.metres
            for at, shift in zip(face.face.place, site.origin, strict=True)
        )
        for breach in face.breaches:
            extra = breach.extra_cut_m3
            digs = f"; the mend digs {unit.volume_text(extra)} more, in place" if extra > 0 else ""
            said = f"    {whose} (E {east:.1f}, N {north:.1f}): {breach.found}{digs}"
            broken.setdefault((breach.rule, breach.mend), []).append(said)
    if broken:
        print_lines("", "Rules that are not kept")
    for (rule, mend), said_of in broken.items():
        print_lines(f"  rule:  {rule}", f"  mend:  {mend}", *said_of)


def _show_veneers(veneers: Sequence["Veneer"]) -> None:
    from cli.output import print_lines, print_table

    worst: dict[str, Veneer] = {}
    for veneer in sorted(veneers, key=lambda each: each.factor):
        worst.setdefault(veneer.element, veneer)
    if not worst:
        return
    print_lines("")
    print_table(
        "Will gravel slide on the liner? The steepest bank of each element that is no wall",
        ("element", "face", "bank", "factor", ""),
        [
            (
                each.element,
                each.face,
                f"{each.slope_deg:.0f}°",
                f"{each.factor:.2f} ({each.factor_low:.2f} to {each.factor_high:.2f})",
                "stays" if each.stays else "slides unless it is held at its foot",
            )
            for each in worst.values()
        ],
        left=(0, 1, 3, 4),
    )


def _sources(site: "Site") -> list[str]:
    """Where rules, targets and strengths come from."""
    from terrain.review.face_marks import pressure_words

    slopes, table, unit = site.slopes, site.plan.slopes, site.unit
    rules = slopes.rules
    said = [
        f"Rules: {rules.name} ({rules.source}).",
        (
            f"Factors wanted (common practice): {table.target_temporary:g} while the dig is open, "
            f"{table.target_permanent:g} of what is built, {table.target_drawdown:g} where a pond "
            "empties at once. Ranges hold nine strengths of ten."
        ),
    ]
    deep = rules.egress_from_m
    if any(face.temporary and face.face.height >= deep for face in slopes.faces):
        said.append(
            f"Where the dig is a trench {unit.length(deep)} deep or deeper, a ladder, stair or "
            f"ramp stands within {unit.length(rules.egress_within_m)} of whoever works in it."
        )
    for soil in site.plan.soil:
        if soil.name in slopes.untested:
            cohesion, friction = soil.strength.ranges
            said.append(
                f"Nobody tested {soil.name}: cautious ranges of class {soil.strength.soil_class}, "
                f"cohesion {pressure_words(cohesion[0], unit)} to "
                f"{pressure_words(cohesion[-1], unit)}, friction "
                f"{friction[0]:g}° to {friction[-1]:g}° (common practice)."
            )
    return said
