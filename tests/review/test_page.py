"""The page: whole, without a network, and true to the composition it shows."""

import base64
import json
import re
import shutil
import subprocess
from dataclasses import fields, replace
from html.parser import HTMLParser

import numpy as np
import pytest

from terrain.review import look
from terrain.review.page import GAP, page, quantise, scene, write_page


class Reader(HTMLParser):
    """Collects tags, attributes and the text of each script."""

    def __init__(self):
        super().__init__()
        self.tags, self.links, self.scripts, self.ids = [], [], {}, []
        self._script = None
        self.text = ""

    def handle_starttag(self, tag, attrs):
        attributes = dict(attrs)
        self.tags.append(tag)
        self.ids.append(attributes.get("id"))
        self.links += [v for k, v in attributes.items() if k in {"src", "href"}]
        self._script = attributes.get("id", "program") if tag == "script" else None

    def handle_endtag(self, tag):
        if tag == "script":
            self._script = None

    def handle_data(self, data):
        if self._script is None:
            self.text += data
        else:
            self.scripts[self._script] = self.scripts.get(self._script, "") + data


@pytest.fixture(scope="module")
def read(site):
    reader = Reader()
    reader.feed(page(site))
    reader.close()
    return reader


def unpacked(text, kind):
    return np.frombuffer(base64.b64decode(text), dtype=kind)


def test_nothing_is_fetched(site, read):
    text = page(site)
    assert not re.search(r"(https?:)?//[a-z0-9.-]+\.[a-z]", text.replace("// ", ""), re.IGNORECASE)
    assert read.links == []
    assert not re.search(r"\b(fetch|XMLHttpRequest|WebSocket|import\s*\(|importScripts)\b", text)
    assert "@import" not in text
    assert "url(" not in text


def test_the_page_says_what_it_must(site, read):
    said = " ".join(read.text.split())
    assert site.name in said
    assert look.CAUTION in said
    assert "metres" in said
    for part in ("layers", "tall", "rose", "bar", "legend", "reading", "view"):
        assert part in read.ids


def test_heights_come_back_within_half_a_step(site, read):
    packed = json.loads(read.scripts["scene"])
    lattice = packed["lattice"]
    stored = site.composition.lattice
    assert (lattice["nx"], lattice["ny"], lattice["cell"]) == (stored.nx, stored.ny, stored.cell)
    for name in ("existing", "dig", "subgrade", "finish"):
        z = getattr(site.composition, name)
        values = unpacked(packed["heights"][name], "<u2").reshape(z.shape)
        gone = values == GAP
        np.testing.assert_array_equal(gone, np.isnan(z))
        back = packed["low"] + packed["step"] * values.astype(float)
        assert np.abs(back - z)[~gone].max() <= packed["step"] / 2 + 1e-12
    assert packed["step"] < 0.001


def test_water_is_where_the_composition_has_it(site, read):
    packed = json.loads(read.scripts["scene"])
    water = site.composition.water
    values = unpacked(packed["heights"]["water"], "<u2").reshape(water.shape)
    wet = np.isfinite(water)
    back = packed["low"] + packed["step"] * values.astype(float)
    assert np.abs(back - water)[wet].max() <= packed["step"] / 2 + 1e-12
    spread = (values != GAP) & ~wet
    assert np.all(back[spread] <= site.composition.finish[spread] + packed["step"])


def test_stones_and_elements_are_all_there(site, read):
    packed = json.loads(read.scripts["scene"])
    rows = np.concatenate(
        [unpacked(t, "<f4").reshape(-1, 7) for t in packed["stones"]["placed"].values()]
    )
    expected = np.array([[*s.centre, *s.axes, np.radians(s.turn_deg)] for s in site.stones])
    order = np.lexsort(np.round(rows, 3).T[:2])
    np.testing.assert_allclose(
        rows[order], expected[np.lexsort(np.round(expected, 3).T[:2])], rtol=1e-6, atol=1e-5
    )
    assert [e["name"] for e in packed["elements"]] == [e.name for e in site.elements]


def test_every_node_dug_or_held_knows_its_element(site):
    packed = scene(site)
    owner = unpacked(packed["owner"], "<u2").reshape(site.composition.owner.shape)
    dug = site.composition.owner >= 0
    np.testing.assert_array_equal(owner[dug], site.composition.owner[dug] + 1)
    assert set(np.unique(owner)) == {0, 1, 2, 3, 4}


def test_a_node_that_is_not_dug_belongs_to_the_outline_that_holds_it(site):
    undug = replace(site.composition, owner=np.full_like(site.composition.owner, -1))
    packed = scene(replace(site, composition=undug))
    owner = unpacked(packed["owner"], "<u2").reshape(undug.owner.shape)
    lattice = site.composition.lattice
    for number, element in enumerate(site.elements, start=1):
        middle = element.outline.centroid
        row = round((middle.y - lattice.y0) / lattice.cell)
        column = round((middle.x - lattice.x0) / lattice.cell)
        assert owner[row, column] == number
    assert owner[0, 0] == 0


def test_a_fine_lattice_is_thinned_and_the_page_stays_small(site, tmp_path):
    coarse, times = site.composition, 5
    lattice = replace(
        coarse.lattice, cell=0.05, nx=coarse.lattice.nx * times, ny=coarse.lattice.ny * times
    )
    arrays = {f.name: getattr(coarse, f.name) for f in fields(coarse) if f.name != "lattice"}
    finer = {name: a.repeat(times, axis=0).repeat(times, axis=1) for name, a in arrays.items()}
    fine = replace(site, composition=replace(coarse, lattice=lattice, **finer))
    file = tmp_path / "site.html"
    write_page(fine, file)
    assert file.stat().st_size < 5_000_000
    thinned = scene(fine)["lattice"]
    assert thinned["nx"] * thinned["ny"] <= 160_000
    assert thinned["cell"] == pytest.approx(0.1)


def test_a_name_cannot_break_out_of_the_page(site):
    name = "</script><script>alert(1)</script> & <b>"
    reader = Reader()
    reader.feed(page(replace(site, name=name)))
    assert reader.tags.count("script") == 2
    assert "b" not in reader.tags
    assert json.loads(reader.scripts["scene"])["name"] == name


def test_feet_are_told_in_feet(site_in_feet):
    text = page(site_in_feet)
    assert "international feet" in text
    assert scene(site_in_feet)["unit"] == {"metres": 0.3048, "symbol": "ft"}


def test_quantise_ends():
    kept = quantise(np.array([1.0, 3.0, np.nan]), 1.0, 3.0)
    assert kept.values.tolist() == [0, GAP - 1, GAP]


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
def test_the_page_runs_in_a_browser(site, tmp_path):
    file = tmp_path / "site.html"
    write_page(site, file)
    done = subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--use-angle=swiftshader",
         "--enable-unsafe-swiftshader", "--disable-background-networking", "--no-first-run",
         "--disable-component-update", "--disable-sync", f"--user-data-dir={tmp_path / 'profile'}",
         "--virtual-time-budget=5000", "--dump-dom", file.as_uri()],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    reader = Reader()
    reader.feed(done.stdout)
    assert {f"layer-{k}" for k in ("existing", "dig", "finish", "water", "stones")} <= set(
        reader.ids
    )
    # The scale bar's words are the last thing that a first drawing writes.
    assert re.search(r"\d+ m at the middle", reader.text)
    assert "no WebGL 2" not in reader.text
