"""Level books."""

from terrain.design.survey_tables import LevelBookTable, SurveyTable
from terrain.measured.reading import Frame, Reading
from terrain.survey.levels import read_level_book
from terrain.survey.setting_out import Baseline, NamedGrid


def read(table: SurveyTable, frame: Frame) -> Reading:
    """Reduce a level book."""
    keys = table.level_book or LevelBookTable()
    book = read_level_book(
        frame.path_of(table),
        unit=frame.unit_of(table),
        benchmarks=keys.benchmarks,
        where=_places_of(keys),
        limit_m=keys.limit,
        sight_m=keys.sight,
        staff_m=keys.staff,
    )
    return Reading(table, "level book", len(book.spots.xyz), book.spots, book=book)


def _places_of(keys: LevelBookTable) -> NamedGrid | Baseline | None:
    if keys.stakes is not None:
        grid = keys.stakes
        return NamedGrid(
            origin=grid.origin,
            bearing_deg=grid.bearing,
            spacing_m=grid.spacing,
            last=grid.last,
            first=grid.first,
            letters=grid.letters,
            skip=grid.skip,
        )
    if keys.baseline is not None:
        line = keys.baseline
        return Baseline(line.start, line.end, line.start_station)
    return None
