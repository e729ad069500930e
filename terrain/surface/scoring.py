"""How well ground was told from the rest, against labels.

The four counts and the two errors after G. Sithole and G. Vosselman (2004), "Experimental
comparison of filter algorithms for bare-Earth extraction from airborne laser scanning point
clouds", ISPRS Journal of Photogrammetry and Remote Sensing 59(1–2), 85–101; the agreement beyond
chance after J. Cohen (1960), "A coefficient of agreement for nominal scales", Educational and
Psychological Measurement 20(1), 37–46.
"""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from terrain.arrays import BoolArray
from terrain.errors import Place, SurfaceError
from terrain.surface.ground import CloudGround, ground_by_filter
from terrain.survey.clouds import GROUND_CLASS, raw_chunks
from terrain.units import Unit


@dataclass(frozen=True)
class Score:
    """Counts of points by what they are and what they were taken for.

    Attributes
    ----------
    ground_kept
        Ground taken for ground (a).
    ground_lost
        Ground taken for something else (b).
    other_taken
        Something else taken for ground (c).
    other_left
        Something else taken for something else (d).
    """

    ground_kept: int
    ground_lost: int
    other_taken: int
    other_left: int

    @property
    def count(self) -> int:
        """All points."""
        return self.ground_kept + self.ground_lost + self.other_taken + self.other_left

    @property
    def type_1(self) -> float:
        """Share of the ground that was lost, b / (a + b)."""
        return _share(self.ground_lost, self.ground_kept + self.ground_lost)

    @property
    def type_2(self) -> float:
        """Share of the rest that was taken for ground, c / (c + d)."""
        return _share(self.other_taken, self.other_taken + self.other_left)

    @property
    def total_error(self) -> float:
        """Share of all points that were mistaken, (b + c) / n."""
        return _share(self.ground_lost + self.other_taken, self.count)

    @property
    def kappa(self) -> float:
        """Agreement beyond chance, (p - q) / (1 - q): p observed, q expected by chance."""
        n = self.count
        observed = 1 - self.total_error
        ground, other = self.ground_kept + self.ground_lost, self.other_taken + self.other_left
        taken, left = self.ground_kept + self.other_taken, self.ground_lost + self.other_left
        chance = _share(ground * taken + other * left, n * n)
        return (observed - chance) / (1 - chance) if chance < 1 else math.nan


def _share(part: int, whole: int) -> float:
    return part / whole if whole else math.nan


def score(found: BoolArray, labels: BoolArray) -> Score:
    """Count agreements of what was found with what is, both (n,), True for ground."""
    return Score(
        ground_kept=int(np.count_nonzero(found & labels)),
        ground_lost=int(np.count_nonzero(~found & labels)),
        other_taken=int(np.count_nonzero(found & ~labels)),
        other_left=int(np.count_nonzero(~found & ~labels)),
    )


@dataclass(frozen=True)
class ScoredGround:
    """The ground of a labelled cloud, found without the labels, and how far it agrees with them."""

    ground: CloudGround
    score: Score


def score_ground(path: Path, *, unit: Unit, size: int = 1_000_000) -> ScoredGround:
    """Find the ground of a cloud by its shape alone, and compare with its points of class 2.

    Parameters
    ----------
    path
        LAS or LAZ file whose ground has class 2. Points of the noise classes count as not ground.
    unit
        Unit of its coordinates.
    size
        Points read at a time.

    Raises
    ------
    SurveyError, UnitError
        The cloud cannot be read, or is in another unit.
    SurfaceError
        No point has class 2, or no ground is found.
    """
    ground = ground_by_filter(path, unit=unit, size=size)
    found, labels = ground.is_ground, np.empty(ground.n_points, dtype=np.bool_)
    done = 0
    for chunk in raw_chunks(path, size=size):
        labels[done : done + chunk.x.size] = chunk.classification == GROUND_CLASS
        done += chunk.x.size
    if not labels.any():
        raise SurfaceError(
            "no point of the cloud is labelled as ground",
            place=Place(path),
            expected=f"points of class {GROUND_CLASS}, to compare with",
            mend="score a cloud that has been classified",
        )
    return ScoredGround(ground, score(found, labels))
