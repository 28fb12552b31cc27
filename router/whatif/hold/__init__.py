"""Hold or go: should a plate that has room wait for orders that may still come?

One machine, boxes on its plate, decisions at whole hours. HOLD.md beside this file states the case and its profit.
"""

from router.whatif.hold.case import BoxPart, HoldCase, PlateTerms
from router.whatif.hold.foresight import Foreseen, foreseen_best
from router.whatif.hold.law import ArrivalLaw
from router.whatif.hold.policy import HoldParams, Lived, fixed_rule, live_through

__all__ = [
    "ArrivalLaw",
    "BoxPart",
    "Foreseen",
    "HoldCase",
    "HoldParams",
    "Lived",
    "PlateTerms",
    "fixed_rule",
    "foreseen_best",
    "live_through",
]
