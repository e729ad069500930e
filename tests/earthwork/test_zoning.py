"""Places shared out to zones: exact for places that tile the plane, and never twice."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from terrain.earthwork.zoning import share_out

SIDE = 0.25
MIDDLES = (np.arange(16) + 0.5) * SIDE  # squares that tile 4 m by 4 m
XY = np.column_stack([np.tile(MIDDLES, 16), np.repeat(MIDDLES, 16)])
WEIGHT = np.full(len(XY), SIDE**2)
SQUARE = shapely.box(0, 0, 4, 4)

# whole micrometres: GEOS loses its way among coordinates of 1e-308
place = st.integers(-1_000_000, 5_000_000).map(lambda micrometres: micrometres / 1e6)
region = st.builds(
    lambda x, y, radius, corners: shapely.Point(x, y).buffer(radius, quad_segs=corners),
    place,
    place,
    st.floats(0.05, 3),
    st.integers(1, 8),
)


@given(regions=st.lists(region, max_size=4))
def test_shares_are_the_areas_of_the_regions_less_those_before_them(regions):
    shares = share_out(XY, WEIGHT, regions)
    assert shares.weight.min() > 0
    by_place = np.bincount(shares.place, shares.weight, minlength=len(XY))
    assert by_place == pytest.approx(WEIGHT, rel=1e-12)
    left = SQUARE
    areas = np.bincount(shares.region, shares.weight, minlength=len(regions) + 1)
    for row, one in enumerate(regions):
        assert areas[row] == pytest.approx(left.intersection(one).area, abs=1e-9)
        left = left.difference(one)
    assert areas[-1] == pytest.approx(left.area, abs=1e-9)


def test_zones_that_meet_on_a_line_of_places_have_half_of_each():
    xy = np.array([[1.0, 0.5], [1.0, 1.5], [0.0, 0.5]])
    shares = share_out(xy, np.ones(3), [shapely.box(-2, -2, 1, 4), shapely.box(1, -2, 4, 4)])
    assert np.bincount(shares.region, shares.weight).tolist() == pytest.approx([2, 1])
