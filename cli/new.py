"""`tarnwright new`: a site folder to start from."""

import shlex
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer

import terrain

SCHEMA = Path(terrain.__file__).with_name("design") / "site.schema.json"
SCHEMA_LINE = f"#:schema ./{SCHEMA.name}\n\n"  # where editors look for it

SURVEY = """point,northing,easting,elevation,code
{shots}
"""

PLAN = """# Every length is in [site].unit, or a text with its own: "3 ft 6 in", "18 in", "0.9 m".

[site]
name = "{name}"
unit = "{unit}"                  # "m", "ft" (international) or "us-ft"

[[survey]]                    # replace survey.csv by your own shots
name = "rover"
file = "survey.csv"           # its header names the columns; without one: columns = "PNEZD"

[codes]                       # what each field code means: ground, breakline, outline, ignore
GS = "ground"
TB = "breakline"              # TB1, TB2 … are separate strings
WE = "outline"                # WE1 walks a closed outline that an element can use

[water]                       # levels, as elevations
pond = {water}

[[soil]]
name = "common earth"
swell = [0.15, 0.25, 0.35]    # loose/bank − 1: low, likely, high
shrink = [0.05, 0.10, 0.15]   # 1 − compacted/bank
bank_density = "1900 kg/m3"

[truck]
volume = "{truck}"
payload = "{payload}"

[over_dig]                    # room for setting rock
side = {side}
below = {below}

[[element]]
type = "basin"
name = "pond"
water = "pond"
outline = {{ circle = {{ centre = [{middle}, {middle}], radius = {radius} }} }}
shelves = [{{ depth = {shelf}, width = {shelf}, riser = "0.5:1" }}]
floor = {floor}
batter = "1:1"
freeboard = {freeboard}
"""


def command(
    folder: Annotated[Path, typer.Argument(help="A folder that does not exist yet.")],
    unit: Annotated[str, typer.Option(help='"m", "ft" or "us-ft".')] = "m",
    from_codes: Annotated[
        Path | None,
        typer.Option(
            "--from-codes",
            metavar="SURVEY.csv",
            help="Start from a survey: its codes, water levels and outlines.",
        ),
    ] = None,
    columns: Annotated[
        str | None,
        typer.Option(help="Order of the survey's columns where no header names them: PNEZD."),
    ] = None,
) -> None:
    """Start a site folder, from an example or a survey's codes."""
    from terrain.errors import OutputError, Place
    from terrain.units import UNITS

    if unit not in UNITS:
        msg = f"{unit!r} is not one of {', '.join(UNITS)}"
        raise typer.BadParameter(msg, param_hint="--unit")
    if columns is not None and from_codes is None:
        msg = "it goes with --from-codes"
        raise typer.BadParameter(msg, param_hint="--columns")
    if folder.exists() or folder.is_symlink():
        raise OutputError(
            "is there already, and nothing is overwritten",
            place=Place(folder),
            expected="the name of a new folder",
            mend="choose another name, or move it away",
        )
    name = "".join(c for c in folder.name if c.isprintable()).strip()[:80] or "site"
    schema = {SCHEMA.name: SCHEMA}
    if from_codes is None:
        _write(folder, {"site.toml": _plan(name, unit), "survey.csv": _survey(unit)}, schema)
        _say(folder, "survey.csv", "example shots to replace by your own", ())
        return
    from cli.from_codes import read_survey, start_plan

    copied, spots = read_survey(from_codes, UNITS[unit], columns)
    plan, told = start_plan(name, copied, spots, UNITS[unit], columns)
    _write(folder, {"site.toml": SCHEMA_LINE + plan}, {copied: from_codes} | schema)
    _say(folder, copied, "a copy of the survey", told)


def _say(folder: Path, survey: str, what: str, told: Sequence[str]) -> None:
    from cli.output import print_lines

    print_lines(
        f"{folder / 'site.toml'}: the plan.",
        f"{folder / survey}: {what}.",
        *told,
        f"Next: tarnwright volumes {shlex.quote(str(folder))}",
    )


def _survey(unit: str) -> str:
    """Example shots on ground that rises a little to the north."""
    step, rise = (4.0, 0.1) if unit == "m" else (12.0, 0.3)
    shots = [
        f"{1 + row * 6 + column},{row * step:.2f},{column * step:.2f},"
        f"{100 + rise * (row - 2.5):.2f},GS"
        for row in range(6)
        for column in range(6)
    ]
    return SURVEY.format(shots="\n".join(shots))


def _plan(name: str, unit: str) -> str:
    metric = unit == "m"
    return SCHEMA_LINE + PLAN.format(
        name=name.replace("\\", "\\\\").replace('"', '\\"'),
        unit=unit,
        water=99.7 if metric else 99.0,
        middle=10.0 if metric else 30.0,
        radius=3.0 if metric else 10.0,
        shelf=0.4 if metric else 1.25,
        floor=1.2 if metric else 4.0,
        freeboard=0.15 if metric else 0.5,
        side=0.4 if metric else 1.5,
        below=0.15 if metric else 0.5,
        truck="9 m3" if metric else "12 yd3",
        payload="15 t" if metric else "34000 lb",
    )


def _write(folder: Path, texts: Mapping[str, str], copies: Mapping[str, Path]) -> None:
    """Write a new folder whole or not at all."""
    from terrain.errors import OutputError, Place

    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".", dir=folder.parent) as temporary:
            made = Path(temporary) / "site"
            made.mkdir()
            for name, text in texts.items():
                (made / name).write_text(text, encoding="utf-8")
            for name, source in copies.items():
                shutil.copyfile(source, made / name)
            made.rename(folder)
    except OSError as error:
        raise OutputError(
            f"cannot be written: {error.strerror or error}",
            place=Place(folder),
            expected="a place where a folder can be made",
            mend="choose another place",
        ) from None
