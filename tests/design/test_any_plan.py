"""What holds for every plan, tried on plans that hypothesis makes."""

import math
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from terrain.design import compose, compose_at
from terrain.design.compose import lay, relay
from terrain.surface import Grid, Lattice, Plane
from tests.design.made import elements
from tests.design.measure import asked

SLOPE = Plane(0.0, shapely.box(-60, -60, 60, 60), east_grade=0.06, north_grade=-0.04)
CELL = 0.25
share = st.floats(0, 1, allow_subnormal=False)


@st.composite
def ring(draw: Any) -> list[list[float]]:
    """A star-shaped outline of 5 to 12 corners, 2 to 5 m from its middle."""
    count = draw(st.integers(5, 12))
    middle = [draw(st.floats(-8, 8)), draw(st.floats(-8, 8))]
    radii = [draw(st.floats(2, 5)) for _ in range(count)]
    return [
        [middle[0] + r * math.cos(2 * math.pi * k / count),
         middle[1] + r * math.sin(2 * math.pi * k / count)]
        for k, r in enumerate(radii)
    ]  # fmt: skip


@st.composite
def plan(draw: Any) -> list[dict[str, Any]]:
    """One to four elements of any kind that digs or raises."""
    tables: list[dict[str, Any]] = []
    for row in range(draw(st.integers(1, 4))):
        kind = draw(st.sampled_from(["basin", "plunge_pool", "filter_pit", "stream", "mound"]))
        common = {"type": kind, "name": f"e{row}"}
        dug = {
            "over_dig": {"side": draw(st.floats(0, 0.6)), "below": draw(st.floats(0, 0.3))},
            "layers": [{"name": "gravel", "thickness": draw(st.floats(0.01, 0.2))}],
            "cut_batter": draw(st.sampled_from(["vertical", "0.5:1", "1.5:1"])),
            "freeboard": draw(st.floats(0, 0.3)),
        }
        level = draw(st.floats(-1, 0.5))
        if kind == "stream":
            x, y = draw(st.floats(-6, 0)), draw(st.floats(-6, 6))
            tables.append(
                common | dug | {
                    "path": [[x, y], [x + 3, y + draw(st.floats(-2, 2))], [x + 6, y]],
                    "levels": [level + 0.2, level + 0.1, level], "width": draw(st.floats(0.6, 2)),
                    "depth": draw(st.floats(0.1, 0.5)), "side": "0.5:1",
                }
            )  # fmt: skip
            continue
        common["outline"] = {"points": draw(ring())}
        if kind == "mound":
            tables.append(common | {"height": draw(st.floats(0.2, 1)), "batter": "2:1"})
            continue
        common |= dug | {"water": "w"}
        if kind == "basin":
            first = draw(st.floats(0.1, 0.6))
            common |= {
                "shelves": [{"depth": first, "width": draw(st.floats(0.2, 1)), "riser": "0.3:1"}],
                "floor": first + draw(st.floats(0, 1)), "batter": draw(st.sampled_from([0, 1, 2])),
            }  # fmt: skip
        elif kind == "filter_pit":
            common |= {
                "depth": 1.0, "layers": [],
                "lifts": [{"name": "stone", "thickness": draw(st.floats(0.1, 1.0))}],
            }  # fmt: skip
        else:
            common |= {"depth": draw(st.floats(0.2, 1.5)), "shape": "straight"}
        tables.append(common)
    return tables


def moved(tables: list[dict[str, Any]], turn: float, shift: tuple[float, float]):
    """The same plan turned about the origin and shifted."""
    c, s = math.cos(turn), math.sin(turn)

    def place(p: list[float]) -> list[float]:
        return [c * p[0] - s * p[1] + shift[0], s * p[0] + c * p[1] + shift[1]]

    return [
        table | {"path": [place(p) for p in table["path"]]}
        if "path" in table
        else table | {"outline": {"points": [place(p) for p in table["outline"]["points"]]}}
        for table in tables
    ]


def dug_volume(tables, ground: Plane, *, cell: float = CELL) -> tuple[float, float]:
    """Volume dug, and what the cells that hold a wall may hide."""
    built = elements(*tables, ground=ground, water={"w": 0.2})
    at, weight = asked(built, ground, (-24, -24, 24, 24), cell)
    return float(np.sum((at.existing - at.dig) * weight)), float(np.sum(weight))


@given(tables=plan())
@settings(max_examples=60, deadline=None)
def test_surfaces_lie_in_order(tables):
    """dig ≤ existing and dig ≤ subgrade ≤ bed ≤ stone ≤ finish, wherever anything is done."""
    built = elements(*tables, ground=SLOPE, water={"w": 0.2})
    lattice = Lattice.covering((-24, -24, 24, 24), cell=CELL)
    ground = Grid(lattice, SLOPE.elevation(lattice.nodes).reshape(lattice.shape))
    at = compose(lattice, built, ground)
    slack = 1e-9
    assert np.all(at.dig <= at.existing)
    for lower, upper in (("dig", "subgrade"), ("subgrade", "bed"), ("bed", "stone"),
                         ("stone", "finish")):  # fmt: skip
        assert np.all(getattr(at, lower) <= getattr(at, upper) + slack), (lower, upper)
    wet = np.isfinite(at.water)
    assert np.all(at.finish[wet] < at.water[wet])
    cut = at.dig < at.existing
    assert np.all(at.owner[cut] >= 0)
    assert np.all(at.owner[~cut] == -1)


NARROW = [
    {
        "type": "stream", "name": "e0", "over_dig": {"side": 0.0, "below": 0.0},
        "layers": [{"name": "gravel", "thickness": 0.125}], "cut_batter": "vertical",
        "freeboard": 0.0, "path": [[0.0, 0.0], [3.0, 0.0], [6.0, 0.0]],
        "levels": [0.2, 0.1, 0.0], "width": 1.0, "depth": 0.125, "side": "0.5:1",
    }
]  # fmt: skip


@example(tables=NARROW, turn=1.0, east=0.0, north=0.0)
@given(tables=plan(), turn=st.floats(0, 6.3), east=st.floats(-1, 1), north=st.floats(-1, 1))
@settings(max_examples=15, deadline=None)
def test_volume_stays_when_the_plan_is_turned_and_shifted(tables, turn, east, north):
    """On level ground, within what cells of 0.1 m can tell."""
    level = Plane(0.1, SLOPE.footprint)
    before, _ = dug_volume(tables, level, cell=0.1)
    after, _ = dug_volume(moved(tables, turn, (east, north)), level, cell=0.1)
    assert after == pytest.approx(before, rel=0.01, abs=0.15)


@given(tables=plan(), deeper=st.floats(0.01, 0.5), wider=st.floats(0.01, 0.5))
@settings(max_examples=30, deadline=None)
def test_more_depth_or_over_dig_is_never_less_dug(tables, deeper, wider):
    xy = np.random.default_rng(8).uniform(-20, 20, (4000, 2))
    before = compose_at(xy, elements(*tables, ground=SLOPE, water={"w": 0.2}), SLOPE)
    for change in ("depth", "over_dig"):
        grown = []
        for table in tables:
            new = dict(table)
            if change == "depth" and "floor" in new:
                new["floor"] = new["floor"] + deeper
            elif change == "depth" and "depth" in new and new["type"] != "filter_pit":
                new["depth"] = new["depth"] + deeper
            elif change == "over_dig" and "over_dig" in new:
                over = new["over_dig"]
                new["over_dig"] = {"side": over["side"] + wider, "below": over["below"] + deeper}
            grown.append(new)
        after = compose_at(xy, elements(*grown, ground=SLOPE, water={"w": 0.2}), SLOPE)
        assert np.all(after.dig <= before.dig + 1e-9), change


@given(tables=plan(), deeper=st.floats(0.05, 0.5), row=st.integers(0, 3))
@settings(max_examples=25, deadline=None)
def test_one_changed_element_gives_the_same_as_all_anew(tables, deeper, row):
    lattice = Lattice.covering((-24, -24, 24, 24), cell=0.5)
    ground = Grid(lattice, SLOPE.elevation(lattice.nodes).reshape(lattice.shape))
    before = elements(*tables, ground=SLOPE, water={"w": 0.2})
    laid = lay(lattice, before, ground)
    row %= len(tables)
    changed = dict(tables[row])
    key = next(k for k in ("height", "floor", "depth") if k in changed)
    changed[key] = changed[key] + deeper
    new = elements(*tables[:row], changed, *tables[row + 1 :], ground=SLOPE, water={"w": 0.2})
    exchanged = (*before[:row], new[row], *before[row + 1 :])
    again, whole = relay(laid, exchanged).composition, lay(lattice, exchanged, ground).composition
    for name in ("dig", "subgrade", "bed", "stone", "finish", "water", "owner", "fill_owner"):
        np.testing.assert_array_equal(getattr(again, name), getattr(whole, name))
