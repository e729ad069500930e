"""Outlines from files: GeoJSON and GeoPackage, in the coordinates that the file says."""

import json

import numpy as np
import pytest
import shapely
from pyogrio import raw

from terrain.design.outlines import outline_polygon
from terrain.design.tables import OutlineTable
from terrain.errors import PlanError
from terrain.units import FOOT, METRE

EDGE = [[1000.0, 2000.0], [1040.0, 2000.0], [1040.0, 2030.0], [1000.0, 2030.0], [1000.0, 2000.0]]
ISLAND = [[1010.0, 2010.0], [1010.0, 2020.0], [1020.0, 2020.0], [1020.0, 2010.0], [1010.0, 2010.0]]
ORIGIN = np.array([900.0, 1900.0])


def feature(kind, coordinates, **properties):
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def read(folder, *features, name=None, unit=METRE, crs=None):
    document = {"type": "FeatureCollection", "features": list(features)}
    if crs:
        document["crs"] = {"type": "name", "properties": {"name": crs}}
    (folder / "o.geojson").write_text(json.dumps(document))
    return from_file(folder, "o.geojson", name=name, unit=unit)


def from_file(folder, file, *, name=None, unit=METRE):
    return outline_polygon(
        OutlineTable(file=file, feature=name),
        key="pond", strings={}, folder=folder, unit=unit, origin=ORIGIN,
    )  # fmt: skip


def test_a_polygon_with_an_island(tmp_path):
    polygon = read(tmp_path, feature("Polygon", [EDGE, ISLAND]))
    assert polygon.area == pytest.approx(40 * 30 - 100, rel=1e-12)
    assert polygon.bounds == (100.0, 100.0, 140.0, 130.0)


def test_a_line_that_comes_back_to_its_start(tmp_path):
    line = feature("LineString", [[*corner, 7.5] for corner in EDGE], name="pond")
    open_line = feature("LineString", EDGE[:3], name="path")
    assert read(tmp_path, line, open_line).area == pytest.approx(1200, rel=1e-12)


def test_feet_of_the_plan_and_metres_of_the_file(tmp_path):
    in_feet = feature("Polygon", [(np.array(EDGE) / 0.3048).tolist()])
    assert read(tmp_path, in_feet, unit=FOOT).area == pytest.approx(1200, rel=1e-12)
    stated = read(tmp_path, feature("Polygon", [EDGE]), unit=FOOT, crs="EPSG:26915")
    assert stated.area == pytest.approx(1200, rel=1e-12)


def test_a_geopackage(tmp_path):
    wkb = shapely.to_wkb(np.array([shapely.Polygon(EDGE, [ISLAND]), shapely.box(0, 0, 1, 1)]))
    names = [np.array(["pond", "well"], dtype=object)]
    raw.write(
        tmp_path / "o.gpkg", wkb, names, ["Name"], geometry_type="Polygon", crs="EPSG:26915"
    )  # fmt: skip
    assert from_file(tmp_path, "o.gpkg", name="pond").area == pytest.approx(1100, rel=1e-12)
    with pytest.raises(PlanError, match=r"(?s)o\.gpkg, pond.*polygons: pond, well"):
        from_file(tmp_path, "o.gpkg")


@pytest.mark.parametrize(
    ("features", "name", "says"),
    [
        ([feature("Polygon", [EDGE], name="a"), feature("Polygon", [EDGE], name="b")], None,
         "found the polygons: a, b"),
        ([feature("Polygon", [EDGE], name="a"), feature("Polygon", [ISLAND], name="a")], "a",
         r"found 2 polygons called 'a'.*its own name"),
        ([feature("MultiPolygon", [[EDGE], [ISLAND]])], None, "found 2 polygons"),
        ([feature("Polygon", [EDGE], name="a")], "b", r"found the polygons: a.*named 'b'"),
        ([feature("LineString", EDGE[:4])], None, "found the polygons: none"),
        ([feature("Polygon", [EDGE[:4]])], None, r"pond, outline, feature 1.*closed rings"),
        ([feature("Polygon", [(np.array(EDGE) / 1e6).tolist()])], None, "coordinates are degrees"),
        ([feature("Polygon", [[EDGE[i] for i in (0, 2, 1, 3, 0)]])], None, "crosses itself"),
    ],
)  # fmt: skip
def test_files_that_hold_no_outline(tmp_path, features, name, says):
    with pytest.raises(PlanError, match=f"(?s){says}"):
        read(tmp_path, *features, name=name)
