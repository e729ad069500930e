"""The sheet of a difference is brown where the dig goes deeper and teal where it stops higher."""

import numpy as np
import pytest
from PIL import Image

from terrain.comparison import Comparison
from terrain.design.changing import change_plan, read_setting
from terrain.design.plan import plan_tables
from terrain.review import look
from terrain.review.difference_sheet import difference_sheet
from terrain.review.sweep_plot import Curve, sweep_plot
from terrain.site import Site
from tests.cli.sites import write_site

MAP = (slice(60, 1020), slice(110, 1340))  # rows and columns of the map on a sheet


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    site = Site.open(write_site(tmp_path_factory.mktemp("compared") / "hollow", "m"))
    deeper = change_plan(plan_tables(site.path), [read_setting("pond.floor=1.5")], site.path)
    return site, site.revised(deeper)


def share_of(path, colour):
    """Share of the map's pixels that have a colour."""
    pixels = np.asarray(Image.open(path).convert("RGB"), dtype=float)[MAP] / 255
    return float((np.abs(pixels - look.rgb(colour)).max(axis=-1) < 0.02).mean())


def test_brown_where_deeper_and_teal_where_higher(pair, tmp_path):
    site, deeper = pair
    lower, higher, same = (tmp_path / f"{name}.png" for name in ("lower", "higher", "same"))
    difference_sheet(Comparison(site, deeper), lower)
    difference_sheet(Comparison(deeper, site), higher)
    difference_sheet(Comparison(site, site), same)
    darkest_brown, darkest_teal = look.DIVERGING[0], look.DIVERGING[-1]
    assert share_of(lower, darkest_brown) > 0.1
    assert share_of(lower, darkest_teal) < 0.001
    assert share_of(higher, darkest_teal) > 0.1
    assert share_of(higher, darkest_brown) < 0.001
    assert share_of(same, darkest_brown) + share_of(same, darkest_teal) < 0.001


def test_a_panel_for_each_quantity_and_a_cross_where_nothing_can_be_built(tmp_path):
    whole, broken = (tmp_path / f"{name}.png" for name in ("whole", "broken"))
    curves = [Curve("dig, in place", "m³", (24.0, 32.0, 40.0), 24.0)] * 2
    torn = [Curve("dig, in place", "m³", (24.0, None, 40.0), 24.0)] * 2
    sweep_plot(curves, (1.5, 2.0, 2.5), whole, title="Hollow", along="pit.depth, m", planned=1.5)
    sweep_plot(torn, (1.5, 2.0, 2.5), broken, title="Hollow", along="pit.depth, m", planned=1.5)
    red = [
        int(
            (
                np.abs(
                    np.asarray(Image.open(path).convert("RGB")) / 255 - look.rgb(look.ALERT)
                ).max(axis=-1)
                < 0.02
            ).sum()
        )
        for path in (whole, broken)
    ]
    assert red[0] == 0
    assert red[1] > 10
