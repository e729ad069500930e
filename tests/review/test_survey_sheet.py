"""The survey sheet: every role drawn, every finding marked, the plan's outlines where they are."""

from dataclasses import replace
from itertools import cycle

import numpy as np
import pytest
import shapely
from matplotlib.image import imread

from terrain.review import canvas, look
from terrain.review.finding_marks import SIGNS
from terrain.review.survey_sheet import BREAKLINE, EDGE, SPOT, survey_sheet
from terrain.survey import Finding, Kind
from tests.review.garden import SPOILED
from tests.review.test_sheets import kept, texts  # noqa: F401 - kept is a fixture
from tests.review.texts import shown


@pytest.fixture
def sheet(site, kept, tmp_path):  # noqa: F811
    survey_sheet(site, tmp_path / "survey.png")
    return kept[0]


def drawn(figure, colour):
    """Coordinates of every line on the map in one colour."""
    return [line.get_xydata() for line in figure.axes[1].lines if line.get_color() == colour]


@pytest.mark.parametrize("which", ["site", "site_in_feet"])
def test_no_text_lies_on_another_or_off_the_sheet(which, kept, tmp_path, request):  # noqa: F811
    survey_sheet(request.getfixturevalue(which), tmp_path / "survey.png")
    (figure,) = kept
    boxes = [canvas.extent(label) for label in shown(figure)]
    assert len(boxes) > 15
    wide, high = figure.canvas.get_width_height()
    for i, box in enumerate(boxes):
        assert min(box[:2]) >= 0
        assert box[2] <= wide
        assert box[3] <= high
        assert not any(canvas.overlaps(box, other, gap=-1.0) for other in boxes[:i])


def test_shots_are_drawn_by_role(site, sheet):
    survey = site.spot_surveys["rover"]
    xy, code = survey.spots.xyz[:, :2], survey.spots.code
    (spots,) = drawn(sheet, SPOT)
    assert {tuple(place) for place in spots} == {tuple(place) for place in xy[code == "GS"]}
    (bank,) = drawn(sheet, BREAKLINE)
    np.testing.assert_array_equal(bank, xy[code == "TB1"])
    (edge,) = drawn(sheet, EDGE)
    np.testing.assert_array_equal(edge[:-1], xy[code == "WE1"])
    np.testing.assert_array_equal(edge[-1], edge[0])
    said = [text.get_text() for text in texts(sheet)]
    assert {"TB1", "WE1", "rover"} <= {*said}
    assert f"{len(xy)} shots, makes the ground" in said


def marks(figure, kind):
    """Places of the marks of one kind of finding on the map."""
    sign = SIGNS[kind]
    drawn = [
        line.get_xydata()
        for line in figure.axes[1].lines
        if line.get_marker() == sign.marker and line.get_markeredgecolor() == sign.colour
    ]
    return {tuple(place) for line in drawn for place in line}


def test_the_wrong_height_is_marked_labelled_and_listed(site, sheet):
    assert SPOILED[:2] in marks(sheet, Kind.SPIKES)
    number = len(site.spot_surveys["rover"].spots.name)
    (label,) = [t for t in texts(sheet) if t.get_text().startswith(f"{number}: ")]
    off = float(label.get_text().split(": ")[1].split()[0])
    assert off == pytest.approx(SPOILED[2], abs=0.1)
    listed = [t.get_text() for t in texts(sheet) if t.get_text().startswith(f"{number}, line")]
    assert len(listed) == 1


def findings_of_every_kind(count):
    """One finding a kind, over and over, in a corner of the garden."""
    return [
        Finding(kind, (k,), f"{k}", k, (5 + 2.3 * (k % 13), 6 + 1.7 * (k % 11), 100), 0.5, "", (k,))
        for k, kind in zip(range(count), cycle(Kind))
    ]


@pytest.mark.parametrize("count", [1, 14, 60])
def test_every_finding_is_marked_and_the_list_says_how_many_more(site, kept, tmp_path, count):  # noqa: F811
    rover = replace(site.spot_surveys["rover"], findings=tuple(findings_of_every_kind(count)))
    spoiled = replace(site, spot_surveys={"rover": rover})
    survey_sheet(spoiled, tmp_path / "survey.png")
    (figure,) = kept
    for finding in findings_of_every_kind(count):
        assert finding.xyz[:2] in marks(figure, finding.kind)
    listed = [t for t in texts(figure) if ", line " in t.get_text()]
    more = [t.get_text() for t in texts(figure) if "more in survey --json" in t.get_text()]
    assert 1 <= len(listed) <= 12
    rest = count - len(listed)
    assert more == ([f"and {rest} more in survey --json"] if rest else [])
    boxes = [canvas.extent(label) for label in shown(figure)]
    for i, box in enumerate(boxes):
        assert not any(canvas.overlaps(box, other, gap=-1.0) for other in boxes[:i])


def test_every_element_is_outlined_and_named_with_its_area(site, sheet):
    rings = [line for line in drawn(sheet, look.INK) if len(line) > 4]
    said = [text.get_text() for text in texts(sheet)]
    for element in site.elements:
        assert any(
            shapely.Polygon(ring).symmetric_difference(element.outline).area < 1e-9
            for ring in rings
        )
        assert f"{element.name}\n{element.outline.area:.0f} m²" in said


def test_what_nobody_surveyed_stays_blank(sheet, tmp_path):
    """The corner of the garden's lattice is off its footprint; a place beside it is on it."""
    picture = (imread(tmp_path / "survey.png")[..., :3] * 255).round().astype(int)
    axes = sheet.axes[1]

    def colour(x, y):
        column, row = axes.transData.transform((x, y))
        return picture[picture.shape[0] - 1 - round(row), round(column)]

    assert abs(colour(0.6, 0.6) - 255 * look.rgb(look.PANEL)).max() < 3
    assert abs(colour(3.8, 3.8) - 255 * look.rgb("#efe9d8")).max() < 3
