"""One row of the order book."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, Self
from zoneinfo import ZoneInfo

from pydantic import model_validator

from router.domain.sites import ORDERABLE_STEPS
from router.formats.model_base import Record, note, require
from router.formats.scalars import (
    CalendarDay,
    Cents,
    Choice,
    Country,
    Flag,
    Ident,
    Line,
    Name,
    PointInTime,
    Real,
    Scalar,
    Whole,
    refusal,
)
from router.formats.wording import one_of

UNITS = ("mm", "cm", "m", "micron", "inch", "foot")
MODEL_ENDINGS = (".stl", ".3mf")
_FILE_NAME = re.compile(r"[^\\/:*?\"<>|]{1,120}")


@dataclass(frozen=True)
class ModelFile(Scalar):
    """Name of a file directly in the folder ``models``."""

    def parse(self, raw: object, zone: ZoneInfo | None) -> str:
        want = "the name of a file in the folder models, without any folder, ending in .stl or .3mf"
        text = raw.strip() if isinstance(raw, str) else ""
        if not _FILE_NAME.fullmatch(text) or text.startswith(".") or not text.isprintable():
            raise refusal(want)
        if not text.lower().endswith(MODEL_ENDINGS):
            raise refusal(want)
        return text

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "pattern": "^[^./\\\\][^/\\\\]*\\.([sS][tT][lL]|3[mM][fF])$"}


@dataclass(frozen=True)
class Words(Scalar):
    """Words separated by semicolons; each an identifier, or one of ``known``."""

    known: tuple[str, ...] = ()

    def parse(self, raw: object, zone: ZoneInfo | None) -> tuple[str, ...]:
        if not isinstance(raw, str):
            raise refusal("words separated by semicolons")
        words = [w.strip() for w in raw.split(";") if w.strip()]
        for word in words:
            if self.known and word not in self.known:
                raise refusal(f"{one_of(word, self.known)}; several separated by semicolons")
            if not self.known:
                Ident().parse(word, zone)
        if len(set(words)) != len(words):
            raise refusal("every word once")
        return tuple(sorted(words, key=self.known.index)) if self.known else tuple(words)

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "description": "separated by semicolons"}


class OrderRecord(Record):
    """One order line. In the order book an empty cell means: left out."""

    line: Name = note("name of the line, unique in the order book")
    order: Name = note("the order it belongs to")
    customer: Line = note("who ordered")
    model: Annotated[str, ModelFile()] = note("file in the folder models, .stl or .3mf")
    unit: Annotated[str, Choice(UNITS)] | None = note(
        f"unit of an STL file, which carries none: {', '.join(UNITS)}; needed for .stl, ignored for .3mf", default=None
    )
    alloy: Name = note("alloy id of the network")
    parameter_set: Name | None = note("parameter set of the alloy; left out: the alloy's default", default=None)
    quantity: Annotated[int, Whole(1, 100_000)] = note("pieces")
    ship_to: Line | None = note("city, with the region in brackets where needed: Springfield (Illinois)", default=None)
    ship_country: Country = note("two-letter country code (ISO 3166-1)")
    ship_postcode: Line | None = note("post code; places are looked up by it in the US only", default=None)
    ship_lat: Annotated[float, Real(least=-90, most=90)] | None = note("latitude, degrees WGS84", default=None)
    ship_lon: Annotated[float, Real(least=-180, most=180)] | None = note("longitude, degrees WGS84", default=None)
    received: PointInTime = note("when the order came in; a bare date is its first minute")
    release: PointInTime | None = note("reviewed and free to build; left out: when received", default=None)
    due: CalendarDay = note("day at the destination by which it is to arrive")
    condition: Annotated[tuple[str, ...], Words(tuple(s.value for s in ORDERABLE_STEPS))] = note(
        f"steps ordered on top: {', '.join(s.value for s in ORDERABLE_STEPS)}; several with semicolons", default=()
    )
    coupons: Annotated[int, Whole(0, 20)] = note("witness coupons on every plate with pieces of the line", default=0)
    export_control: Name | None = note("registration code a site must hold", default=None)
    accreditations: Annotated[tuple[str, ...], Words()] = note("codes a site must hold, with semicolons", default=())
    approved_sites: Annotated[tuple[str, ...], Words()] = note(
        "sites the customer approved, with semicolons; left out: any", default=()
    )
    own_plate: Flag = note("yes: shares a plate with no other line", default=False)
    may_split_sites: Flag = note("yes: pieces may be built at several sites", default=False)
    as_modelled: Flag = note("yes: built in the modelled orientation only", default=False)
    late_per_day: Cents | None = note(
        "penalty a late day, currency; left out: the network's late_per_day", default=None
    )

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        require((self.ship_lat is None) == (self.ship_lon is None), "ship_lat and ship_lon together", "ship_lat")
        located = self.ship_to is not None or self.ship_postcode is not None or self.ship_lat is not None
        require(located, "a city, or ship_postcode, or ship_lat and ship_lon", "ship_to")
        stated = self.unit is not None or not self.model.lower().endswith(".stl")
        require(stated, f"the unit of an STL file: one of {', '.join(UNITS)}", "unit")
        release: datetime = self.release or self.received
        require(
            release >= self.received, f"a time not before received ({self.received.isoformat()})", "release", release
        )
        received_day: date = self.received.date()
        require(self.due >= received_day, f"a date not before received ({received_day})", "due", self.due)
        return self
