"""How errors at two places go together, and what is left of them in the mean of an area."""

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.optimize import least_squares
from scipy.spatial.distance import pdist

from terrain.arrays import FloatArray, IntArray
from terrain.kernels import kernel
from terrain.surface.crossvalidation import SEED

_MOST_POINTS = 2000
_LAGS = 15
_SAMPLES = 1500


@dataclass(frozen=True)
class Variogram:
    """Spherical model of half the squared difference of errors against their distance.

    Attributes
    ----------
    nugget_m2
        What differs however near, m².
    sill_m2
        Variance of one error, nugget included, m².
    range_m
        Distance from which errors have nothing in common, m.
    lags_m, gamma_m2, pairs
        The empirical values that it was fitted to, each shape (k,).
    """

    nugget_m2: float
    sill_m2: float
    range_m: float
    lags_m: FloatArray
    gamma_m2: FloatArray
    pairs: IntArray

    def gamma(self, distance_m: FloatArray) -> FloatArray:
        """The model at distances over 0, shape (n,), m²."""
        return _spherical(distance_m, self.nugget_m2, self.sill_m2, self.range_m)


def _spherical(h: FloatArray, nugget: float, sill: float, span: float) -> FloatArray:
    t = np.minimum(h / span, 1.0)
    return np.asarray(nugget + (sill - nugget) * (1.5 * t - 0.5 * t**3), dtype=np.float64)


def variogram(points: FloatArray, residuals: FloatArray, *, seed: int = SEED) -> Variogram:
    """Fit a spherical variogram to residuals, shape (n,), at points, shape (n, 2).

    The empirical values are Dowd's (1984), `γ = 2.198 median(|Δ|)² / 2`, which single blunders do
    not move; lags reach half the extent. Fitted by least squares, each lag weighed by the root of
    its pairs and the inverse of the variance.

    Fewer than 20 residuals say nothing of distance: their whole variance is then the nugget.
    """
    known = np.isfinite(residuals)
    xy, error = points[known, :2], residuals[known]
    if len(error) > _MOST_POINTS:
        rows = np.random.default_rng(seed).choice(len(error), _MOST_POINTS, replace=False)
        xy, error = xy[rows], error[rows]
    variance = 2.198 * float(np.median(np.abs(error - np.median(error)))) ** 2 if len(error) else 0
    if len(error) < 20 or variance == 0:
        none = np.empty(0)
        return Variogram(variance, variance, 1e-9, none, none, np.empty(0, dtype=np.int64))
    distance = pdist(xy)
    apart = pdist(error[:, None])
    far = 0.5 * float(distance.max())
    near = max(float(np.percentile(distance, 100 * min(1.0, 60 / distance.size))), 1e-9)
    edges = np.concatenate([[0.0], np.geomspace(near, far, _LAGS)])
    place = np.searchsorted(edges, distance, side="right") - 1
    rows_of = [np.flatnonzero(place == k) for k in range(_LAGS)]
    rows_of = [rows for rows in rows_of if rows.size >= 10]
    lags = np.array([float(distance[rows].mean()) for rows in rows_of])
    gamma = np.array([1.099 * float(np.median(apart[rows])) ** 2 for rows in rows_of])
    pairs = np.array([rows.size for rows in rows_of], dtype=np.int64)
    return Variogram(*_fit(lags, gamma, pairs, far), lags, gamma, pairs)


def _fit(
    lags: FloatArray, gamma: FloatArray, pairs: IntArray, far: float
) -> tuple[float, float, float]:
    weight = np.sqrt(np.minimum(pairs, np.median(pairs)))
    top = float(gamma.max())

    def misfit(fitted: FloatArray) -> FloatArray:
        nugget, partial, span = fitted
        off: FloatArray = weight * (_spherical(lags, nugget, nugget + partial, span) - gamma) / top
        return off

    fits = [
        least_squares(
            misfit,
            [0.3 * top, 0.7 * top, start],
            bounds=([0.0, 0.0, float(lags[0])], [1.5 * top, 1.5 * top, 1.5 * far]),
            x_scale=[top, top, far],
            loss="soft_l1",
        )
        for start in (0.15 * far + float(lags[0]), 0.6 * far)
    ]
    nugget, partial, span = min(fits, key=lambda fit: float(fit.cost)).x
    return float(nugget), float(nugget + partial), float(span)


def circle_share(radius_m: float, range_m: float) -> float:
    """Share of the variance left in the mean of a circle, without a nugget.

    Rolstad, Haug and Denby 2009, J. Glaciology 55(192), eq. 8: the spherical correlation with the
    circle's middle, averaged over the circle; a little more than the mean over all pairs.
    """
    if radius_m >= range_m:
        return 0.2 * (range_m / radius_m) ** 2
    t = radius_m / range_m
    return 1.0 - t + t**3 / 5.0


def area_share(region: shapely.Polygon | shapely.MultiPolygon, range_m: float) -> float:
    """Share of the variance left in the mean of any region, without a nugget.

    The spherical correlation averaged over pairs of places, one from each of two lattices that
    never meet, so that no place is paired with itself.
    """
    first, second = _inside(region, 0.0), _inside(region, 0.5)
    return float(_mean_correlation(first, second, range_m))


def _inside(region: shapely.Polygon | shapely.MultiPolygon, offset: float) -> FloatArray:
    """About `_SAMPLES` places of a lattice inside the region, shape (n, 2)."""
    cell = float(np.sqrt(region.area / _SAMPLES))
    xmin, ymin, xmax, ymax = region.bounds
    x = np.arange(xmin + (0.25 + offset) * cell, xmax, cell)
    y = np.arange(ymin + (0.25 + offset) * cell, ymax, cell)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    inside: FloatArray = places[shapely.contains_xy(region, places[:, 0], places[:, 1])]
    return inside if len(inside) else np.array([region.representative_point().coords[0]])


@kernel
def _mean_correlation(first: FloatArray, second: FloatArray, span: float) -> float:
    total = 0.0
    for i in range(first.shape[0]):
        for j in range(second.shape[0]):
            dx, dy = first[i, 0] - second[j, 0], first[i, 1] - second[j, 1]
            t = np.sqrt(dx * dx + dy * dy) / span
            if t < 1.0:
                total += 1.0 - 1.5 * t + 0.5 * t * t * t
    return float(total / (first.shape[0] * second.shape[0]))


def mean_sigma(
    fitted: Variogram, region: shapely.Polygon | shapely.MultiPolygon, *, shots: int
) -> float:
    """Standard error of the mean height of a region, m.

    The correlated part averages as Rolstad et al. (2009) say, over this region's own shape; the
    nugget as the errors of as many independent shots.
    """
    correlated = (fitted.sill_m2 - fitted.nugget_m2) * area_share(region, fitted.range_m)
    return float(np.sqrt(correlated + fitted.nugget_m2 / max(shots, 1)))
