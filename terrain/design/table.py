"""What all tables of a plan file have in common."""

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """A table of the plan file: unknown keys are errors, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)
