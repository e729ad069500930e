"""Two plans on one ground: what moves in quantities, and where the dig lies higher or lower."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from terrain.arrays import FloatArray, Int32Array, StrArray
from terrain.design import compose_at
from terrain.design.checks import Finding
from terrain.earthwork.account import ElementAccount
from terrain.earthwork.rolls import rolls_needed
from terrain.site import Site
from terrain.surface import Lattice

MOVED_M = 0.001
"""Ground whose level differs less than this, m, counts as the same."""
Amounts = dict[str, float]


@dataclass(frozen=True)
class Displaced:
    """Where an element's level differs.

    Attributes
    ----------
    element
        Its name.
    lower_m2, higher_m2
        Plan area that lies lower, or higher, in the second plan.
    lower_m3, higher_m3
        What lies between the two levels there.
    deepest_m, highest_m
        The most by which it lies lower, or higher.
    centroid_m
        Middle of the difference, by what lies between: true easting and northing, m.
    """

    element: str
    lower_m2: float
    lower_m3: float
    deepest_m: float
    higher_m2: float
    higher_m3: float
    highest_m: float
    centroid_m: tuple[float, float]


@dataclass(frozen=True)
class Worked:
    """Levels of a site on a lattice, each shape (ny, nx), m; NaN off the survey.

    Attributes
    ----------
    existing, dig
        Elevations.
    raised
        Height of the fill above the existing ground.
    dug_by, raised_by
        Names of the elements that decided these; empty for none.
    """

    existing: FloatArray
    dig: FloatArray
    raised: FloatArray
    dug_by: StrArray
    raised_by: StrArray


class Comparison:
    """What a second plan changes of a first.

    Parameters
    ----------
    before, after
        The two sites; on the same ground the answers are of the plans alone.
    """

    def __init__(self, before: Site, after: Site) -> None:
        self.before = before
        self.after = after

    @property
    def lattice(self) -> Lattice:
        """The grid that levels are compared on, in local coordinates of the first site."""
        return self.before.lattice

    @cached_property
    def levels(self) -> tuple[Worked, Worked]:
        """Levels of the first and of the second site, on one lattice."""
        return _composed(self.before), _worked(self.after, self.before)

    @property
    def same_ground(self) -> bool:
        """Whether both plans stand on the same existing ground."""
        first, second = (worked.existing for worked in self.levels)
        return bool(
            np.array_equal(np.isnan(first), np.isnan(second))
            and np.nanmax(np.abs(second - first), initial=0.0) < MOVED_M
        )

    @cached_property
    def level_m(self) -> FloatArray:
        """How much higher each place is left by the second plan, shape (ny, nx), m.

        Of the dig where that differs, else of what is raised; NaN off either survey.
        """
        first, second = self.levels
        dig = second.dig - first.dig
        return np.where(np.abs(dig) >= MOVED_M, dig, second.raised - first.raised)

    @cached_property
    def where(self) -> tuple[Displaced, ...]:
        """The elements whose level differs, those where most lies between first."""
        level, owner = self.level_m, self.laid_to
        nodes, area = self.lattice.nodes, self.lattice.cell**2
        found = []
        for name in dict.fromkeys(owner[owner != ""].tolist()):
            height = np.where((owner == name) & (np.abs(level) >= MOVED_M), level, 0.0).ravel()
            low, high = height[height < 0], height[height > 0]
            size = np.abs(height)
            middle = nodes.T @ size / size.sum() + self.before.origin
            found.append(
                Displaced(
                    element=name,
                    lower_m2=len(low) * area,
                    lower_m3=float(-low.sum() * area),
                    deepest_m=float(-low.min(initial=0.0)),
                    higher_m2=len(high) * area,
                    higher_m3=float(high.sum() * area),
                    highest_m=float(high.max(initial=0.0)),
                    centroid_m=(float(middle[0]), float(middle[1])),
                )
            )
        return tuple(sorted(found, key=lambda one: -one.lower_m3 - one.higher_m3))

    @cached_property
    def laid_to(self) -> StrArray:
        """Name of the element that each difference is laid to, shape (ny, nx); empty for none."""
        first, second = self.levels
        dig, raised = second.dig - first.dig, second.raised - first.raised
        by_dig = np.where(dig < 0, second.dug_by, first.dug_by)
        by_fill = np.where(raised > 0, second.raised_by, first.raised_by)
        owner = np.where(np.abs(dig) >= MOVED_M, by_dig, by_fill)
        return np.where(np.abs(self.level_m) >= MOVED_M, owner, "")

    @cached_property
    def now_failing(self) -> tuple[Finding, ...]:
        """Checks that the second plan fails and the first does not."""
        failed = {(each.check, each.element) for each in self.before.checks if not each.passed}
        return tuple(
            each
            for each in self.after.checks
            if not each.passed and (each.check, each.element) not in failed
        )


def amounts(site: Site) -> Amounts:
    """What is moved, bought and brought of a whole site, by the refined grid; SI.

    A price joins these when a site has one.
    """
    balance, accounts, linings = site.likely_balance, site.accounts, site.linings
    lengths = [length for lining in linings for length in lining.lengths_m]
    of_elements = [_of_element(site, row, account) for row, account in enumerate(accounts)]
    summed = (
        *("excavation_bank_m3", "backfill_compacted_m3", "fill_compacted_m3", "gravel_m3"),
        *("rock_m3", "rock_kg", "rocks", "water_m3"),
    )
    return {
        **{key: sum(each[key] for each in of_elements) for key in summed},
        "liner_m2": sum(lining.need_m2 for lining in linings),
        "liner_bought_m2": sum(lining.bought_m2 for lining in linings),
        "liner_rolls": rolls_needed(lengths, linings[0].roll.length) if lengths else 0,
        "underlay_m2": sum(lining.underlay_m2 for lining in linings),
        "underlay_bought_m2": sum(lining.underlay_bought_m2 for lining in linings),
        "surplus_bank_m3": balance.surplus_bank_m3,
        "surplus_loose_m3": balance.surplus_loose_m3,
        "loads": balance.loads,
        "days": site.likely_days,
    }


def amounts_by_element(site: Site) -> dict[str, Amounts]:
    """The same of each element that is dug or built, by its name; SI."""
    return {
        element.name: _of_element(site, row, account)
        for row, (element, account) in enumerate(zip(site.elements, site.accounts, strict=True))
    }


def moved(before: Mapping[str, float], after: Mapping[str, float]) -> Amounts:
    """After less before; what one of them lacks counts as nothing."""
    keys = dict.fromkeys((*before, *after))
    return {key: after.get(key, 0) - before.get(key, 0) for key in keys}


def _of_element(site: Site, row: int, account: ElementAccount) -> Amounts:
    quantities, name = account.quantities, site.elements[row].name
    return {
        "excavation_bank_m3": quantities.excavation_bank_m3,
        "backfill_compacted_m3": account.backfill_compacted_m3,
        "fill_compacted_m3": quantities.fill_compacted_m3,
        "gravel_m3": account.gravel_m3,
        "rock_m3": account.rock.whole_m3,
        "rock_kg": account.rock.mass_kg,
        "rocks": sum(len(group.centres) for group in site.stone_groups if group.element == name),
        "water_m3": account.water_m3,
        "dig_area_m2": quantities.dig_area_m2,
        "max_depth_m": quantities.max_depth_m,
        "max_water_depth_m": quantities.max_water_depth_m,
    }


def _composed(site: Site) -> Worked:
    at = site.composition
    raised = np.maximum(at.subgrade - at.existing, 0.0)
    return Worked(at.existing, at.dig, raised, _names(site, at.owner), _names(site, at.fill_owner))


def _worked(site: Site, like: Site) -> Worked:
    """Levels of a site at the nodes of another's lattice."""
    if site.lattice == like.lattice and np.array_equal(site.origin, like.origin):
        return _composed(site)
    places = like.lattice.nodes + (like.origin - site.origin)
    at = compose_at(places, site.elements, site.existing)
    shape = (like.lattice.ny, like.lattice.nx)
    return Worked(
        at.existing.reshape(shape),
        at.dig.reshape(shape),
        np.maximum(at.subgrade - at.existing, 0.0).reshape(shape),
        _names(site, at.dig_owner).reshape(shape),
        _names(site, at.fill_owner).reshape(shape),
    )


def _names(site: Site, owner: Int32Array) -> StrArray:
    """Names of elements by their rows; −1 is nobody."""
    names = np.array([*(element.name for element in site.elements), ""])
    return names[owner]
