"""A box pit dug in five level steps: how far it is, known in closed form at every survey."""

import dataclasses

import numpy as np
import pytest

from terrain.errors import PlanError
from terrain.progress import OUTSIDE, TOO_DEEP, TOO_HIGH, measure_progress
from terrain.site import Site
from tests.as_dug_surveys import (
    AREA_M2,
    DEEP,
    DUG_M3,
    SOUTH,
    STEPS,
    WEST,
    WIDE,
    dated,
    day,
    dug_in_steps,
    pit_shots,
    write_boxwood,
    write_shots,
)

GROUND_M, AS_DUG_M = 0.01, 0.02
LOADS = """
[[loads_sent]]
date = 2026-05-04
count = 1

[[loads_sent]]
date = 2026-05-08
count = 2
"""


@dataclasses.dataclass(frozen=True)
class Level:
    """A survey that is wrong by the same everywhere: its volume by error times area."""

    sigma_m: float

    def sigma(self, xy):
        return np.full(len(xy), self.sigma_m)

    def pm(self, xy):
        return 1.96 * self.sigma(xy)

    def together_m(self, xy):
        return np.full(len(xy), 1e9)


def measured(folder, **more):
    """Progress with errors that are known."""
    site = Site.open(folder)
    vars(site)["doubt"] = Level(GROUND_M)
    on = site.digsite
    on = dataclasses.replace(on, measured=lambda table: (site._measured(table), Level(AS_DUG_M)))
    return measure_progress(on, **more)


@pytest.fixture(scope="module")
def steps(tmp_path_factory):
    return measured(dug_in_steps(tmp_path_factory.mktemp("steps") / "box", LOADS))


def one_survey(folder, shots, more="", **options):
    write_boxwood(folder, dated("monday", day(1)) + more)
    write_shots(folder / "monday.csv", shots)
    return measured(folder, **options)


def test_each_step_is_a_fifth(steps):
    assert steps.planned_m3 == pytest.approx(DUG_M3, rel=1e-3)
    assert [each.day for each in steps.days] == [day(step) for step in range(1, STEPS + 1)]
    for step, each in enumerate(steps.days, start=1):
        whole = each.whole
        assert whole.dug_m3 == pytest.approx(DUG_M3 * step / STEPS, rel=2e-3)
        assert whole.dug_m3 + whole.left_m3 == pytest.approx(steps.planned_m3, abs=1e-9)
        assert each.taken_m3 == pytest.approx(whole.dug_m3, rel=1e-6)
        assert (whole.too_deep_m3, each.outside_m3, whole.came_back_m3) == (0.0, 0.0, 0.0)
        assert each.covers_share == whole.reached_share == 1.0
        last = step == STEPS
        assert whole.too_high_m2 == pytest.approx(0.0 if last else AREA_M2, rel=2e-3)
        left = 0.0 if last else DEEP * (STEPS - step) / STEPS
        assert whole.too_high_m == pytest.approx(left, abs=1e-3)
        assert [figures.name for figures in each.elements] == ["pit"]


def test_doubts_of_two_surveys_add_by_squares(steps):
    """Errors of 1 cm and 2 cm over 24 m²; what is left hangs on the later survey alone."""
    whole = steps.days[2].whole
    both = 1.96 * AREA_M2 * np.hypot(GROUND_M, AS_DUG_M)
    assert whole.dug_pm_m3 == pytest.approx(both, rel=0.01)
    assert whole.left_pm_m3 == pytest.approx(1.96 * AREA_M2 * AS_DUG_M, rel=0.01)
    assert steps.days[-1].whole.left_pm_m3 == 0.0


def test_three_loads_show_the_swell(steps):
    """21.6 m³ at 25 % are three loads of 9 m³."""
    trucked = steps.days[2].trucked
    assert trucked.sent.loads == 3
    assert trucked.swell.likely == pytest.approx(0.25, abs=2e-3)
    assert trucked.foretold.likely in (3, 4)  # 27 m³ to rounding
    pm = steps.days[2].whole.dug_pm_m3
    assert trucked.swell.high == pytest.approx(27 / (21.6 - pm) - 1, abs=3e-3)
    assert steps.days[1].trucked.sent.loads == 1


def test_the_pace_tells_the_days_left(steps):
    """7.2 m³ in two days; one pace only, since the last is that of the whole."""
    assert {pace.since for pace in steps.paces} == {day(1), day(4)}
    assert [pace.m3_a_day for pace in steps.paces] == pytest.approx([3.6, 3.6], rel=2e-3)
    assert [pace.days_left for pace in steps.paces] == pytest.approx([0.0, 0.0], abs=1e-6)


def test_too_deep_in_one_half(tmp_path):
    """The southern half 20 cm under the dig: 2.4 m³ go back; the rest nobody looked at."""
    progress = one_survey(tmp_path / "box", pit_shots(100 - DEEP - 0.2, share=0.5))
    (told,) = progress.days
    whole = told.whole
    assert whole.too_deep_m2 == pytest.approx(AREA_M2 / 2, rel=0.02)
    assert whole.too_deep_m3 == pytest.approx(0.2 * AREA_M2 / 2, rel=0.02)
    assert whole.too_deep_m == pytest.approx(0.2, abs=1e-6)
    assert whole.too_deep_pm_m3 == pytest.approx(1.96 * AS_DUG_M * AREA_M2 / 2, rel=0.02)
    assert whole.reached_share == told.covers_share == pytest.approx(0.5, rel=0.02)
    assert whole.dug_m3 == pytest.approx(DUG_M3 / 2, rel=0.02)
    assert whole.dug_m3 + whole.left_m3 == pytest.approx(progress.planned_m3, abs=1e-9)
    assert told.taken_m3 == pytest.approx((DEEP + 0.2) * AREA_M2 / 2, rel=0.02)
    # what nobody looked at hangs on the ground from before
    assert whole.left_pm_m3 == pytest.approx(1.96 * GROUND_M * AREA_M2 / 2, rel=0.02)
    deep, left = told.patches
    assert (deep.kind, left.kind) == (TOO_DEEP, TOO_HIGH)
    assert deep.region.bounds == pytest.approx((2, 2, 6, 5), abs=0.25)
    assert deep.middle == pytest.approx((WEST + WIDE / 2 - 500, SOUTH + 1.5 - 800), abs=0.05)
    assert left.volume_m3 == pytest.approx(DUG_M3 / 2, rel=0.02)


def test_the_tolerance_is_the_plan_s_or_the_caller_s(tmp_path):
    progress = one_survey(tmp_path / "box", pit_shots(100 - DEEP - 0.2), tolerance_m=0.21)
    assert progress.tolerance_m == 0.21
    assert progress.days[0].whole.too_deep_m3 == 0.0
    assert progress.days[0].whole.left_m3 == pytest.approx(0.0, abs=1e-9)


def test_a_hole_beside_the_plan(tmp_path):
    """A pyramid of 2 m by 2 m and 60 cm, dug 6 m east of the pit: 0.8 m³ in place."""
    hole = [(512, 802), (514, 802), (514, 804), (512, 804)]
    shots = [*pit_shots(100 - DEEP), *((e, n, 100.0, "GS") for e, n in hole)]
    shots += [(513, 803, 99.4, "GS"), (516, 800, 100.0, "GS"), (516, 808, 100.0, "GS")]
    (told,) = one_survey(tmp_path / "box", shots).days
    assert told.outside_m3 == pytest.approx(0.8, rel=0.05)
    assert told.outside_m == pytest.approx(0.6, abs=0.03)
    assert told.taken_m3 == pytest.approx(DUG_M3 + 0.8, rel=5e-3)
    (patch,) = told.patches
    assert (patch.kind, patch.element) == (OUTSIDE, None)
    assert patch.middle == pytest.approx((13, 3), abs=0.05)


def test_soil_left_on_heaps_counts_and_a_caller_s_loads(tmp_path):
    """36 m³ at 25 % are 45 m³: four loads of 9 m³, and 9 m³ on a heap."""
    more = '\n[[loads_sent]]\ndate = 2026-05-01\ncount = 1\non_site = "9 m3"\n'
    (told,) = one_survey(tmp_path / "box", pit_shots(100 - DEEP), more, loads=4).days
    assert told.trucked.sent.loads == 4
    assert told.trucked.swell.likely == pytest.approx(0.25, abs=2e-3)
    assert told.trucked.foretold.likely in (4, 5)


def test_a_survey_made_while_digging_makes_no_ground(tmp_path):
    folder = write_boxwood(tmp_path / "box")
    plan = folder / "site.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace('"rover.csv"', '"rover.csv"\nas_dug = 2026-05-04'), "utf-8")
    with pytest.raises(PlanError, match="makes the existing ground") as said:
        Site.open(folder)
    assert "before the dig" in said.value.expected


def test_without_a_date_nothing_is_told(tmp_path):
    site = Site.open(write_boxwood(tmp_path / "box"))
    vars(site)["doubt"] = Level(GROUND_M)
    with pytest.raises(PlanError, match="no survey was made while digging") as said:
        site.progress()
    assert "--as-dug" in said.value.mend


@pytest.mark.parametrize("bad", ["2026-05-04T07:00:00", '"soon"', "20260504.5"])
def test_a_day_is_a_day(tmp_path, bad):
    folder = write_boxwood(
        tmp_path / "box", f'\n[[survey]]\nname="a"\nfile="a.csv"\nas_dug={bad}\n'
    )
    with pytest.raises(PlanError, match="is not a day"):
        Site.open(folder)


def test_as_dug_surveys_neither_give_outlines_nor_check_the_ground(tmp_path):
    more = dated("before", day(1)).replace("as_dug", "# as_dug") + dated("monday", day(1))
    folder = write_boxwood(tmp_path / "box", more)
    plan = folder / "site.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("[codes]", '[codes]\nWE = "outline"'), encoding="utf-8")
    for name, code in (("before", "WE1"), ("monday", "WE2")):
        edge = [(503, 803), (505, 803), (505, 805), (503, 805)]
        shots = [(east, north, 99.0, code) for east, north in edge]
        write_shots(folder / f"{name}.csv", [*shots, *pit_shots(99.0)])
    site = Site.open(folder)
    assert [each.reading.table.name for each in site.check_surveys] == ["before"]
    assert set(site.outline_strings) == {"WE1"}
