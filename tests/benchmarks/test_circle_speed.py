"""Slip circles: ours beside the same method written plainly in NumPy."""

import numpy as np
import pytest

from terrain.stability import SlopeSoil, critical_circle, slope_section
from terrain.stability.search import factors_of

pytestmark = pytest.mark.slow

GROUND = np.array([[0.0, 25.0], [30.0, 25.0], [50.0, 35.0], [70.0, 35.0]])
SLICES, PLAIN = 30, 400


@pytest.fixture(scope="module")
def section():
    return slope_section(GROUND, [SlopeSoil("soil", 3e3, 19.6, 20e3, 20e3)])


@pytest.fixture(scope="module")
def circles(section):
    looked = np.ascontiguousarray(critical_circle(section).looked[:, :3])
    factors = factors_of(section, looked, count=SLICES)
    sound = np.isfinite(factors)
    return np.tile(looked[sound], (30, 1))[:40_000], factors[sound]


def plain_bishop(start: float, end: float, sagitta: float) -> float:
    z0, z1 = np.interp([start, end], GROUND[:, 0], GROUND[:, 1])
    chord = np.hypot(end - start, z1 - z0)
    radius = chord * (0.25 + sagitta**2) / (2 * sagitta)
    away = radius - sagitta * chord
    xc = 0.5 * (start + end) - away * (z1 - z0) / chord
    zc = 0.5 * (z0 + z1) + away * (end - start) / chord
    edges = np.linspace(start, end, SLICES + 1)
    arc = zc - np.sqrt(radius**2 - (edges - xc) ** 2)
    x, base, width = 0.5 * (edges[1:] + edges[:-1]), 0.5 * (arc[1:] + arc[:-1]), np.diff(edges)
    alpha = np.arctan(np.diff(arc) / width)
    weight = 20e3 * (np.interp(x, GROUND[:, 0], GROUND[:, 1]) - base) * width
    arm, tan, factor = np.hypot(x - xc, base - zc), np.tan(np.radians(19.6)), 1.0
    for _ in range(60):
        m = np.cos(alpha) + np.sin(alpha) * tan / factor
        last, factor = (
            factor,
            (arm * (3e3 * width + weight * tan) / m).sum() / (weight * (x - xc)).sum(),
        )
        if abs(factor - last) < 1e-6 * factor:
            break
    return factor


@pytest.mark.benchmark(group="slip circles of 30 slices")
def test_circles_by_numpy(benchmark, circles):
    asked, known = circles
    found = benchmark.pedantic(
        lambda: [plain_bishop(*one) for one in asked[:PLAIN].tolist()], rounds=3
    )
    assert found == pytest.approx(known[:PLAIN].tolist(), rel=1e-5)
    if benchmark.enabled:
        benchmark.extra_info["circles_per_s"] = PLAIN / benchmark.stats.stats.median


@pytest.mark.benchmark(group="slip circles of 30 slices")
def test_circles(benchmark, section, circles, capsys):
    asked, known = circles
    found = benchmark.pedantic(
        factors_of, args=(section, asked), kwargs={"count": SLICES}, rounds=5, warmup_rounds=1
    )
    assert found[: len(known)] == pytest.approx(known, rel=1e-9)
    if benchmark.enabled:
        each = len(asked) / benchmark.stats.stats.median
        benchmark.extra_info["circles_per_s"] = each
        with capsys.disabled():
            print(f"\n{each:,.0f} circles of {SLICES} slices a second")  # noqa: T201
