"""What every two-surface volume method answers."""

from dataclasses import dataclass


@dataclass(frozen=True)
class CutFill:
    """Volumes between a surface before and a surface after.

    Attributes
    ----------
    cut_m3
        Where `after` is below `before`.
    fill_m3
        Where `after` is above `before`.
    bound_m3
        How far the method may be off, by its own refinement.
    """

    cut_m3: float
    fill_m3: float
    bound_m3: float
