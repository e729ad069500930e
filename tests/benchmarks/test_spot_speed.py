"""A million spot heights from text, beside NumPy's own reader of numbers in the same run."""

import numpy as np
import pytest

from terrain.survey import read_spots
from terrain.units import METRE

pytestmark = pytest.mark.slow

POINTS = 1_000_000


@pytest.fixture(scope="module")
def rover(tmp_path_factory):
    rng = np.random.default_rng(5)
    xyz = np.round(rng.uniform([200_000, 500_000, 100], [200_100, 500_100, 110], (POINTS, 3)), 3)
    path = tmp_path_factory.mktemp("spots") / "rover.csv"
    rows = (f"{i},{n:.3f},{e:.3f},{z:.3f},GS\n" for i, (e, n, z) in enumerate(xyz))
    path.write_text("point,northing,easting,elevation,code\n" + "".join(rows))
    return path, xyz


@pytest.mark.benchmark(group="a million spot heights")
def test_spots(benchmark, rover):
    path, xyz = rover
    spots = benchmark.pedantic(
        read_spots, args=(path,), kwargs={"unit": METRE}, rounds=3, warmup_rounds=1
    )
    np.testing.assert_array_equal(spots.xyz, xyz)
    assert (spots.name[-1], spots.code[-1]) == (str(POINTS - 1), "GS")


@pytest.mark.benchmark(group="a million spot heights")
def test_numbers_alone_by_numpy(benchmark, rover):
    path, xyz = rover
    options = {"delimiter": ",", "skiprows": 1, "usecols": (2, 1, 3)}
    read = benchmark.pedantic(np.loadtxt, args=(path,), kwargs=options, rounds=3)
    np.testing.assert_array_equal(read, xyz)
