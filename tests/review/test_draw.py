"""Whole files, pictures that show what they must, and a machine without OpenGL."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.image import imread

from terrain.errors import OutputError
from terrain.review import draw
from terrain.review.draw import draw_site
from terrain.review.rendering import Rendering, this_machine

PICTURES = ["existing.png", "dig.png", "finish.png", "earth_moved.png"]
ALWAYS = ["survey.png", "plan.png", "sections.png", "site.html"]


@pytest.fixture(scope="module")
def drawn(site, tmp_path_factory):
    if not this_machine().works:
        pytest.skip(this_machine().advice)
    return draw_site(site, tmp_path_factory.mktemp("drawn") / "out")


def pixels(drawn, name):
    (path,) = [file for file in drawn.files if file.name == name]
    return (imread(path)[..., :3] * 255).round().astype(int)


def block_of(picture):
    """The part of a picture where the site is drawn."""
    return picture[130:900, 40:1290]


def test_all_files_are_there_and_nothing_else(drawn):
    assert [file.name for file in drawn.files] == PICTURES + ALWAYS
    assert drawn.notes == ()
    folder = drawn.files[0].parent
    assert sorted(p.name for p in folder.iterdir()) == sorted(PICTURES + ALWAYS)


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_has_its_size_and_is_not_blank(drawn, name):
    picture = pixels(drawn, name)
    assert picture.shape == (1000, 1600, 3)
    paper = np.array([0xF6, 0xF1, 0xE7])
    drawn_on = np.abs(block_of(picture) - paper).max(axis=-1) > 6
    assert 0.35 < drawn_on.mean() < 0.95
    assert len(np.unique(picture @ [65536, 256, 1])) > 3000


def brown(p):
    red, green, blue = np.moveaxis(p, -1, 0)
    return (red - blue > 55) & (red > green + 12) & (green > blue)


def teal(p):
    red, green, blue = np.moveaxis(p, -1, 0)
    return (green - red > 18) & (blue - red > 10)


def blue_grey(p):
    red, green, blue = np.moveaxis(p, -1, 0)
    return (blue - red > 18) & (blue > green) & (green > red)


def top_of(picture):
    """Where the ground itself is seen: above the lowest fifth, which is the block's side."""
    return block_of(picture)[:480]


def test_brown_where_dug_teal_where_placed_blue_where_water_stands(drawn):
    before, dig, finish, moved = (top_of(pixels(drawn, name)) for name in PICTURES)
    assert brown(dig).mean() > brown(before).mean() + 0.05
    assert brown(moved).mean() > 0.04
    assert teal(moved).mean() > 0.005
    assert teal(before).mean() < 0.001
    assert blue_grey(finish).mean() > 0.04
    assert blue_grey(dig).mean() < 0.002


def test_a_point_of_the_site_falls_where_the_camera_says(site, drawn):
    """The deepest pixel of the pond's middle is brown in the dig, ground-coloured before."""
    from terrain.review.camera import HIGH, prepare

    whole, near = prepare(site)
    centre = site.elements[0].outline.representative_point()
    for relief, name, expected in ((near, "dig.png", True), (whole, "existing.png", False)):
        row = round((centre.y - relief.y[0]) / relief.cell)
        column = round((centre.x - 1.0 - relief.x[0]) / relief.cell)
        surface = relief.composition.dig if expected else relief.composition.existing
        spot = [relief.x[column], relief.y[row], surface[row, column]]
        px, py = relief.camera.pixels(np.array([spot]))[0]
        picture = pixels(drawn, name)
        patch = picture[int(HIGH - py) - 2 : int(HIGH - py) + 3, int(px) - 2 : int(px) + 3]
        assert brown(patch).mean() > 0.6 if expected else brown(patch).mean() < 0.2


def test_the_works_fill_the_near_pictures(site):
    from terrain.review.camera import VIEW, prepare

    whole, near = prepare(site)
    assert near.camera.scale > 1.02 * whole.camera.scale
    np.testing.assert_allclose(near.camera.back, whole.camera.back)
    for relief in (whole, near):
        xx, yy = np.meshgrid(relief.x, relief.y)
        known = np.isfinite(relief.composition.existing)
        seen = relief.camera.pixels(np.c_[xx[known], yy[known], relief.composition.existing[known]])
        assert seen[:, 0].min() >= VIEW[0]
        assert seen[:, 0].max() <= VIEW[2]
        assert seen[:, 1].min() >= VIEW[1]
        assert seen[:, 1].max() <= VIEW[3]


def test_without_rendering_all_else_is_made_and_the_advice_is_passed_on(
    site, tmp_path, monkeypatch
):
    advice = "install the package that renders"
    monkeypatch.setattr(draw, "this_machine", lambda: Rendering(False, None, advice))
    made = draw_site(site, tmp_path)
    assert [file.name for file in made.files] == ALWAYS
    assert made.notes == (advice,)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(ALWAYS)


def test_a_file_that_fails_halfway_leaves_the_old_one(site, tmp_path, monkeypatch):
    old = tmp_path / "plan.png"
    old.write_bytes(b"old")

    def broken(_, path):
        path.write_bytes(b"half")
        raise RuntimeError

    monkeypatch.setattr(draw, "plan_sheet", broken)
    with pytest.raises(RuntimeError):
        draw_site(site, tmp_path)
    assert old.read_bytes() == b"old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plan.png", "survey.png"]


def test_a_folder_that_is_a_file_is_told_politely(site, tmp_path):
    blocked = tmp_path / "out"
    blocked.write_text("a file")
    with pytest.raises(OutputError, match="cannot be written") as told:
        draw_site(site, blocked)
    assert told.value.mend


def test_a_site_with_nothing_to_build_can_be_drawn(site, tmp_path, monkeypatch):
    if not this_machine().works:
        pytest.skip(this_machine().advice)
    ground = site.composition.existing
    bare = replace(
        site.composition, dig=ground, subgrade=ground, finish=ground,
        water=np.full_like(ground, np.nan), owner=np.full(ground.shape, -1, dtype=np.int32),
    )  # fmt: skip
    from terrain.review.camera import prepare
    from terrain.review.scenes import PICTURES as ALL

    monkeypatch.setattr(draw, "this_machine", lambda: Rendering(False, None, "none"))
    empty = replace(site, composition=bare, stones=(), elements=())
    assert [file.name for file in draw_site(empty, tmp_path).files] == ALWAYS
    whole, near = prepare(empty)
    assert near.camera.scale == whole.camera.scale
    ALL[-1].write(empty, near, tmp_path / "moved.png")
    shown = (imread(tmp_path / "moved.png")[..., :3] * 255).round().astype(int)
    assert teal(top_of(shown)).sum() == 0
