"""The site of `tests.cli.sites` with strata, a stripped topsoil, two zones and days of work."""

from pathlib import Path

from tests.cli.sites import replace, write_site

SOILS = """
[[soil]]
name = "topsoil"
swell = 0.20
shrink = 0.0
bank_density = "1500 kg/m3"
digging = "easy"

[[soil]]
name = "gravel"
swell = 0.10
shrink = 0.0
bank_density = "2200 kg/m3"
digging = "hard"

[[stratum]]
name = "topsoil"
strip = true

[[stratum]]
name = "loam"
depth = 0.25

[[stratum]]
name = "gravel"
level = 99.2

[[zone]]
name = "west of the pit's middle"
outline = { points = [[500, 800], [504, 800], [504, 824], [500, 824]] }
day = 3

[[zone]]
name = "all of the pit"
outline = { points = [[501, 801], [507, 801], [507, 807], [501, 807]] }

[[element]]
type = "mound"
name = "mound"
outline = { circle = { centre = [505, 818], radius = 2 } }
height = 0.3
batter = "vertical"
"""


def write_strata_site(folder: Path) -> Path:
    """Write the plan and the survey."""
    write_site(folder, "m")
    file = folder / "site.toml"
    file.write_text(file.read_text(encoding="utf-8") + SOILS, encoding="utf-8")
    replace(file, 'name = "pond"\nwater', 'name = "pond"\nday = 1\nwater')
    replace(file, 'name = "pit"\n', 'name = "pit"\nday = 2\n')
    return folder
