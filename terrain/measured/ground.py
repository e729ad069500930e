"""The ground that a survey makes, and the ground that all surveys of a site make together."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np

from terrain.arrays import FloatArray
from terrain.errors import Place, SurveyError
from terrain.measured.reading import Reading
from terrain.measured.spot_survey import SpotSurvey, ground_of_shots
from terrain.surface import Difference, Grid, Surface, Tin, difference
from terrain.surface.merge import Merged

Ground: TypeAlias = Tin | Grid | Merged
LEAST_AREA_M2 = 0.01


@dataclass(frozen=True)
class Measured:
    """A survey in local coordinates, with the ground it makes.

    Attributes
    ----------
    reading
        What its file holds.
    surface
        Its ground.
    points
        The heights that carry its ground, (n, 3) m.
    """

    reading: Reading
    surface: Tin | Grid
    points: FloatArray


@dataclass(frozen=True)
class CheckSurvey:
    """A survey that does not make the ground, held against the one that does."""

    reading: Reading
    against_ground: Difference


def make_ground(reading: Reading, shots: SpotSurvey | None) -> Measured:
    """Make the ground of a survey; `shots` are its shots, if it has any.

    Raises
    ------
    SurveyError
        Its heights make no ground.
    """
    if shots is not None:
        return Measured(reading, ground_of_shots(shots), shots.spots.xyz[shots.ground])
    surface = reading.surface
    _check_area(reading, surface)
    if isinstance(surface, Tin):
        return Measured(reading, surface, surface.points)
    z = surface.z.ravel()
    known = np.isfinite(z)
    return Measured(reading, surface, np.column_stack([surface.lattice.nodes[known], z[known]]))


def _check_area(reading: Reading, surface: Tin | Grid) -> None:
    if isinstance(surface, Tin):
        a, b, c = (surface.points[corner, :2] for corner in surface.triangles.T)
        (ux, uy), (vx, vy) = (b - a).T, (c - a).T
        area = float(np.abs(ux * vy - uy * vx).sum()) / 2
    else:
        known = np.isfinite(surface.z)
        whole = known[1:, 1:] & known[1:, :-1] & known[:-1, 1:] & known[:-1, :-1]
        area = float(whole.sum()) * surface.lattice.cell**2
    if area < LEAST_AREA_M2:
        raise SurveyError(
            f"its {reading.places:,} points cover no ground",
            place=Place(Path(reading.table.file)),
            expected="heights that lie side by side",
            mend="check the unit and the columns of this survey, or export it again",
        )


def ground_of_all(grounds: Sequence[Measured], seam_m: float) -> Ground:
    """One ground from the grounds of surveys, the best first, joined over a seam."""
    if len(grounds) == 1:
        return grounds[0].surface
    return Merged(tuple(ground.surface for ground in grounds), seam_m)


def points_of_all(grounds: Sequence[Measured]) -> FloatArray:
    """The heights that carry the joined ground: of each survey those that no better one covers."""
    points = [grounds[0].points]
    for k, ground in enumerate(grounds[1:], start=1):
        covered = np.zeros(len(ground.points), dtype=np.bool_)
        for better in grounds[:k]:
            covered |= np.isfinite(better.surface.elevation(ground.points[:, :2]))
        points.append(ground.points[~covered])
    return np.concatenate(points)


def held_against(survey: Measured, ground: Surface) -> CheckSurvey:
    """Compare the heights of a survey with a ground that it does not make."""
    xy, z = survey.points[:, :2], survey.points[:, 2]
    return CheckSurvey(survey.reading, difference(z, ground, xy))
