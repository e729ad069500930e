"""What is set out from: the control points of the site."""

from terrain.design.quantities import Coordinate, Name
from terrain.design.table import Table


class ControlPointTable(Table):
    """A mark on the site that stakes are set out from."""

    name: Name
    """What the mark is called on the site and in answers."""
    at: tuple[Coordinate, Coordinate, Coordinate]
    """[easting, northing, elevation] of the mark."""
