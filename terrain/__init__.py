"""Terrain and excavation: from a survey to quantities of earth.

What a user of the library needs is here, imported when it is first asked for:

>>> from terrain import Site, Tin, grid_volume
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from terrain.design import Composition as Composition
    from terrain.design import Element as Element
    from terrain.design import Plan as Plan
    from terrain.design import Stone as Stone
    from terrain.design import build_elements as build_elements
    from terrain.design import compose as compose
    from terrain.design import compose_at as compose_at
    from terrain.design import read_plan as read_plan
    from terrain.earthwork import CutFill as CutFill
    from terrain.earthwork import Soil as Soil
    from terrain.earthwork import TrapezoidVolume as TrapezoidVolume
    from terrain.earthwork import average_end_area as average_end_area
    from terrain.earthwork import bank_to_compacted as bank_to_compacted
    from terrain.earthwork import bank_to_loose as bank_to_loose
    from terrain.earthwork import compacted_to_bank as compacted_to_bank
    from terrain.earthwork import corner_weighted_volume as corner_weighted_volume
    from terrain.earthwork import grid_volume as grid_volume
    from terrain.earthwork import loose_to_bank as loose_to_bank
    from terrain.earthwork import prism_volume as prism_volume
    from terrain.earthwork import prismoidal as prismoidal
    from terrain.earthwork import trapezoid_volume as trapezoid_volume
    from terrain.earthwork import trapezoidal_area as trapezoidal_area
    from terrain.errors import MethodsDisagree as MethodsDisagree
    from terrain.errors import OutputError as OutputError
    from terrain.errors import PlanError as PlanError
    from terrain.errors import SurfaceError as SurfaceError
    from terrain.errors import SurveyError as SurveyError
    from terrain.errors import TerrainError as TerrainError
    from terrain.errors import UnitError as UnitError
    from terrain.haul import Balance as Balance
    from terrain.haul import Haulage as Haulage
    from terrain.haul import SoilWork as SoilWork
    from terrain.haul import Truck as Truck
    from terrain.haul import balance as balance
    from terrain.haul import load_volume as load_volume
    from terrain.haul import loads as loads
    from terrain.site import Site as Site
    from terrain.site import Volumes as Volumes
    from terrain.surface import Difference as Difference
    from terrain.surface import Grid as Grid
    from terrain.surface import Lattice as Lattice
    from terrain.surface import Merged as Merged
    from terrain.surface import Plane as Plane
    from terrain.surface import Surface as Surface
    from terrain.surface import Tin as Tin
    from terrain.surface import build_tin as build_tin
    from terrain.surface import difference as difference
    from terrain.surface import trim_by_alpha as trim_by_alpha
    from terrain.surface import trim_by_length as trim_by_length
    from terrain.surface.coverage import more_shots as more_shots
    from terrain.surface.doubt import doubt_of_tin as doubt_of_tin
    from terrain.surface.ground import CloudGround as CloudGround
    from terrain.surface.ground import ground_by_filter as ground_by_filter
    from terrain.surface.ground import ground_from_cloud as ground_from_cloud
    from terrain.surface.scoring import Score as Score
    from terrain.surface.scoring import score_ground as score_ground
    from terrain.surface.thinning import thin_grid as thin_grid
    from terrain.surface.thinning import thin_points as thin_points
    from terrain.survey import Finding as Finding
    from terrain.survey import OddHeight as OddHeight
    from terrain.survey import Role as Role
    from terrain.survey import Spots as Spots
    from terrain.survey import odd_heights as odd_heights
    from terrain.survey import read_spots as read_spots
    from terrain.survey import screen as screen
    from terrain.survey import sort_codes as sort_codes
    from terrain.survey.clouds import CloudHeader as CloudHeader
    from terrain.survey.clouds import cloud_chunks as cloud_chunks
    from terrain.survey.clouds import cloud_header as cloud_header
    from terrain.units import FOOT as FOOT
    from terrain.units import METRE as METRE
    from terrain.units import UNITS as UNITS
    from terrain.units import US_SURVEY_FOOT as US_SURVEY_FOOT
    from terrain.units import Unit as Unit
    from terrain.units import parse_batter as parse_batter
    from terrain.units import parse_density as parse_density
    from terrain.units import parse_length as parse_length
    from terrain.units import parse_mass as parse_mass
    from terrain.units import parse_volume as parse_volume

_HOME = {
    "terrain.design": "Composition Element Plan Stone build_elements compose compose_at read_plan",
    "terrain.earthwork": (
        "CutFill Soil TrapezoidVolume average_end_area bank_to_compacted bank_to_loose "
        "compacted_to_bank corner_weighted_volume grid_volume loose_to_bank prism_volume "
        "prismoidal trapezoid_volume trapezoidal_area"
    ),
    "terrain.errors": (
        "MethodsDisagree OutputError PlanError SurfaceError SurveyError TerrainError UnitError"
    ),
    "terrain.haul": "Balance Haulage SoilWork Truck balance load_volume loads",
    "terrain.site": "Site Volumes",
    "terrain.surface": (
        "Difference Grid Lattice Merged Plane Surface Tin build_tin difference trim_by_alpha "
        "trim_by_length"
    ),
    "terrain.surface.coverage": "more_shots",
    "terrain.surface.doubt": "doubt_of_tin",
    "terrain.surface.ground": "CloudGround ground_by_filter ground_from_cloud",
    "terrain.surface.scoring": "Score score_ground",
    "terrain.surface.thinning": "thin_grid thin_points",
    "terrain.survey": "Finding OddHeight Role Spots odd_heights read_spots screen sort_codes",
    "terrain.survey.clouds": "CloudHeader cloud_chunks cloud_header",
    "terrain.units": (
        "FOOT METRE UNITS US_SURVEY_FOOT Unit parse_batter parse_density parse_length parse_mass "
        "parse_volume"
    ),
}
_MODULE = {name: module for module, names in _HOME.items() for name in names.split()}

__all__ = sorted(_MODULE)  # noqa: PLE0605 - the table above is the list


def __getattr__(name: str) -> Any:
    if name not in _MODULE:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    value = getattr(import_module(_MODULE[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
