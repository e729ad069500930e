"""One known ground in files of every kind: a plan makes it the ground, and a basin is dug in it."""

import numpy as np
import pytest

from tests.measured.made import (
    BASIN_M3,
    CENTRE,
    CORNER,
    DEEP,
    HIGH,
    LEVEL,
    MESH_WRITERS,
    METRES,
    RADIUS,
    WIDE,
    faces,
    ground_points,
    height,
    inside,
    mesh_error,
    nodes,
    off,
    opened,
    survey,
    write_asc,
    write_cloud,
    write_geojson,
    write_glb,
    write_gpkg,
    write_landxml,
    write_ply,
    write_spots,
    write_tif,
)

UNITS = pytest.mark.parametrize("unit", METRES)
AREA = np.pi * RADIUS**2


def holds(site, *, within, unit="m"):
    """The ground, and the volume of the basin that is dug in it (once for all units)."""
    assert off(site) < within
    if unit != "m":
        return
    dug = site.volumes.excavation_bank_m3
    # the computing grid leaves the basin's edge uncertain; its own bound says by how much
    edge = 0.002 * BASIN_M3
    assert dug == pytest.approx(BASIN_M3, abs=within * AREA + edge)


@UNITS
def test_spot_heights(tmp_path, unit):
    write_spots(tmp_path / "a.csv", ground_points() / METRES[unit])
    site = opened(tmp_path, survey("a", "a.csv", f'unit = "{unit}"'))
    holds(site, within=mesh_error(1) + 2e-6, unit=unit)


@UNITS
@pytest.mark.parametrize("ending", [".las", ".laz"])
def test_a_cloud(tmp_path, unit, ending):
    write_cloud(tmp_path / f"a{ending}", ground_points(0.25) / METRES[unit])
    site = opened(tmp_path, survey("a", f"a{ending}", f'unit = "{unit}"', "cell = 0.5"))
    # a node takes a height from its cell: half a cell along the steepest slope, and 0.5 mm steps
    steepest = np.hypot(0.05 + 0.002 * HIGH, 0.03 + 0.002 * WIDE)
    holds(site, within=steepest * 0.25, unit=unit)


LOCAL = np.array([512_290.0, 4_813_690.0, 90.0])


@UNITS
@pytest.mark.parametrize("ending", MESH_WRITERS)
def test_a_mesh_turned_in_space_is_laid_by_control_points(tmp_path, unit, ending):
    unit = "m" if ending == ".glb" else unit  # glTF is in metres by its specification
    turn = np.array([[0.36, 0.48, -0.8], [-0.8, 0.6, 0.0], [0.48, 0.64, 0.6]])
    assert np.allclose(turn @ turn.T, np.eye(3))
    xyz = ((ground_points() - LOCAL) @ turn.T) / METRES[unit]
    MESH_WRITERS[ending](tmp_path / f"a{ending}", xyz, faces())
    if ending == ".glb":
        xyz = np.column_stack([xyz[:, 0], xyz[:, 2], -xyz[:, 1]])  # as the file has them, y up
    pairs = [
        f'{{ name = "{k}", measured = {xyz[row].tolist()}, site = {true.tolist()} }}'
        for k, row in enumerate((0, 30, 340, 650))
        for true in [ground_points()[row]]
    ]
    keys = f'unit = "{unit}"', f"control = [{', '.join(pairs)}]"
    site = opened(tmp_path, survey("a", f"a{ending}", *keys))
    assert site.readings["a"].registration.rms_m < 1e-5
    single = 4e-6 if ending in (".stl", ".glb") else 0.0  # 24 bits of 36 m
    holds(site, within=mesh_error(1) + 1e-6 + 2 * single, unit=unit)


@pytest.mark.parametrize("ending", [".ply", ".glb"])
@pytest.mark.parametrize("laid", [True, False])
def test_a_mesh_with_y_up(tmp_path, ending, laid):
    """Three axes of the file: by its format or the plan, with and without control points."""
    local = ground_points() - np.append(CORNER, 0)
    y_up = np.column_stack([local[:, 0], local[:, 2], -local[:, 1]])
    if ending == ".ply":
        write_ply(tmp_path / "a.ply", y_up, faces())
    else:
        write_glb(tmp_path / "a.glb", local, faces())
    keys = ['up = "y"'] if ending == ".ply" else []
    if laid:
        pairs = [
            f'{{ name = "{k}", measured = {y_up[k].tolist()}, '
            f"site = {ground_points()[k].tolist()} }}"
            for k in (0, 650)
        ]
        keys.append(f"control = [{', '.join(pairs)}]")
    site = opened(tmp_path, survey("a", f"a{ending}", *keys), body="")
    shift = 0 if laid else CORNER
    found = site.existing.elevation(inside() - shift - site.origin)
    assert np.abs(found - height(inside())).max() < mesh_error(1) + 1e-5


@UNITS
def test_a_mesh_in_its_place(tmp_path, unit):
    MESH_WRITERS[".ply"](tmp_path / "a.ply", ground_points() / METRES[unit], faces())
    site = opened(tmp_path, survey("a", "a.ply", f'unit = "{unit}"'))
    holds(site, within=mesh_error(1) + 1e-6, unit=unit)


@UNITS
@pytest.mark.parametrize("ending", [".tif", ".asc"])
def test_a_raster(tmp_path, unit, ending):
    metres = METRES[unit]
    z = height(nodes(0.5)).reshape(41, 61) / metres
    west, south = CORNER / metres
    write = write_tif if ending == ".tif" else write_asc
    write(tmp_path / f"a{ending}", z, west=west, south=south, cell=0.5 / metres)
    site = opened(tmp_path, survey("a", f"a{ending}", f'unit = "{unit}"'))
    holds(site, within=5e-6, unit=unit)  # bilinear cells follow the ground; six digits


@UNITS
def test_a_landxml_surface(tmp_path, unit):
    surface = ("ground", ground_points() / METRES[unit], faces())
    other = ("design", ground_points() / METRES[unit] + (0, 0, 5), faces())
    write_landxml(tmp_path / "a.xml", unit=unit, surfaces=[surface, other])
    site = opened(tmp_path, survey("a", "a.xml", 'layer = "ground"'))
    holds(site, within=mesh_error(1) + 2e-6, unit=unit)


@UNITS
def test_landxml_points(tmp_path, unit):
    write_landxml(tmp_path / "a.xml", unit=unit, points=ground_points() / METRES[unit])
    site = opened(tmp_path, survey("a", "a.xml"))
    holds(site, within=mesh_error(1) + 2e-6, unit=unit)


# --- a ditch that only its breaklines know -------------------------------------------------------


DITCH = 8.0  # northing of its bottom above the corner, 0.5 m deep and 1 m wide on either side
LINES = [(DITCH - 1, 0.0), (DITCH, -0.5), (DITCH + 1, 0.0)]


def ditch(xy):
    """A plane with a ditch of straight sides from west to east."""
    away = np.abs(np.asarray(xy)[:, 1] - CORNER[1] - DITCH)
    return height(xy, bend=0.0) - 0.5 * np.clip(1 - away, 0, None)


def ditch_lines(metres=1.0):
    """Three lines in lengths of the file."""
    lines = []
    for north, down in LINES:
        xy = CORNER + np.column_stack([np.linspace(0, WIDE, 4), np.full(4, north)])
        lines.append(np.column_stack([xy, height(xy, bend=0.0) + down]) / metres)
    return lines


def flat_shots(path, metres=1.0):
    """Shots of the plane at some distance from the ditch."""
    xyz = ground_points(5.0, bend=0.0)
    away = np.abs(xyz[:, 1] - CORNER[1] - DITCH) > 1.5
    write_spots(path, xyz[away] / metres)


def write_lines(path, unit):
    lines = ditch_lines(METRES[unit])
    if path.suffix == ".xml":
        write_landxml(path, unit=unit, lines=lines)
    else:
        (write_geojson if path.suffix == ".geojson" else write_gpkg)(path, lines)


@UNITS
@pytest.mark.parametrize("ending", [".geojson", ".gpkg", ".xml"])
def test_lines_are_triangulated_with_the_shots_they_join(tmp_path, unit, ending):
    flat_shots(tmp_path / "a.csv")
    write_lines(tmp_path / f"b{ending}", unit)
    joined = survey("b", f"b{ending}", 'joins = "a"', f'unit = "{unit}"')
    site = opened(tmp_path, survey("a", "a.csv"), joined)
    assert off(site, ground=ditch) < 2e-6
    assert off(site) > 0.4  # the ditch is there
    assert [table.name for table in site.plan.ground_surveys] == ["a"]
    if unit == "m":  # the disc's part of the ditch: a chord w(y) wide, 0.5 m deep in its middle
        y = np.linspace(-1, 1, 200_001) + CORNER[1] + DITCH - CENTRE[1]
        chord = 2 * np.sqrt(np.clip(RADIUS**2 - y**2, 0, None))
        less = np.trapezoid(chord * 0.5 * (1 - np.abs(np.linspace(-1, 1, 200_001))), y)
        disc = AREA * (height(CENTRE[None], bend=0.0)[0] - LEVEL + DEEP)
        assert site.volumes.excavation_bank_m3 == pytest.approx(disc - less, rel=0.002)


@pytest.mark.parametrize("ending", [".geojson", ".gpkg", ".xml"])
def test_lines_alone_make_a_ground(tmp_path, ending):
    xyz = ground_points().reshape(21, 31, 3)
    lines = list(xyz)
    if ending == ".xml":
        write_landxml(tmp_path / "a.xml", lines=lines)
    else:
        (write_geojson if ending == ".geojson" else write_gpkg)(tmp_path / f"a{ending}", lines)
    holds(opened(tmp_path, survey("a", f"a{ending}")), within=mesh_error(1) + 2e-6)


# --- level books ---------------------------------------------------------------------------------

KNOWN = 99.0


def book(points, metres, *, columns, places):
    """Level all points from one setup and close on the benchmark."""
    plane = max(height(points).max(), KNOWN) + 0.2
    empty = "," * len(columns)
    rows = [f"point{''.join(',' + c for c in columns)},BS,IS,FS"]
    rows.append(f"BM{empty},{(plane - KNOWN) / metres:.6f},,")
    for place, z in zip(places, height(points), strict=True):
        rows.append(f"{place},,{(plane - z) / metres:.6f},")
    rows.append(f"BM{empty},,,{(plane - KNOWN) / metres:.6f}")
    return "\n".join([*rows, ""])


def levelled(folder, text, unit, *where):
    (folder / "book.csv").write_text(text)
    keys = (f'unit = "{unit}"', "[survey.level_book]", f"benchmarks = {{ BM = {KNOWN} }}")
    return opened(folder, survey("a", "book.csv", *keys, *where))


@UNITS
def test_a_level_book_on_stakes(tmp_path, unit):
    points, names = [], []
    for letter in range(11):
        for number in range(16):
            points.append(CORNER + np.array([2.0 * number, 2.0 * letter]))
            names.append(f"{'ABCDEFGHJKL'[letter]}{number + 1}")
    text = book(np.array(points), METRES[unit], columns=(), places=names)
    where = (
        f"stakes = {{ origin = {CORNER.tolist()}, spacing = 2, last = 'L16', bearing = 90, "
        "letters = 'left', skip = 'I' }"
    )
    site = levelled(tmp_path, text, unit, where)
    assert site.readings["a"].kind == "level book"
    holds(site, within=mesh_error(2) + 2e-6, unit=unit)


@UNITS
def test_a_level_book_beside_a_baseline(tmp_path, unit):
    # the line runs north along the western border from station 100 m; offsets lie to the right
    metres, points, places = METRES[unit], [], []
    for v in np.arange(0, HIGH + 1, 2):
        for u in np.arange(0, WIDE + 1, 2):
            points.append(CORNER + np.array([u, v]))
            places.append(f"P,{(100 + v) / metres:.6f},{u / metres:.6f}")
    text = book(np.array(points), metres, columns=("station", "offset"), places=places)
    start, end = CORNER.tolist(), (CORNER + np.array([0, HIGH])).tolist()
    where = f"baseline = {{ start = {start}, end = {end}, start_station = 100 }}"
    holds(levelled(tmp_path, text, unit, where), within=mesh_error(2) + 4e-6, unit=unit)


@UNITS
def test_a_level_book_with_coordinates(tmp_path, unit):
    metres, points = METRES[unit], nodes(2.0)
    places = [f"{k},{e / metres:.6f},{n / metres:.6f}" for k, (e, n) in enumerate(points, 1)]
    text = book(points, metres, columns=("easting", "northing"), places=places)
    holds(levelled(tmp_path, text, unit), within=mesh_error(2) + 2e-6, unit=unit)


def test_what_was_written_is_where_the_basin_is():
    xy = inside()
    assert (np.hypot(*(xy - CENTRE).T) < RADIUS).sum() > 5
