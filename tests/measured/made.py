"""A ground known in closed form, written as files of every kind, and small sites around them.

The ground is z = 100 + 0.05 u − 0.03 v + BEND · u · v at (E, N) = CORNER + (u, v), u to 30 m and
v to 20 m. Bilinear cells follow it exactly. Triangles on a square mesh of side h miss it by at most
|BEND| h² / 4, in the middle of their long sides.
"""

import json
import struct
import warnings
from collections.abc import Callable
from pathlib import Path

import laspy
import numpy as np
import pyproj
import shapely
from pyogrio import raw

from terrain.site import Site

METRES = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
CORNER = np.array([512_300.0, 4_813_700.0])
WIDE, HIGH = 30.0, 20.0
BEND = 0.002
CENTRE, RADIUS, DEEP = CORNER + np.array([14.0, 11.0]), 3.0, 1.0


def height(xy, *, bend=BEND):
    """The ground at true coordinates, (n, 2) → (n,)."""
    u, v = (np.asarray(xy, dtype=np.float64) - CORNER).T
    return 100 + 0.05 * u - 0.03 * v + bend * u * v


def mesh_error(side, bend=BEND):
    return abs(bend) * side**2 / 4


LEVEL = 100.0  # below the lowest ground under the basin
# a disc has the mean of x, of y and of x y at its centre: so has the ground
BASIN_M3 = float(np.pi * RADIUS**2 * (height(CENTRE[None])[0] - LEVEL + DEEP))


def nodes(side=1.0):
    """Places of a square mesh over the ground, row by row from the south-west: (n, 2)."""
    u, v = np.arange(0, WIDE + side / 2, side), np.arange(0, HIGH + side / 2, side)
    return np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2) + CORNER


def ground_points(side=1.0, *, bend=BEND):
    xy = nodes(side)
    return np.column_stack([xy, height(xy, bend=bend)])


def faces(side=1.0):
    """Two triangles a cell, counter-clockwise from above."""
    nx, ny = round(WIDE / side) + 1, round(HIGH / side) + 1
    first = (np.arange(ny - 1)[:, None] * nx + np.arange(nx - 1)).ravel()
    lower = np.column_stack([first, first + 1, first + nx + 1])
    upper = np.column_stack([first, first + nx + 1, first + nx])
    return np.concatenate([lower, upper])


def inside(count=300, *, margin=1.5):
    rng = np.random.default_rng(5)
    low, high = np.array([margin] * 2), np.array([WIDE, HIGH]) - margin
    return rng.uniform(low, high, (count, 2)) + CORNER


# --- writers, lengths in the unit of the file ----------------------------------------------------


def write_spots(path, xyz, *, code="GS"):
    rows = [f"{k},{n:.6f},{e:.6f},{z:.6f},{code}" for k, (e, n, z) in enumerate(xyz, 1)]
    path.write_text("\n".join(["point,northing,easting,elevation,code", *rows, ""]))


def write_cloud(path, xyz, *, epsg=None):
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales = [0.0005] * 3
    header.offsets = np.floor(xyz.min(axis=0))
    if epsg:
        header.add_crs(pyproj.CRS(epsg))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = xyz.T
    cloud.classification = np.full(len(xyz), 2)
    cloud.write(path)


def write_ply(path, xyz, triangles):
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(xyz)}\nproperty double x\n"
        f"property double y\nproperty double z\nelement face {len(triangles)}\n"
        "property list uchar int vertex_indices\nend_header\n"
    )
    body = np.asarray(xyz, "<f8").tobytes()
    body += b"".join(struct.pack("<B3i", 3, *face) for face in triangles.tolist())
    path.write_bytes(head.encode() + body)


def write_obj(path, xyz, triangles):
    rows = [f"v {x:.9f} {y:.9f} {z:.9f}" for x, y, z in xyz]
    path.write_text("\n".join([*rows, *(f"f {a} {b} {c}" for a, b, c in triangles + 1), ""]))


def write_stl(path, xyz, triangles):
    body = b"".ljust(80) + struct.pack("<I", len(triangles))
    for corners in xyz[triangles]:
        body += struct.pack("<12fH", 0, 0, 0, *corners.ravel(), 0)
    path.write_bytes(body)


def write_glb(path, xyz, triangles):
    """glTF has y up: its x is east, its -z north."""
    points = np.column_stack([xyz[:, 0], xyz[:, 2], -xyz[:, 1]]).astype("<f4")
    rows = triangles.astype("<u4").tobytes()
    scene = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": len(points), "type": "VEC3",
             "min": points.min(axis=0).tolist(), "max": points.max(axis=0).tolist()},
            {"bufferView": 1, "componentType": 5125, "count": 3 * len(triangles),
             "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": points.nbytes},
            {"buffer": 0, "byteOffset": points.nbytes, "byteLength": len(rows)},
        ],
        "buffers": [{"byteLength": points.nbytes + len(rows)}],
    }  # fmt: skip
    said = json.dumps(scene).encode()
    said += b" " * (-len(said) % 4)
    whole = points.tobytes() + rows
    chunks = struct.pack("<I4s", len(said), b"JSON") + said
    chunks += struct.pack("<I4s", len(whole), b"BIN\0") + whole
    path.write_bytes(struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks)


MESH_WRITERS: dict[str, Callable[..., None]] = {
    ".ply": write_ply,
    ".obj": write_obj,
    ".stl": write_stl,
    ".glb": write_glb,
}


def write_tif(path, z, *, west, south, cell, epsg=None, unit=None):
    """Heights at pixel centres, the southern row of `z` first, (west, south) the first centre."""
    import rasterio
    from affine import Affine

    top = south + (len(z) - 0.5) * cell
    with rasterio.open(
        path, "w", driver="GTiff", height=len(z), width=z.shape[1], count=1, dtype="float64",
        crs=f"EPSG:{epsg}" if epsg else None,
        transform=Affine(cell, 0, west - cell / 2, 0, -cell, top),
    ) as file:  # fmt: skip
        file.write(z[::-1], 1)
        if unit:
            file.set_band_unit(1, unit)


def write_asc(path, z, *, west, south, cell):
    head = f"ncols {z.shape[1]}\nnrows {len(z)}\nxllcenter {west:.6f}\nyllcenter {south:.6f}\n"
    rows = [" ".join(f"{value:.6f}" for value in row) for row in z[::-1]]
    path.write_text(head + f"cellsize {cell:.9f}\nnodata_value -9999\n" + "\n".join(rows) + "\n")


LINEAR = {
    "m": '<Metric areaUnit="squareMeter" linearUnit="meter" volumeUnit="cubicMeter"/>',
    "ft": '<Imperial areaUnit="squareFoot" linearUnit="foot" volumeUnit="cubicYard"/>',
    "us-ft": '<Imperial areaUnit="squareFoot" linearUnit="USSurveyFoot" volumeUnit="cubicYard"/>',
}


def write_landxml(path, *, unit="m", surfaces=(), points=(), lines=()):
    """LandXML of (name, xyz, faces), points and 3-D breaklines."""

    def place(xyz):
        return f"{xyz[1]:.6f} {xyz[0]:.6f} {xyz[2]:.6f}"

    told = []
    for name, xyz, triangles in surfaces:
        corners = "".join(f'<P id="{k}">{place(at)}</P>' for k, at in enumerate(xyz, 1))
        rows = "".join(f"<F>{a} {b} {c}</F>" for a, b, c in triangles + 1)
        told.append(
            f'<Surface name="{name}"><Definition surfType="TIN"><Pnts>{corners}</Pnts>'
            f"<Faces>{rows}</Faces></Definition></Surface>"
        )
    if lines:
        each = "".join(
            f"<Breakline><PntList3D>{' '.join(map(place, line))}</PntList3D></Breakline>"
            for line in lines
        )
        told.append(
            f'<Surface name="edges"><SourceData><Breaklines>{each}</Breaklines></SourceData>'
            "</Surface>"
        )
    cogo = "".join(f'<CgPoint name="{k}">{place(at)}</CgPoint>' for k, at in enumerate(points, 1))
    path.write_text(
        '<?xml version="1.0"?>\n<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" '
        f'version="1.2">\n<Units>{LINEAR[unit]}</Units>\n'
        + (f"<CgPoints>{cogo}</CgPoints>\n" if cogo else "")
        + (f"<Surfaces>{''.join(told)}</Surfaces>\n" if told else "")
        + "</LandXML>\n"
    )


def write_geojson(path, lines, *, epsg=None):
    features = [
        {
            "type": "Feature",
            "properties": {},
            "geometry": {"type": "LineString", "coordinates": np.asarray(line).tolist()},
        }
        for line in lines
    ]
    document = {"type": "FeatureCollection", "features": features}
    if epsg:
        name = f"urn:ogc:def:crs:EPSG::{epsg}"
        document["crs"] = {"type": "name", "properties": {"name": name}}
    path.write_text(json.dumps(document))


def write_gpkg(path, lines, *, epsg=None):
    shapes = np.array([shapely.LineString(line) for line in lines], dtype=object)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that a coordinate system is missing
        raw.write(
            path, shapely.to_wkb(shapes, output_dimension=3, flavor="iso"), [], [],
            geometry_type="LineString Z", crs=f"EPSG:{epsg}" if epsg else None, layer="edges",
            driver="GPKG",
        )  # fmt: skip


# --- sites ---------------------------------------------------------------------------------------

BASIN = f"""
[[element]]
type = "basin"
name = "pond"
level = {LEVEL}
outline = {{ circle = {{ centre = [{CENTRE[0]}, {CENTRE[1]}], radius = {RADIUS} }} }}
floor = {DEEP}
batter = "vertical"
cut_batter = "vertical"
"""


def survey(name: str, file: str, *keys: str) -> str:
    return "\n".join(["[[survey]]", f'name = "{name}"', f'file = "{file}"', *keys, ""])


def write_site(folder: Path, *surveys: str, site: tuple[str, ...] = (), body: str = BASIN) -> Path:
    """A site in metres: [site] keys, survey tables, and what is dug."""
    plan = [
        "[site]",
        'name = "Fold"',
        "cell = 0.2",
        *site,
        "",
        *surveys,
        "[codes]",
        'GS = "ground"',
        body,
    ]
    (folder / "site.toml").write_text("\n".join(plan), encoding="utf-8")
    return folder


def opened(folder: Path, *surveys: str, site: tuple[str, ...] = (), body: str = BASIN) -> Site:
    return Site.open(write_site(folder, *surveys, site=site, body=body))


def off(site: Site, xy=None, *, ground=height):
    """Largest distance in height between the site's ground and the ground that was written."""
    xy = inside() if xy is None else xy
    found = site.existing.elevation(xy - site.origin)
    assert np.isfinite(found).all()
    return float(np.abs(found - ground(xy)).max())
