"""One page that shows the site in 3D, opened from disk: no network, no rendering to make it.

Heights are stored as 16-bit steps between the lowest and the highest, on a lattice of at most
160,000 nodes; the program in `page.js` draws them with WebGL 2.
"""

import base64
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from jinja2 import Environment
from markupsafe import Markup
from numpy.typing import NDArray

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.review import look
from terrain.review.blocks import SHAPES, block, finish_with_stones, shape_of
from terrain.review.camera import vertical_factor
from terrain.review.outlines import rings
from terrain.review.relief import sky_seen, without_gaps
from terrain.review.walls import MOST, straightened
from terrain.review.waterline import water_sheet

if TYPE_CHECKING:
    from terrain.design import Element, Stone
    from terrain.site import Site

MOST_NODES = 160_000
"""In the page's lattice; a finer one is thinned."""

GAP = 65535
"""The stored value of a node that has no height."""


@dataclass(frozen=True)
class Quantised:
    """Heights in 16-bit steps: `low + step * values`, `GAP` where there is none."""

    values: NDArray[np.uint16]
    low: float
    step: float


def quantise(z: FloatArray, low: float, high: float) -> Quantised:
    """Store heights from `low` to `high`, off by at most half a step of (high − low)/65534."""
    step = max(high - low, 1e-6) / (GAP - 1)
    values = np.where(np.isnan(z), GAP, np.round((np.nan_to_num(z, nan=low) - low) / step))
    return Quantised(values.astype("<u2"), low, step)


def _text(values: NDArray[np.generic]) -> str:
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def scene(site: "Site") -> dict[str, object]:
    """Everything the page's program draws, ready for JSON; arrays are base64, little-endian."""
    composition, unit = site.composition, site.unit
    lattice = composition.lattice
    stride = max(1, math.ceil(math.sqrt(lattice.nx * lattice.ny / MOST_NODES)))
    cell = lattice.cell * stride
    pick = (slice(None, None, stride), slice(None, None, stride))
    finish = composition.finish[pick]
    heights = {
        "existing": composition.existing[pick],
        "dig": composition.dig[pick],
        "subgrade": composition.subgrade[pick],
        "finish": finish,
        "water": water_sheet(finish, composition.water[pick]),
    }
    everything = np.concatenate([z[np.isfinite(z)] for z in heights.values()])
    low, high = float(everything.min()), float(everything.max())
    tall = {
        "existing": heights["existing"],
        "dig": heights["dig"],
        "finish": finish_with_stones(composition, site.stones)[pick],
    }
    sky = {name: np.round(sky_seen(z, cell) * 255).astype(np.uint8) for name, z in tall.items()}
    ny, nx = finish.shape
    x, y = lattice.x[pick[1]], lattice.y[pick[0]]
    known = np.isfinite(finish)
    solid = known[:-1, :-1] & known[:-1, 1:] & known[1:, :-1] & known[1:, 1:]
    slid = {name: _slides(x, y, heights[name], solid) for name in tall}
    moved = look.earth_moved(composition)
    relief = float(np.nanmax(composition.existing) - np.nanmin(composition.existing))
    stored = {name: quantise(z, low, high) for name, z in heights.items()}
    return {
        "name": site.name,
        "unit": {"metres": unit.metres, "symbol": unit.symbol},
        "origin": [float(site.origin[0]), float(site.origin[1])],
        "lattice": {"x0": float(x[0]), "y0": float(y[0]), "cell": cell, "nx": nx, "ny": ny},
        "low": low,
        "step": stored["existing"].step,
        "gap": GAP,
        "heights": {name: _text(kept.values) for name, kept in stored.items()},
        "sky": {name: _text(values) for name, values in sky.items()},
        "slid": {name: _text(values) for name, values in slid.items()},
        "slide_m": MOST * cell / 127,
        "owner": _text(_owners(site, x, y, composition.owner[pick])),
        "elements": [_element(element) for element in site.elements],
        "stones": _stones(site.stones),
        "contour_m": look.contour_step(relief, unit),
        "worked_m": look.WORKED_M,
        "most_m": max(float(np.nanmax(np.abs(moved))), look.WORKED_M),
        "vertical": vertical_factor(high - low, cell * max(nx, ny)),
        "colours": {
            "ground": look.GROUND,
            "gravel": look.GRAVEL,
            "water": look.WATER,
            "stone": look.STONE,
            "soil": look.SOIL,
            "diverging": list(look.DIVERGING),
        },
    }


def _owners(site: "Site", x: FloatArray, y: FloatArray, owner: Int32Array) -> NDArray[np.uint16]:
    """The element at each node, counted from 1: the one dug there, else the last that holds it."""
    xx, yy = np.meshgrid(x, y)
    held = np.zeros(owner.shape, dtype="<u2")
    for count, element in enumerate(site.elements, start=1):
        held[shapely.contains_xy(element.outline, xx, yy)] = count
    return np.where(owner >= 0, owner + 1, held).astype("<u2")


def _slides(x: FloatArray, y: FloatArray, z: FloatArray, solid: BoolArray) -> NDArray[np.int8]:
    """How far each node slides to straighten walls, (ny, nx, 2), in 127ths of the most it may."""
    level = straightened(x, y, without_gaps(z), solid)
    off = level - np.stack(np.meshgrid(x, y), axis=-1)
    return np.round(off / (MOST * float(x[1] - x[0])) * 127).astype(np.int8)


def _element(element: "Element") -> dict[str, object]:
    spot = element.outline.representative_point()
    edges = [np.round(shapely.get_coordinates(ring), 3).tolist() for ring in rings(element.outline)]
    return {"name": element.name, "spot": [spot.x, spot.y], "rings": edges}


def _stones(stones: Sequence["Stone"]) -> dict[str, object]:
    """Shapes as signed bytes of the unit block; where each stone stands: x y z, lengths, turn."""
    rounds = 2 if len(stones) <= 1500 else 1
    shapes = [
        _text(np.round(block(k, rounds=rounds).points * 127).astype(np.int8)) for k in range(SHAPES)
    ]
    placed: dict[int, list[list[float]]] = {}
    for stone, shape in zip(stones, shape_of(stones), strict=True):
        x, y, z = (float(v) for v in stone.centre)
        length, width, height = (float(v) for v in stone.axes)
        placed.setdefault(int(shape), []).append(
            [x, y, z, length, width, height, math.radians(stone.turn_deg)]
        )
    return {
        "count": len(stones),
        "shapes": shapes if stones else [],
        "triangles": _text(block(0, rounds=rounds).triangles.astype("<u2")) if stones else "",
        "placed": {str(k): _text(np.array(rows, dtype="<f4")) for k, rows in placed.items()},
    }


def page(site: "Site") -> str:
    """The whole page as one text of HTML."""
    folder = files("terrain.review")
    texts: Mapping[str, str] = {
        name: (folder / name).read_text(encoding="utf-8")
        for name in ("page.html", "page.css", "page.js")
    }
    packed = json.dumps(scene(site), separators=(",", ":")).replace("</", "<\\/")
    template = Environment(autoescape=True, keep_trailing_newline=True).from_string(
        texts["page.html"]
    )
    return template.render(
        name=site.name,
        unit_words=site.unit.plural,
        caution=look.CAUTION,
        style=Markup(texts["page.css"]),
        program=Markup(texts["page.js"]),
        scene=Markup(packed),
    )


def write_page(site: "Site", path: Path) -> None:
    """Write the page to a file."""
    path.write_text(page(site), encoding="utf-8")
