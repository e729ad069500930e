"""How spoil is laid where a plan lets it be heaped."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, WithJsonSchema, model_validator

from terrain.design.quantities import QUANTITY, Batter, Extent, Place
from terrain.design.table import Table
from terrain.errors import Place as ErrorPlace
from terrain.errors import PlanError, UnitError
from terrain.units import METRE, parse_length

LEAST_SETBACK_M = 0.6
"""Spoil lies at least 2 ft (0.61 m) from the edge of an excavation (29 CFR 1926.651(j)(2));
0.6 m where rules are metric (common practice)."""
USUAL_SETBACK_M = 0.6096
STEEPEST_BATTER, FLATTEST_BATTER = 0.5, 10.0


def _setback(value: Any, info: ValidationInfo) -> float | str:
    """A length, or the word for the depth of the dig."""
    if value == "depth":
        return "depth"
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise UnitError(f"{value!r} is not a length", expected=_SETBACK_EXPECTED)
    try:
        return parse_length(value, (info.context or {}).get("unit", METRE))
    except UnitError as error:
        raise UnitError(error.found, expected=_SETBACK_EXPECTED) from None


_SETBACK_EXPECTED = 'at least 2 ft (0.6 m), or "depth"'
Setback = Annotated[
    Literal["depth"] | float,
    BeforeValidator(_setback),
    WithJsonSchema({"type": ["number", "string"], "exclusiveMinimum": 0, QUANTITY: "length"}),
]


class HeapTable(Table):
    """The form of a heap and how far it stays from the dig."""

    shape: Literal["cone", "ridge", "flat"] | None = None
    """The heap's form; left out, the first of cone, ridge and flat top that holds the soil."""
    batter: Batter = 1.5
    """Slope at which the loose soil rests."""
    highest: Extent | None = None
    """Greatest height of the heap above the ground."""
    setback: Setback = USUAL_SETBACK_M
    """Room to the edge of any dig: 2 ft at least, or "depth", as much as that is deep."""
    crest: Annotated[tuple[Place, ...], Field(min_length=1)] | None = None
    """Apex of the cone, or corners of the ridge's line, as [easting, northing] places."""

    @model_validator(mode="after")
    def _can_rest(self) -> "HeapTable":
        if not STEEPEST_BATTER <= self.batter <= FLATTEST_BATTER:
            raise PlanError(
                f"a heap whose sides rest at {self.batter:g}:1",
                place=ErrorPlace(key="batter"),
                expected=f"{STEEPEST_BATTER:g}:1 to {FLATTEST_BATTER:g}:1",
                mend="loose earth rests at about 1.5:1, dry sand at 1.8:1",
            )
        if self.setback != "depth" and self.setback < LEAST_SETBACK_M:
            raise PlanError(
                f"a heap {self.setback:.2f} m from the edge of a dig",
                place=ErrorPlace(key="setback"),
                expected=_SETBACK_EXPECTED,
            )
        return self

    @model_validator(mode="after")
    def _crest_of_shape(self) -> "HeapTable":
        if self.crest is None:
            return self
        fits = {"cone": len(self.crest) == 1, "ridge": len(self.crest) > 1}
        if self.shape is None or not fits.get(self.shape, False):
            raise PlanError(
                f"a crest of {len(self.crest)} places for "
                + ("no shape" if self.shape is None else f'shape = "{self.shape}"'),
                place=ErrorPlace(key="crest"),
                expected='one place for shape = "cone", two or more for "ridge"',
            )
        if len(self.crest) > 1 and len(set(self.crest)) == 1:
            raise PlanError(
                "the ridge has no length",
                place=ErrorPlace(key="crest"),
                expected="places that differ",
            )
        return self
