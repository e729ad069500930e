"""What a ± is mostly made of, in a sentence."""

from terrain.earthwork.uncertainty import ElementUncertainty, Source, Uncertainty

_SHARES = (  # of the variance, from which a word holds
    (0.9, "nearly all"), (0.7, "most"), (0.6, "two thirds"), (0.42, "half"), (0.29, "a third"),
    (0.2, "a quarter"), (0.0, "the largest part"),
)  # fmt: skip
_STANDS_OUT = 0.5  # share of the whole from which one element or one side is named
_CAUSES = {
    Source.NOISE: "noise of single shots",
    Source.DRIFT: "an error that all shots around have in common",
    Source.SPACING: "too few shots",
    Source.BENCHMARK: "the height of the benchmark",
    Source.DIG_LEVEL: "the level to which the bucket digs",
    Source.DIG_EDGE: "how truly the bucket keeps to the edge",
    Source.METHOD: "the method of computing",
}
_PLACED = (Source.NOISE, Source.SPACING)  # causes that stand in one place more than in another


def told(uncertainty: Uncertainty) -> str:
    """Name the largest part of a ±, and where it stands if most of it stands in one place.

    "Half of this is too few shots on the north side of pond." Empty where nothing is known.
    """
    whole = sum(part.pm_m3**2 for part in uncertainty.parts)
    if not whole > 0:
        return ""
    largest = uncertainty.parts[0]
    source = Source(largest.name)
    share = largest.pm_m3**2 / whole
    word = next(word for least, word in _SHARES if share >= least)
    where = _where(source, uncertainty.elements)
    return f"{word.capitalize()} of this is {_CAUSES[source]}{where}."


def _where(source: Source, elements: tuple[ElementUncertainty, ...]) -> str:
    own = {element.name: _square(element, source) for element in elements}
    whole = sum(own.values())
    first = max(elements, key=lambda element: own[element.name], default=None)
    if first is None or whole == 0 or own[first.name] < _STANDS_OUT * whole:
        return ""
    if source not in _PLACED:
        return f" at {first.name}" if len(elements) > 1 and source is not Source.BENCHMARK else ""
    side, share = first.sides[0]
    if share < _STANDS_OUT:
        return f" around {first.name}"
    return f" in the middle of {first.name}" if side == "middle" else (
        f" on the {side} side of {first.name}"
    )  # fmt: skip


def _square(element: ElementUncertainty, source: Source) -> float:
    return sum(part.pm_m3**2 for part in element.parts if part.name == source.value)
