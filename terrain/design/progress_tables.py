"""What is known of the dig while it goes on: dates of surveys, and loads that were sent."""

from datetime import date, datetime
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from terrain.design.quantities import Volume
from terrain.design.table import Table
from terrain.errors import PlanError


def read_date(value: Any) -> date:
    """A day of the calendar, as TOML has it or as text.

    Raises
    ------
    PlanError
        It is none.
    """
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError):
        raise PlanError(
            f"{value!s:.40} is not a day",
            expected="year-month-day, such as 2026-05-04",
            mend="write the date without a time",
        ) from None


CalendarDate = Annotated[date, BeforeValidator(read_date), WithJsonSchema({"format": "date"})]


class LoadsSentTable(Table):
    """Trucks that left the site on one day."""

    date: CalendarDate
    """The day, such as 2026-05-04."""
    count: Annotated[int, Field(ge=0, le=100_000)]
    """Trucks that left on it."""
    on_site: Volume | None = None
    """Loose soil of the dig that lay on heaps that evening, such as "6 m3"; none unless given."""
