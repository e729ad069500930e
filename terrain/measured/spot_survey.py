"""Shots on the site: what their codes say, which look wrong, which make the ground."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from terrain.arrays import IntArray
from terrain.design.survey_tables import SurveyTable
from terrain.errors import Place, PlanError, SurveyError, TerrainError
from terrain.measured.reading import Reading
from terrain.surface import Tin, build_tin
from terrain.surface.flats import repair_flats
from terrain.survey import Finding, Linework, Role, Spots, left_out, screen, sort_codes, without
from terrain.survey.codes import CodeString
from terrain.survey.findings import Kind

LEVEL_M = 0.001
ODD_HEIGHTS = (Kind.TWO_HEIGHTS, Kind.SPIKES, Kind.PITS, Kind.BUSTS)


@dataclass(frozen=True)
class SpotSurvey:
    """Shots in local coordinates.

    Attributes
    ----------
    table
        What the plan says of the survey.
    spots
        Every shot, those of surveys that join it included.
    linework
        What their codes say.
    findings
        What should be looked at.
    used
        The linework without the shots that are left out.
    left_out
        (m,) rows of the shots that are left out.
    ground
        (k,) rows of the shots that make its ground.
    """

    table: SurveyTable
    spots: Spots
    linework: Linework
    findings: tuple[Finding, ...]
    used: Linework
    left_out: IntArray
    ground: IntArray

    @property
    def odd(self) -> tuple[Finding, ...]:
        """Heights that the ground beside them does not explain."""
        return tuple(finding for finding in self.findings if finding.kind in ODD_HEIGHTS)

    def kept(self, finding: Finding) -> bool:
        """Whether shots that a finding suspects make the ground all the same."""
        return bool(np.isin(finding.suspects, self.ground).any())


def sort_shots(
    reading: Reading, joining: Sequence[Reading], roles: Mapping[str, Role]
) -> SpotSurvey:
    """Sort the shots of a survey by their codes, and screen them.

    Parameters
    ----------
    reading
        The survey.
    joining
        Surveys whose shots and lines are triangulated with it.
    roles
        Field code → role.

    Raises
    ------
    SurveyError
        A code is not in the table of the plan, or a string has too few points.
    PlanError
        What is to be left out is not there.
    """
    table = reading.table
    spots, linework = _lines_of(reading, roles)
    for other in joining:
        spots, linework = _joined(spots, linework, other, *_lines_of(other, roles))
    findings = screen(spots, linework)
    asked = [*table.leave_out, *(ODD_HEIGHTS if table.odd_heights == "leave_out" else ())]
    try:
        left = left_out(spots, findings, asked, keep=table.keep)
    except PlanError as error:
        key = f'survey "{table.name}", {error.place.key}'
        place = Place(error.place.file, error.place.line, key)
        raise PlanError(
            error.found, place=place, expected=error.expected, mend=error.mend
        ) from None
    used = without(spots, linework, left)
    ground = np.flatnonzero(used.ground).astype(np.int64)
    return SpotSurvey(table, spots, linework, findings, used, left.rows, ground)


def _lines_of(reading: Reading, roles: Mapping[str, Role]) -> tuple[Spots, Linework]:
    assert isinstance(reading.heights, Spots)
    return reading.heights, reading.linework or sort_codes(reading.heights, roles)


def _joined(
    spots: Spots, linework: Linework, other: Reading, more: Spots, lines: Linework
) -> tuple[Spots, Linework]:
    """Two surveys as one; points of the second have its name before theirs."""
    first = len(spots.xyz)

    def moved(strings: tuple[CodeString, ...]) -> tuple[CodeString, ...]:
        return tuple(replace(string, rows=string.rows + first) for string in strings)

    name = other.table.name
    both = Spots(
        xyz=np.concatenate([spots.xyz, more.xyz]),
        name=np.concatenate([spots.name, np.char.add(f"{name} ", more.name)]),
        code=np.concatenate([spots.code, more.code]),
        line=np.concatenate([spots.line, more.line]),
        source=spots.source,
        sigma=np.concatenate([spots.sigma, more.sigma]),
    )
    apart = {
        role: np.concatenate(
            [
                linework.apart.get(role, np.empty(0, dtype=np.int64)),
                lines.apart.get(role, np.empty(0, dtype=np.int64)) + first,
            ]
        )
        for role in {**linework.apart, **lines.apart}
    }
    return both, Linework(
        ground=np.concatenate([linework.ground, lines.ground]),
        breaklines=(*linework.breaklines, *moved(lines.breaklines)),
        outlines=(*linework.outlines, *moved(lines.outlines)),
        soft=(*linework.soft, *moved(lines.soft)),
        apart=apart,
    )


def ground_of_shots(survey: SpotSurvey) -> Tin:
    """Triangulate the ground shots of a survey along its breaklines.

    Soft breaklines of one height are contours: the level triangles that they make at ridges,
    spurs and hollows are mended.

    Raises
    ------
    SurveyError
        The shots make no surface.
    """
    row = np.full(len(survey.spots.xyz), -1)
    row[survey.ground] = np.arange(len(survey.ground))
    xyz, longest = survey.spots.xyz[survey.ground], survey.table.longest_border
    hard = [row[_walk(line)] for line in survey.used.breaklines]
    soft = [row[_walk(line)] for line in survey.used.soft]
    contours = [line for line in soft if np.ptp(xyz[line, 2]) <= LEVEL_M]
    others = [line for line in soft if np.ptp(xyz[line, 2]) > LEVEL_M]
    try:
        if not contours:
            return build_tin(xyz, breaklines=hard, soft=soft, longest_border_m=longest)
        return repair_flats(
            xyz, contours=contours, breaklines=hard, soft=others, longest_border_m=longest
        ).tin
    except TerrainError as error:
        raise SurveyError(
            error.found,
            place=Place(survey.spots.source),
            expected=error.expected,
            mend=error.mend,
        ) from None


def _walk(line: CodeString) -> IntArray:
    """Rows from the first shot of a line to its last; to the first again if it is closed."""
    return np.append(line.rows, line.rows[0]) if line.closed else line.rows
