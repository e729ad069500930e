"""The attributes of stakes in files for other programs: names end in their unit."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

from terrain.stakes import KINDS, Stake
from terrain.survey.bearings import degrees_minutes_seconds
from terrain.units import Unit

_WORDS = ("name", "element", "kind")
_DEGREES = ("bearing_deg", "second_bearing_deg")


@dataclass(frozen=True)
class Column:
    """One attribute: its name, whether it is text, and a value a stake (None where it has none)."""

    name: str
    is_text: bool
    values: tuple[str | float | None, ...]


def columns(stakes: Sequence[Stake], unit: Unit) -> list[Column]:
    """Every attribute in SI; on a site in feet lengths in feet too, as `cut_ft`."""
    found = []
    for field in fields(Stake):
        values = tuple(getattr(stake, field.name) for stake in stakes)
        if field.name == "kind":
            values = tuple(KINDS[stake.kind] for stake in stakes)
        found.append(Column(field.name, field.name in _WORDS, values))
        if field.name in _DEGREES:
            said = tuple(None if v is None else degrees_minutes_seconds(v) for v in values)
            found.append(Column(field.name.replace("_deg", "_dms"), True, said))
        elif field.name.endswith("_m") and unit.symbol == "ft":
            feet = tuple(None if v is None else v / unit.metres for v in values)
            found.append(Column(f"{field.name[:-1]}ft", False, feet))
    return found
