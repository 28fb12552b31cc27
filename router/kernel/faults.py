"""What is wrong with an input, said so that its owner can mend it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: the file, the place in it, what stands there and what would be right."""

    file: str
    where: str
    """Row, record or path inside the file, e.g. ``row 14`` or ``machines[3]``."""
    field: str
    found: str
    expected: str

    def sentence(self) -> str:
        place = ", ".join(x for x in (self.file, self.where, self.field) if x)
        return f"{place}: found {self.found}; expected {self.expected}"


def told_once(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """One fault for what was found at a place, where the first of it stood.

    A name that cannot be one is not known either: of several wants the last is told, which lists what there is.
    """
    by_place = {(f.file, f.where, f.field, f.found): f for f in faults}
    return tuple(by_place.values())


class PlatewrightError(Exception):
    """Base of the errors this package raises on purpose."""


class FaultyInput(PlatewrightError):
    """An input with faults; all of them are carried, none of the input was used."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(dict.fromkeys(faults))
        super().__init__("\n".join(f.sentence() for f in self.faults))


class NotFound(PlatewrightError):
    """Something was asked for by name that is not there."""


class Conflict(PlatewrightError):
    """What was to be changed has changed since it was read, or is in a state that does not allow the change."""


class Stale(Conflict):
    """The version that was seen is not the kept one any more."""


class AlreadyMade(Conflict):
    """What is asked was done before; ``made`` is what came of it.

    Also of a request whose answer held a secret: what it made is there, the secret is not told again.
    """

    def __init__(
        self,
        made: Mapping[str, Any],
        said: str = "done before with this key; what it made is there, its secret was in the first answer only",
    ) -> None:
        self.made = made
        super().__init__(said)


class CalledOff(PlatewrightError):
    """A run was cancelled before there was anything to keep."""


class Refused(PlatewrightError):
    """The person asking may not do this; the message says what it would take."""


class NotOneself(Refused):
    """The person asking may do this, but not to themselves."""


class NotSignedIn(PlatewrightError):
    """Nobody is known to be asking."""


class TooMuch(PlatewrightError):
    """A limit of size or rate is passed; the message names it."""


class TooOften(TooMuch):
    """A limit of rate is passed; after ``wait_s`` seconds it is kept again."""

    def __init__(self, said: str, wait_s: int) -> None:
        self.wait_s = wait_s
        super().__init__(said)


def system_words(wrong: BaseException) -> str:
    """What the operating system refuses, for people: the file and why, without the number of the error."""
    if not isinstance(wrong, OSError) or not wrong.strerror:
        return str(wrong)
    why = wrong.strerror[:1].lower() + wrong.strerror[1:]
    return f"{wrong.filename}: {why}" if wrong.filename is not None else why
