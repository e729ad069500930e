"""How deep water runs over the lip of a fall."""

FRANCIS_SI = 1.838  # m^0.5/s
# 3.33 ft^0.5/s; suppressed rectangular weir, Francis: U.S. Bureau of Reclamation,
# Water Measurement Manual, ch. 7 (from memory; the conversion is exact)


def spill_depth(flow: float, width: float) -> float:
    """Head over a level lip as wide as its channel, `H = (Q / C L)^(2/3)`, m.

    The suppressed rectangular (Francis) formula; a rough natural lip runs deeper.

    Parameters
    ----------
    flow
        m³/s.
    width
        Of the lip, m.
    """
    return float((flow / (FRANCIS_SI * width)) ** (2 / 3))


def spill_flow(depth: float, width: float) -> float:
    """Flow over a level lip, `Q = C L H^1.5`, m³/s; the inverse of `spill_depth`."""
    return float(FRANCIS_SI * width * depth**1.5)
