"""Runs to record, and a process that records them: what it says it wrote is committed."""

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import shapely

from terrain.exchange.grids import Coordinates
from terrain.exchange.record import Area, Run, record_runs
from terrain.units import METRE

SQUARE = shapely.box(500.0, 800.0, 504.0, 803.0)
OWN = Coordinates(None, 1.0, METRE)


def run(survey: str = "monday", content: str = "a1", *, dug: float = 7.2, **more) -> Run:
    area = Area(SQUARE, {"kind": "too deep", "element": "pit", "area_m2": 12.0})
    told = {"site": "Boxwood", "day": "2026-05-04", "areas": [area, area], **more}
    return Run(
        survey=survey,
        content=content,
        told={"dug_m3": dug},
        figures=[{"element": "pit", "dug_m3": dug}],
        **told,
    )


def stuck() -> Iterator[Area]:
    """Areas that never come to an end, once the first is written."""
    yield Area(SQUARE, {"kind": "too deep"})
    sys.stdout.write("within\n")
    sys.stdout.flush()
    time.sleep(60)


if __name__ == "__main__":
    path, who, what = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
    if what == "stuck":
        record_runs(path, [run(who, areas=stuck())], coordinates=OWN)
    for number in range(int(what)):
        record_runs(path, [run(who, str(number))], coordinates=OWN)
        sys.stdout.write(f"{number}\n")
        sys.stdout.flush()
