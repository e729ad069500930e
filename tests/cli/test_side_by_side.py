"""`volumes --methods`: the three methods side by side, with the sections drawn."""

import json
from pathlib import Path

import pytest
from matplotlib.image import imread

from tests.cli.conftest import Run
from tests.cli.sites import DUG_M3, replace, write_site

MOUND = """
[[element]]
type = "mound"
name = "bank"
outline = { points = [[510, 802], [520, 802], [520, 806], [510, 806]] }
height = 0.8
batter = "1:1"

[sections]
baseline = [[501, 801], [512, 808], [520, 815]]
spacing = 0.8
"""
# prismoidal formula of a mound of 10 m by 4 m, 0.8 m high with faces of 1:1
MOUND_M3 = (40 + 8.4 * 2.4 + 4 * 9.2 * 3.2) * 0.8 / 6


@pytest.fixture(scope="module")
def mound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_site(tmp_path_factory.mktemp("mound") / "hollow", "m")
    plan = folder / "site.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + MOUND, encoding="utf-8")
    return folder


def test_json_sums_to_the_whole(run: Run, mound: Path):
    said = run("volumes", mound, "--methods", "--json")
    assert (said.code, said.err) == (0, "")
    document = json.loads(said.out)
    found = document["sections"]
    bound = document["methods"]["trapezoid"]["bound_m3"]
    for what, exact in (("cut", DUG_M3), ("fill", MOUND_M3)):
        key = f"{what}_m3"
        whole = document["methods"]["trapezoid"][key]
        assert whole == pytest.approx(exact, abs=bound)
        assert found[key] == pytest.approx(whole, abs=1e-9)
        stretches = found[f"{what}_stretches"]
        assert sum(part[key] for part in stretches) == pytest.approx(whole, abs=1e-9)
        for part in stretches:
            first, middle, last = part["areas_m2"]
            length = part["to_m"] - part["from_m"]
            assert part["end_area_m3"] == pytest.approx(length * (first + last) / 2, abs=1e-9)
            simpson = length * (first + 4 * middle + last) / 6
            assert part[key] == pytest.approx(simpson, abs=1e-9)
            assert length <= 0.8 + 1e-9
        corrected = found["end_area_m3"][key] - found["prismoidal_correction_m3"][key]
        assert corrected == pytest.approx(whole, abs=1e-9)
        assert found["stations"][-1][f"{what}_so_far_m3"] == pytest.approx(whole, abs=1e-9)
    assert found["agree"] is True
    assert found["baseline"]["given"] is True
    corners = [x for corner in found["baseline"]["corners_m"] for x in corner]
    assert corners == pytest.approx([501, 801, 512, 808, 520, 815])
    picture, pages = map(Path, found["files"])
    assert picture.parent == mound / "out"
    assert imread(picture)[..., :3].std() > 0.05
    assert pages.read_bytes().startswith(b"%PDF")


def test_methods_that_disagree_are_still_shown_with_how_each_came_to_its_answer(
    run: Run, mound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """A method is spoilt by hand: exit code 3, with all three and the sections to look at."""
    from terrain import site as module
    from terrain.earthwork import CutFill

    monkeypatch.setattr(module, "prism_volume", lambda *_, **__: CutFill(7.0, 7.0, 0.0))
    said = run("volumes", mound, "--methods", "--out", tmp_path)
    assert said.code == 3
    assert "by prism" in said.err
    assert said.out.count("The same by three methods") == 1
    for words in (
        "They differ by more than the ± of each.",
        "grid: cells of 0.10 m",
        "at most the plan's 0.80 m",
        "Baseline from the plan, 501.00 E 801.00 N to 520.00 E 815.00 N",
        "prismoidal correction",
    ):
        assert words in said.out
    rows = said.out[said.out.index("Stations along") :].split("\n\n")[0].splitlines()[3:]
    assert 10 < len(rows) <= 27
    assert float(rows[-1].split()[3]) == pytest.approx(DUG_M3, rel=0.01)
    assert str(tmp_path / "volume_sections.png") in said.out
    assert {file.name for file in tmp_path.iterdir()} == {
        "volume_sections.png",
        "volume_sections.pdf",
    }


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("spacing = 0.8", "spacing = 0.001", "sections.spacing"),
        ("spacing = 0.8", "curved = true\nspacing = 0.8", None),
        ("[512, 808], [520, 815]]", "[512, 808]]\ncurved = true", "an arc with 2 places"),
        ("[512, 808], [520, 815]]", "[512, 812], [523, 823]]\ncurved = true", "in line"),
        ("[512, 808], [520, 815]]", "[501, 801], [520, 815]]", "two places in a row"),
        ("[512, 808], [520, 815]]", "[512, 808]]\ncode = 'WE1'", "baseline and code"),
        ("baseline = [[501, 801], [512, 808], [520, 815]]", "code = 'WE9'", "no string with"),
        ("baseline = [[501, 801], [512, 808], [520, 815]]", "curved = true", "without a baseline"),
    ],
)  # fmt: skip
def test_a_baseline_that_cannot_be_is_refused_in_words(
    tmp_path: Path, old: str, new: str, words: str | None
):
    from terrain.errors import PlanError
    from terrain.site import Site

    folder = write_site(tmp_path / "hollow", "m")
    plan = folder / "site.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + MOUND, encoding="utf-8")
    replace(plan, old, new)
    if words is None:
        site = Site.open(folder)
        assert site.baseline_given
        assert vars(site)["_baseline"].radius > 20
        return
    with pytest.raises(PlanError, match=words):
        assert Site.open(folder).sections
