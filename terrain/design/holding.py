"""Whether the finish holds the water that is to stand and run in it."""

from collections.abc import Sequence

import numpy as np
import shapely
from scipy.ndimage import distance_transform_edt, label, minimum_filter

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.design.bodies import LEVEL_M, TOUCH_M, Body, bodies
from terrain.design.checks import RUN_IN_M, Finding, Place, good
from terrain.design.compose import Composition
from terrain.design.shapes import Corridor, Element
from terrain.surface import Grid
from terrain.surface.hollows import Flooded, flood
from terrain.units import Unit

HOLDS, HOLDS_EXPECTED = "rim holds the water", "a rim at or above the water all round"


def running_surface(elements: Sequence[Element], at: Composition) -> Grid:
    """The finish, with the running water of streams on it, which dams what stands above.

    Where a stream leaves a pool its water is taken to stand as high as the pool's.
    """
    rows = [row for row, element in enumerate(elements) if element.kind == "stream"]
    running = np.flatnonzero(np.isin(at.finish_owner, rows) & np.isfinite(at.water))
    z = at.finish.copy()
    z.flat[running] = at.water.flat[running]
    cell = at.lattice.cell
    for body, stream, grade in _mouths(elements) if running.size else ():
        under = body.level - z
        near = np.flatnonzero((under > 0) & (under <= RUN_IN_M + 2 * cell * grade))
        mouth = _outline(elements, body).buffer(2 * cell) & stream.outline.buffer(2 * cell)
        x, y = _xy(at, near).T
        z.flat[near[shapely.contains_xy(mouth, x, y)]] = body.level
    return Grid(at.lattice, z)


def _mouths(elements: Sequence[Element]) -> list[tuple[Body, Element, float]]:
    """Where a stream leaves a pool at its level: the pool, the stream, and its grade there."""
    found = []
    for stream in elements:
        for shape in stream.shapes:
            if not isinstance(shape, Corridor):
                continue
            x1, y1, x2, y2 = shape.reach.pieces[0]
            top, end = float(shape.reach.start[0, 0]), float(shape.reach.end[0, 0])
            grade = max(top - end, 0.0) / float(np.hypot(x2 - x1, y2 - y1))
            found += [
                (body, stream, grade)
                for body in bodies(elements)
                if abs(body.level - top) <= RUN_IN_M
                and _outline(elements, body).dwithin(shapely.Point(x1, y1), TOUCH_M)
            ]
    return found


def _outline(elements: Sequence[Element], body: Body) -> shapely.Geometry:
    return shapely.union_all([elements[row].outline for row in body.rows])


def rims_hold(
    elements: Sequence[Element], running: Grid, owner: Int32Array, *, unit: Unit
) -> list[Finding]:
    """Whether every body of water stands at its level and nowhere but in its elements.

    Parameters
    ----------
    running
        See `running_surface`.
    owner
        Row of the element that decided the finish at each node, shape (ny, nx).
    """
    flooded, findings = flood(running), []
    for body in bodies(elements):
        mine = np.isin(owner, body.rows) & np.isfinite(running.z)
        if not mine.any():
            continue
        escape = _over_rim(body, mine, flooded)
        if escape is None:
            escape = _spread(body, mine, running, _outline(elements, body))
        if escape is not None:
            findings.append(_leak(elements, body, running, escape, unit))
            continue
        wet = mine & (flooded.outlet >= 0)
        spill = float(flooded.level[wet].min()) if wet.any() else body.level
        found = f"can rise {unit.length(max(spill - body.level, 0.0))} before it runs out"
        pools = [elements[row] for row in body.rows if elements[row].lip is None]
        findings += [good(HOLDS, pool, found, HOLDS_EXPECTED) for pool in pools]
    return findings


def _over_rim(body: Body, mine: BoolArray, flooded: Flooded) -> int | None:
    """The node over which the body's water would run away, or None."""
    short = np.where(mine, body.level - flooded.level, -np.inf)
    worst = int(short.argmax())
    if short.flat[worst] <= LEVEL_M:
        return None
    over = int(flooded.outlet.flat[worst])
    return over if over >= 0 else worst


def _spread(body: Body, mine: BoolArray, running: Grid, outline: shapely.Geometry) -> int | None:
    """The nearest node outside the body's elements that its water would stand over, or None."""
    low = running.z < body.level - LEVEL_M
    pools, _ = label(low, structure=np.ones((3, 3)))
    wet = np.isin(pools, np.unique(pools[mine & low])) & low & ~mine
    nodes = np.flatnonzero(wet)
    away = shapely.distance(shapely.points(_xy(running, nodes)), outline)
    nodes, away = nodes[away > 0], away[away > 0]
    if not nodes.size:
        return None
    cells = np.round(away / running.lattice.cell)
    return int(nodes[np.lexsort((running.z.flat[nodes], cells))[0]])


def _leak(elements: Sequence[Element], body: Body, running: Grid, node: int, unit: Unit) -> Finding:
    place = _node(running, node)
    low = float(running.z.flat[node])
    found = (
        f"its water at {unit.length(body.level)} runs out over a low place at "
        f"{unit.length(low)}, {unit.length(body.level - low)} too low"
    )
    mend = "raise the rim there, or lower the water"
    owner = _nearest(elements, body, place)
    return Finding(HOLDS, owner.name, place, found, HOLDS_EXPECTED, mend, passed=False)


def rims_wide(
    elements: Sequence[Element], at: Composition, *, least: float, unit: Unit
) -> list[Finding]:
    """Whether the ground that holds the water back is wide enough, at the water's level.

    Between the edge of the water and lower ground outside there must be `least` m. Beside a
    stream, ground that is lower right at its edge lets it run out. Places at the lip of a fall are
    left out: water is to run over there.
    """
    findings = []
    wet = np.isfinite(at.water)
    if not wet.any():
        return []
    owner, low = _low_places(elements, at, wet, least)
    for row, element in enumerate(elements):
        stream = element.kind == "stream"
        if element.lip is not None or not (stream or element.water_level_m is not None):
            continue
        rows = np.flatnonzero(low & (owner == row))
        near = shapely.distance(shapely.points(_xy(at, rows)), element.outline)
        rows, near = rows[near < least], near[near < least]
        mend = "widen the crest, move what is dug behind it, or set rim_width in [checks]"
        check, expected = "rim is wide enough", f"at least {unit.length(least)} at the water"
        if not rows.size:
            findings.append(good(check, element, "no lower ground is nearer", expected))
            continue
        worst = int(np.argmin(near))
        width = float(near[worst])
        if width <= 1.5 * at.lattice.cell:
            check, expected = HOLDS, HOLDS_EXPECTED
            found = "the ground beside its water is lower than the water"
            mend = "raise the bank there, or lower the water"
        else:
            found = f"lower ground begins {unit.length(width)} from its water"
        findings.append(
            Finding(
                check,
                element.name,
                _node(at, int(rows[worst])),
                found,
                expected,
                mend,
                passed=False,
            )
        )
    return findings


def _low_places(
    elements: Sequence[Element], at: Composition, wet: BoolArray, least: float
) -> tuple[Int32Array, BoolArray]:
    """For each node the owner of the nearest water; which nodes lie too low."""
    cell = at.lattice.cell
    distance, (rows, columns) = distance_transform_edt(~wet, sampling=cell, return_indices=True)
    # the water of a stream falls from node to node: its lowest around the nearest counts
    lowest = minimum_filter(np.where(wet, at.water, np.inf), size=3)
    level = lowest[rows, columns]
    low = ~wet & (distance < least + 2 * cell) & (at.finish < level - LEVEL_M)
    for element in elements:
        if element.lip is None:
            continue
        apron = element.outline.union(shapely.LineString(element.lip).buffer(least))
        nodes = np.flatnonzero(low)
        x, y = _xy(at, nodes).T
        low.flat[nodes[shapely.intersects_xy(apron.buffer(cell), x, y)]] = False
    return at.finish_owner[rows, columns], low


def _xy(at: Composition | Grid, nodes: IntArray) -> FloatArray:
    rows, columns = np.divmod(nodes, at.lattice.nx)
    return np.column_stack([at.lattice.x[columns], at.lattice.y[rows]])


def _node(at: Composition | Grid, node: int) -> Place:
    row, column = divmod(node, at.lattice.nx)
    return float(at.lattice.x[column]), float(at.lattice.y[row])


def _nearest(elements: Sequence[Element], body: Body, place: Place) -> Element:
    point = shapely.Point(place)
    return min((elements[row] for row in body.rows), key=lambda e: e.outline.distance(point))
