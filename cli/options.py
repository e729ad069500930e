"""Arguments and options that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

CHECK_FAILED = 3  # the exit code of work that is done, though a check failed

SitePath = Annotated[
    Path, typer.Argument(help="A site folder, or its site.toml.", show_default="this folder")
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON document with SI values, nothing else.")
]
LeaveOutOdd = Annotated[
    bool,
    typer.Option(
        "--leave-out-odd",
        help="Leave out heights far from their neighbours, whatever the plan says.",
    ),
]
Seed = Annotated[
    int | None,
    typer.Option(
        min=0,
        help="Seed of the draws behind low and high numbers, instead of the plan's.",
        show_default=False,
    ),
]
BandHeight = Annotated[
    str | None,
    typer.Option(
        "--bands",
        help='Also the dig by depth below the ground, in bands of this height, such as "0.5 m".',
        show_default=False,
    ),
]
ThreeMethods = Annotated[
    bool,
    typer.Option(
        "--methods",
        help="Also the three methods side by side, station by station, with the sections drawn.",
    ),
]
OutFolder = Annotated[
    Path | None, typer.Option("--out", help="Where results go.", show_default="<site>/out")
]
