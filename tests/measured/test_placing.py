"""Surveys in other units, coordinate systems and grids come to lie on the site."""

import json

import numpy as np
import pyproj
import pytest

from terrain.errors import PlanError, SurveyError, UnitError
from tests.measured.made import (
    BASIN,
    CORNER,
    METRES,
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
    write_landxml,
    write_ply,
    write_site,
    write_spots,
    write_tif,
)

# an invented place in North Carolina: UTM zone 17 in metres, its state plane in US survey feet
UTM, ZONE_18, PLANE, DEGREES = "EPSG:26917", "EPSG:26918", "EPSG:2264", "EPSG:4269"
MOVE = np.array([590_300.0, 3_929_700.0]) - CORNER
US_FOOT = METRES["us-ft"]


def in_carolina(xy):
    return height(np.asarray(xy) - MOVE)


def points_in_carolina(side=1.0):
    return ground_points(side) + np.append(MOVE, 0.0)


def carried(xyz, target, *, up=1.0):
    """The same points in another system, in its own unit, by pyproj alone."""
    to = pyproj.Transformer.from_crs(UTM, target, always_xy=True)
    x, y = to.transform(xyz[:, 0], xyz[:, 1])
    return np.column_stack([x, y, xyz[:, 2] / up])


def basin_at(centre):
    return BASIN.replace(str((CORNER + np.array([14, 11])).tolist()), str(list(map(float, centre))))


HERE = basin_at(CORNER + MOVE + (14, 11))


def carolina(folder, *surveys, site=(f'crs = "{UTM}"',), body=HERE):
    return opened(folder, *surveys, site=site, body=body)


def off_there(site):
    return off(site, inside() + MOVE, ground=in_carolina)


# --- coordinate systems --------------------------------------------------------------------------


def test_state_plane_feet_are_carried_to_utm(tmp_path):
    write_spots(tmp_path / "a.csv", carried(points_in_carolina(), PLANE, up=US_FOOT))
    site = carolina(tmp_path, survey("a", "a.csv", 'unit = "us-ft"', f'crs = "{PLANE}"'))
    assert off_there(site) < mesh_error(1) + 5e-6
    assert any("carried from" in remark for remark in site.readings["a"].remarks)


def test_the_international_foot_is_refused_where_the_system_has_the_us_survey_foot(tmp_path):
    xyz = carried(points_in_carolina(), PLANE, up=US_FOOT)
    write_spots(tmp_path / "a.csv", xyz)
    for crs in (UTM, PLANE):  # carried, or in its place
        keys = 'unit = "ft"', f'crs = "{PLANE}"'
        site = carolina(tmp_path, survey("a", "a.csv", *keys), site=(f'crs = "{crs}"',))
        with pytest.raises(UnitError, match="US survey feet") as caught:
            _ = site.existing
        # two parts in a million of 1.7 million feet, which is 518 km
        assert "1.03" in caught.value.found or "1.04" in caught.value.found
        assert caught.value.place.file == tmp_path / "a.csv"


def test_the_plan_itself_in_state_plane_feet(tmp_path):
    """Plan in US survey feet, one survey in metres of UTM, one in feet of the plane."""
    points = points_in_carolina()
    write_spots(tmp_path / "a.csv", points)
    write_spots(tmp_path / "b.csv", carried(points, PLANE, up=US_FOOT))
    centre = carried(np.array([[*CORNER + MOVE + (14, 11), 0]]), PLANE)[0, :2]
    site = carolina(
        tmp_path,
        survey("a", "a.csv", 'unit = "m"', f'crs = "{UTM}"'),
        survey("b", "b.csv"),
        site=('unit = "us-ft"', f'crs = "{PLANE}"'),
        body=basin_at(centre).replace("level = 100.0", "level = 328").replace("3.0 }", "9 }"),
    )
    there = carried(np.column_stack([inside() + MOVE, np.zeros(300)]), PLANE)[:, :2] * US_FOOT
    found = site.existing.elevation(there - site.origin)
    assert np.abs(found - in_carolina(inside() + MOVE)).max() < mesh_error(1) + 1e-5
    (check,) = site.check_surveys
    assert abs(check.against_ground.median_m) < mesh_error(1) + 1e-5


def test_spot_heights_in_degrees_whatever_the_unit_of_their_heights(tmp_path):
    for unit, metres in METRES.items():
        xyz = carried(points_in_carolina(), DEGREES, up=metres)
        rows = [f"{k},{y:.11f},{x:.11f},{z:.6f},GS" for k, (x, y, z) in enumerate(xyz)]
        (tmp_path / "a.csv").write_text("\n".join(rows))
        keys = 'columns = "PNEZD"', f'unit = "{unit}"', f'crs = "{DEGREES}"'
        site = carolina(tmp_path, survey("a", "a.csv", *keys))
        assert off_there(site) < mesh_error(1) + 5e-6


@pytest.mark.parametrize("says", [True, False])
def test_lines_in_degrees_join_a_survey_in_lengths(tmp_path, says):
    """GeoJSON in degrees; the plan may repeat the coordinate system that the file has."""
    write_spots(tmp_path / "a.csv", points_in_carolina(5.0))
    xyz = points_in_carolina(1.0)
    edge = xyz[np.abs(xyz[:, 1] - xyz[0, 1] - 8) < 0.1]
    to = pyproj.Transformer.from_crs(UTM, "EPSG:4326", always_xy=True)
    x, y = to.transform(edge[:, 0], edge[:, 1])
    write_geojson(tmp_path / "b.geojson", [np.column_stack([x, y, edge[:, 2] + 3])])
    keys = ('joins = "a"', *(['crs = "EPSG:4326"'] if says else []))
    site = carolina(tmp_path, survey("a", "a.csv"), survey("b", "b.geojson", *keys))
    # lines on WGS 84 against a site on NAD83: metres apart at most, and the datum is told
    found = site.existing.elevation(edge[3:-3, :2] - site.origin) - in_carolina(edge[3:-3, :2])
    assert np.abs(found - 3).max() < 1.5
    assert np.abs(found - 3).min() < 0.2
    assert len(site.spot_surveys["a"].linework.breaklines) == 1


def test_a_raster_and_a_cloud_that_name_their_system_are_carried(tmp_path):
    xyz = points_in_carolina(0.5)
    z = xyz[:, 2].reshape(41, 61)
    west, south = xyz[0, :2]
    write_tif(tmp_path / "a.tif", z, west=west, south=south, cell=0.5, epsg=26917)
    write_cloud(tmp_path / "b.laz", points_in_carolina(0.25), epsg=26917)
    centre = carried(np.array([[*CORNER + MOVE + (14, 11), 0]]), PLANE)[0, :2]
    site = carolina(
        tmp_path,
        survey("a", "a.tif"),
        survey("b", "b.laz", 'unit = "m"', "cell = 1.6"),
        site=('unit = "us-ft"', f'crs = "{PLANE}"'),
        body=basin_at(centre).replace("level = 100.0", "level = 328").replace("3.0 }", "9 }"),
    )
    there = carried(np.column_stack([inside() + MOVE, np.zeros(300)]), PLANE)[:, :2] * US_FOOT
    found = site.existing.elevation(there - site.origin)
    # a turned raster becomes triangles that follow it within 10 mm
    assert np.abs(found - in_carolina(inside() + MOVE)).max() < 0.0101
    (check,) = site.check_surveys
    assert check.against_ground.places >= 20  # the corners of its triangles
    assert abs(check.against_ground.median_m) < 0.03


def test_a_site_whose_system_is_in_degrees_or_unknown_is_refused(tmp_path):
    write_spots(tmp_path / "a.csv", points_in_carolina())
    for crs, why in ((DEGREES, "in degrees"), ("EPSG:1", "not a coordinate system")):
        site = carolina(tmp_path, survey("a", "a.csv"), site=(f'crs = "{crs}"',))
        with pytest.raises(PlanError, match=why) as caught:
            _ = site.existing
        assert caught.value.place.key == "site, crs"


def test_a_system_without_one_to_carry_to_is_told(tmp_path):
    write_spots(tmp_path / "a.csv", ground_points())
    site = opened(tmp_path, survey("a", "a.csv", f'crs = "{UTM}"'))
    (remark,) = site.readings["a"].remarks
    assert "[site] names none" in remark


# --- units that files say themselves -------------------------------------------------------------


def test_a_unit_that_the_file_contradicts_is_refused(tmp_path):
    write_landxml(tmp_path / "a.xml", unit="us-ft", points=ground_points() / US_FOOT)
    site = opened(tmp_path, survey("a", "a.xml", 'unit = "ft"'))
    with pytest.raises(UnitError, match="the file is in US survey feet"):
        _ = site.existing


def test_control_points_are_in_the_unit_that_the_file_says(tmp_path):
    """The plan is in feet, the LandXML file says metres: so are its control points."""
    local = ground_points() - np.append(CORNER, 0.0)
    write_landxml(tmp_path / "a.xml", unit="m", surfaces=[("ground", local, faces())])
    pairs = [
        f'{{ name = "{k}", measured = {local[row].tolist()}, '
        f"site = {(ground_points()[row] / US_FOOT).tolist()} }}"
        for k, row in enumerate((0, 30, 650))
    ]
    site = opened(
        tmp_path,
        survey("a", "a.xml", f"control = [{', '.join(pairs)}]"),
        site=('unit = "us-ft"',),
        body="",
    )
    assert site.readings["a"].registration.rms_m < 1e-6
    assert off(site) < mesh_error(1) + 1e-5


# --- benchmark and local grids -------------------------------------------------------------------


def test_heights_are_raised_to_the_benchmark_of_the_site(tmp_path):
    lower = ground_points() - (0, 0, 31.25)
    z = lower[:, 2].reshape(21, 31)
    write_spots(tmp_path / "a.csv", lower)
    write_asc(tmp_path / "b.asc", z, west=CORNER[0], south=CORNER[1], cell=1.0)
    write_ply(tmp_path / "c.ply", lower, faces())
    for file in ("a.csv", "b.asc", "c.ply"):
        site = opened(tmp_path, survey("a", file, "raise_by = 31.25"))
        assert off(site) < mesh_error(1) + 1e-6, file
        site = opened(tmp_path, survey("a", file, 'raise_by = "102 ft 6 5/16 in"'))
        assert off(site) < mesh_error(1) + 0.001, file  # 31.2499 m


ANGLE = np.radians(37.0)
TURN = np.array([[np.cos(ANGLE), np.sin(ANGLE)], [-np.sin(ANGLE), np.cos(ANGLE)]])


def local_grid(xyz):
    """What a crew measures in a grid of its own: turned, from 1000, 2000, heights from 10."""
    plan = (xyz[:, :2] - CORNER) @ TURN.T + (1000, 2000)
    return np.column_stack([plan, xyz[:, 2] - 90.0])


def control(rows, *, spoil=()):
    """Control points of the plan, some with a site coordinate spoiled by metres."""
    measured, site = local_grid(ground_points())[rows], ground_points()[rows]
    for k, east in spoil:
        site[k, 0] += east
    pairs = [
        f'{{ name = "K{k}", measured = {m.tolist()}, site = {s.tolist()} }}'
        for k, (m, s) in enumerate(zip(measured, site, strict=True))
    ]
    return f"control = [{', '.join(pairs)}]"


@pytest.mark.parametrize("file", ["a.csv", "b.asc", "c.xml"])
def test_a_local_grid_is_turned_and_shifted_by_two_points(tmp_path, file):
    local = local_grid(ground_points())
    write_spots(tmp_path / "a.csv", local)
    write_landxml(tmp_path / "c.xml", surfaces=[("ground", local, faces())])
    if file == "b.asc":  # rows and columns along the local axes, wide enough for the turned site
        u, v = np.meshgrid(np.arange(-20.0, 50), np.arange(-30.0, 50))
        places = np.column_stack([u.ravel(), v.ravel()])
        z = height(places @ TURN + CORNER) - 90.0
        write_asc(tmp_path / "b.asc", z.reshape(80, 70), west=980.0, south=1970.0, cell=1.0)
    site = opened(tmp_path, survey("a", file, control([0, 650])))
    assert site.readings["a"].registration.rms_m < 2e-6
    # a raster that is turned becomes triangles within 10 mm of it
    assert off(site) < (0.0101 if file == "b.asc" else 0.0) + mesh_error(1) + 5e-6


@pytest.mark.parametrize("asked", [True, False])
def test_a_scan_that_measures_short_is_stretched_only_where_that_is_asked(tmp_path, run, asked):
    small = (ground_points() - np.append(CORNER, 90.0)) * 0.98
    write_ply(tmp_path / "a.ply", small, faces())
    pairs = [
        f'{{ name = "K{k}", measured = {small[k].tolist()}, site = {ground_points()[k].tolist()} }}'
        for k in (0, 30, 340, 620, 650)
    ]
    keys = f"control = [{', '.join(pairs)}]", f"control_scale = {str(asked).lower()}"
    site = opened(tmp_path, survey("a", "a.ply", *keys))
    fit = site.readings["a"].registration
    assert fit.size_ratio == pytest.approx(1 / 0.98, abs=1e-9)
    assert fit.scale == pytest.approx(1 / 0.98 if asked else 1.0, abs=1e-9)
    if asked:
        assert off(site) < mesh_error(1) + 1e-6
    else:  # two percent of the 18 m from the mean of the points to the western corners
        assert np.abs(fit.residuals).max() == pytest.approx(0.02 * 18, abs=1e-6)
    assert ("1.0204 times as far apart" in run("survey", tmp_path).out) is not asked


def test_residuals_are_printed_and_the_point_that_does_not_fit_is_named(tmp_path, run):
    write_spots(tmp_path / "a.csv", local_grid(ground_points()))
    keys = control([0, 30, 340, 620, 650], spoil=[(2, 0.4)])
    folder = write_site(tmp_path, survey("a", "a.csv", keys))
    said = run("survey", folder)
    assert said.code == 0, said.err
    assert "Control points, off by" in said.out
    assert "K2 does not fit the others" in said.out
    document = json.loads(run("survey", folder, "--json").out)["surveys"][0]["registration"]
    assert document["suspect"] == "K2"
    # least squares shares 0.4 m among five points: the spoiled one keeps most of it
    residuals = {point["name"]: point["east_m"] for point in document["points"]}
    assert sum(residuals.values()) == pytest.approx(0, abs=1e-6)
    assert residuals["K2"] == pytest.approx(-0.4 * 4 / 5, abs=0.05)


def test_one_control_point_is_not_enough(tmp_path):
    write_spots(tmp_path / "a.csv", ground_points())
    write_site(tmp_path, survey("a", "a.csv", control([0])))
    with pytest.raises(PlanError, match="one control point"):
        opened(tmp_path, survey("a", "a.csv", control([0])))
    with pytest.raises(SurveyError, match="place"):
        _ = opened(tmp_path, survey("a", "a.csv", control([0, 0]))).existing


def test_nodes_of_the_ground_are_what_the_tests_take_them_for():
    assert nodes().shape == (21 * 31, 2)
    assert np.abs(height(nodes()) - ground_points()[:, 2]).max() == 0
