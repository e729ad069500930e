"""Where the rocks of the elements sit, and what lies around each of them."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import shapely

from terrain.arrays import FloatArray
from terrain.design.compose import Composed, compose_at
from terrain.design.edges import Stretch, cut_into_banks
from terrain.design.placing import (
    Places,
    Shore,
    along_edge,
    at_places,
    beside_lip,
    open_shore,
    outer_shore,
    spread,
)
from terrain.design.rocks import Form, form, tally
from terrain.design.scans import Scan
from terrain.design.setting import Setting
from terrain.design.shapes import Element
from terrain.design.tables import AlongTable, RockTable
from terrain.errors import Place, PlanError, TerrainError

OFF_EDGE_M = 0.5  # how far the ends of a stretch may lie from the outline


@dataclass(frozen=True)
class Stone:
    """A rock seated on the finish: an ellipsoid, or a scan with these sides.

    Attributes
    ----------
    element, group
        Names of the element and of its rock group.
    centre
        Of its bounding box, shape (3,), m.
    axes
        Full length along the edge, width across it, height; m.
    turn_deg
        Direction of the length, counter-clockwise from east.
    embedded
        Share of its volume below the finish.
    density
        kg/m³.
    scan
        Its scanned surface, or None for an ellipsoid.
    """

    element: str
    group: str
    centre: FloatArray
    axes: tuple[float, float, float]
    turn_deg: float
    embedded: float
    density: float
    scan: Scan | None = None


@dataclass(frozen=True)
class StoneGroup:
    """n rocks of one form.

    Attributes
    ----------
    element, name
        Names of the element and of the group.
    form
        Of each.
    table
        What the plan file says of them.
    centres
        Of the bounding boxes, shape (n, 3), m.
    turn_deg, embedded
        Direction of the length; share below the finish. Shape (n,).
    around
        The composed surfaces in the middle of each, shape (n,).
    crowded
        How many there are more than find room beside each other.
    """

    element: str
    name: str
    form: Form
    table: RockTable
    centres: FloatArray
    turn_deg: FloatArray
    embedded: FloatArray
    around: Composed
    crowded: int

    @property
    def underside(self) -> FloatArray:
        """Elevation of the lowest point of each, shape (n,), m."""
        lowest: FloatArray = self.centres[:, 2] - self.form.axes[2] / 2
        return lowest


def seat_groups(elements: Sequence[Element], setting: Setting) -> tuple[StoneGroup, ...]:
    """Place every group of rocks and sink it to its embedded share.

    Raises
    ------
    PlanError
        Naming the element and the group: a scan that cannot be used, a stretch that is not on the
        edge, a frame without a lip, a place off the survey.
    """
    drafts = [draft for element in elements for draft in _drafts(element, setting)]
    if not drafts:
        return ()
    everywhere = np.concatenate([places.xy for *_, places in drafts])
    at = compose_at(everywhere, elements, setting.existing)
    groups, first = [], 0
    for element, table, one, places in drafts:
        rows = slice(first, first + len(places.xy))
        first = rows.stop
        groups.append(_seated(element, table, one, places, _part(at, rows), setting))
    return tuple(groups)


def _drafts(element: Element, setting: Setting) -> list[tuple[Element, RockTable, Form, Places]]:
    """Where each group of an element stands; what is strewn keeps clear of all that is set."""
    found: list[tuple[Element, RockTable, Form, Places] | None] = [None] * len(element.rock)
    taken = np.empty((0, 3))
    for number, table in sorted(enumerate(element.rock), key=lambda row: row[1].place == "spread"):
        try:
            one = form(table, setting.folder, setting.unit)
            places = _places(element, table, one, number, taken, setting)
        except TerrainError as error:
            raise _in_group(error, element, table) from None
        found[number] = (element, table, one, places)
        radius = np.full(len(places.xy), max(one.axes[:2]) / 2)
        taken = np.concatenate([taken, np.column_stack([places.xy, radius])])
    return [draft for draft in found if draft is not None]


def single_stones(groups: Sequence[StoneGroup]) -> tuple[Stone, ...]:
    """The rocks of all groups, one by one."""
    return tuple(
        Stone(
            group.element,
            group.name,
            centre,
            group.form.axes,
            float(turn),
            float(embedded),
            group.table.density,
            group.form.scan,
        )
        for group in groups
        for centre, turn, embedded in zip(
            group.centres, group.turn_deg, group.embedded, strict=True
        )
    )


def _in_group(error: TerrainError, element: Element, table: RockTable) -> PlanError:
    key = f'element "{element.name}", rock "{table.name}"'
    if error.place.key:
        key += f", {error.place.key}"
    return PlanError(error.found, place=Place(key=key), expected=error.expected, mend=error.mend)


def _part(at: Composed, rows: slice) -> Composed:
    return Composed(**{field.name: getattr(at, field.name)[rows] for field in fields(at)})


def _seated(
    element: Element, table: RockTable, one: Form, places: Places, at: Composed, setting: Setting
) -> StoneGroup:
    off = np.flatnonzero(np.isnan(at.finish))
    if off.size:
        east, north = (places.xy[off[0]] + setting.origin) / setting.unit.metres
        raise _in_group(
            PlanError(
                f"{off.size} of its {len(places.xy)} rocks stand off the surveyed ground, one at "
                f"({east:.2f}, {north:.2f})",
                expected="places on the survey",
                mend="move them, or check that easting comes first",
            ),
            element,
            table,
        )
    height = one.axes[2]
    sunk = one.height_of(table.embedded) * height
    z = at.finish - sunk + height / 2 + places.course * height
    return StoneGroup(
        element=element.name,
        name=table.name,
        form=one,
        table=table,
        centres=np.column_stack([places.xy, z]),
        turn_deg=places.turn_deg,
        embedded=np.where(places.course == 0, table.embedded, 0.0),
        around=at,
        crowded=places.crowded,
    )


def _places(
    element: Element,
    table: RockTable,
    one: Form,
    number: int,
    taken: FloatArray,
    setting: Setting,
) -> Places:
    gap = table.gap or 0.0
    if table.at is not None:
        return at_places(element.outline, np.array(table.at) - setting.origin)
    if table.place == "spread":
        many, seed = tally(table, one, 0), (table.seed, number)
        return spread(element.outline, many, one.axes, gap=gap, seed=seed, taken=taken)
    if table.place == "frame":
        if element.lip is None:
            raise PlanError(
                f"a {element.kind} has no lip to frame",
                place=Place(key="place"),
                expected='place = "frame" in an element of type fall',
                mend="move the rock there, or say where it stands with `at`",
            )
        return beside_lip(element.lip, tally(table, one, 0), one.axes, gap=gap)
    shore = _shore(element, table, setting)
    many = tally(table, one, table.courses * shore.room(one.axes[0], gap))
    return along_edge(
        shore, element.outline, many, one.axes, courses=table.courses, shift=number / 3
    )


def _shore(element: Element, table: RockTable, setting: Setting) -> Shore:
    if table.along is not None:
        return _stretch(element, table.along, setting)
    if table.bank is None:
        return outer_shore(element.outline)
    edge = element.edge
    mine = np.empty((0, 4)) if edge is None else edge.pieces[edge.bank == table.bank]
    if not len(mine):
        raise PlanError(
            f"{element.name} has no bank {table.bank}",
            place=Place(key="bank"),
            expected="the number of one of its `banks`, the first is 1",
            mend="name a stretch with along = { from = [e, n], to = [e, n] }",
        )
    return open_shore(mine)


def _stretch(element: Element, along: AlongTable, setting: Setting) -> Shore:
    ends = setting.local(along.start), setting.local(along.end)
    outline = min(shapely.get_parts(element.outline), key=shapely.Point(ends[0]).distance)
    for key, end in zip(("from", "to"), ends, strict=True):
        away = outline.exterior.distance(shapely.Point(end))
        if away > OFF_EDGE_M:
            raise PlanError(
                f"the end {key!r} lies {setting.unit.length(away)} from the edge",
                place=Place(key="along"),
                expected=f"places within {setting.unit.length(OFF_EDGE_M)} of the outline",
                mend="use corners of the outline",
            )
    try:
        edge = cut_into_banks(outline, [Stretch(*ends)], reach=2 * OFF_EDGE_M)
    except PlanError:
        raise PlanError(
            "the stretch has no length", place=Place(key="along"), expected="two places apart"
        ) from None
    return open_shore(edge.pieces[edge.bank == 1])
