"""GeoTIFF: a surface as a grid of heights, for machine guidance and any GIS."""

import warnings
from pathlib import Path

import numpy as np

from terrain.arrays import FloatArray
from terrain.exchange.grids import Coordinates
from terrain.surface import Grid
from terrain.whole import cannot_write, whole_file

NO_DATA = -9999.0


def write_geotiff(
    path: Path, grid: Grid, *, origin: FloatArray, coordinates: Coordinates, name: str
) -> Path:
    """Write heights at the nodes of a grid; each is the middle of a pixel, north is up.

    Plan and heights are both in the unit of `coordinates`; off the surface the value is
    `NO_DATA`. Heights are 32-bit numbers: at 3,000 m they step by a quarter of a millimetre.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    import rasterio  # noqa: PLC0415 - slow to load
    from rasterio.errors import NotGeoreferencedWarning, RasterioError  # noqa: PLC0415
    from rasterio.transform import Affine  # noqa: PLC0415

    lattice = grid.lattice
    cell = lattice.cell / coordinates.metres
    west = (lattice.x0 + origin[0]) / coordinates.metres
    north = (lattice.y0 + (lattice.ny - 1) * lattice.cell + origin[1]) / coordinates.metres
    heights = np.where(np.isfinite(grid.z), grid.z / coordinates.metres, NO_DATA)[::-1]
    with whole_file(path) as temporary, warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        try:
            with rasterio.open(
                temporary,
                "w",
                driver="GTiff",
                width=lattice.nx,
                height=lattice.ny,
                count=1,
                dtype="float32",
                nodata=NO_DATA,
                crs=coordinates.crs,
                transform=Affine(cell, 0, west - cell / 2, 0, -cell, north + cell / 2),
                compress="deflate",
                predictor=3,
            ) as out:
                out.write(heights.astype(np.float32), 1)
                out.set_band_description(1, f"{name}, elevation")
                out.set_band_unit(1, coordinates.unit.name)
        except RasterioError as error:
            raise cannot_write(path, error) from None
    return path
