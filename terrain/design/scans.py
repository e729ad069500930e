"""A scanned rock: read, checked, mended where little is missing, and refused where much is."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from terrain.arrays import BoolArray, FloatArray, Int32Array, IntArray
from terrain.errors import PlanError
from terrain.kernels import kernel
from terrain.units import Unit

SUFFIXES = (".ply", ".stl", ".obj", ".off")
MOST_OPEN = 0.05  # of the surface that holes may take before the scan is refused
MOST_LOOSE = 0.05  # of the volume that loose pieces may take
HEIGHTS = 1001
EXPECTED = "the closed surface of one rock, upright, z up"


@dataclass(frozen=True)
class Scan:
    """A closed surface around one rock.

    Attributes
    ----------
    points
        About the middle of its bounding box, shape (n, 3), m.
    triangles
        Counter-clockwise seen from outside, shape (m, 3).
    volume_m3
        What it encloses.
    shares
        Of the volume below `HEIGHTS` evenly spaced heights from its underside to its top.
    mended
        What was wrong with the file and has been put right; empty where nothing was.
    """

    points: FloatArray
    triangles: Int32Array
    volume_m3: float
    shares: FloatArray
    mended: tuple[str, ...]

    @property
    def axes(self) -> tuple[float, float, float]:
        """Sides of its bounding box: x, y and height, m."""
        length, width, height = (float(side) for side in np.ptp(self.points, axis=0))
        return length, width, height

    def share_below(self, height: FloatArray) -> FloatArray:
        """Share of the volume below a height, as a part of the whole height."""
        share: FloatArray = np.interp(height, np.linspace(0, 1, HEIGHTS), self.shares)
        return share

    def height_of(self, share: float) -> float:
        """The height, as a part of the whole, below which a share of the volume lies."""
        return float(np.interp(share, self.shares, np.linspace(0, 1, HEIGHTS)))


def read_scan(path: Path, unit: Unit) -> Scan:
    """Read a mesh whose coordinates are in `unit`.

    Faces that lie twice are dropped, normals are turned outward, loose crumbs are left out and
    holes of up to `MOST_OPEN` of the surface are closed by a fan about their middle.

    Raises
    ------
    PlanError
        No such file, nothing in it that encloses a volume, too large a hole, or several rocks.
    """
    points, triangles = _read(path)
    return close_scan(points * unit.metres, triangles, path.name)


def close_scan(points: FloatArray, triangles: IntArray, name: str) -> Scan:
    """Mend a mesh, shape (n, 3) in m and (m, 3), into a `Scan`; `name` is for messages."""
    mended = []
    triangles, doubled = _without_doubles(triangles)
    if doubled:
        mended.append(f"{doubled:,} faces that lay twice or had no area were dropped")
    triangles, body, turned = _one_way_round(triangles, name)
    points, caps, cap_body, holes = _caps(points, triangles, body)
    if holes:
        whole = _areas(points, triangles).sum()
        share = float(_areas(points, caps).sum() / whole)
        if share > MOST_OPEN:
            raise PlanError(
                f"the scan {name} is open: its holes ({holes}) take {share:.0%} of its surface",
                expected=f"{EXPECTED}; holes of at most {MOST_OPEN:.0%} are closed",
                mend="scan the underside too, or close it in the scanner's program",
            )
        mended.append(f"{holes} hole{'s' if holes > 1 else ''} closed ({share:.1%} of its surface)")
        triangles, body = np.concatenate([triangles, caps]), np.concatenate([body, cap_body])
    volumes = np.bincount(body, _cone_volumes(points, triangles))
    inward = volumes[body] < 0
    triangles = np.where(inward[:, None], triangles[:, ::-1], triangles)
    if (turned != inward[: len(turned)]).any():
        mended.append("faces turned outward")
    kept, loose = _largest(np.abs(volumes), body, name)
    if loose:
        mended.append(loose)
    used, renamed = np.unique(triangles[kept], return_inverse=True)
    points, triangles = points[used], renamed.reshape(-1, 3)
    _check_closed(triangles, name)
    low, high = points.min(axis=0), points.max(axis=0)
    volume = float(_cone_volumes(points - low, triangles).sum())
    if not volume > 1e-9 * np.prod(high - low):
        raise PlanError(f"the scan {name} encloses no volume", expected=EXPECTED)
    points = points - (low + high) / 2
    levels = np.linspace(points[:, 2].min(), points[:, 2].max(), HEIGHTS)
    below = _volumes_below(points, triangles, levels)
    shares = np.maximum.accumulate(np.clip(below / below[-1], 0.0, 1.0))
    return Scan(points, triangles.astype(np.int32), volume, shares, tuple(mended))


def _read(path: Path) -> tuple[FloatArray, IntArray]:
    if path.suffix.lower() not in SUFFIXES:
        raise PlanError(
            f"{path.name} is not a mesh that can be read", expected=f"one of {', '.join(SUFFIXES)}"
        )
    if not path.is_file():
        raise PlanError(
            f"there is no {path.name} in {path.parent}",
            expected="a mesh file, its name relative to site.toml",
        )
    import trimesh  # noqa: PLC0415 - slow to import, and few plans hold a scan

    try:
        mesh: Any = trimesh.load(path, force="mesh", process=False)
        mesh.merge_vertices(merge_tex=True, merge_norm=True)
        points = np.array(mesh.vertices, dtype=np.float64)
        triangles = np.array(mesh.faces, dtype=np.int64)
    except Exception as error:  # a damaged file fails anywhere in its reader
        raise PlanError(
            f"{path.name} cannot be read as a mesh: {error}", expected=EXPECTED
        ) from None
    if not len(triangles) or not np.isfinite(points).all():
        what = "no faces" if not len(triangles) else "coordinates that are no numbers"
        raise PlanError(
            f"{path.name} holds {what}",
            expected=EXPECTED,
            mend="export it as a mesh, not as a cloud of points",
        )
    return points, triangles


def _without_doubles(triangles: IntArray) -> tuple[IntArray, int]:
    a, b, c = triangles.T
    real = triangles[(a != b) & (b != c) & (c != a)]
    low, mid, high = np.sort(real, axis=1).T
    order = np.lexsort((high, mid, low))
    same = np.ones(len(real), dtype=np.bool_)
    same[:1] = False
    for corner in (low, mid, high):
        same[1:] &= corner[order][1:] == corner[order][:-1]
    first = np.sort(order[~same])
    return real[first], len(triangles) - len(first)


@dataclass(frozen=True)
class _Sides:
    """The three directed sides of each triangle, (3m, 2), and how many share each line."""

    ends: IntArray
    line: IntArray
    sharing: IntArray


def _sides(triangles: IntArray) -> _Sides:
    ends = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    packed = ends.min(axis=1) * (triangles.max(initial=0) + 1) + ends.max(axis=1)
    _, line, sharing = np.unique(packed, return_inverse=True, return_counts=True)
    return _Sides(ends, line.ravel(), sharing)


def _one_way_round(triangles: IntArray, name: str) -> tuple[IntArray, IntArray, BoolArray]:
    """Turn neighbours the same way round; the body of each triangle, and which were turned.

    Each triangle stands in a graph twice, as it is and turned over. Neighbours that agree are
    joined as they are, those that do not crosswise; a component is one body, one way round.
    """
    count, sides = len(triangles), _sides(triangles)
    order = np.argsort(sides.line, kind="stable")
    starts = np.cumsum(sides.sharing) - sides.sharing
    first = order[starts[sides.sharing == 2]]
    second = order[starts[sides.sharing == 2] + 1]
    upward = sides.ends[:, 0] < sides.ends[:, 1]
    crossed = np.where(upward[first] == upward[second], count, 0)
    one, other = first // 3, second // 3
    rows = np.concatenate([one, one + count])
    columns = np.concatenate([other + crossed, other + count - crossed])
    graph = coo_array((np.ones(len(rows)), (rows, columns)), shape=(2 * count, 2 * count))
    _, label = connected_components(graph, directed=False)
    as_is, turned_over = label[:count], label[count:]
    if (as_is == turned_over).any():
        raise PlanError(
            f"the scan {name} has no inside: its surface is one-sided", expected=EXPECTED
        )
    label = np.minimum(as_is, turned_over)
    turned: BoolArray = as_is != label
    _, body = np.unique(label, return_inverse=True)
    return np.where(turned[:, None], triangles[:, ::-1], triangles), body.ravel(), turned


def _caps(
    points: FloatArray, triangles: IntArray, body: IntArray
) -> tuple[FloatArray, IntArray, IntArray, int]:
    """Fans over the holes: all points, the fans' triangles, their bodies, how many holes."""
    sides = _sides(triangles)
    open_side = sides.sharing[sides.line] == 1
    a, b = sides.ends[open_side].T
    if not a.size:
        return points, np.empty((0, 3), dtype=np.int64), np.empty(0, dtype=np.int64), 0
    hole = _loops(a, b)
    length = np.linalg.norm(points[b] - points[a], axis=1)
    middle = 0.5 * (points[a] + points[b])
    weight = np.bincount(hole, length)
    apex = np.stack([np.bincount(hole, length * m) / weight for m in middle.T], axis=1)
    fans = np.column_stack([b, a, len(points) + hole])
    owner = np.repeat(body, 3)[open_side]
    return np.concatenate([points, apex]), fans, owner, len(apex)


def _loops(starts: IntArray, ends: IntArray) -> IntArray:
    """Which simple loop each directed open side belongs to; a walk that meets itself closes one."""
    leaving: dict[int, list[int]] = {}
    for side, start in enumerate(starts.tolist()):
        leaving.setdefault(start, []).append(side)
    loop = np.zeros(len(starts), dtype=np.int64)
    number = 0
    for first in starts.tolist():
        walk: list[int] = []
        here, step_at = first, {first: 0}
        while leaving.get(here):
            side = leaving[here].pop()
            walk.append(side)
            here = int(ends[side])
            if here in step_at:
                closed = walk[step_at[here] :]
                loop[closed] = number
                number += 1
                for done in closed[1:]:
                    del step_at[int(starts[done])]
                walk = walk[: step_at[here]]
            else:
                step_at[here] = len(walk)
        loop[walk] = number
        number += bool(walk)
    return loop


def _largest(volumes: FloatArray, body: IntArray, name: str) -> tuple[BoolArray, str]:
    main = int(volumes.argmax())
    crumbs = len(volumes) - 1
    share = float(1 - volumes[main] / max(volumes.sum(), 1e-300))
    if share > MOST_LOOSE:
        raise PlanError(
            f"the scan {name} holds {crumbs + 1} bodies; the largest makes {1 - share:.0%} of it",
            expected="one rock a file",
            mend="save each rock as its own file",
        )
    said = f"{crumbs} loose piece{'s' if crumbs > 1 else ''} left out ({share:.1%} of its volume)"
    return body == main, said if crumbs else ""


def _check_closed(triangles: IntArray, name: str) -> None:
    bad = int((_sides(triangles).sharing != 2).sum())
    if bad:
        raise PlanError(
            f"the scan {name} cannot be mended: {bad:,} of its edges do not join two faces",
            expected=EXPECTED,
            mend="close it in the scanner's program, or give the rock by `size` or `weight`",
        )


def _areas(points: FloatArray, triangles: IntArray) -> FloatArray:
    a, b, c = (points[corner] for corner in triangles.T)
    area: FloatArray = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return area


def _cone_volumes(points: FloatArray, triangles: IntArray) -> FloatArray:
    """Signed volume between each triangle and one point; over a closed body the volume, m³."""
    a, b, c = (points[corner] - points[0] for corner in triangles.T)
    volume: FloatArray = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6
    return volume


@kernel
def _volumes_below(points: FloatArray, triangles: IntArray, levels: FloatArray) -> FloatArray:
    """Volume of a closed body below each of the evenly spaced levels, m³.

    A column's length inside the body below level L is Σ ∓max(L − z, 0) over the faces it meets,
    minus where the face looks up. Over a face that lies wholly below L the integral is
    `area · (L − mean z)`, summed for all such faces at once; over one that L cuts it follows from
    the corner cut off.
    """
    count = levels.size
    area, moment = np.zeros(count + 1), np.zeros(count + 1)
    below = np.zeros(count)
    step = (levels[-1] - levels[0]) / (count - 1)
    for face in range(triangles.shape[0]):
        a, b, c = points[triangles[face, 0]], points[triangles[face, 1]], points[triangles[face, 2]]
        plan = 0.5 * ((b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]))
        z = np.sort(np.array([a[2], b[2], c[2]]))
        k = max(int((z[0] - levels[0]) / step), 0)
        while k < count and levels[k] < z[2]:
            low, mid, high = levels[k] - z[0], levels[k] - z[1], levels[k] - z[2]
            if mid >= 0:
                cut = -(high**3) / ((low - high) * (mid - high))
                below[k] -= plan * (low + mid + high + cut) / 3
            elif low > 0:
                below[k] -= plan * low**3 / ((low - mid) * (low - high)) / 3
            k += 1
        area[k] += plan
        moment[k] += plan * (z[0] + z[1] + z[2]) / 3
    whole_area, whole_moment = 0.0, 0.0
    for k in range(count):
        whole_area += area[k]
        whole_moment += moment[k]
        below[k] -= whole_area * levels[k] - whole_moment
    return below
