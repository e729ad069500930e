"""From the coordinate system of a file to that of the site, without the network."""

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pyproj
from pyproj.transformer import AreaOfInterest, Transformer, TransformerGroup

from terrain.arrays import FloatArray
from terrain.errors import Place, SurveyError, UnitError
from terrain.units import UNITS, Unit

if TYPE_CHECKING:
    from pyproj.crs import CRS

_SAME_UNIT = 1e-7  # the two feet differ by 2e-6
_EDGE_POINTS = 21  # along each side of a box that is carried over


@dataclass(frozen=True)
class Crossing:
    """A way from one coordinate system to another, in plan; heights are scaled and shifted.

    Attributes
    ----------
    source, target
        Names of the two coordinate systems.
    accuracy_m
        What the transformation's publisher states; None if nothing is stated.
    ballpark
        The change of datum itself is not known here and was left out: metres may be missing.
    missing
        Grid files of a better transformation that are not on this machine; they are not fetched.
    height_factor
        What heights are multiplied by, where their unit is not that of the plan coordinates.
    raise_m
        Then added to every height: the shift to the site's benchmark, m.
    """

    source: str
    target: str
    accuracy_m: float | None
    ballpark: bool
    missing: tuple[str, ...]
    height_factor: float
    raise_m: float
    _transformer: Transformer
    _from_metres: float
    _to_metres: float

    def apply(self, xyz: FloatArray) -> FloatArray:
        """Site coordinates, shape (n, 3) → (n, 3), m; NaN heights stay.

        Parameters
        ----------
        xyz
            As a reader gives them: metres, or degrees (longitude, latitude) and metres if the
            source is geographic.

        Raises
        ------
        SurveyError
            A point lies where the source or the target system is not defined.
        """
        x, y = self._transformer.transform(
            xyz[:, 0] / self._from_metres, xyz[:, 1] / self._from_metres
        )
        moved = np.column_stack(
            [
                np.asarray(x) * self._to_metres,
                np.asarray(y) * self._to_metres,
                xyz[:, 2] * self.height_factor + self.raise_m,
            ]
        )
        lost = ~np.isfinite(moved[:, :2]).all(axis=1)
        if lost.any():
            row = int(np.flatnonzero(lost)[0])
            raise SurveyError(
                f"{int(lost.sum()):,} of {len(xyz):,} points cannot lie in {self.source}, the "
                f"first at {xyz[row, 0]:,.2f}, {xyz[row, 1]:,.2f}",
                place=Place(key="crs"),
                expected=f"coordinates of {self.source} that {self.target} can show",
                mend="check crs and unit of this survey, and which columns are north and east",
            )
        return moved

    def apply_box(
        self, box: tuple[float, float, float, float]
    ) -> tuple[float, float, float, float]:
        """Smallest box around a box `(xmin, ymin, xmax, ymax)` that was carried over, m."""
        along = np.linspace(0, 1, _EDGE_POINTS)
        x, y = box[0] + along * (box[2] - box[0]), box[1] + along * (box[3] - box[1])
        border = np.concatenate(
            [np.column_stack([x, np.full(_EDGE_POINTS, level)]) for level in (box[1], box[3])]
            + [np.column_stack([np.full(_EDGE_POINTS, side), y]) for side in (box[0], box[2])]
        )
        moved = self.apply(np.column_stack([border, np.zeros(len(border))]))[:, :2]
        low, high = moved.min(axis=0), moved.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def crs_named(text: str) -> "CRS":
    """Return the coordinate system of a code (`"EPSG:26915"`) or of well-known text.

    Raises
    ------
    SurveyError
        Nobody knows it.
    """
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        raise SurveyError(
            f"{text[:80]!r} is not a coordinate system",
            place=Place(key="crs"),
            expected='a code such as "EPSG:26915"',
            mend="look the code up in the survey's report, or leave crs out for a local grid",
        ) from None


def plan_crs(crs: "CRS") -> "CRS":
    """Return the horizontal part, with its place in the EPSG register where that is known."""
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    if flat.is_bound and flat.source_crs is not None:
        flat = flat.source_crs
    if len(flat.axis_info) == 3:
        flat = flat.to_2d()
    code = flat.to_epsg(min_confidence=100) if flat.area_of_use is None else None
    return pyproj.CRS.from_epsg(code) if code else flat


def plan_unit(crs: "CRS") -> Unit | None:
    """Return the unit of the plan coordinates; None for degrees and units that we do not know."""
    flat = plan_crs(crs)
    if flat.is_geographic:
        return None
    return _unit_of(flat.axis_info[0].unit_conversion_factor) if flat.axis_info else None


def height_unit(crs: "CRS") -> Unit | None:
    """Return the unit of heights where the system says it; None for one in plan alone."""
    if crs.is_compound:
        axes = crs.sub_crs_list[1].axis_info
        return _unit_of(axes[0].unit_conversion_factor) if axes else None
    axes = crs.axis_info
    return _unit_of(axes[2].unit_conversion_factor) if len(axes) == 3 else None


def _unit_of(metres: float) -> Unit | None:
    return next(
        (unit for unit in UNITS.values() if abs(metres / unit.metres - 1) < _SAME_UNIT), None
    )


def check_unit(crs: "CRS", unit: Unit, *, largest_m: float = 0.0) -> None:
    """Refuse a unit that is not that of the coordinate system.

    Parameters
    ----------
    largest_m
        Largest coordinate, m, by which the message tells what the wrong foot would do.

    Raises
    ------
    UnitError
        They differ, be it by 2 parts in a million.
    """
    said = plan_unit(crs)
    if said is None or said.key == unit.key:
        return
    off = abs(said.metres / unit.metres - 1) * largest_m
    at = f": {off:,.3f} m at {largest_m:,.0f} m" if off else ""
    raise UnitError(
        f"{plan_crs(crs).name} counts in {said.plural} ({said.key!r}), not in {unit.plural}{at}",
        place=Place(key="unit"),
        expected=f"unit = {said.key!r}, the unit of the coordinate system",
        mend="correct unit or crs of this survey",
    )


def utm_zone(longitude: float, latitude: float) -> str:
    """EPSG code of the UTM zone (WGS 84) at a place, degrees.

    Zones are 6° wide from 180° W; 32V is widened and 31X, 33X, 35X, 37X fill Svalbard (USGS
    Professional Paper 1395, page 62).
    """
    zone = int((longitude + 180) // 6) % 60 + 1
    if 56 <= latitude < 64 and 3 <= longitude < 12:
        zone = 32
    if 72 <= latitude <= 84 and 0 <= longitude < 42:
        zone = 31 + 2 * int((longitude + 3) // 12)
    return f"EPSG:{(32600 if latitude >= 0 else 32700) + zone}"


def site_crs(text: str, *, near: tuple[float, float] | None = None) -> "CRS":
    """Return the coordinate system of a site, which must count in lengths.

    Parameters
    ----------
    text
        Code or well-known text.
    near
        Longitude and latitude of the site, degrees, if they are known.

    Raises
    ------
    SurveyError
        It is not known, or is in degrees.
    """
    crs = crs_named(text)
    if plan_crs(crs).is_projected:
        return crs
    zone = f"{utm_zone(*near)}, the UTM zone there" if near else "the UTM zone of the site"
    what = "in degrees" if plan_crs(crs).is_geographic else "not a map projection"
    raise SurveyError(
        f"{crs.name} is {what}, and earth is measured in lengths",
        place=Place(key="crs"),
        expected='a projected coordinate system such as "EPSG:26915"',
        mend=f"make crs of the site {zone}; surveys in degrees are carried there",
    )


def cross(
    source: str,
    target: str,
    *,
    near: tuple[float, float, float, float],
    unit: Unit | None = None,
    raise_m: float = 0.0,
) -> Crossing:
    """Choose the way from a file's coordinate system to the site's.

    Axes are always east, north. Grids are not fetched: where the best transformation needs one
    that is not here, the next is taken and says so. Heights are never moved between datums; they
    are scaled where a compound system gives them another unit than its plan, and raised.

    Parameters
    ----------
    source, target
        Codes or well-known text; the target is projected.
    near
        Box of the survey in source coordinates, m (degrees if geographic).
    unit
        Unit that the file was read with; must be that of `source`.
    raise_m
        Added to every height, m.

    Raises
    ------
    SurveyError
        A system is not known, the box does not lie in it, or no way is known.
    UnitError
        `unit` is not that of the source.
    """
    here, there = crs_named(source), site_crs(target)
    start, goal = plan_crs(here), plan_crs(there)
    from_metres = _metres_of(start)
    if unit is not None:
        check_unit(here, unit, largest_m=float(np.abs(near).max()))
    area = _area(start, near, from_metres)
    pyproj.network.set_network_enabled(active=False)  # type: ignore[attr-defined]
    group = _ways(start, goal, area, ballpark=False)
    ballpark = not group.transformers
    if ballpark:
        group = _ways(start, goal, area, ballpark=True)
    if not group.transformers:
        raise SurveyError(
            f"no way is known from {start.name} to {goal.name}",
            place=Place(key="crs"),
            expected="two coordinate systems of the earth",
            mend="register the survey by control points instead",
        )
    chosen = group.transformers[0]
    missing = [] if group.best_available else _grids_of(group)
    heights = height_unit(here)
    return Crossing(
        source=start.name,
        target=goal.name,
        accuracy_m=chosen.accuracy if chosen.accuracy >= 0 else None,
        ballpark=ballpark,
        missing=tuple(missing),
        height_factor=heights.metres / from_metres if heights and start.is_projected else 1.0,
        raise_m=raise_m,
        _transformer=chosen,
        _from_metres=from_metres,
        _to_metres=_metres_of(goal),
    )


def _ways(start: "CRS", goal: "CRS", area: AreaOfInterest, *, ballpark: bool) -> TransformerGroup:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a missing grid is told in our own words
        return TransformerGroup(
            start, goal, always_xy=True, area_of_interest=area, allow_ballpark=ballpark
        )


def _grids_of(group: TransformerGroup) -> list[str]:
    operation = group.unavailable_operations[0] if group.unavailable_operations else None
    return [grid.short_name for grid in operation.grids if not grid.available] if operation else []


def _metres_of(crs: "CRS") -> float:
    """Length of one number of the plan coordinates; 1 for degrees, which stay what they are."""
    return 1.0 if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


class Degrees(NamedTuple):
    """Where a place lies: longitude east, latitude north, degrees."""

    longitude: float
    latitude: float


def degrees_of(crs: "CRS", x_m: float, y_m: float) -> Degrees | None:
    """Longitude and latitude of a place in its own datum; None if the system does not reach it.

    Parameters
    ----------
    x_m, y_m
        Metres, or degrees if `crs` is geographic.
    """
    flat = plan_crs(crs)
    if flat.is_geographic:
        inside = abs(x_m) <= 360 and abs(y_m) <= 90
        return Degrees(x_m, y_m) if inside else None
    geodetic = flat.geodetic_crs
    if geodetic is None:
        return None
    metres = _metres_of(flat)
    try:
        way = Transformer.from_crs(flat, geodetic.to_2d(), always_xy=True)
    except pyproj.exceptions.ProjError:
        return None
    longitude, latitude = way.transform(x_m / metres, y_m / metres)
    if not (np.isfinite(longitude) and np.isfinite(latitude)):
        return None
    # a projection can turn any number into some place: it must lead back to where it came from
    back = way.transform(longitude, latitude, direction="INVERSE")
    if not np.allclose(back, (x_m / metres, y_m / metres), rtol=1e-6, atol=1.0):
        return None
    return Degrees(float(longitude), float(latitude))


def from_degrees(crs: "CRS", longitude: float, latitude: float) -> FloatArray:
    """Plan coordinates of a place given in the system's own datum, shape (2,), m."""
    flat = plan_crs(crs)
    geodetic = flat.geodetic_crs
    if geodetic is None:
        return np.full(2, np.nan)
    way = Transformer.from_crs(geodetic.to_2d(), flat, always_xy=True)
    place: FloatArray = np.array(way.transform(longitude, latitude)) * _metres_of(flat)
    return place


def _area(crs: "CRS", box: tuple[float, float, float, float], metres: float) -> AreaOfInterest:
    corners = [degrees_of(crs, box[i], box[j]) for i in (0, 2) for j in (1, 3)]
    known = [corner for corner in corners if corner is not None]
    if not known:
        raise SurveyError(
            f"{box[0] / metres:,.1f}, {box[1] / metres:,.1f} is no place in {crs.name}",
            place=Place(key="crs"),
            expected="coordinates of that system",
            mend="check crs and unit of this survey, and which columns are north and east",
        )
    east, north = [place.longitude for place in known], [place.latitude for place in known]
    return AreaOfInterest(min(east), min(north), max(east), max(north))


def grid_scale(crs: str, x_m: float, y_m: float, *, height_m: float = 0.0) -> float:
    """Length in the coordinates of 1 m on the ground.

    The projection's scale at the place, times R / (R + h) for a height `height_m` above the
    ellipsoid with R = 6,371 km (common practice: the combined factor).

    Raises
    ------
    SurveyError
        The place does not lie in the coordinate system.
    """
    system = crs_named(crs)
    at = degrees_of(system, x_m, y_m)
    if at is None:
        raise SurveyError(
            f"{x_m:,.1f}, {y_m:,.1f} m is no place in {system.name}",
            place=Place(key="crs"),
            expected="coordinates of that system",
            mend="check crs and unit",
        )
    factors = pyproj.Proj(plan_crs(system)).get_factors(at.longitude, at.latitude)
    return float(factors.meridional_scale) * 6_371_000.0 / (6_371_000.0 + height_m)
