"""Flow over a lip against the published rectangular-weir formula and its tables."""

import pytest

from terrain.design.weir import spill_depth, spill_flow

FOOT = 0.3048
GALLON = 231 * 0.0254**3


def test_francis_in_cubic_feet():
    """Q = 3.33 L H^1.5: 1 ft wide, 0.5 ft deep gives 1.1773 ft³/s.

    U.S. Bureau of Reclamation, *Water Measurement Manual*, ch. 7 (from memory, recomputed).
    """
    assert spill_flow(0.5 * FOOT, FOOT) / FOOT**3 == pytest.approx(1.1773, rel=2e-3)


@pytest.mark.parametrize(("inches", "gpm"), [(1, 36.0), (2, 101.7), (3, 186.8)])
def test_gallons_a_minute_for_each_foot_of_lip(inches, gpm):
    """Francis per foot of lip: 36.0, 101.7 and 186.8 gal/min (computed from the same formula)."""
    flow = spill_flow(inches * 0.0254, FOOT)
    assert flow * 60 / GALLON == pytest.approx(gpm, rel=3e-3)
    assert spill_depth(flow, FOOT) == pytest.approx(inches * 0.0254)
