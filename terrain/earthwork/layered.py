"""What earthwork asks of composed surfaces, whoever made them."""

from typing import Protocol

from terrain.arrays import FloatArray, Int32Array


class Around(Protocol):
    """Surfaces at the places of n rocks, each shape (n,), m, none below the one before.

    `subgrade` is the soil face, `bed` the top of the drapes, `stone` the top of drapes and lifts,
    `finish` what is seen; `water` the level of the water, NaN where none stands.
    """

    @property
    def subgrade(self) -> FloatArray:
        """Soil face."""
        ...

    @property
    def bed(self) -> FloatArray:
        """Top of the drapes."""
        ...

    @property
    def stone(self) -> FloatArray:
        """Top of drapes and lifts."""
        ...

    @property
    def finish(self) -> FloatArray:
        """What is seen."""
        ...

    @property
    def water(self) -> FloatArray:
        """Level of standing water, NaN where none."""
        ...


class Layered(Around, Protocol):
    """The same with the ground and the dig under them, and the element that decided each."""

    @property
    def existing(self) -> FloatArray:
        """Ground as surveyed."""
        ...

    @property
    def dig(self) -> FloatArray:
        """What the bucket leaves."""
        ...

    @property
    def dig_owner(self) -> Int32Array:
        """Who decided the dig."""
        ...

    @property
    def fill_owner(self) -> Int32Array:
        """Who raised the ground."""
        ...

    @property
    def finish_owner(self) -> Int32Array:
        """Who decided the finish."""
        ...

    @property
    def water_owner(self) -> Int32Array:
        """Who holds the water."""
        ...
