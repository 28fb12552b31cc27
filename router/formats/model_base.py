"""The base of every record of the input files."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError


class Record(BaseModel):
    """A group of fields; fields nobody knows are faults."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, populate_by_name=True)


def note(text: str, **more: Any) -> Any:
    """A required field and what belongs in it: shown in faults and in the published schema."""
    return Field(description=text, **more)


def require(holds: bool, expected: str, field: str, found: object = None) -> None:
    """Refuse the record unless ``holds``: the fault names the field, what was found there and what would be right."""
    if not holds:
        raise PydanticCustomError("disagrees", "{want}", {"want": expected, "field": field, "found": found})
