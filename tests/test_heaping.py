"""Heaps of a plan: clear of the dig and of keep-outs, soil by soil."""

import math
from pathlib import Path

import numpy as np
import pytest
import shapely

from terrain.design.compose import compose
from terrain.design.plan import check_plan
from terrain.errors import PlanError
from terrain.heaping import HeapGround, Offered, clear_room, heap_room, lay_heaps
from terrain.surface import Grid, Lattice
from terrain.units import METRE
from tests.design.made import FLAT, PLAN, elements

CELL = 0.1
PIT = {
    "type": "filter_pit",
    "name": "pit",
    "outline": {"points": [[0, 0], [4, 0], [4, 3], [0, 3]]},
    "depth": 1.5,
    "cut_batter": "vertical",
    "lifts": [{"name": "cobbles", "thickness": 1.5, "voids": 0.4}],
}
ROOTS = {"type": "keep_out", "name": "roots", "outline": {"points": [[9, 0], [12, 0], [10, 3]]}}


def box(west, south, east, north):
    return {"points": [[west, south], [east, south], [east, north], [west, north]]}


def heap(name="spoil", outline=None, **keys):
    return {"type": "heap", "name": name, "outline": outline or box(2, -2, 12, 8)} | keys


def ground(*tables, **plan):
    built = elements(*tables, **plan)
    model = check_plan(
        PLAN | plan | {"element": [{"level": 0.0} | t if t is PIT else t for t in tables]},
        Path("site.toml"),
    )
    lattice = Lattice.covering((-3, -4, 16, 12), cell=CELL)
    composition = compose(lattice, built, Grid(lattice, np.zeros(lattice.shape)))
    return HeapGround(model, built, FLAT, composition, METRE, np.zeros(2))


@pytest.mark.parametrize(("keys", "away"), [({}, 0.6096), ({"setback": "3 ft"}, 0.9144),
                                            ({"setback": "depth"}, 1.5)])  # fmt: skip
def test_a_heap_stays_off_the_dig_and_out_of_the_roots(keys, away):
    on = ground(PIT, ROOTS, heap(**keys))
    ((element, table),) = on.places
    room = clear_room(on, element, table)
    pit, roots = on.elements[0].grown, on.elements[1].outline
    assert away - 1e-9 <= room.distance(pit) <= away + 2 * CELL
    closed = pit.buffer(away).union(roots)
    assert room.intersection(closed).area < 1e-3
    whole = element.outline.difference(pit.buffer(away + 2 * CELL).union(roots))
    assert whole.difference(room).area < 0.02
    laid = lay_heaps(on, [Offered("common earth", 30.0)]).heaps[0].heap
    assert laid.toe.area > 5
    assert laid.toe.distance(pit) >= away - 1e-9
    assert laid.toe.intersection(roots).area < 1e-6


def test_each_soil_goes_where_the_plan_sends_it():
    """A 6 m square holds 24 m³ at 1.5:1; topsoil has its own heap, clay and sand share one."""
    soils = [{"name": name} for name in ("clay", "sand", "topsoil")]
    on = ground(
        heap("all", box(0, 0, 6, 6), shape="flat"),
        heap("black", box(8, 0, 14, 6), shape="flat", soil="topsoil"),
        soil=soils,
    )
    offered = [Offered("clay", 20.0), Offered("sand", 10.0), Offered("topsoil", 30.0, True)]
    laid = lay_heaps(on, offered)
    first, second = laid.heaps
    held, black = first.heap.volume_loose_m3, second.heap.volume_loose_m3
    assert (held, black) == pytest.approx((24, 24), rel=5e-3)
    assert first.soils == pytest.approx({"clay": held * 2 / 3, "sand": held / 3})
    assert second.soils == pytest.approx({"topsoil": black})
    assert laid.left_over == pytest.approx(
        {"clay": 20 - held * 2 / 3, "sand": 10 - held / 3, "topsoil": 30 - black}
    )
    assert laid.laid_m3 + laid.left_over_m3 == pytest.approx(60)
    assert heap_room(on) == pytest.approx({"all": 24, "black": 24}, rel=5e-3)


def test_soil_kept_apart_shares_a_heap_only_where_it_has_none():
    soils = [{"name": "clay"}, {"name": "topsoil"}]
    offered = [Offered("clay", 4.0), Offered("topsoil", 3.0, True), Offered("rock", -5.0)]
    shared = lay_heaps(ground(heap("all", box(0, 0, 6, 6)), soil=soils), offered)
    assert shared.heaps[0].soils == pytest.approx({"clay": 4, "topsoil": 3})
    assert shared.left_over == {}


def test_the_second_heap_of_one_zone_lies_beside_the_first():
    on = ground(heap("one", shape="cone", highest=1), heap("two", shape="flat"))
    one, two = lay_heaps(on, [Offered("common earth", 40.0)]).heaps
    assert one.heap.volume_loose_m3 == pytest.approx(math.pi * 1.5**2 / 3, rel=5e-3)
    assert two.heap.toe.intersection(one.heap.toe).area < 1e-3
    assert one.heap.volume_loose_m3 + two.heap.volume_loose_m3 == pytest.approx(40)


def test_a_zone_that_the_dig_swallows_holds_nothing():
    on = ground(PIT, heap("gone", box(-0.4, -0.4, 4.4, 3.4)))
    laid = lay_heaps(on, [Offered("common earth", 7.0)])
    assert laid.heaps[0].room.is_empty
    assert laid.left_over_m3 == 7


def test_a_crest_in_the_keep_out_is_refused():
    on = ground(ROOTS, heap(shape="cone", crest=[[10, 1]]))
    with pytest.raises(PlanError, match=r"crest at E 10\.0, N 1\.0 lies where no soil"):
        lay_heaps(on, [Offered("common earth", 7.0)])


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        ({"setback": "1 ft"}, r"0\.30 m from the edge"),
        ({"setback": "deep"}, r"'deep' is not a length[\s\S]*depth"),
        ({"setback": [1]}, "is not a length"),
        ({"batter": "vertical"}, "rest at 0:1"),
        ({"crest": [[3, 3]]}, "no shape"),
        ({"shape": "ridge", "crest": [[3, 3]]}, 'shape = "ridge"'),
        ({"shape": "ridge", "crest": [[3, 3], [3, 3]]}, "no length"),
    ],
)
def test_a_heap_that_cannot_be_is_refused(keys, found):
    with pytest.raises(PlanError, match=found):
        elements(heap(**keys))


def test_toes_do_not_leave_the_zone():
    on = ground(heap("small", box(0, 0, 3, 3), shape="flat"))
    (laid,) = lay_heaps(on, [Offered("common earth", 50.0)]).heaps
    assert shapely.box(0, 0, 3, 3).buffer(1e-9).covers(laid.heap.toe)
    assert laid.heap.left_over_m3 == pytest.approx(50 - 3.0, abs=0.02)
