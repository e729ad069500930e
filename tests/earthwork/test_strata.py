"""Strata under a ground: in order, none above it, and measured tops before assumed ones."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from terrain.earthwork.strata import AtDepth, AtLevel, AtSurvey, lay_strata
from terrain.surface import Plane

WIDE = shapely.box(-10, -10, 10, 10)
HERE = np.array([[0.0, 0.0]])
GROUND = np.array([100.0])

top = st.one_of(
    st.floats(0.01, 3).map(AtDepth),
    st.floats(97, 102).map(AtLevel),
    st.builds(
        lambda level, grade, reach: AtSurvey(
            Plane(level, shapely.box(-reach, -10, reach, 10), east_grade=grade)
        ),
        st.floats(97, 102),
        st.floats(-0.2, 0.2),
        st.floats(1, 10),
    ),
)


def tops_here(*tops):
    return lay_strata(HERE, GROUND, tops).tops[:, 0].tolist()


@given(tops=st.lists(top, max_size=5), seed=st.integers(0, 2**31))
def test_no_stratum_begins_above_the_one_before_it_or_above_the_ground(tops, seed):
    rng = np.random.default_rng(seed)
    xy, ground = rng.uniform(-10, 10, (40, 2)), rng.uniform(99, 101, 40)
    strata = lay_strata(xy, ground, tops)
    assert strata.tops.shape == (1 + len(tops), 40)
    assert np.array_equal(strata.tops[0], ground)
    assert np.all(strata.tops[1:] <= strata.tops[:-1])
    assert not strata.unsurveyed[0].any()
    for row, one in enumerate(tops, start=1):
        outside = ~np.isfinite(one.surface.elevation(xy)) if isinstance(one, AtSurvey) else False
        assert np.array_equal(strata.unsurveyed[row], np.broadcast_to(outside, 40))


def test_topsoil_keeps_its_depth_over_rock_whose_level_is_higher():
    assert tops_here(AtDepth(0.3), AtLevel(99.9)) == pytest.approx([100, 99.7, 99.7])


def test_beds_that_crop_out_run_out_one_after_the_other():
    assert tops_here(AtLevel(101), AtLevel(100.5), AtLevel(99)) == pytest.approx(
        [100, 100, 100, 99]
    )


def test_surveyed_rock_prevails_over_the_soil_assumed_above_it():
    rock = AtSurvey(Plane(99.9, WIDE))
    assert tops_here(AtDepth(0.3), rock) == pytest.approx([100, 99.9, 99.9])
    assert tops_here(AtDepth(0.3), AtSurvey(Plane(103, WIDE))) == pytest.approx([100, 100, 100])


def test_where_a_top_was_not_surveyed_the_stratum_is_absent_and_the_next_keeps_its_place():
    elsewhere = AtSurvey(Plane(99.5, shapely.box(5, 5, 6, 6)))
    strata = lay_strata(HERE, GROUND, [AtDepth(0.3), elsewhere, AtLevel(99.0)])
    assert strata.tops[:, 0] == pytest.approx([100, 99.7, 99.0, 99.0])
    assert strata.unsurveyed[:, 0].tolist() == [False, False, True, False]
    assert lay_strata(HERE, GROUND, [elsewhere]).tops[1, 0] == -np.inf
