"""What may be wrong with a survey's place, and the boxes and heights that tell it."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.spatial import KDTree

from terrain.arrays import FloatArray
from terrain.units import FOOT_M, METRE, Unit

_MOST = 3000  # points of each survey that are looked at
_AROUND = 6  # points through which a plane is laid
_ENOUGH = 20  # common points from which heights can be compared
_AGREE_M, _AGREE_SHARE = 0.15, 0.35  # heights agree: spread, or share of the spread of the ground


class Kind(StrEnum):
    """What may be wrong."""

    EXCHANGED = "northing and easting exchanged"
    FEET_AS_METRES = "feet read as metres"
    METRES_AS_FEET = "metres read as feet"
    OTHER_FOOT = "the other foot"
    OTHER_ZONE = "another coordinate system"
    DEGREES = "degrees read as lengths"
    TRUNCATED = "leading digits left out"
    SIGN = "sign turned"
    OUTSIDE = "outside the coordinate system"
    APART = "far from everything else"
    HEIGHT_UNIT = "heights in another unit"
    HEIGHT_SHIFT = "heights shifted"


@dataclass(frozen=True)
class Suspicion:
    """One thing that may be wrong with the place of a survey.

    Attributes
    ----------
    kind
        What.
    evidence
        The numbers that speak for it.
    mend
        What to change if it is so.
    """

    kind: Kind
    evidence: str
    mend: str


@dataclass(frozen=True)
class Reference:
    """Something whose place is trusted: another survey, or the outlines of the plan.

    Attributes
    ----------
    name
        What it is called in messages.
    xyz
        Points or the corners of its box, shape (n, 2) or (n, 3), m.
    """

    name: str
    xyz: FloatArray


class Heights(NamedTuple):
    """Heights above a reference at common places."""

    places: int
    median: float
    spread: float  # 1.4826 times the median absolute deviation (Höhle and Höhle 2009)
    relief: float  # the same of the heights themselves


@dataclass(frozen=True)
class Known:
    """A reference, prepared."""

    name: str
    xyz: FloatArray

    @cached_property
    def box(self) -> FloatArray:
        """`(xmin, ymin, xmax, ymax)`, m."""
        return box_of(self.xyz)

    @cached_property
    def tree(self) -> KDTree | None:
        """Its places in plan, seen from its south-west corner; None if it has no heights."""
        if self.xyz.shape[1] < 3 or len(self.xyz) < _ENOUGH or not np.isfinite(self.xyz).all():
            return None
        return KDTree(self.xyz[:, :2] - self.box[:2])

    @cached_property
    def reach(self) -> float:
        """Farthest from its points that it says anything of heights, m."""
        if self.tree is None:
            return 0.0
        away = np.asarray(self.tree.query(self.tree.data, k=_AROUND)[0])[:, -1]
        return 2.0 * float(np.median(away))

    def heights(self, xyz: FloatArray) -> Heights | None:
        """How the heights of another survey stand above this one."""
        if self.tree is None or xyz.shape[1] < 3 or gap_between(box_of(xyz), self.box) > 0:
            return None
        above = xyz[:, 2] - self._elevation(self.tree, xyz[:, :2] - self.box[:2])
        common = np.isfinite(above)
        if common.sum() < _ENOUGH:
            return None
        above = above[common]
        return Heights(
            len(above), float(np.median(above)), spread_of(above), spread_of(xyz[common, 2])
        )

    def _elevation(self, tree: KDTree, xy: FloatArray) -> FloatArray:
        """Heights of the planes through the points around, shape (n,); NaN out of reach."""
        away, rows = (np.asarray(part) for part in tree.query(xy, k=_AROUND))
        near = away[:, -1] <= self.reach
        beside = np.asarray(tree.data)[rows[near]] - xy[near][:, None, :]
        terms = np.concatenate([np.ones((*beside.shape[:2], 1)), beside], axis=2)
        level = float(self.xyz[:, 2].mean())
        squares = np.einsum("nki,nkj->nij", terms, terms)
        # points in one line have no slope across it
        squares[:, [1, 2], [1, 2]] += 1e-3 * (beside**2).sum(axis=(1, 2))[:, None] + 1e-12
        right = np.einsum("nki,nk->ni", terms, self.xyz[rows[near], 2] - level)
        z = np.full(len(xy), np.nan)
        z[near] = np.linalg.solve(squares, right[:, :, None])[:, 0, 0] + level
        return z


class Guess(NamedTuple):
    """A mistake undone: the survey as it would lie, in words, and what to change."""

    kind: Kind
    xyz: FloatArray
    how: str
    mend: str


def guesses(here: FloatArray, unit: Unit) -> Iterator[Guess]:
    """Ways in which the numbers may have been taken wrongly, undone."""
    exchanged = here.copy()
    exchanged[:, [0, 1]] = here[:, [1, 0]]
    yield Guess(
        Kind.EXCHANGED, exchanged, "with the two exchanged",
        "exchange N and E in columns of this survey",
    )  # fmt: skip
    if unit is METRE:
        yield Guess(
            Kind.FEET_AS_METRES, here * FOOT_M, "taken as feet",
            'set unit = "ft" (or "us-ft") for this survey',
        )  # fmt: skip
    else:
        yield Guess(
            Kind.METRES_AS_FEET, here / unit.metres, "taken as metres",
            'set unit = "m" for this survey',
        )  # fmt: skip
    for east, north in ((-1, 1), (1, -1), (-1, -1)):
        turned = here.copy()
        turned[:, :2] *= (east, north)
        which = {(-1, 1): "easting", (1, -1): "northing"}.get((east, north), "both")
        yield Guess(
            Kind.SIGN, turned, f"with the sign of {which} turned",
            "correct the signs in the file, or give its crs",
        )  # fmt: skip


def sample_of(xyz: FloatArray) -> FloatArray:
    """A fair share of the points; the outermost stay, so that the box is that of all."""
    xyz = xyz[np.isfinite(xyz[:, :2]).all(axis=1)]
    if len(xyz) <= _MOST:
        return xyz
    rows = np.linspace(0, len(xyz) - 1, _MOST).astype(np.int64)
    outer = np.concatenate([xyz[:, :2].argmin(axis=0), xyz[:, :2].argmax(axis=0)])
    kept: FloatArray = xyz[np.unique(np.concatenate([rows, outer]))]
    return kept


def box_of(xyz: FloatArray) -> FloatArray:
    """`(xmin, ymin, xmax, ymax)`."""
    return np.concatenate([xyz[:, :2].min(axis=0), xyz[:, :2].max(axis=0)])


def middle_of(xyz: FloatArray) -> tuple[float, float]:
    """Centre of the box around points, m."""
    box = box_of(xyz)
    return float((box[0] + box[2]) / 2), float((box[1] + box[3]) / 2)


def length_of(box: FloatArray) -> float:
    """Diagonal of a box, m."""
    return float(np.hypot(box[2] - box[0], box[3] - box[1]))


def gap_between(a: FloatArray, b: FloatArray) -> float:
    """Distance between two boxes; 0 where they touch."""
    return float(np.hypot(*np.maximum(np.maximum(a[:2] - b[2:], b[:2] - a[2:]), 0.0)))


def spread_of(values: FloatArray) -> float:
    """1.4826 times the median absolute deviation: the standard deviation of normal values."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def common_area(a: FloatArray, b: FloatArray) -> tuple[float, float]:
    """Common area of two boxes as a share of the smaller one, and of both together."""
    pad = 0.5 + 0.005 * max(length_of(a), length_of(b))  # points and lines have an area too
    grow = np.array([-pad, -pad, pad, pad])
    a, b = a + grow, b + grow
    sides = np.maximum(np.minimum(a[2:], b[2:]) - np.maximum(a[:2], b[:2]), 0.0)
    both = float(sides[0] * sides[1])
    area_a, area_b = (float((box[2] - box[0]) * (box[3] - box[1])) for box in (a, b))
    return both / min(area_a, area_b), both / (area_a + area_b - both)


def heights_agree(heights: Heights | None) -> bool:
    """Whether one ground follows the other, be it at another level."""
    return heights is not None and heights.spread <= max(_AGREE_M, _AGREE_SHARE * heights.relief)


def place_text(box: FloatArray) -> str:
    """Centre of a box in words."""
    return f"{(box[0] + box[2]) / 2:,.0f} E {(box[1] + box[3]) / 2:,.0f} N"


def sides_text(box: FloatArray) -> str:
    """Sides of a box in words."""
    return f"{box[2] - box[0]:,.0f} × {box[3] - box[1]:,.0f} m"
