"""Carrying a measurement to the site by points whose place is known in both: control points."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from scipy import special

from terrain.arrays import FloatArray
from terrain.errors import Place, SurveyError

_THIN = 1e-3  # control narrower than this share of its length lies in one line
_SURELY = 1e-3  # chance at which one of sound control points may be named a suspect
_MIRRORED = 5.0  # a mirrored fit this many times better is no accident
_UPSIDE_DOWN = -0.5  # cosine: what was up points down
_NOTICED_M = 1e-3  # less than this is no misfit on a building site
CONTROL = Place(key="control")


@dataclass(frozen=True)
class Suspect:
    """A control point that the others contradict.

    Attributes
    ----------
    name
        Its name.
    off_m
        How far the others alone would put it from where the site has it, m.
    rms_without_m
        Root mean square of the others' residuals without it, m.
    """

    name: str
    off_m: float
    rms_without_m: float


@dataclass(frozen=True)
class Registration:
    """A turn, a shift and perhaps a scale, from measured to site coordinates.

    Attributes
    ----------
    rotation
        Shape (3, 3), a proper rotation.
    scale
        Site length of one measured metre, in plan if heights are only shifted; 1 where no scale
        was asked for.
    linear
        Rotation times scale, shape (3, 3); its last row is (0, 0, 1) if heights are only shifted.
    measured_centre, site_centre
        Mean of the control points in both systems, shape (3,), m: turning about them keeps
        millimetres at coordinates of thousands of kilometres.
    names
        Names of the control points.
    residuals
        Where each control point comes to lie minus where the site has it, shape (k, 3), m.
    size_ratio
        Scale that would fit best, whether or not it was asked for.
    suspect
        The one control point that spoils the fit; None if there is none, or too few to tell.
    """

    rotation: FloatArray
    scale: float
    linear: FloatArray
    measured_centre: FloatArray
    site_centre: FloatArray
    names: tuple[str, ...]
    residuals: FloatArray
    size_ratio: float
    suspect: Suspect | None = None

    def apply(self, xyz: FloatArray) -> FloatArray:
        """Site coordinates of measured ones, shape (n, 3) → (n, 3), m."""
        turned: FloatArray = (xyz - self.measured_centre) @ self.linear.T
        return turned + self.site_centre

    @property
    def translation(self) -> FloatArray:
        """Shift of `site = linear @ measured + translation`, shape (3,), m."""
        shift: FloatArray = self.site_centre - self.linear @ self.measured_centre
        return shift

    @property
    def rms_m(self) -> float:
        """Root mean square distance between where control points lie and should lie, m."""
        return _rms(self.residuals)


class _Fit(NamedTuple):
    rotation: FloatArray
    scale: float
    linear: FloatArray
    ratio: float
    measured_centre: FloatArray
    site_centre: FloatArray
    residuals: FloatArray


def register_in_space(
    measured: FloatArray, site: FloatArray, *, scale: bool, names: Sequence[str] = ()
) -> Registration:
    """Least-squares turn, shift and scale in space: for scans without a level or a place.

    S. Umeyama (1991), "Least-squares estimation of transformation parameters between two point
    patterns", IEEE TPAMI 13(4), 376-380, equations 34 to 43.

    Parameters
    ----------
    measured, site
        The same points in both systems, shape (k, 3), m; at least 3, not in one line.
    scale
        Fit a scale too.
    names
        One for each point; by default their numbers from 1.

    Raises
    ------
    SurveyError
        Too few points, all in one line, or one system is mirrored.
    """
    pairs = _checked(measured, site, names, least=3)
    _check_spread(pairs, axes=3, least=3)
    fit = _fit_in_space(pairs, scale=scale)
    mirrored = _fit_in_space(_exchanged(pairs), scale=scale)
    rms, other = _rms(fit.residuals), _rms(mirrored.residuals)
    turned_over = fit.rotation[2, 2] < _UPSIDE_DOWN and mirrored.rotation[2, 2] > -_UPSIDE_DOWN
    if turned_over and rms > other / 2:
        raise _mirrored("they fit only with the ground turned upside down", other)
    if rms > max(_NOTICED_M, _MIRRORED * other):
        raise _mirrored(f"they miss by {rms:.3f} m", other)
    return _registration(fit, pairs, _suspect(_fit_in_space, pairs, scale=scale, unknowns=6))


def register_on_level(
    measured: FloatArray, site: FloatArray, *, scale: bool, names: Sequence[str] = ()
) -> Registration:
    """Least-squares turn and shift in plan, and shift in height: for local grids held level.

    Plan: the same equations of Umeyama (1991) in two dimensions. The scale is that of the plan;
    heights are only shifted, by the mean difference.

    Parameters
    ----------
    measured, site
        The same points in both systems, shape (k, 3), m; at least 2 places in plan.
    scale
        Fit a scale in plan too.
    names
        One for each point; by default their numbers from 1.

    Raises
    ------
    SurveyError
        Too few points, all in one place, or the axes of one system are exchanged or mirrored.
    """
    pairs = _checked(measured, site, names, least=2)
    _check_spread(pairs, axes=2, least=2)
    fit = _fit_on_level(pairs, scale=scale)
    rms = _rms(fit.residuals[:, :2])
    other = _rms(_fit_on_level(_exchanged(pairs), scale=scale).residuals[:, :2])
    if len(pairs.names) > 2 and rms > max(_NOTICED_M, _MIRRORED * other):
        raise _mirrored(f"they miss by {rms:.3f} m in plan", other)
    return _registration(fit, pairs, _suspect(_fit_on_level, pairs, scale=scale, unknowns=4))


class _Pairs(NamedTuple):
    measured: FloatArray
    site: FloatArray
    names: tuple[str, ...]

    def without(self, k: int) -> "_Pairs":
        names = self.names[:k] + self.names[k + 1 :]
        return _Pairs(np.delete(self.measured, k, 0), np.delete(self.site, k, 0), names)


def _exchanged(pairs: _Pairs) -> _Pairs:
    return pairs._replace(measured=pairs.measured[:, [1, 0, 2]])


def _turn(measured: FloatArray, site: FloatArray) -> tuple[FloatArray, float]:
    """Rotation (d, d) and best scale of centred points (k, d): Umeyama (1991), equations 40, 42."""
    left, sizes, right = np.linalg.svd(site.T @ measured)
    proper = np.ones(len(sizes))
    proper[-1] = 1.0 if np.linalg.det(left) * np.linalg.det(right) > 0 else -1.0  # equation 43
    rotation: FloatArray = (left * proper) @ right
    return rotation, float(sizes @ proper / (measured**2).sum())


def _fit_in_space(pairs: _Pairs, *, scale: bool) -> _Fit:
    here, there = pairs.measured.mean(axis=0), pairs.site.mean(axis=0)
    measured, site = pairs.measured - here, pairs.site - there
    rotation, ratio = _turn(measured, site)
    size = ratio if scale else 1.0
    linear = size * rotation
    return _Fit(rotation, size, linear, ratio, here, there, measured @ linear.T - site)


def _fit_on_level(pairs: _Pairs, *, scale: bool) -> _Fit:
    here, there = pairs.measured.mean(axis=0), pairs.site.mean(axis=0)
    measured, site = pairs.measured - here, pairs.site - there
    plan, ratio = _turn(measured[:, :2], site[:, :2])
    size = ratio if scale else 1.0
    rotation, linear = np.eye(3), np.eye(3)
    rotation[:2, :2], linear[:2, :2] = plan, size * plan
    return _Fit(rotation, size, linear, ratio, here, there, measured @ linear.T - site)


class _FitFunction(Protocol):
    def __call__(self, pairs: _Pairs, *, scale: bool) -> _Fit: ...


def _suspect(fit: _FitFunction, pairs: _Pairs, *, scale: bool, unknowns: int) -> Suspect | None:
    """Leave each point out; name the one without which the others agree beyond chance.

    The drop in squares by leaving one out, against the squares that stay, is an F ratio with 3
    and the remaining degrees of freedom (deletion of a case: Cook and Weisberg 1982, *Residuals
    and Influence in Regression*, section 2.2), at a chance of 1 in 1000 over all points.
    """
    count = len(pairs.names)
    freedom = 3 * (count - 1) - unknowns - scale
    if freedom < 1 or count < 4:
        return None
    everything = _squares(fit(pairs, scale=scale).residuals)
    best: tuple[float, Suspect] | None = None
    for k, name in enumerate(pairs.names):
        others = pairs.without(k)
        if fit is _fit_in_space and _narrow(others):
            continue
        rest = fit(others, scale=scale)
        stays = max(_squares(rest.residuals), (count - 1) * (_NOTICED_M / 10) ** 2)
        ratio = (everything - stays) / 3 / (stays / freedom)
        at = (pairs.measured[k] - rest.measured_centre) @ rest.linear.T + rest.site_centre
        off = float(np.linalg.norm(at - pairs.site[k]))
        if off > _NOTICED_M and (best is None or ratio > best[0]):
            best = ratio, Suspect(name, off, _rms(rest.residuals))
    if best is None or special.fdtrc(3, freedom, best[0]) * count > _SURELY:
        return None
    return best[1]


def _registration(fit: _Fit, pairs: _Pairs, suspect: Suspect | None) -> Registration:
    return Registration(
        rotation=fit.rotation,
        scale=fit.scale,
        linear=fit.linear,
        measured_centre=fit.measured_centre,
        site_centre=fit.site_centre,
        names=pairs.names,
        residuals=fit.residuals,
        size_ratio=fit.ratio,
        suspect=suspect,
    )


def _squares(residuals: FloatArray) -> float:
    return float((residuals**2).sum())


def _rms(residuals: FloatArray) -> float:
    return float(np.sqrt(_squares(residuals) / len(residuals)))


def _checked(measured: FloatArray, site: FloatArray, names: Sequence[str], *, least: int) -> _Pairs:
    measured, site = np.asarray(measured, np.float64), np.asarray(site, np.float64)
    count = len(measured)
    known = tuple(names) or tuple(str(k + 1) for k in range(count))
    expected = f"at least {least} points, each with x, y, z measured and E, N, Z on the site"
    if measured.shape != (count, 3) or site.shape != (count, 3) or len(known) != count:
        raise SurveyError(
            f"{count} measured points, {len(site)} site points and {len(known)} names do not pair",
            place=CONTROL,
            expected=expected,
            mend="give every control point both sets of three coordinates",
        )
    if count < least:
        raise SurveyError(
            f"{count} control point{'' if count == 1 else 's'}",
            place=CONTROL,
            expected=expected,
            mend=f"measure {least - count} more on the site",
        )
    sound = np.isfinite(measured).all(axis=1) & np.isfinite(site).all(axis=1)
    if not sound.all():
        raise SurveyError(
            f"control point {known[int(np.flatnonzero(~sound)[0])]!r} is not a finite place",
            place=CONTROL,
            expected="finite coordinates",
            mend="correct its coordinates",
        )
    return _Pairs(measured, site, known)


def _spread(points: FloatArray) -> FloatArray:
    """Singular values of centred points: their length, breadth (and thickness)."""
    sizes: FloatArray = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return sizes


def _narrow(pairs: _Pairs) -> bool:
    """Control in one line of space leaves the turn about it open."""
    return any(
        sizes[1] <= _THIN * sizes[0] for sizes in (_spread(pairs.measured), _spread(pairs.site))
    )


def _check_spread(pairs: _Pairs, *, axes: int, least: int) -> None:
    for which, points in (("measured", pairs.measured), ("site", pairs.site)):
        sizes = _spread(points[:, :axes])
        if least == 3 and sizes[1] <= _THIN * sizes[0]:
            raise SurveyError(
                f"the {which} control points lie in one line: {sizes[0]:.3f} long and "
                f"{sizes[1]:.3f} m broad",
                place=CONTROL,
                expected="at least 3 control points that make a triangle",
                mend="add a control point well aside of the line",
            )
        if sizes[0] < _NOTICED_M:
            raise SurveyError(
                f"the {which} control points are all in one place in plan",
                place=CONTROL,
                expected="control points apart from each other",
                mend="add a control point at the other end of the site",
            )


def _mirrored(how: str, exchanged_rms: float) -> SurveyError:
    return SurveyError(
        f"the control points are swapped or mirrored: as given {how}, with x and y of `measured` "
        f"exchanged they miss by {exchanged_rms:.3f} m",
        place=CONTROL,
        expected="measured = [x, y, z] and site = [E, N, Z] of the same sense of turning, z up",
        mend="exchange the first two numbers of one of them, and check which way z points",
    )
