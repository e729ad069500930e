"""Liner and underlay of one sheet: what it needs, and what is cut from rolls for it."""

from collections.abc import Sequence
from dataclasses import dataclass

import shapely

from terrain.earthwork.liner import (
    Hollow,
    Rectangle,
    allowance_area,
    draped_area,
    rule_of_thumb,
)
from terrain.earthwork.rolls import Piece, drape, joined_lengths, lay_strips


@dataclass(frozen=True)
class Roll:
    """What liner and underlay are cut from, m.

    Attributes
    ----------
    width, length
        Of a roll of liner.
    overlap
        Lap of a strip over the next.
    folds
        Share added to the area for folds in corners and bends.
    underlay_width, underlay_sides
        Width of a roll of underlay, and on how many sides of the liner it lies.
    """

    width: float
    length: float
    overlap: float
    folds: float
    underlay_width: float
    underlay_sides: int


@dataclass(frozen=True)
class Lining:
    """One sheet.

    Attributes
    ----------
    need_m2
        Sheet in 3D with its edge allowance.
    with_folds_m2
        The same with the share for folds: what a sheet in one piece takes.
    rule
        The rectangle of the trade's rule of thumb.
    pieces
        Strips to cut from rolls; `lengths_m` are those cut again where a roll is too short.
    underlay_pieces
        Strips of underlay for one side.
    """

    elements: tuple[str, ...]
    need_m2: float
    with_folds_m2: float
    rule: Rectangle
    pieces: tuple[Piece, ...]
    lengths_m: tuple[float, ...]
    underlay_pieces: tuple[Piece, ...]
    roll: Roll

    @property
    def bought_m2(self) -> float:
        """Liner cut from rolls, m²."""
        return self.roll.width * sum(self.lengths_m)

    @property
    def waste_share(self) -> float:
        """Share of what is cut that is seams, folds and offcuts."""
        return 1.0 - self.need_m2 / self.bought_m2

    @property
    def underlay_m2(self) -> float:
        """Underlay that lies, all sides, m²."""
        return self.roll.underlay_sides * self.need_m2

    @property
    def underlay_bought_m2(self) -> float:
        """Underlay cut from rolls, all sides, m²."""
        return self.roll.underlay_sides * sum(piece.area for piece in self.underlay_pieces)


def line_hollow(
    hollow: Hollow,
    walls: Sequence[shapely.LineString],
    allowance: float,
    roll: Roll,
    *,
    elements: tuple[str, ...] = (),
) -> Lining:
    """Measure one sheet and cut it from rolls; `allowance` is liner beyond the edge, m."""
    need = draped_area(hollow, walls) + allowance_area(hollow.outline, allowance)
    lines = drape(hollow, allowance)
    pieces = lay_strips(lines, roll.width, roll.overlap)
    underlay = lay_strips(lines, roll.underlay_width, roll.overlap) if roll.underlay_sides else ()
    return Lining(
        elements=elements,
        need_m2=need,
        with_folds_m2=need * (1 + roll.folds),
        rule=rule_of_thumb(hollow.outline, lines.depth, allowance),
        pieces=pieces,
        lengths_m=tuple(
            length
            for piece in pieces
            for length in joined_lengths(piece.length, roll.length, roll.overlap)
        ),
        underlay_pieces=underlay,
        roll=roll,
    )
