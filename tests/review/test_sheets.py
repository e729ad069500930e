"""Sheets: at a true scale, with every label clear of every other."""

import numpy as np
import pytest
from matplotlib.image import imread
from matplotlib.text import Text

from terrain.review import canvas, papers
from terrain.review.papers import A4, LETTER, paper_for, true_scale
from terrain.review.sheets import plan_sheet, sections_sheet
from terrain.units import FOOT, METRE, US_SURVEY_FOOT
from tests.review.texts import check_apart, shown


@pytest.fixture
def kept(monkeypatch):
    """Sheets that are saved stay whole, to be looked into."""
    figures = []

    def save(figure, path):
        figure.savefig(path, dpi=figure.dpi)
        figures.append(figure)

    monkeypatch.setattr(canvas, "save", save)
    return figures


def texts(figure):
    return [
        t for t in figure.findobj(Text)
        if t.get_text().strip() and t.get_visible() and t.axes is not None
    ]  # fmt: skip


@pytest.mark.parametrize("draw", [plan_sheet, sections_sheet])
@pytest.mark.parametrize("which", ["site", "site_in_feet"])
def test_no_text_lies_on_another_or_off_the_sheet(draw, which, kept, tmp_path, request):
    draw(request.getfixturevalue(which), tmp_path / "sheet.png")
    (figure,) = kept
    labels = shown(figure)
    assert len(labels) > 15
    check_apart(figure)


def colours(path):
    return (imread(path)[..., :3] * 255).astype(int).reshape(-1, 3)


def near(pixels, colour, reach=26):
    return (np.abs(pixels - np.array(colour)).max(axis=1) < reach).mean()


def test_the_plan_is_of_print_size_and_shows_brown_and_teal(site, tmp_path):
    plan_sheet(site, tmp_path / "plan.png")
    # ISO 216: A4 is 297 mm × 210 mm.
    assert imread(tmp_path / "plan.png").shape[:2] == (1240, 1753)
    pixels = colours(tmp_path / "plan.png")
    red, green, blue = pixels.T
    assert ((red - blue > 60) & (red > green)).mean() > 0.03  # brown: dug
    assert ((green - red > 25) & (blue - red > 15)).mean() > 0.005  # teal: raised
    assert len(np.unique(pixels @ [65536, 256, 1])) > 2000


def test_the_sections_show_water_and_letter_paper_goes_with_feet(site_in_feet, tmp_path):
    sections_sheet(site_in_feet, tmp_path / "sections.png")
    # ANSI A: 11 in × 8.5 in.
    assert imread(tmp_path / "sections.png").shape[:2] == (1275, 1650)
    pixels = colours(tmp_path / "sections.png")
    assert near(pixels, (0xB5, 0xCC, 0xD5), 6) > 0.01


def test_the_plan_is_drawn_at_the_scale_it_states(site, kept, tmp_path):
    plan_sheet(site, tmp_path / "plan.png")
    (figure,) = kept
    stated = next(t.get_text() for t in texts(figure) if "printed at full size" in t.get_text())
    scale = float(stated.split("1:")[1].split()[0])
    plan = figure.axes[1]
    box = plan.get_window_extent()
    for span, pixels in ((plan.get_xlim(), box.width), (plan.get_ylim(), box.height)):
        on_paper_m = pixels / figure.dpi * 0.0254
        assert (span[1] - span[0]) / on_paper_m == pytest.approx(scale, rel=1e-6)


def test_sections_are_drawn_at_the_scale_and_exaggeration_they_state(site, kept, tmp_path):
    sections_sheet(site, tmp_path / "sections.png")
    (figure,) = kept
    stated = next(t.get_text() for t in texts(figure) if "vertical ×" in t.get_text())
    scale = float(stated.split("1:")[1].split()[0])
    vertical = float(stated.split("×")[1].rstrip("."))
    for axes in figure.axes[1:]:
        box = axes.get_window_extent()
        across = np.ptp(axes.get_xlim()) / (box.width / figure.dpi * 0.0254)
        upward = np.ptp(axes.get_ylim()) / (box.height / figure.dpi * 0.0254)
        assert across == pytest.approx(scale, rel=1e-6)
        assert across / upward == pytest.approx(vertical, rel=1e-6)


def test_every_element_is_named_with_its_deepest_dig(site, kept, tmp_path):
    plan_sheet(site, tmp_path / "plan.png")
    said = "\n".join(t.get_text() for t in texts(kept[0]))
    for element in site.elements:
        assert element.name in said
    composition = site.composition
    depth = composition.existing - composition.dig
    for index in range(3):
        deepest = depth[composition.owner == index].max()
        assert f"deepest dig {deepest:.2f}" in said
    assert "Screening aid" in said


@pytest.mark.parametrize(
    ("least", "unit", "expected"),
    [(180, METRE, 200), (200, METRE, 200), (201, METRE, 250), (100, FOOT, 120), (121, FOOT, 180)],
)
def test_true_scale_is_customary(least, unit, expected):
    # 1:200 and 1:250 are metric plan scales; 1 in = 10 ft is 1:120 (common practice).
    assert true_scale(least, unit) == expected


def test_paper():
    assert paper_for(METRE) is A4
    assert paper_for(FOOT) is LETTER
    assert paper_for(US_SURVEY_FOOT) is LETTER
    assert papers.scale_words(240, FOOT, LETTER) == "1 in = 20 ft on Letter"
