"""A GeoTIFF byte by byte (TIFF 6.0 and GeoTIFF 1.1), so that no library stands on both sides."""

import struct

import numpy as np

AREA, POINT = 1, 2
_KINDS = {"f": 3, "u": 1, "i": 2}


def geotiff(
    rows,
    *,
    tie=(0.0, 0.0),
    cell=(1.0, 1.0),
    raster_type=AREA,
    epsg=26915,
    matrix=None,
    nodata=None,
    keys=(),
):
    """Bytes of a GeoTIFF: `rows` from the north, `tie` the place of pixel (0, 0)."""
    samples = np.asarray(rows)
    height, width = samples.shape
    data = samples.astype(samples.dtype.newbyteorder("<")).tobytes()
    model = 1 if epsg != 4326 else 2
    geo = [(1024, 0, 1, model), (1025, 0, 1, raster_type)]
    if epsg:
        geo.append((3072 if model == 1 else 2048, 0, 1, epsg))
    geo += [(key, 0, 1, value) for key, value in keys]
    directory = [1, 1, 0, len(geo)] + [value for key in geo for value in key]
    tags = [
        (256, "I", [width]),
        (257, "I", [height]),
        (258, "H", [samples.dtype.itemsize * 8]),
        (259, "H", [1]),
        (262, "H", [1]),
        (273, "I", [8]),
        (277, "H", [1]),
        (278, "I", [height]),
        (279, "I", [len(data)]),
        (339, "H", [_KINDS[samples.dtype.kind]]),
    ]
    if matrix is None:
        tags += [(33550, "d", [*cell, 0.0]), (33922, "d", [0.0, 0.0, 0.0, *tie, 0.0])]
    else:
        tags.append((34264, "d", list(matrix)))
    tags.append((34735, "H", directory))
    if nodata is not None:
        tags.append((42113, "s", f"{nodata}\0".encode()))
    return _file(data, tags)


def _file(data, tags):
    start = 8 + len(data) + len(data) % 2
    spare = start + 2 + 12 * len(tags) + 4
    entries, beyond = b"", b""
    for number, code, values in tags:
        kind = {"H": 3, "I": 4, "d": 12, "s": 2}[code]
        packed = values if code == "s" else struct.pack(f"<{len(values)}{code}", *values)
        count = len(values)
        if len(packed) <= 4:
            field = packed.ljust(4, b"\0")
        else:
            field = struct.pack("<I", spare + len(beyond))
            beyond += packed + b"\0" * (len(packed) % 2)
        entries += struct.pack("<HHI", number, kind, count) + field
    head = b"II*\0" + struct.pack("<I", start) + data + b"\0" * (len(data) % 2)
    return head + struct.pack("<H", len(tags)) + entries + b"\0\0\0\0" + beyond
