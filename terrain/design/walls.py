"""Where an element's soil face may be upright: its edge, its steep risers, its trough."""

import numpy as np
import shapely

from terrain.design.elements import Excavation


def wall_lines(excavation: Excavation, within: shapely.Polygon) -> list[shapely.LineString]:
    """Lines inside `within` along which the element's profiles or trough jump.

    The edge itself is always among them: a wall may stand there because of the layers alone.
    """
    pieces = np.array(excavation.edge.lines)
    lines = list(_parts(shapely.line_merge(shapely.union_all(pieces))))
    for bank, profile in enumerate(excavation.profiles):
        upright = (np.diff(profile.distance) == 0) & (np.diff(profile.depth) > 0)
        for distance in np.unique(profile.distance[1:][upright]):
            if distance > 0:
                shore = shapely.union_all(pieces[excavation.edge.bank == bank])
                lines += _parts(shore.buffer(distance, quad_segs=32).boundary.intersection(within))
    if excavation.trough is not None:
        path = shapely.LineString(excavation.trough.path)
        lines += _parts(path.buffer(excavation.trough.width / 2, quad_segs=32).boundary)
    return lines


def _parts(lines: shapely.Geometry) -> list[shapely.LineString]:
    return [part for part in shapely.get_parts(lines) if part.geom_type == "LineString"]
