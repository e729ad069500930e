"""A small level site with a pit, whose faces and rules are known, in any unit, also mirrored.

The ground is level at 100 m, 30 m by 24 m, of sand that nobody tested (class C). "wall" is a pit
4 m by 4 m and 1.7 m deep with upright sides; "gentle" is cut 2:1 to the same depth; "pond" is 6 m
by 6 m, 1.3 m deep with banks at 1:1 and lies full of water. Nothing is dug over.
"""

from pathlib import Path

METRES = {"m": 1.0, "ft": 0.3048}
EAST = 515.0  # about which the site is mirrored
DEPTH_M = 1.7
OSHA_UPRIGHT_M = 5 * 0.3048  # 29 CFR 1926.652(a)(1)(ii)
SIDES = {"wall": (503, 803, 4), "gentle": (517, 808, 12), "pond": (503, 814, 6)}


def write_slope_site(
    folder: Path, *elements: str, unit: str = "m", mirrored: bool = False, more: str = ""
) -> Path:
    """Write a site with some of the elements; `more` is added to its plan."""

    def east(metres: float) -> float:
        return 2 * EAST - metres if mirrored else metres

    def told(metres: float) -> str:
        return f"{metres / METRES[unit]:.7f}"

    def corners(name: str) -> str:
        west, south, side = SIDES[name]
        ring = [(west, south), (west + side, south), (west + side, south + side)]
        ring.append((west, south + side))
        return ", ".join(f"[{told(east(x))}, {told(y)}]" for x, y in ring)

    folder.mkdir(parents=True)
    rows = [
        f"{10 * row + column},{told(800 + 3 * row)},{told(east(500 + 3 * column))},{told(100)},GS"
        for row in range(9)
        for column in range(11)
    ]
    (folder / "rover.csv").write_text(
        "\n".join(["point,northing,easting,elevation,code", *rows, ""]), encoding="utf-8"
    )
    pit = "\n".join(
        [
            'type = "filter_pit"',
            'water = "pond"',
            f"depth = {told(DEPTH_M)}",
            f'lifts = [{{ name = "gravel", thickness = {told(DEPTH_M)}, voids = 0.4 }}]',
        ]
    )
    tables = {
        "wall": f'{pit}\nbatter = "vertical"\ncut_batter = "vertical"',
        "gentle": f'{pit}\nbatter = "2:1"\ncut_batter = "2:1"',
        "pond": f'type = "basin"\nwater = "pond"\nfloor = {told(1.3)}\nbatter = "1:1"',
    }
    built = "\n".join(
        f'[[element]]\nname = "{name}"\n{tables[name]}\n'
        f"outline = {{ points = [{corners(name)}] }}\n"
        for name in elements
    )
    (folder / "site.toml").write_text(
        f"""[site]
name = "Level"
unit = "{unit}"
cell = {told(0.1)}

[[survey]]
name = "rover"
file = "rover.csv"

[codes]
GS = "ground"

[water]
pond = {told(100)}

[[soil]]
name = "sand"
swell = 0.12
shrink = 0.05
bank_density = "1800 kg/m3"

[truck]
volume = "9 m3"
payload = "40 t"

[slopes]
samples = 20

{built}
{more}
""",
        encoding="utf-8",
    )
    return folder
