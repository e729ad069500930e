"""Staff readings to heights: by height of instrument, by rise and fall, and what checks them.

Both reductions are those of any textbook of surveying; where a line ends on a side shot, that
shot closes it as a foresight would.
"""

from dataclasses import dataclass

import numpy as np

from terrain.arrays import FloatArray, IntArray


@dataclass(frozen=True)
class Sights:
    """The pages of a level book, one row a point.

    Attributes
    ----------
    back, side, fore
        (n,) readings, m, NaN where none was taken. A turning point has a foresight from the old
        setup and a backsight from the new one.
    start
        (n,) known height, m, where a line of levels begins; NaN elsewhere.
    """

    back: FloatArray
    side: FloatArray
    fore: FloatArray
    start: FloatArray

    @property
    def taken(self) -> FloatArray:
        """(n,) the reading that gives a row its height; NaN where a line begins."""
        return np.where(np.isnan(self.fore), self.side, self.fore)

    @property
    def setup(self) -> IntArray:
        """(n,) number of the setup that a row's height comes from, or a line begins with."""
        begun = np.cumsum(~np.isnan(self.back)) - 1
        taken_from_old = ~np.isnan(self.fore) & ~np.isnan(self.back)
        return np.asarray(begun - taken_from_old, dtype=np.int64)


def height_of_instrument(sights: Sights) -> tuple[FloatArray, FloatArray]:
    """Reduce by the plane of collimation: known height + backsight − reading.

    Returns
    -------
    heights
        (n,) m.
    planes
        (n_setups,) height of the instrument in each setup, m.
    """
    heights = np.empty(len(sights.back))
    planes: list[float] = []
    for row, (back, taken, start) in enumerate(
        zip(sights.back, sights.taken, sights.start, strict=True)
    ):
        heights[row] = start if np.isfinite(start) else planes[-1] - taken
        if np.isfinite(back):
            planes.append(float(heights[row] + back))
    return heights, np.array(planes)


def rise_and_fall(sights: Sights) -> tuple[FloatArray, FloatArray]:
    """Reduce from point to point: a smaller reading than the one before is a rise.

    Returns
    -------
    heights
        (n,) m.
    changes
        (n,) rise, or negative fall, from the row above, m; 0 where a line begins.
    """
    heights, changes = np.empty(len(sights.back)), np.zeros(len(sights.back))
    before = height = np.nan
    for row, (back, taken, start) in enumerate(
        zip(sights.back, sights.taken, sights.start, strict=True)
    ):
        if np.isfinite(start):
            height = float(start)
        else:
            changes[row] = before - taken
            height += float(changes[row])
            before = taken
        if np.isfinite(back):
            before = back
        heights[row] = height
    return heights, changes


@dataclass(frozen=True)
class Arithmetic:
    """The checks at the foot of a page; each pair or triple of numbers is one number, m.

    Attributes
    ----------
    back, fore
        Sums of backsights and of foresights; the side shot that ends a line counts as one.
    rise, fall
        Sums of rises and of falls.
    climb
        Last height less the first, over all lines.
    heights
        Sum of all heights but those where lines begin.
    heights_from_planes
        The same from the instrument: each plane times its readings, less the readings.
    """

    back: float
    fore: float
    rise: float
    fall: float
    climb: float
    heights: float
    heights_from_planes: float

    @property
    def off_m(self) -> float:
        """Largest difference between numbers that should be one, m."""
        return max(
            abs(self.back - self.fore - self.climb),
            abs(self.rise - self.fall - self.climb),
            abs(self.heights - self.heights_from_planes),
        )


def arithmetic(sights: Sights) -> Arithmetic:
    """Check the reductions of a level book against each other."""
    heights, planes = height_of_instrument(sights)
    changes = rise_and_fall(sights)[1]
    begins = np.isfinite(sights.start)
    ends = np.append(begins[1:], True)
    closing = np.where(ends & np.isnan(sights.fore), sights.side, 0.0)
    taken = sights.taken[~begins]
    return Arithmetic(
        back=float(np.nansum(sights.back)),
        fore=float(np.nansum(sights.fore) + np.nansum(closing)),
        rise=float(changes[changes > 0].sum()),
        fall=float(-changes[changes < 0].sum()),
        climb=float((heights[ends] - heights[begins]).sum()),
        heights=float(heights[~begins].sum()),
        heights_from_planes=float(planes[sights.setup[~begins]].sum() - taken.sum()),
    )
