"""Files cut short or with bytes turned end in a message or an answer, never in a traceback."""

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.measured.made import (
    CORNER,
    MESH_WRITERS,
    faces,
    ground_points,
    survey,
    write_asc,
    write_cloud,
    write_geojson,
    write_gpkg,
    write_landxml,
    write_site,
    write_spots,
    write_tif,
)

SIDE = 2.5
XYZ, FACES = ground_points(SIDE), faces(SIDE)
Z = XYZ[:, 2].reshape(9, 13)
PLACED = {"west": CORNER[0], "south": CORNER[1], "cell": SIDE}
BOOK = """stake,BS,IS,FS
BM,1.250,,
A1,,1.500,
A2,,1.610,
B1,,1.900,
TP,1.400,,1.100
B2,,2.000,
BM,,,1.550
"""
LEVELS = (
    "[survey.level_book]\nbenchmarks = { BM = 100 }\n"
    'stakes = { origin = [0, 0], spacing = 5, last = "B2" }'
)
WRITE: dict[str, Callable[[Path], object]] = {
    "a.csv": lambda path: write_spots(path, XYZ),
    "book.csv": lambda path: path.write_text(BOOK),
    "a.las": lambda path: write_cloud(path, ground_points(0.5), epsg=26915),
    "a.laz": lambda path: write_cloud(path, ground_points(0.5), epsg=26915),
    **{f"a{end}": lambda path, w=write: w(path, XYZ, FACES) for end, write in MESH_WRITERS.items()},
    "a.tif": lambda path: write_tif(path, Z, **PLACED, epsg=26915),
    "a.asc": lambda path: write_asc(path, Z, **PLACED),
    "a.xml": lambda path: write_landxml(path, surfaces=[("ground", XYZ, FACES)], points=XYZ[:5]),
    "a.geojson": lambda path: write_geojson(path, list(XYZ.reshape(9, 13, 3))),
    "a.gpkg": lambda path: write_gpkg(path, list(XYZ.reshape(9, 13, 3))),
}
# these say how long they are, or close what they open: half of one is never taken for a whole
WHOLE_OR_NOTHING = ("las", "laz", "ply", "stl", "glb", "tif", "asc", "xml", "geojson", "gpkg")


@pytest.fixture(params=WRITE)
def told(request, tmp_path: Path, run: Run) -> tuple[Path, Callable[[], int]]:
    """A sound survey file, and what the command makes of it as it is then."""
    file = tmp_path / request.param
    WRITE[request.param](file)
    keys = (LEVELS,) if file.name == "book.csv" else ()
    write_site(tmp_path, survey("a", file.name, *keys), body="")

    def code() -> int:
        said = run("survey", tmp_path)
        assert "Traceback" not in said.err + said.out
        if said.code:
            assert said.code == 1
            assert said.err.startswith("tarnwright: ")
            assert file.name in said.err
        else:
            assert "the ground is made from" in said.out
        return said.code

    assert code() == 0
    return file, code


def test_a_file_cut_short(told):
    file, code = told
    whole, rng = file.read_bytes(), random.Random(1)
    for share in (0.0, 0.02, *(rng.uniform(0.05, 0.98) for _ in range(4))):
        file.write_bytes(whole[: int(len(whole) * share)])
        ended = code()
        if file.suffix[1:] in WHOLE_OR_NOTHING or share == 0:
            assert ended == 1, share


def test_a_file_with_bytes_turned(told):
    file, code = told
    whole, rng = file.read_bytes(), random.Random(2)
    for _ in range(7):
        damaged = bytearray(whole)
        for _ in range(rng.randint(1, 8)):
            # more often near the beginning, where a file says what it is
            at = int(len(whole) * rng.random() ** 3)
            damaged[at] ^= rng.randint(1, 255)
        file.write_bytes(bytes(damaged))
        code()
    file.write_bytes(bytes(rng.randbytes(len(whole))))
    assert code() == 1
