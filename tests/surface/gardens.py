"""Small sites of our own as labelled clouds: ground by a formula, and what stands on it."""

from dataclasses import dataclass
from pathlib import Path

import laspy
import numpy as np

from terrain.arrays import BoolArray, FloatArray

EAST, NORTH = 500_000.0, 4_000_000.0
SIDES = (44.0, 36.0)
DITCH_Y, DITCH_HALF, DITCH_DEPTH = 7.0, 1.0, 0.8
BANK_Y, BANK_RISE = 24.0, 2.0

# name: x, y, half length, half width, height, turn (degrees), solid
BOXES = {
    "machine": (12.0, 15.0, 2.2, 1.1, 2.6, 30.0),
    "wall": (30.0, 14.0, 4.0, 0.2, 1.0, 65.0),
    "shed": (37.0, 31.0, 2.5, 2.0, 2.8, 10.0),
}
# x, y, radius, height of domes: heap of soil, boulders
HEAP = (22.0, 17.0, 2.0, 1.6)
BOULDERS = ((6.0, 20.0, 0.5, 0.7), (16.0, 30.0, 0.6, 0.8), (40.0, 18.0, 0.4, 0.5))
# x, y, half length, half width, top, turn: leaves at all heights, some returns from the ground
LEAVES = {
    "hedge": (9.0, 30.0, 4.0, 0.6, 1.6, 20.0),
    "low wide bush": (33.0, 21.0, 1.8, 1.5, 0.8, 0.0),
    "shrub": (25.0, 10.5, 1.1, 1.1, 1.7, 0.0),
    "tree": (18.0, 22.0, 2.5, 2.5, 6.0, 0.0),
}


@dataclass(frozen=True)
class Garden:
    """Points (n, 3) of a site, what each lies on (empty for the ground), and the true ground."""

    xyz: FloatArray
    on: np.ndarray
    slope: float
    turn_deg: float

    @property
    def is_ground(self) -> BoolArray:
        return self.on == ""

    def height(self, x: FloatArray, y: FloatArray) -> FloatArray:
        return ground(x, y, self.slope, self.turn_deg)


def ground(x: FloatArray, y: FloatArray, slope: float, turn_deg: float) -> FloatArray:
    """A slope askew to the grid with swells, a ditch with banks of 1:1, and a bank of 1:1."""
    turn = np.deg2rad(turn_deg)
    fall = slope * (x * np.cos(turn) + y * np.sin(turn))
    ditch = np.clip(DITCH_HALF + 0.2 - abs(y - DITCH_Y), 0, DITCH_DEPTH)
    bank = np.clip(y - BANK_Y - 0.6 * np.sin(x / 4), 0, BANK_RISE)
    return 50 + fall + 0.2 * np.sin(x / 5) * np.cos(y / 6) - ditch + bank


def garden(density: float, *, slope: float = 0.12, turn_deg: float = 35.0, seed: int = 1) -> Garden:
    """One return to each shot, seen from above, 1 cm of noise."""
    rng = np.random.default_rng(seed)
    x, y = rng.random((2, int(density * SIDES[0] * SIDES[1]))) * np.array(SIDES)[:, None]
    z = ground(x, y, slope, turn_deg)
    on = np.full(x.size, "", dtype="U16")
    for name, (x0, y0, length, width, height, turn) in BOXES.items():
        inside = _in_box(x, y, x0, y0, length, width, turn)
        z[inside] = ground(np.array(x0), np.array(y0), slope, turn_deg) + height
        on[inside] = name
    for name, (x0, y0, radius, height) in (
        ("heap", HEAP),
        *(("boulder", place) for place in BOULDERS),
    ):
        out = np.hypot(x - x0, y - y0) / radius
        inside = out < 0.97
        z[inside] += height * np.sqrt(1 - out[inside] ** 2)
        on[inside] = name
    for name, (x0, y0, length, width, top, turn) in LEAVES.items():
        inside = _in_box(x, y, x0, y0, length, width, turn) & (on == "")
        hit = inside & (rng.random(x.size) < 0.9)
        z[hit] += top * rng.uniform(0.25, 1, hit.sum())
        on[hit] = name
    z += rng.normal(0, 0.01, x.size)
    return Garden(np.column_stack([x, y, z]), on, slope, turn_deg)


def _in_box(x, y, x0, y0, length, width, turn_deg):
    turn = np.deg2rad(turn_deg)
    along = (x - x0) * np.cos(turn) + (y - y0) * np.sin(turn)
    across = (y - y0) * np.cos(turn) - (x - x0) * np.sin(turn)
    return (abs(along) <= length) & (abs(across) <= width)


def write_cloud(path: Path, xyz: FloatArray, classes: np.ndarray | None = None) -> Path:
    """A LAZ or LAS file in metres, moved to true-looking coordinates."""
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.001] * 3, [EAST, NORTH, 0]
    las = laspy.LasData(header)
    las.x, las.y, las.z = xyz[:, 0] + EAST, xyz[:, 1] + NORTH, xyz[:, 2]
    if classes is not None:
        las.classification = classes
    las.write(path)
    return path
