"""What-if files: a base and named, typed changes to it. See CHANGES.md beside this file."""

from router.whatif.changes.combine import (
    BASE,
    WhatIf,
    difference,
    goes_on_from,
    look_at,
    look_at_file,
    read_texts,
    read_what_if,
)
from router.whatif.changes.effects import Misfit

__all__ = [
    "BASE",
    "Misfit",
    "WhatIf",
    "difference",
    "goes_on_from",
    "look_at",
    "look_at_file",
    "read_texts",
    "read_what_if",
]
