"""Streams, trenches and falls: what is built along a path or across a lip."""

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.dug import rim_of
from terrain.design.edges import cut_into_banks, grow
from terrain.design.limits import check_depth, check_level, check_on_survey
from terrain.design.paths import reach
from terrain.design.profiles import stepped_profile
from terrain.design.setting import Setting
from terrain.design.shapes import Corridor, Element, Excavation, Run
from terrain.design.tables import FallElement, StreamElement, TrenchElement
from terrain.errors import Place, PlanError


def _corners(path: tuple[tuple[float, float], ...], setting: Setting) -> FloatArray:
    corners = np.array(path) - setting.origin
    if not shapely.LineString(corners).is_simple or (np.diff(corners, axis=0) == 0).all(1).any():
        raise PlanError(
            "the path crosses itself, or stays at one place",
            place=Place(key="path"),
            expected="corners in walking order",
        )
    return corners


def _each(value: float | tuple[float, ...], count: int) -> FloatArray:
    values: FloatArray = np.broadcast_to(np.array(value, dtype=np.float64), (count,)).copy()
    return values


def stream(table: StreamElement, setting: Setting) -> Element:
    """Resolve a stream's corridor."""
    corners = _corners(table.path, setting)
    count = len(corners)
    ends = np.array([level[0] if isinstance(level, tuple) else level for level in table.levels])
    begins = np.array([level[1] if isinstance(level, tuple) else level for level in table.levels])
    half, depth = _each(table.width, count) / 2, _each(table.depth, count)
    line = reach(
        corners, np.column_stack([ends, half, depth]), np.column_stack([begins, half, depth])
    )
    over_dig = table.over_dig or setting.plan.over_dig
    grown = line.outline(over_dig.side)
    cover = sum(layer.thickness for layer in table.layers)
    check_on_survey(grown, setting.existing, setting.unit)
    check_depth(
        float(depth.max()) + cover + over_dig.below, "deep to the dig", "depth", setting.unit
    )
    outline = line.outline()
    for level in (ends.max(), begins.min()):
        check_level(float(level), "levels", outline, setting.existing, setting.unit)
    return Element(
        name=table.name,
        kind=table.type,
        outline=outline,
        grown=grown,
        shapes=(
            Corridor(
                reach=line,
                side_batter=table.side,
                cover=cover,
                below=over_dig.below,
                side=over_dig.side,
                cut_batter=table.cut_batter,
                rim=rim_of(table.rim, table.freeboard, holds_water=True),
            ),
        ),
        water_level_m=None,
        rock=table.rock,
        soil=table.soil,
        edge_allowance_m=table.edge_allowance if table.liner else None,
        edge=cut_into_banks(outline, []),
    )


def trench(table: TrenchElement, setting: Setting) -> Element:
    """Resolve a trench."""
    corners = _corners(table.path, setting)
    half = _each(table.width, len(corners)) / 2
    bottom = np.array(table.inverts) if table.inverts else _each(table.depth or 0.0, len(corners))
    line = reach(corners, np.column_stack([bottom, half, np.zeros(len(corners))]))
    outline = line.outline()
    check_on_survey(outline, setting.existing, setting.unit)
    if table.depth is not None:
        check_depth(table.depth + table.bedding, "deep to the dig", "depth", setting.unit)
    else:
        for invert in bottom:
            check_level(float(invert), "inverts", outline, setting.existing, setting.unit)
    return Element(
        name=table.name,
        kind=table.type,
        outline=outline,
        grown=outline,
        shapes=(Run(line, table.depth is not None, table.bedding, table.surround, table.pipe),),
        water_level_m=None,
        rock=(),
        soil=table.soil,
        edge_allowance_m=None,
        edge=cut_into_banks(outline, []),
    )


def fall(table: FallElement, setting: Setting, pools: dict[str, shapely.Geometry]) -> Element:
    """Resolve a fall: a sill at the upper level behind the lip, a landing under the lower one.

    Parameters
    ----------
    pools
        Outlines of the elements built so far, by the name of their water; they say which side of
        the lip is down.
    """
    upper, lower = setting.plan.water[table.upper], setting.plan.water[table.lower]
    if lower >= upper:
        raise PlanError(
            f"the water falls from {setting.unit.length(upper)} to {setting.unit.length(lower)}",
            place=Place(key="to"),
            expected="a lower level than the one it falls from",
            mend="exchange `from` and `to`, or mend the levels in [water]",
        )
    lip = np.array([setting.local(place) for place in table.lip])
    along = lip[1] - lip[0]
    if not along.any():
        raise PlanError("the lip has no width", place=Place(key="lip"), expected="its two ends")
    across = np.array([-along[1], along[0]]) / np.hypot(*along)
    across *= _downstream(lip.mean(axis=0), across, table, pools, setting)
    over_dig = table.over_dig or setting.plan.over_dig
    cover = sum(layer.thickness for layer in table.layers)
    parts = []
    # the face under the lip is upright: a batter would eat the sill
    for level, depth, reaches, cut_batter in (
        (upper, 0.0, (-table.sill, 0.0), table.cut_batter),
        (lower, table.landing.depth, (0.0, table.landing.reach), 0.0),
    ):
        ring = [lip[0] + reaches[0] * across, lip[1] + reaches[0] * across,
                lip[1] + reaches[1] * across, lip[0] + reaches[1] * across]  # fmt: skip
        outline = shapely.Polygon(ring)
        edge = cut_into_banks(outline, [])
        grown, grown_edge = grow(outline, edge, [over_dig.side])
        parts.append((outline, grown, edge, grown_edge, level, depth, cut_batter))
        check_on_survey(grown, setting.existing, setting.unit)
        check_level(level, "from", outline, setting.existing, setting.unit)
    outline = shapely.union_all([part[0] for part in parts])
    rim = rim_of(table.rim, table.freeboard, holds_water=False)
    return Element(
        name=table.name,
        kind=table.type,
        outline=outline,
        grown=shapely.union_all([part[1] for part in parts]),
        shapes=tuple(
            Excavation(
                level=level,
                edge=edge,
                grown_edge=grown_edge,
                profiles=(stepped_profile([], depth, 0.0),),
                trough=None,
                cover=cover,
                depth_is_to_soil=False,
                below=over_dig.below,
                cut_batter=cut_batter,
                rim=rim,
                lifts=(),
            )
            for _, _, edge, grown_edge, level, depth, cut_batter in parts
        ),
        water_level_m=lower,
        rock=table.rock,
        soil=table.soil,
        edge_allowance_m=table.edge_allowance if table.liner else None,
        edge=cut_into_banks(outline, []),
        lip=lip,
    )


def _downstream(
    middle: FloatArray,
    across: FloatArray,
    table: FallElement,
    pools: dict[str, shapely.Geometry],
    setting: Setting,
) -> float:
    """+1 where the fall runs to the left of its lip, −1 where to the right."""
    ahead, behind = (
        shapely.Point(middle + sign * table.landing.reach * across) for sign in (1, -1)
    )
    if table.lower in pools:
        pool = pools[table.lower]
        if (nearer := ahead.distance(pool)) != (farther := behind.distance(pool)):
            return 1.0 if nearer < farther else -1.0
    places = np.array([[ahead.x, ahead.y], [behind.x, behind.y]])
    heights = setting.existing.elevation(places)
    return 1.0 if heights[0] <= heights[1] else -1.0
