"""Seeded draws that stay the same from one NumPy to the next.

NumPy promises the raw stream of a bit generator for good, but not what its samplers make of it
(NEP 19), so the samplers are written out here.
"""

import numpy as np

from terrain.arrays import FloatArray


class Draws:
    """Numbers drawn one batch after another from one seed."""

    def __init__(self, seed: int) -> None:
        self._bits = np.random.PCG64(seed)

    def uniform(self, low: float, high: float, size: int) -> FloatArray:
        """Even between `low` and `high`, from the upper 53 bits of each word."""
        words = np.asarray(self._bits.random_raw(size), dtype=np.uint64)
        share = (words >> np.uint64(11)).astype(np.float64) * 2.0**-53
        return low + (high - low) * share

    def normal(self, sigma: float, size: int) -> FloatArray:
        """Around 0 with standard deviation `sigma` (Box and Muller, 1958)."""
        radius = np.sqrt(-2.0 * np.log(1.0 - self.uniform(0.0, 1.0, size)))
        return sigma * radius * np.cos(self.uniform(0.0, 2.0 * np.pi, size))

    def exponential(self, mean: float, size: int) -> FloatArray:
        """Above 0, with the given mean."""
        return -mean * np.log(1.0 - self.uniform(0.0, 1.0, size))
