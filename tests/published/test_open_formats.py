"""Rasters and surfaces that nobody here made, read by us and by independent readers.

Where each file comes from and under which licence is told in `tests/data/README.md`.
"""

from pathlib import Path

import matplotlib.cbook
import numpy as np
import pytest
from PIL import Image

from terrain.errors import SurveyError
from terrain.exchange.landxml import write_landxml
from terrain.surface import Grid, Lattice, build_tin
from terrain.survey.landxml import read_landxml_surface
from terrain.survey.rasters import Raster, read_raster
from terrain.units import FOOT, METRE, US_SURVEY_FOOT

DATA = Path(__file__).parents[1] / "data"


def as_grid(raster: Raster) -> Grid:
    ny, nx = raster.z.shape
    return Grid(Lattice(raster.x0, raster.y0, raster.cell, nx, ny), raster.z)


def test_a_geotiff_against_pillow_and_its_own_text():
    """Pillow decodes the pixels and shows the GeoTIFF tags; the crop also stands here as text."""
    path = DATA / "hillside_1m.tif"
    raster = read_raster(path, unit=FOOT)
    with Image.open(path) as picture:
        pixels = np.asarray(picture, dtype=np.float64)
        scale = picture.tag_v2[33550]  # ModelPixelScale
        _, _, _, west, north, _ = picture.tag_v2[33922]  # ModelTiepoint
        keys = picture.tag_v2[34735]  # GeoKeyDirectory
    np.testing.assert_array_equal(raster.z, pixels[::-1])
    text = np.loadtxt(DATA / "hillside_1m.txt")
    np.testing.assert_allclose(raster.z, text[::-1], atol=0.5e-4 + 1e-9)  # it has four decimals
    assert keys[keys.index(1025) + 3] == 1  # pixel is area: the height is its centre's
    assert scale[:2] == (1.0, 1.0)
    assert (raster.x0, raster.y0 + 49) == (west + 0.5, north - 0.5)
    assert (raster.crs, raster.unit) == ("EPSG:26915", METRE)


def test_an_ascii_grid_with_a_mask():
    """2,152 of 4,180 nodes, mean 1689.570167 m: reckoned from the text without this project."""
    raster = read_raster(DATA / "masked_site_10m.asc", unit=METRE)
    text = np.loadtxt(DATA / "masked_site_10m.asc", skiprows=6)
    np.testing.assert_array_equal(raster.z, np.where(text == -9999, np.nan, text)[::-1])
    assert raster.z.shape == (55, 76)
    assert int(np.isfinite(raster.z).sum()) == 2152
    assert np.nanmean(raster.z) == pytest.approx(1689.570167, abs=5e-7)
    assert np.nansum(raster.z) * raster.cell**2 == pytest.approx(363_595_500, rel=1e-12)
    assert (raster.x0, raster.y0, raster.cell) == (5.0, 5.0, 10.0)


def test_nodes_of_the_volcano_are_not_cells(tmp_path):
    """Bilinear between nodes 10 m apart: 19,049,000 m³ above 94 m over 516,000 m²."""
    text = (DATA / "volcano_10m.txt").read_text()
    rows = np.loadtxt(DATA / "volcano_10m.txt")
    path = tmp_path / "volcano.asc"
    path.write_text(
        f"NCOLS {rows.shape[1]}\nNROWS {rows.shape[0]}\nXLLCENTER 0\nYLLCENTER 0\n"
        f"CELLSIZE 10\n{text}"
    )
    raster = read_raster(path, unit=METRE)
    assert (raster.x0, raster.y0) == (0.0, 0.0)
    grid = as_grid(raster)
    norths, easts = (np.arange(5.0, 10 * count - 10, 10) for count in rows.shape)
    centres = np.stack(np.meshgrid(easts, norths), axis=-1).reshape(-1, 2)
    assert len(centres) * 100 == 516_000
    assert (grid.elevation(centres) - 94).sum() * 100 == pytest.approx(19_049_000, rel=1e-12)


def test_degrees_are_no_lengths(tmp_path):
    """An SRTM tile of 3 arc-seconds that matplotlib ships, written as the ASCII grid it was."""
    with matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz") as sample:
        z, dx, west, south = (sample[key] for key in ("elevation", "dx", "xmin", "ymin"))
    rows = "\n".join(" ".join(map(str, row)) for row in z)
    path = tmp_path / "fault.asc"
    path.write_text(
        f"ncols {z.shape[1]}\nnrows {z.shape[0]}\nxllcorner {west}\nyllcorner {south}\n"
        f"cellsize {dx}\n{rows}\n"
    )
    with pytest.raises(SurveyError, match=r"(?s)degrees.*project the raster"):
        read_raster(path, unit=METRE)


def test_a_real_hillside_through_landxml(tmp_path):
    """Heights of the triangles written and read back: within a double's rounding, in feet."""
    raster = read_raster(DATA / "hillside_1m.tif", unit=METRE)
    grid = as_grid(raster)
    origin = np.array([raster.x0, raster.y0])
    nodes = grid.lattice.nodes - origin
    tin = build_tin(np.column_stack([nodes, raster.z.ravel()]))
    path = write_landxml(
        tmp_path / "a.xml", {"existing": tin}, unit=US_SURVEY_FOOT, crs=raster.crs, origin=origin
    )
    found = read_landxml_surface(path, unit=METRE)
    assert found.crs == "EPSG:26915"
    np.testing.assert_allclose(found.xyz - [*origin, 0], tin.points, rtol=0, atol=3e-9)
    np.testing.assert_array_equal(found.faces, tin.triangles)
