"""Small grounds and plans for the tests of design."""

from pathlib import Path
from typing import Any

import numpy as np
import shapely

from terrain.design import Element, Setting, build_elements
from terrain.design.plan import check_plan
from terrain.surface import Plane
from terrain.units import METRE

FREE = {"mound", "stream", "fall", "trench", "pad", "heap", "keep_out"}
FLAT = Plane(0.0, shapely.box(-50, -50, 50, 50))
PLAN = {"site": {"name": "made up"}, "survey": [{"name": "rover", "file": "rover.csv"}]}


def elements(*tables: dict[str, Any], ground: Plane = FLAT, **plan: Any) -> tuple[Element, ...]:
    """Build elements on a plane; depths count from elevation 0 unless a table says otherwise."""
    filled = [
        table if {"water", "below_ground"} & table.keys() or table["type"] in FREE
        else {"level": 0.0} | table
        for table in tables
    ]  # fmt: skip
    model = check_plan(PLAN | plan | {"element": filled}, Path("site.toml"))
    return build_elements(
        Setting(
            plan=model,
            existing=ground,
            strings={},
            folder=Path(),
            unit=METRE,
            origin=np.zeros(2),
        )
    )


def circle(radius: float) -> dict[str, Any]:
    """A round outline about the origin."""
    return {"circle": {"centre": [0, 0], "radius": radius}}


def rectangle(width: float, length: float) -> dict[str, Any]:
    """A rectangle with its south-west corner in the origin."""
    return {"points": [[0, 0], [width, 0], [width, length], [0, length]]}
