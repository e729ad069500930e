"""Whether a face of a dig keeps a set of rules, and the smallest mend where it does not."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from terrain.stability.faces import Face
from terrain.stability.rule_sets import RuleSet
from terrain.units import METRE, Unit

_SLACK = 1e-3  # of run over rise, and of metres


@dataclass(frozen=True)
class Breach:
    """What a face has that a rule does not allow.

    Attributes
    ----------
    rule
        What the rule wants, in a few words.
    found
        What the face has.
    mend
        The smallest change that keeps the rule.
    extra_cut_m3
        What the mend digs besides, m³ in place; 0 where it digs nothing.
    """

    rule: str
    found: str
    mend: str
    extra_cut_m3: float


@dataclass(frozen=True)
class Near:
    """Something heavy above a face: what it is, and how far from the edge, m."""

    name: str
    away_m: float


def governing_class(rules: RuleSet, classes: Sequence[str]) -> str:
    """The class that a face of strata must be cut to: the flattest among them.

    The published figures for layered soil let a stronger stratum stand steeper only below a weaker
    one; one slope for the whole face is never steeper than they allow.

    Parameters
    ----------
    rules
        The set.
    classes
        Of the strata in the face; none for soil that nobody classified.
    """
    known = [name for name in classes if name in rules.classes] or [rules.default_class]
    return max(known, key=lambda name: rules.classes[name].run_per_rise)


def breaches(
    face: Face,
    rules: RuleSet,
    soil_class: str,
    *,
    above: Sequence[Near] = (),
    unit: Unit = METRE,
) -> tuple[Breach, ...]:
    """Hold a face of the dig against a set of rules.

    Parameters
    ----------
    face
        The face.
    rules
        The set.
    soil_class
        Of the soil that it stands in.
    above
        What stands above it.
    unit
        That lengths are told in.
    """
    found = [
        *_engineer(face, rules, unit),
        *_slope(face, rules, soil_class, unit),
        *(_spoil(near, rules, unit) for near in above if near.away_m < rules.spoil_m - _SLACK),
    ]
    return tuple(found)


def flattening_m3(face: Face, run_per_rise: float) -> float:
    """What is dug besides to cut every profile of a face to a slope, toes staying, m³.

    A wedge of `½ h² (s − r / h)` on each profile, as if the ground behind were level.
    """
    spacing = face.length_m / len(face.height_m)
    lacking = np.maximum(run_per_rise * face.height_m - face.run_m, 0.0)
    return float((0.5 * face.height_m * lacking).sum() * spacing)


def _engineer(face: Face, rules: RuleSet, unit: Unit) -> list[Breach]:
    deepest = float(face.height_m.max())
    if deepest <= rules.engineer_m + _SLACK:
        return []
    return [
        Breach(
            f"an engineer designs sides deeper than {unit.length(rules.engineer_m)}",
            unit.length(deepest),
            "have it designed by a licensed engineer",
            0.0,
        )
    ]


def _slope(face: Face, rules: RuleSet, soil_class: str, unit: Unit) -> list[Breach]:
    allowed = rules.classes[soil_class]
    over = face.height_m > rules.unprotected_m + _SLACK
    runs = face.run_m / np.maximum(face.height_m, 1e-9)
    steep = over & (runs < allowed.run_per_rise - _SLACK)
    if not steep.any():
        return _steps(face, rules, soil_class, unit) if over.any() else []
    worst = int(np.argmax(np.where(steep, face.height_m, 0.0)))
    bench = (
        f", or in steps no higher than {unit.length(rules.first_bench_m)} within that slope"
        if allowed.bench
        else ""
    )
    return [
        Breach(
            f"class {soil_class} stands at {allowed.run_per_rise:g}:1 or flatter where it is over "
            f"{unit.length(rules.unprotected_m)} high",
            f"{runs[worst]:.2f}:1 over {unit.length(float(face.height_m[worst]))}",
            f"cut it back to {allowed.run_per_rise:g}:1{bench}, or have it held up by a system "
            "that an engineer chose",
            flattening_m3(face, allowed.run_per_rise),
        )
    ]


def _steps(face: Face, rules: RuleSet, soil_class: str, unit: Unit) -> list[Breach]:
    """Benched sides: upright steps no higher than allowed, and only in soil that may be."""
    allowed = rules.classes[soil_class]
    over = face.height_m > rules.unprotected_m + _SLACK
    benched = over & (face.benches > 0)
    piece = face.highest_piece_m
    high = benched & (piece > max(rules.first_bench_m, rules.later_bench_m) + _SLACK)
    upright = face.steepest > 1.0 / max(allowed.run_per_rise, 1e-3) + _SLACK
    if (benched & upright).any() and not allowed.bench:
        return [
            Breach(
                f"class {soil_class} is not benched",
                f"{int(face.benches[benched].max())} flats with steps of "
                f"{unit.length(float(piece[benched].max()))}",
                f"cut one slope of {allowed.run_per_rise:g}:1",
                flattening_m3(face, allowed.run_per_rise),
            )
        ]
    if (high & upright).any():
        return [
            Breach(
                f"steps are no higher than {unit.length(rules.later_bench_m)}",
                unit.length(float(piece[high].max())),
                "put a bench in between",
                flattening_m3(face, allowed.run_per_rise),
            )
        ]
    return []


def _spoil(near: Near, rules: RuleSet, unit: Unit) -> Breach:
    return Breach(
        f"spoil and machines stay {unit.length(rules.spoil_m)} from the edge",
        f"{near.name} at {unit.length(near.away_m)}",
        f"move {near.name} {unit.length(rules.spoil_m - near.away_m)} away",
        0.0,
    )
