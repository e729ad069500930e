"""A small site whose answers are known in closed form, in any unit, and how to spoil it.

The ground is level at 100 m, 24 m by 24 m. A filter pit 4 m by 4 m and 1.5 m deep and a round pond
of 3 m radius and 1 m depth are dug with upright walls and no over-dig: 24 + 9π m³ in place. At a
swell of 25 % that is 30 + 11.25π m³ loose.
"""

import math
from pathlib import Path

METRES = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
DUG_M3 = 24 + 9 * math.pi
LOOSE_M3 = 1.25 * DUG_M3
ROCK_M3 = 4 * math.pi / 6 * 0.5**3
CORNERS = ((502, 802), (506, 802), (506, 806), (502, 806))


def write_site(folder: Path, unit: str) -> Path:
    """Write the site's plan and survey; lengths below are metres."""

    def in_unit(metres: float) -> str:
        return f"{metres / METRES[unit]:.7f}"

    folder.mkdir(parents=True)
    shots = [(500 + 3 * column, 800 + 3 * row, "GS") for row in range(9) for column in range(9)]
    shots += [(east, north, "WE1") for east, north in CORNERS]
    rows = [
        f"{number},{in_unit(north)},{in_unit(east)},{in_unit(100)},{code}"
        for number, (east, north, code) in enumerate(shots, start=1)
    ]
    (folder / "rover.csv").write_text(
        "\n".join(["point,northing,easting,elevation,code", *rows, ""]), encoding="utf-8"
    )
    (folder / "site.toml").write_text(
        f"""[site]
name = "Hollow"
unit = "{unit}"
cell = {in_unit(0.1)}

[[survey]]
name = "rover"
file = "rover.csv"

[codes]
GS = "ground"
WE = "outline"

[water]
pond = {in_unit(100)}

[[soil]]
name = "loam"
swell = [0.20, 0.25, 0.30]
shrink = 0.0
bank_density = "1800 kg/m3"

[truck]
volume = "9 m3"
payload = "40 t"

[[element]]
type = "filter_pit"
name = "pit"
water = "pond"
outline = {{ code = "WE1" }}
depth = {in_unit(1.5)}
cut_batter = "vertical"
lifts = [
  {{ name = "cobbles", thickness = {in_unit(0.9)}, voids = 0.4 }},
  {{ name = "gravel", thickness = {in_unit(0.6)}, voids = 0.3 }},
]

[[element]]
type = "basin"
name = "pond"
water = "pond"
outline = {{ circle = {{ centre = [{in_unit(515)}, {in_unit(812)}], radius = {in_unit(3)} }} }}
floor = {in_unit(1)}
batter = "vertical"
cut_batter = "vertical"
rock = [
  {{ name = "stones", count = 4, size = {in_unit(0.5)}, embedded = 0.0, density = "2650 kg/m3" }},
]
""",
        encoding="utf-8",
    )
    return folder


def replace(file: Path, old: str, new: str) -> None:
    """Spoil one place of a file."""
    text = file.read_text(encoding="utf-8")
    assert text.count(old) >= 1, f"{old!r} is not in {file.name}"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
