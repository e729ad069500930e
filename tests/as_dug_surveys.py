"""A box pit dug in five level steps, and the surveys made of it: all known in closed form.

The ground is level at 100 m, 24 m by 24 m; the pit is 4 m by 6 m and 1.5 m deep with upright walls,
so that 36 m³ are dug, 7.2 m³ with each step of 0.3 m. The foot of a wall is shot 2 mm from its top.
"""

import datetime as dt
import itertools
import math
from pathlib import Path

WEST, SOUTH, WIDE, LONG, DEEP = 502.0, 802.0, 4.0, 6.0, 1.5
AREA_M2 = WIDE * LONG
DUG_M3 = AREA_M2 * DEEP
STEPS = 5
FOOT_M = 0.002
FIRST = dt.date(2026, 5, 4)
PLAN = f"""[site]
name = "Boxwood"
cell = 0.25

[[survey]]
name = "rover"
file = "rover.csv"

[codes]
GS = "ground"
TOP = "breakline"
TOE = "breakline"

[checks]
dug_within = 0.05

[[soil]]
name = "loam"
swell = [0.20, 0.25, 0.30]
shrink = 0.0
bank_density = "1600 kg/m3"

[truck]
volume = "9 m3"
payload = "40 t"

[[element]]
type = "filter_pit"
name = "pit"
level = 100
outline = {{ points = [[{WEST}, {SOUTH}], [{WEST + WIDE}, {SOUTH}],
  [{WEST + WIDE}, {SOUTH + LONG}], [{WEST}, {SOUTH + LONG}]] }}
depth = {DEEP}
cut_batter = "vertical"
lifts = [{{ name = "cobbles", thickness = {DEEP}, voids = 0.4 }}]
"""


Shot = tuple[float, float, float, str]


def day(step: int) -> dt.date:
    """The day of a step's survey: two calendar days apart."""
    return FIRST + dt.timedelta(days=2 * (step - 1))


def write_boxwood(folder: Path, more: str = "") -> Path:
    """The site before the dig."""
    folder.mkdir(parents=True)
    shots = [(500 + 3 * e, 800 + 3 * n, 100.0, "GS") for n in range(9) for e in range(9)]
    write_shots(folder / "rover.csv", shots)
    (folder / "site.toml").write_text(PLAN + more, encoding="utf-8")
    return folder


def write_shots(file: Path, shots: list[Shot]) -> Path:
    rows = [
        f"{number},{north:.4f},{east:.4f},{up:.4f},{code}"
        for number, (east, north, up, code) in enumerate(shots, start=1)
    ]
    head = "point,northing,easting,elevation,code"
    file.write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    return file


def pit_shots(floor: float, *, share: float = 1.0) -> list[Shot]:
    """Shots of the pit dug to a level; of less than its whole length the southern floor alone."""
    north = SOUTH + share * LONG
    tops = _ring(0.0, north, 100.0, "TOP1") if share == 1 else []
    shots = [*tops, *_ring(FOOT_M, north, floor, "TOE1")]
    shots += [
        (WEST + east, SOUTH + share * up, floor, "GS")
        for east in (1.0, 2.0, 3.0)
        for up in (1.0, 2.0, 3.0, 4.0, 5.0)
    ]
    if share == 1:
        around = ((-1, -1), (5, -1), (5, 7), (-1, 7), (2, -1), (5, 3), (2, 7), (-1, 3))
        shots += [(WEST + east, SOUTH + up, 100.0, "GS") for east, up in around]
    return shots


def _ring(inset: float, north: float, level: float, code: str) -> list[Shot]:
    """A closed string around the pit, about every metre."""
    west, east = WEST + inset, WEST + WIDE - inset
    corners = [(west, SOUTH + inset), (east, SOUTH + inset), (east, north - inset)]
    corners += [(west, north - inset), corners[0]]
    shots = []
    for (e0, n0), (e1, n1) in itertools.pairwise(corners):
        count = max(1, round(math.hypot(e1 - e0, n1 - n0)))
        shots += [
            (e0 + k / count * (e1 - e0), n0 + k / count * (n1 - n0), level, code)
            for k in range(count)
        ]
    return [*shots, shots[0]]


def dated(name: str, on: dt.date) -> str:
    """The plan's table of a survey made while digging."""
    return f'\n[[survey]]\nname = "{name}"\nfile = "{name}.csv"\nas_dug = {on}\n'


def dug_in_steps(folder: Path, more: str = "") -> Path:
    """The site with the surveys of all five steps."""
    tables = "".join(dated(f"step{step}", day(step)) for step in range(1, STEPS + 1))
    write_boxwood(folder, tables + more)
    for step in range(1, STEPS + 1):
        write_shots(folder / f"step{step}.csv", pit_shots(100 - DEEP * step / STEPS))
    return folder
