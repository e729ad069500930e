"""How sure what is dug, put back and raised on a site is."""

import numpy as np

from terrain.design import Composition, Element, Plan
from terrain.earthwork.methods import Methods
from terrain.earthwork.uncertainty import (
    DigTolerance,
    Dug,
    Uncertainty,
    dig_uncertainty,
    dug_of,
    volume_uncertainty,
)
from terrain.surface.doubt import Doubt


def dug_by_element(elements: tuple[Element, ...], at: Composition) -> dict[str, Dug]:
    """What each element digs, by name; those that dig nothing are left out."""
    depth = np.where(at.dig < at.existing, at.existing - at.dig, 0.0)
    found = {
        element.name: dug_of(np.where(at.owner == row, depth, 0.0), at.lattice)
        for row, element in enumerate(elements)
    }
    return {name: dug for name, dug in found.items() if dug is not None}


def excavation_uncertainty(
    plan: Plan, doubt: Doubt, dug: dict[str, Dug], methods: Methods
) -> Uncertainty:
    """Say how sure the excavation is, by what makes it doubtful and by element."""
    return volume_uncertainty(
        doubt,
        dug,
        method_bound_m3=methods.cut_bound_m3,
        benchmark_m=plan.site.benchmark,
        tolerance=DigTolerance(plan.dig_accuracy.level, plan.dig_accuracy.edge),
    )


def fill_uncertainty(plan: Plan, doubt: Doubt, at: Composition, methods: Methods) -> Uncertainty:
    """Say how sure the fill above the existing ground is: of its ground, not of its shaping."""
    height = np.where(at.subgrade > at.existing, at.subgrade - at.existing, 0.0)
    raised = dug_of(height, at.lattice)
    return volume_uncertainty(
        doubt,
        {} if raised is None else {"fill": raised},
        method_bound_m3=0.0 if raised is None else methods.fill_bound_m3,
        benchmark_m=plan.site.benchmark,
    )


def backfill_uncertainty(plan: Plan, dug: dict[str, Dug], methods: Methods) -> Uncertainty:
    """Say how sure the room behind the rocks is: what the bucket takes too much is put back."""
    return dig_uncertainty(
        dug,
        method_bound_m3=methods.cut_bound_m3 if dug else 0.0,
        tolerance=DigTolerance(plan.dig_accuracy.level, plan.dig_accuracy.edge),
    )
