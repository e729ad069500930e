"""Sheets of the sections that volumes are measured by."""

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import pytest
import shapely
from matplotlib.colors import to_hex
from matplotlib.image import imread

from terrain.design.section_tables import SectionsTable
from terrain.earthwork.stationing import list_stations
from terrain.earthwork.trapezoid import trapezoid_volume
from terrain.review import canvas
from terrain.review.method_sections import (
    DUG,
    baseline_points,
    draw_page,
    draw_pages,
    drawn_stations,
    round_stations,
)
from terrain.units import FOOT, METRE, Unit
from tests.review.garden import FakeElement
from tests.review.test_sheets import colours, near, texts
from tests.review.texts import check_apart, shown

FIELD = shapely.box(-12, -8, 16, 9)
POND = shapely.box(-7, -4, 3, 3.5)
BANK = shapely.box(4, -3, 9, 1.5)


@dataclass(frozen=True)
class Worked:
    """Ground sloping to the south, with a box 1.4 m deep and a bank 0.8 m high."""

    deep: float = 0.0
    high: float = 0.0

    footprint = FIELD

    def elevation(self, xy):
        z = 101 + 0.06 * xy[:, 1]
        dug = shapely.contains_xy(POND, *xy.T)
        raised = shapely.contains_xy(BANK, *xy.T)
        z = z - self.deep * dug + self.high * raised
        return np.where(shapely.intersects_xy(FIELD, *xy.T), z, np.nan)


@dataclass(frozen=True)
class FakePlan:
    sections: SectionsTable


@dataclass(frozen=True)
class Works:
    """As much of a site as the sheet asks for."""

    unit: Unit
    plan: FakePlan
    name: str = "Fernbeck lawn"
    existing: Worked = Worked()
    elements: tuple[FakeElement, ...] = (
        FakeElement("pond", "basin", POND, None),
        FakeElement("bank", "mound", BANK, None),
    )

    @cached_property
    def sections(self):
        return sections()

    def stations(self, every):
        surfaces = (self.existing, Worked(deep=1.4), Worked(high=0.8))
        return list_stations(surfaces, self.sections, every)


@cache
def sections():
    line = np.array([[-8.0, -1.0], [1.0, 0.5], [11.0, -1.5]])
    return tuple(
        trapezoid_volume(Worked(), after, region=FIELD, tolerance_m3=0.5, baseline=line)
        for after in (Worked(deep=1.4), Worked(high=0.8))
    )


def works(unit=METRE, spacing=None):
    return Works(unit, FakePlan(SectionsTable.model_construct(spacing=spacing)))


@pytest.fixture(scope="module", params=[METRE, FOOT], ids=["A4", "Letter"])
def sheet(request, tmp_path_factory):
    """A sheet as it is saved, and its figure, whole."""
    site, path = works(request.param), tmp_path_factory.mktemp("sheet") / "sections.png"
    figures = []

    def save(figure, path):
        figure.savefig(path, dpi=figure.dpi)
        figures.append(figure)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(canvas, "save", save)
        draw_page(site, site.stations(round_stations(site, 12)), path)
    (figure,) = figures
    return site, figure, path


def panels(figure):
    return [axes for axes in figure.axes[1:] if len(axes.get_xticks())]


def test_no_text_lies_on_another_or_off_the_sheet(sheet):
    site, figure, _ = sheet
    labels = shown(figure)
    check_apart(figure)
    said = [label.get_text() for label in labels]
    drawn = [text for text in said if text.startswith("Station ")]
    assert len(drawn) == len(panels(figure)) >= 4
    assert f"offsets in {site.unit.plural};" in " ".join(said)
    for text in drawn:
        assert text.removeprefix("Station ") in said  # on the key plan too
    assert {"N", "Key plan"} <= set(said)


def test_dig_is_brown_fill_is_teal_and_the_paper_goes_with_the_unit(sheet):
    site, _, path = sheet
    size = (1240, 1753) if site.unit is METRE else (1275, 1650)  # ISO 216 A4, ANSI A
    assert imread(path).shape[:2] == size
    pixels = colours(path)
    assert near(pixels, (0xDC, 0xBF, 0x97), 8) > 0.01
    assert near(pixels, (0x8C, 0xC0, 0xB9), 8) > 0.001


def test_every_section_is_drawn_at_the_one_scale_that_is_stated(sheet):
    site, figure, _ = sheet
    stated = next(t.get_text() for t in texts(figure) if "vertical ×" in t.get_text())
    vertical = float(stated.split("×")[1][:-1])
    if site.unit is METRE:
        scale = float(stated.split("1:")[1].split()[0])
    else:
        scale = 12 * float(stated.split("1 in = ")[1].split()[0])
    for axes in panels(figure):
        box = axes.get_window_extent()
        across = np.ptp(axes.get_xlim()) / (box.width / figure.dpi * 0.0254)
        upward = np.ptp(axes.get_ylim()) / (box.height / figure.dpi * 0.0254)
        assert across == pytest.approx(scale, rel=1e-6)
        assert across / upward == pytest.approx(vertical, rel=1e-6)


def test_a_box_is_as_wide_as_the_line_across_it_and_lies_on_its_side(sheet):
    """The pond from y = −4 to 3.5 is cut square to the first leg, which rises by 1.5 in 9."""
    site, figure, _ = sheet
    slant = np.hypot(9, 1.5) / 9
    titles = [t.get_text() for t in texts(figure) if t.get_text().startswith("Station ")]
    first = next(k for k, title in enumerate(titles) if 3 < float(title[8:]) * site.unit.metres < 7)
    at = float(titles[first][8:]) * site.unit.metres
    station = next(s for s in site.stations(at) if s.station_m == pytest.approx(at))
    assert station.cut_m2 == pytest.approx(1.4 * 7.5 * slant, rel=0.01)
    axes = panels(figure)[first]
    (brown,) = [
        area
        for area in axes.collections
        if len(area.get_facecolor()) and to_hex(area.get_facecolor()[0]) == DUG
    ]
    drawn = brown.get_paths()[0].vertices
    deep = drawn[:, 1] < 101 + 0.06 * -4 - 0.5  # the floor, not the ground beside it
    place, across = np.array(station.place), np.array(station.across)
    south, north = ((edge - place[1]) / across[1] for edge in (-4, 3.5))
    # offsets are drawn to the right of the baseline, which leads east: south is right
    ends = drawn[deep, 0].min(), drawn[deep, 0].max()
    assert ends == pytest.approx((-north, -south), abs=0.1)


def test_stations_are_round_in_the_sites_unit_or_the_plans_own():
    for unit in (METRE, FOOT):
        every = round_stations(works(unit), 12) / unit.metres
        assert np.isclose(every, [0.5, 1, 2, 5, 10]).any()
    assert round_stations(works(spacing=1.7), 40) == pytest.approx(1.7)
    assert round_stations(works(spacing=0.3), 40) == pytest.approx(0.6)


def test_every_station_is_in_the_pages(tmp_path):
    site = works()
    stations = site.stations(1.5)
    draw_pages(site, stations, tmp_path / "sections.pdf")
    held = (tmp_path / "sections.pdf").read_bytes()
    assert held.startswith(b"%PDF")
    count = held.count(b"/Type /Page\n") + held.count(b"/Type /Page ")
    assert 2 <= count <= len(drawn_stations(stations)) // 3


def test_an_arc_is_drawn_through_its_ends():
    from terrain.earthwork.baselines import arc_through

    corners = np.array([[0.0, 0.0], [4.0, 3.0], [9.0, 1.0]])
    points = baseline_points(arc_through(corners))
    assert points[0] == pytest.approx(corners[0])
    assert points[-1] == pytest.approx(corners[2])
    assert np.linalg.norm(points - corners[1], axis=1).min() < 0.1


def test_the_ground_is_drawn_beside_the_works(sheet):
    _, figure, _ = sheet
    for axes in panels(figure):
        (dashed,) = [line for line in axes.lines if line.get_color() == "#57702f"]
        x = np.asarray(dashed.get_xdata())
        assert np.ptp(x) == pytest.approx(np.ptp(axes.get_xlim()))
