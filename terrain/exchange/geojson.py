"""GeoJSON (RFC 7946): points in longitude and latitude where the site has a coordinate system."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from terrain.exchange.grids import to_degrees
from terrain.exchange.stake_columns import columns
from terrain.stakes import Stake
from terrain.units import Unit
from terrain.whole import whole_file

_DEGREE_DIGITS = 9  # a tenth of a millimetre
_METRE_DIGITS = 4


def write_stakes_geojson(
    folder: Path, stakes: Sequence[Stake], *, unit: Unit, crs: str | None
) -> Path:
    """Write `stakes.geojson`; without a coordinate system `stakes_site_grid.geojson`.

    The second is no map of the earth: its coordinates are the site's own, in m, as its name and a
    member `coordinates` say. Positions have no third number, which would be a height above the
    ellipsoid; levels are attributes.
    """
    xy = np.array([[stake.east_m, stake.north_m] for stake in stakes]).reshape(-1, 2)
    document: dict[str, Any] = {"type": "FeatureCollection"}
    if crs is None:
        path = folder / "stakes_site_grid.geojson"
        document["coordinates"] = "easting and northing on the site's own grid, metres"
        places = np.round(xy, _METRE_DIGITS)
    else:
        path = folder / "stakes.geojson"
        places = np.round(to_degrees(xy, crs), _DEGREE_DIGITS)
    told = columns(stakes, unit)
    document["features"] = [
        {
            "type": "Feature",
            "id": stake.name,
            "geometry": {"type": "Point", "coordinates": places[row].tolist()},
            "properties": {column.name: _rounded(column.values[row]) for column in told},
        }
        for row, stake in enumerate(stakes)
    ]
    with whole_file(path) as temporary:
        temporary.write_text(
            json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n",
            encoding="utf-8",
        )
    return path


def _rounded(value: str | float | None) -> str | float | None:
    return round(value, 6) if isinstance(value, float) else value
