"""Stake sheets: every point stands once in a table, names are apart, black on white."""

import numpy as np
import pytest
from PIL import Image

from terrain.review.canvas import overlaps
from terrain.review.stake_sheets import (
    _pages,
    _paper,
    draw_page,
    sheet_count,
    write_stake_sheets,
)
from terrain.site import Site
from terrain.stakes import Pegging
from tests.stake_site import write_stake_site


@pytest.fixture(scope="module")
def sites(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sheets")
    return {unit: Site.open(write_stake_site(folder / unit, unit)) for unit in ("m", "ft")}


def boxes(figure):
    """Every text of a page with its box in pixels."""
    renderer = figure.canvas.get_renderer()
    found = []
    for axes in figure.axes:
        for text in axes.texts:
            if text.get_text():
                box = text.get_window_extent(renderer)
                found.append((text.get_text(), (box.x0, box.y0, box.x1, box.y1)))
    return found


@pytest.mark.parametrize("unit", ["m", "ft"])
def test_pages_hold_every_point_once_and_nothing_overlaps(sites, unit):
    site = sites[unit]
    stakes = site.stakes(Pegging(1.5, 1.0))
    element = site.elements[0]
    pages = list(_pages(element, stakes.of("pond"), _paper(site.unit)))
    assert [p.name for page in pages for p in page.points] == [p.name for p in stakes.of("pond")]
    assert len({len(page.points) for page in pages[:-1]}) <= 1
    figure = draw_page(site, stakes, pages[1])
    said = boxes(figure)
    wide, high = figure.get_size_inches() * figure.dpi
    for _, (left, bottom, right, top) in said:
        assert 0 < left < right < wide
        assert 0 < bottom < top < high
    for k, (_, one) in enumerate(said):
        for _, other in said[k + 1 :]:
            assert not overlaps(one, other, gap=-1.5)
    words = [word for word, _ in said]
    for point in pages[1].points:
        assert words.count(point.name) == 2  # on the plan and in the table
        digits = 1 if site.unit.key == "ft" else 2  # feet and tenths
        cut = f"{'F' if point.cut_m < 0 else 'C'} {abs(point.cut_m) / site.unit.metres:.{digits}f}"
        assert cut in words
    for must in ("N", "pond", "CUT", "bearing", f"sheet 2 of {len(pages)}"):
        assert must in words
    assert any("certifies" in word for word in words)


def test_files(sites, tmp_path):
    site = sites["m"]
    few = site.stakes(Pegging(12.0, 1.0))
    counted = []
    files = write_stake_sheets(site, few, tmp_path / "out", advance=lambda: counted.append(1))
    pages = [file for file in files if file.suffix == ".png"]
    assert len(counted) == len(pages) == sheet_count(site, few)
    assert {file.name for file in files if file.suffix == ".pdf"} == {"pond.pdf", "low_mound.pdf"}
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted(f.name for f in files)
    pdf = (tmp_path / "out" / "pond.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert b"CreationDate" not in pdf
    shot = np.asarray(Image.open(pages[0]).convert("L"))
    assert shot.shape == (1753, 1240)
    assert (shot == 255).mean() > 0.75  # white paper
    assert (shot < 40).mean() > 0.02  # black ink
