"""Stage and storage of shapes with closed forms."""

import math

import numpy as np
import pytest

from terrain.earthwork.storage import stage_storage
from tests.design.made import FLAT, circle, elements
from tests.design.measure import asked


def test_a_cone_frustum_by_level():
    pond = elements(
        {"type": "basin", "name": "b", "outline": circle(3), "floor": 1.5, "batter": "1:1"}
    )
    at, weight = asked(pond, FLAT, (-4, -4, 4, 4), 0.05)
    inside = at.finish_owner == 0
    levels = np.array([-1.5, -1.0, -0.5, 0.0])
    curve = stage_storage(at.finish[inside], weight[inside], levels)
    radius = levels + 3.0
    area = math.pi * radius**2
    volume = math.pi * (levels + 1.5) / 3 * (radius**2 + radius * 1.5 + 1.5**2)
    assert curve.volume_m3 == pytest.approx(volume, rel=2e-3, abs=1e-12)
    assert curve.area_m2[1:-1] == pytest.approx(area[1:-1], rel=1e-2)
    assert curve.volume_at(-0.75) == pytest.approx((volume[1] + volume[2]) / 2, rel=2e-3)
