"""What a form sent: read within limits, its token checked before anything else looks at it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, BinaryIO
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from starlette.datastructures import UploadFile
from starlette.formparsers import MultiPartException

from router.kernel.faults import Fault, FaultyInput
from router.kernel.numerals import whole_number
from router.web.reading import SignedIn, check_token, refuse_unkeepable

TOKEN_FIELD = "token"
MOST_FILES, MOST_FIELDS, LONGEST_FIELD_BYTES = 500, 400, 2_000_000

_OFFERED = "_offered"
"""Ends the name of the hidden field that carries the moment, with its offset, a page offered in a field."""
_MOMENT = "a date and time on the clock of the site, e.g. 2027-03-01T06:00"
_FIRST, _LAST = datetime(1, 1, 2, tzinfo=UTC), datetime(9999, 12, 30, tzinfo=UTC)
"""Between them every clock has a time for a moment."""
_OUTSIDE = "a time between the years 1 and 9999, also in UTC"


@dataclass(frozen=True, slots=True)
class Upload:
    """A file as it was sent; a large one lies in a temporary file, which is gone when nobody refers to it any more."""

    name: str
    content: BinaryIO
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Form:
    """The fields and files of a form. Missing fields read as empty text."""

    fields: Mapping[str, tuple[str, ...]]
    files: Mapping[str, tuple[Upload, ...]]

    def text(self, name: str) -> str:
        """The last value of a field, without white space at the ends."""
        return self.fields.get(name, ("",))[-1].strip()

    def raw(self, name: str) -> str:
        """The last value of a field exactly as sent, with line ends as one character."""
        return self.fields.get(name, ("",))[-1].replace("\r\n", "\n")

    def many(self, name: str) -> tuple[str, ...]:
        """All values of a field, e.g. of boxes ticked."""
        return self.fields.get(name, ())

    def whole(self, name: str, least: int = 0, most: int = 10**9) -> int:
        """A whole number. Raises FaultyInput."""
        text = self.text(name)
        number = whole_number(text, least, most)
        if number is None:
            raise FaultyInput(
                [Fault("form", "", name, text[:100] or "nothing", f"a whole number from {least} to {most}")]
            )
        return number

    def moment(self, name: str, where: str, zone: ZoneInfo) -> tuple[datetime | None, list[Fault]]:
        """A date and time on the clock of a zone; None with what is wrong with it (``where``: what the form is about).

        One written with an offset is taken by that; text that is the page's offer still is the moment it offered. An
        hour that comes twice, as clocks go back, is otherwise the first one.
        """
        text = self.text(name)
        try:
            found = datetime.fromisoformat(text)
        except ValueError:
            found = None
        if found is None or len(text) <= len("2027-03-01"):
            return None, [Fault("form", where, name, text[:100] or "nothing", _MOMENT)]
        local = found if found.tzinfo is not None else found.replace(tzinfo=zone)
        try:
            there = local.astimezone(UTC).astimezone(zone)
        except OverflowError:
            return None, [Fault("form", where, name, text[:100], _OUTSIDE)]
        if found.tzinfo is not None:
            return found, []
        offered = self.offered(name)
        if offered is not None and typed(offered, zone) == text:
            return offered, []
        if there.replace(tzinfo=None) != found:
            want = "a time there is: the clocks of the site go forward then, and pass it over"
            return None, [Fault("form", where, name, text[:100], want)]
        return local, []

    def offered(self, name: str) -> datetime | None:
        """The moment the page offered in a field for a time, as it sends it along; None where that cannot be read."""
        try:
            found = datetime.fromisoformat(self.text(name + _OFFERED))
        except ValueError:
            return None
        return found if found.tzinfo is not None and _FIRST <= found <= _LAST else None

    def chosen_files(self, name: str) -> tuple[Upload, ...]:
        """Files of a field that were really chosen (browsers send an empty one for none)."""
        return tuple(f for f in self.files.get(name, ()) if f.name or f.size_bytes)


def typed(at: datetime, zone: ZoneInfo) -> str:
    """As it stands in a field for date and time, on a clock."""
    return at.astimezone(zone).replace(tzinfo=None).isoformat(timespec="minutes")


async def read_form(request: Request) -> Form:
    """Fields and files of the request. Raises FaultyInput when it is not a form or has too many parts."""
    fields: dict[str, list[str]] = {}
    files: dict[str, list[Upload]] = {}
    try:
        sent = await request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=LONGEST_FIELD_BYTES)
        for name, value in sent.multi_items():
            if isinstance(value, UploadFile):
                refuse_unkeepable(name, value.filename or "")
                files.setdefault(name, []).append(Upload(value.filename or "", value.file, value.size or 0))
            else:
                refuse_unkeepable(name, value)
                fields.setdefault(name, []).append(value)
    except (MultiPartException, ValueError) as broken:
        raise FaultyInput([Fault("form", "", "", str(broken), "a form as the page sends it")]) from broken
    return Form({k: tuple(v) for k, v in fields.items()}, {k: tuple(v) for k, v in files.items()})


async def posted(request: Request, reader: SignedIn) -> Form:
    """The form of somebody signed in, token checked. Raises OutOfDate for a form that no page of this log-in made."""
    form = await read_form(request)
    check_token(reader.session, form.text(TOKEN_FIELD))
    return form


Posted = Annotated[Form, Depends(posted)]
