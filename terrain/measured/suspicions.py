"""Whether the surveys of a site lie where they should: against each other and against the plan."""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from terrain.arrays import FloatArray
from terrain.design import Plan
from terrain.measured.reading import Reading
from terrain.survey.misplaced import looks_misplaced
from terrain.survey.suspicion import Reference, Suspicion
from terrain.units import UNITS, Unit

_AROUND = np.array([[-1.0, -1.0], [1.0, 1.0]])


def suspicions(
    readings: Sequence[Reading], plan: Plan, unit: Unit
) -> Mapping[str, tuple[Suspicion, ...]]:
    """What may be wrong with the place of each survey, by its name; those without are left out.

    Parameters
    ----------
    readings
        The surveys in true coordinates; the first is trusted by the others.
    plan
        Its outlines are trusted by the first.
    unit
        Of the plan, in which files were read that do not say theirs.
    """
    planned = np.array(list(_places(plan))).reshape(-1, 2)
    found = {}
    for k, reading in enumerate(readings):
        others = [Reference(readings[0].table.name, readings[0].xyz)] if k else []
        if not k and len(planned) > 1:
            others = [Reference("the plan", planned)]
        crs = plan.site.crs or reading.table.crs or reading.crs
        read_in = reading.unit or (UNITS[reading.table.unit] if reading.table.unit else unit)
        said = looks_misplaced(reading.xyz, others, crs=crs, unit=read_in)
        if said:
            found[reading.table.name] = said
    return found


def _places(plan: Plan) -> Iterator[FloatArray]:
    """Places that the plan names: corners, ends of circles and ovals, vertices of paths."""
    for element in plan.element:
        outline = getattr(element, "outline", None)
        circle, oval = getattr(outline, "circle", None), getattr(outline, "ellipse", None)
        if circle is not None:
            yield from np.array(circle.centre) + circle.radius * _AROUND
        if oval is not None:
            yield from np.array(oval.centre) + max(oval.axes) / 2 * _AROUND
        for places in (getattr(outline, "points", None), getattr(element, "path", None)):
            for place in places or ():
                yield np.array(place)
