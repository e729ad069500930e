"""GeoPackage: points with typed attributes, for any GIS and for data collectors."""

import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import shapely

from terrain.exchange.grids import Coordinates
from terrain.exchange.stake_columns import columns
from terrain.stakes import Stake
from terrain.units import Unit
from terrain.whole import cannot_write, whole_file

LAYER = "stakes"


def write_stakes_geopackage(
    path: Path, stakes: Sequence[Stake], *, unit: Unit, coordinates: Coordinates
) -> Path:
    """Write the points as one layer, in the site's coordinate system or its own grid.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    from pyogrio import raw  # noqa: PLC0415 - slow to load

    xy = np.array([[stake.east_m, stake.north_m] for stake in stakes]).reshape(-1, 2)
    told = columns(stakes, unit)
    data = [
        np.array(
            [value if value is not None else ("" if column.is_text else np.nan)
             for value in column.values],
            dtype=object if column.is_text else np.float64,
        )
        for column in told
    ]  # fmt: skip
    absent = [np.array([value is None for value in column.values]) for column in told]
    with whole_file(path) as temporary, warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a site may have no coordinate system
        try:
            raw.write(
                temporary,
                geometry=shapely.to_wkb(shapely.points(coordinates.numbers(xy))),
                field_data=data,
                fields=np.array([column.name for column in told]),
                field_mask=absent,
                geometry_type="Point",
                crs=coordinates.crs,
                driver="GPKG",
                layer=LAYER,
            )
        except RuntimeError as error:  # what pyogrio raises
            raise cannot_write(path, error) from None
    return path
