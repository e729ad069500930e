"""A site whose stakes are known in closed form, at true map coordinates.

The ground is level at 100 m from E 500000, N 4500800, 30 m by 30 m. A basin 6 m by 6 m about its
middle stands at 99 m, 1 m deep at 1:1; it is dug 0.5 m wider and 0.2 m deeper, and its face rises
at 1.5:1 from there to the ground, 2 m outside the basin. Its floor begins 1 m inside the dig.
"""

import math
from pathlib import Path

METRES = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
EAST, NORTH = 500_000, 4_500_800
MIDDLE = (EAST + 15, NORTH + 15)
# the dig below its level, its 0.2 m more, and what rises to the ground with rounded corners
DUG_M3 = (25 + 4 * 36 + 49) / 6 + 0.2 * 49 + 49 + 28 * 1.5 / 2 + math.pi * 1.5**2 / 3
MARKS = {"A": (EAST + 2.0, NORTH + 2.0), "B": (EAST + 28.0, NORTH + 2.0)}


def write_stake_site(folder: Path, unit: str = "m", *, crs: str | None = None) -> Path:
    """Write plan and survey; lengths below are metres."""

    def say(metres: float) -> str:
        return f"{metres / METRES[unit]:.9f}"

    folder.mkdir(parents=True)
    rows = [
        f"{11 * row + column},{say(NORTH + 3 * row)},{say(EAST + 3 * column)},{say(100)},GS"
        for row in range(11)
        for column in range(11)
    ]
    (folder / "rover.csv").write_text(
        "\n".join(["point,northing,easting,elevation,code", *rows, ""]),
        encoding="utf-8",
    )
    corners = [(-3, -3), (3, -3), (3, 3), (-3, 3)]
    outline = ", ".join(
        f"[{say(MIDDLE[0] + east)}, {say(MIDDLE[1] + north)}]" for east, north in corners
    )
    marks = "\n".join(
        f'[[control_point]]\nname = "{name}"\nat = [{say(e)}, {say(n)}, {say(100.5)}]'
        for name, (e, n) in MARKS.items()
    )
    (folder / "site.toml").write_text(
        f"""[site]
name = "Pegged"
unit = "{unit}"
cell = {say(0.1)}
{f'crs = "{crs}"' if crs else ""}

[[survey]]
name = "rover"
file = "rover.csv"

[codes]
GS = "ground"

{marks}

[[element]]
type = "basin"
name = "pond"
level = {say(99)}
outline = {{ points = [{outline}] }}
floor = {say(1)}
batter = "1:1"
cut_batter = "1.5:1"
over_dig = {{ side = {say(0.5)}, below = {say(0.2)} }}

[[element]]
type = "mound"
name = "low mound"
outline = {{ circle = {{ centre = [{say(EAST + 25)}, {say(NORTH + 25)}], radius = {say(3)} }} }}
height = {say(0.5)}
batter = "2:1"
""",
        encoding="utf-8",
    )
    return folder
