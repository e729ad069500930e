"""The garden on a lattice coarse enough for tests."""

import pytest

from terrain.units import FOOT
from tests.review.garden import garden


@pytest.fixture(scope="session")
def site():
    return garden(cell=0.25)


@pytest.fixture(scope="session")
def site_in_feet():
    return garden(cell=0.25, unit=FOOT)
