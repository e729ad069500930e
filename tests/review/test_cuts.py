"""Section lines and the profiles along them."""

import numpy as np
import pytest
import shapely

from terrain.review.cuts import SectionLine, profile, section_lines
from tests.review.garden import FakeComposition, FakeLattice


@pytest.fixture
def lines(site):
    return section_lines(site.composition, [element.outline for element in site.elements])


def test_three_lines_with_three_letters_on_the_survey(site, lines):
    assert [line.letter for line in lines] == ["A", "B", "C"]
    for line in lines:
        assert not np.isnan(profile(site.composition, line).existing[1:-1]).any()


def test_a_runs_along_the_pond_and_b_crosses_it_at_a_right_angle(site, lines):
    pond = site.elements[0].outline
    a, b = (shapely.LineString([line.start, line.end]) for line in lines[:2])
    box = pond.minimum_rotated_rectangle.exterior.coords
    sides = sorted(np.hypot(*(np.array(box[i + 1]) - box[i])) for i in range(2))
    assert a.intersection(pond).length > 0.9 * sides[1]
    assert b.crosses(pond)
    way_a, way_b = (np.subtract(line.end, line.start) for line in lines[:2])
    assert abs(way_a @ way_b) < 1e-9 * np.linalg.norm(way_a) * np.linalg.norm(way_b)


def test_c_cuts_an_element_that_neither_a_nor_b_cuts(site, lines):
    a, b, c = (shapely.LineString([line.start, line.end]) for line in lines)
    cut = [e.name for e in site.elements if c.intersects(e.outline)]
    assert cut
    assert all(
        not (a.intersects(e.outline) or b.intersects(e.outline))
        for e in site.elements
        if e.name in cut
    )


def test_lines_reach_beyond_the_works(site, lines):
    for line in lines:
        p = profile(site.composition, line)
        untouched = np.abs(p.existing - p.dig) < 1e-9
        assert untouched[2]
        assert untouched[-3]


def test_a_profile_is_the_ground_that_was_asked_for():
    lattice = FakeLattice(100.0, 50.0, 0.5, 41, 31)
    xx, yy = np.meshgrid(lattice.x, lattice.y)
    plane = 3 + 0.2 * xx - 0.1 * yy
    gone = np.full_like(plane, np.nan)
    composition = FakeComposition(
        lattice, plane, plane - 1, plane, plane, gone, np.zeros(plane.shape, dtype=np.int32)
    )
    line = SectionLine("A", (102.0, 52.0), (115.0, 61.0))
    p = profile(composition, line)
    assert p.station[-1] == pytest.approx(np.hypot(13, 9))
    share = p.station / p.station[-1]
    np.testing.assert_allclose(
        p.existing, 3 + 0.2 * (102 + 13 * share) - 0.1 * (52 + 9 * share), atol=1e-9
    )
    np.testing.assert_allclose(p.dig, p.existing - 1, atol=1e-9)
    assert np.isnan(p.water).all()


@pytest.mark.parametrize(
    ("end", "looking"),
    [((1, 0), "north"), ((0, 1), "west"), ((1, 1), "north-west"), ((1, -1), "north-east")],
)
def test_a_reader_looks_to_the_left_of_the_line(end, looking):
    assert SectionLine("A", (0.0, 0.0), end).looking == looking


def test_an_undug_site_still_has_three_lines(site):
    c = site.composition
    still = FakeComposition(
        c.lattice, c.existing, c.existing, c.existing, c.existing,
        np.full_like(c.existing, np.nan), np.full(c.existing.shape, -1, dtype=np.int32),
    )  # fmt: skip
    lines = section_lines(still, [])
    assert all(line.length_m > 5 for line in lines)
