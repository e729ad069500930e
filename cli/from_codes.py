"""The plan that `tarnwright new --from-codes` starts with, and its survey."""

import re
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from terrain.design.drafts import BasinDraft
    from terrain.survey import Spots
    from terrain.survey.proposals import Proposal
    from terrain.units import Unit

PLAN = """# Started from the codes of {file}; every line is a proposal to look over.
# Every length is in [site].unit, or a text with its own: "3 ft 6 in", "18 in", "0.9 m".

[site]
name = {name}
unit = {unit}

[[survey]]
name = "survey"
file = {file}
{columns}
[codes]
{codes}

[water]                       # levels, as elevations
{water}

[[soil]]
name = "common earth"
swell = [0.15, 0.25, 0.35]    # loose/bank − 1: low, likely, high
shrink = [0.05, 0.10, 0.15]   # 1 − compacted/bank
bank_density = "1900 kg/m3"

[truck]
volume = {truck}
payload = {payload}

[over_dig]                    # room for setting rock
side = {side}
below = {below}

{elements}"""

BASIN = """[[element]]
type = "basin"
name = {name}
water = {water}
outline = {{ code = {code} }}
{shelves}{floor}
batter = "1:1"
"""

NO_BASIN = """# No outline was found among the codes. One by its corners, to begin with:
# [[element]]
# type = "basin"
# name = "pond"
# level = {level:g}
# outline = {{ points = [[east, north], [east, north], [east, north]] }}
# floor = {floor}
"""


def read_survey(file: Path, unit: "Unit", columns: str | None) -> tuple[str, "Spots"]:
    """Read the survey to start from; return the name that its copy gets, and its shots."""
    from terrain.errors import Place, SurveyError, UnitError
    from terrain.survey import read_spots

    if file.suffix.lower() in {".las", ".laz"}:
        raise SurveyError(
            "a cloud has no field codes",
            place=Place(file),
            expected="spot heights with codes, as CSV or text",
            mend="leave --from-codes out and name the cloud in the new plan",
        )
    try:
        spots = read_spots(file, unit=unit, columns=columns)
    except UnitError as error:
        raise UnitError(
            error.found,
            place=error.place,
            expected=error.expected,
            mend="say the survey's unit: --unit ft (international feet), us-ft or m",
        ) from None
    except SurveyError as error:
        mend = error.mend
        for said in ("give columns in the plan", "with columns", "leave columns"):
            mend = mend.replace(said, said.removesuffix(" in the plan").replace("col", "--col"))
        raise SurveyError(
            error.found, place=error.place, expected=error.expected, mend=mend
        ) from None
    plain = file.name.isprintable() and len(file.name) <= 80
    return (file.name if plain else f"survey{file.suffix}"), spots


def start_plan(
    name: str, file: str, spots: "Spots", unit: "Unit", columns: str | None
) -> tuple[str, list[str]]:
    """Text of the plan, and what to tell the person.

    A basin that cannot be built where it was shot stays in the plan as a comment with the reason.
    """
    from terrain.design.drafts import draft_basins
    from terrain.survey import odd_heights, sort_codes
    from terrain.survey.proposals import propose_roles

    proposals = propose_roles(spots)
    linework = sort_codes(spots, {proposal.code: proposal.role for proposal in proposals})
    strings = (*linework.breaklines, *linework.soft, *linework.outlines)
    odd = odd_heights(spots, linework.ground, strings=strings)
    basins = draft_basins(spots, linework, odd, unit=unit)
    metric = unit.key == "m"
    lowest = float(spots.xyz[linework.ground, 2].min()) / unit.metres
    said = {
        "name": text(name),
        "unit": text(unit.key),
        "file": text(file),
        "columns": f"columns = {text(columns)}\n" if columns else "",
        "codes": "\n".join(map(_code_line, proposals)) or "# the survey has none: all is ground",
        "water": "\n".join(_water_lines(basins, unit)),
        "truck": text("9 m3" if metric else "12 yd3"),
        "payload": text("15 t" if metric else "34000 lb"),
        "side": "0.4" if metric else "1.5",
        "below": "0.15" if metric else "0.5",
    }
    empty = NO_BASIN.format(level=round(lowest, 2), floor="1.2" if metric else "4")
    refused: dict[str, str] = {}
    while True:
        elements = "\n".join(_element(basin, refused) for basin in basins) or empty
        plan = PLAN.format(elements=elements, **said)
        problem = _problem(plan, file, spots.source)
        if problem is None:
            return plan, _told(proposals, basins, refused, len(odd), unit)
        refused[problem[0]] = problem[1]


def _problem(plan: str, file: str, survey: Path) -> tuple[str, str] | None:
    """Name of a basin that cannot be built, and why."""
    from terrain.errors import PlanError
    from terrain.site import Site

    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "site.toml").write_text(plan, encoding="utf-8")
        (Path(folder) / file).write_bytes(survey.read_bytes())
        site = Site.open(Path(folder))
        try:
            _ = site.elements
        except PlanError as error:
            for element in site.plan.element:
                if f'"{element.name}"' in str(error.place.key):
                    return element.name, error.found
            raise
    return None


def _code_line(proposal: "Proposal") -> str:
    from cli.output import counted

    many = f", {counted(proposal.strings, 'string')}" if proposal.strings > 1 else ""
    line = f"{_key(proposal.code)} = {text(proposal.role.value)}"
    look = "" if proposal.known else "?? "
    return f"{line:<29} # {look}{counted(proposal.shots, 'shot')}{many}: {proposal.reason}"


def _water_lines(basins: Sequence["BasinDraft"], unit: "Unit") -> list[str]:
    lines: dict[str, str] = {}
    for basin in basins:
        lines.setdefault(
            basin.water,
            f"{f'{_key(basin.water)} = {basin.level:.3f}':<29} # {unit.symbol}, "
            f"{_lowest(basin)}: point {printable(basin.lowest)}",
        )
    return list(lines.values())


def _lowest(basin: "BasinDraft") -> str:
    aside = f" ({basin.odd} far from their neighbours left aside)" if basin.odd else ""
    return f"lowest shot of the edge{aside}"


def _element(basin: "BasinDraft", refused: dict[str, str]) -> str:
    shelf = basin.shelf
    shelves = (
        f'shelves = [{{ depth = {shelf:g}, width = {shelf:g}, riser = "0.5:1" }}]\n'
        if shelf
        else ""
    )
    block = BASIN.format(
        name=text(_name(basin)),
        water=text(basin.water),
        code=text(basin.code),
        shelves=shelves,
        floor=f"{f'floor = {basin.floor:g}':<29} # below the water",
    )
    reason = refused.get(_name(basin))
    if reason is None:
        return block
    lines = [f"left out for now: {printable(reason)}", *block.splitlines()]
    return "".join(f"# {line}\n" for line in lines)


def _name(basin: "BasinDraft") -> str:
    return f"pond {basin.code}"[:80].strip()


def _told(
    proposals: Sequence["Proposal"],
    basins: Sequence["BasinDraft"],
    refused: dict[str, str],
    odd: int,
    unit: "Unit",
) -> list[str]:
    from cli.output import counted

    by_role: dict[str, list[str]] = {}
    for proposal in proposals:
        kind = proposal.role.value if proposal.known else "unknown, taken as ground"
        by_role.setdefault(kind, []).append(proposal.code)
    lines = [f"  {kind}: {', '.join(codes)}" for kind, codes in by_role.items()]
    levels: dict[str, BasinDraft] = {}
    for basin in basins:
        levels.setdefault(basin.water, basin)
    lines += [
        f"  water {basin.water} at {basin.level:.3f} {unit.symbol}, {_lowest(basin)}: "
        f"point {basin.lowest}"
        for basin in levels.values()
    ]
    lines += [f"  {name} stands as a comment: {reason}" for name, reason in refused.items()]
    if odd:
        lines.append(f"  {counted(odd, 'height')} far from the neighbours: see tarnwright survey")
    return ["It proposes, to be looked over:", *lines]


def text(value: str) -> str:
    """A TOML text in quotes."""
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'


def printable(value: str) -> str:
    """What may stand in a comment: one line."""
    return "".join(c if c.isprintable() else " " for c in value)


def _key(value: str) -> str:
    return value if re.fullmatch(r"[A-Za-z0-9_-]+", value) else text(value)
