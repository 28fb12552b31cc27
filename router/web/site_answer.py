"""What came of the question where a site should stand, as a page shows it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from router.report.svg import swatch
from router.report.theme import HATCHES
from router.report.tornado_chart import TornadoEnd, TornadoRow, tornado_chart
from router.report.wording import NBSP, money, number, percent, signed
from router.service.site_choice_answer import shown_value
from router.web.figures import Figure
from router.whatif.siting.network_choice import PARTS

_INPUTS = {
    "growth": "Growth of demand",
    "freight_factor": "Freight prices",
    "carbon_factor": "Carbon price",
    "capex_factor": "Investment",
    "plate_fill": "Plate fill",
    "existing_hours_per_year": "Hours of machines there",
    "rate_avoided": "Rate saved when standing",
    "bought_cents_per_h": "Price of hours bought",
    "discount_rate": "Discount rate",
}
_FACTORS = ("freight_factor", "carbon_factor", "capex_factor")
_SHARES = ("plate_fill", "rate_avoided", "discount_rate")
_PARTS = {
    "sites": "Sites: rent, management",
    "staff": "Staff of new machines",
    "capital": "Capital of new machines and sites",
    "build": "Builds",
    "steps": "Steps after the build",
    "freight": "Freight",
    "carbon": "Carbon",
    "bought": "Bought elsewhere",
}


@dataclass(frozen=True, slots=True)
class PartRow:
    """A part of the cost of a year, without new sites and with them."""

    name: str
    as_is: str
    best: str
    difference: str


@dataclass(frozen=True, slots=True)
class MapField:
    """One field of the break-even map; ``key`` is a drawn sample of its choice, empty where nothing was tried."""

    key: str
    choice: str
    saving: str


@dataclass(frozen=True, slots=True)
class SiteAnswer:
    """Everything on the page, in words."""

    opens: bool
    figures: tuple[Figure, ...]
    parts: tuple[PartRow, ...]
    total: PartRow
    places: tuple[Sequence[str], ...]
    """Choice, cost of a year, saving, investment, status."""
    chart: str
    bars: Mapping[str, Any]
    map_heading: tuple[str, ...]
    map_rows: tuple[tuple[str, tuple[MapField, ...]], ...]
    hours: tuple[tuple[str, float, str], ...]


def site_answer(told: Mapping[str, Any], currency: str) -> SiteAnswer:
    """From what a job keeps; of a reader who must not learn some names, those are masked already."""
    best, as_is = told["best"], told["as_is"]
    places = told["tables"]["places"]["rows"]
    return SiteAnswer(
        opens=bool(best["sites"]),
        figures=_figures(told, currency),
        parts=tuple(
            _part(_PARTS[p], as_is["parts_cents_per_year"][p], best["parts_cents_per_year"][p], currency) for p in PARTS
        ),
        total=_part("Together", as_is["cents_per_year"], best["cents_per_year"], currency),
        places=tuple((row[0][:1].upper() + row[0][1:], *(_thousands(x) for x in row[1:4]), row[-1]) for row in places),
        chart=_chart(told, currency),
        bars=told["tables"]["tornado"],
        map_heading=tuple(f"{f:g} times" for f in _steps(told, "freight_factor")),
        map_rows=_map(told, currency),
        hours=tuple(
            (h["machine"], min(1.0, h["used_h"] / h["there_h"]), f"{number(h['used_h'])} of {number(h['there_h'])} h")
            for h in told["hours"]
        ),
    )


def _thousands(text: str) -> str:
    # Masked for the reader it is no number.
    return number(float(text)) if text.lstrip("-").replace(".", "", 1).isdecimal() else text


def _figures(told: Mapping[str, Any], currency: str) -> tuple[Figure, ...]:
    best, as_is = told["best"], told["as_is"]
    saving = as_is["cents_per_year"] - best["cents_per_year"]
    gap = (best["cents_per_year"] - best["bound_cents_per_year"]) / max(1, best["cents_per_year"])
    payback = told["payback_years"]
    return (
        Figure("A year, as it is", money(as_is["cents_per_year"], currency)),
        Figure("A year, with the choice", money(best["cents_per_year"], currency)),
        Figure(
            "Saving a year",
            money(saving, currency),
            "capital of the investment paid",
            "Cost of a year as it is, less the cost of a year with the choice.",
            tone="good" if saving > 0 else "",
        ),
        Figure(
            "No choice costs less than",
            money(best["bound_cents_per_year"], currency),
            "proven" if best["status"] == "optimal" else f"gap {percent(gap, 2)}",
            "Proven bound on the cost of a year of every choice within the model.",
        ),
        Figure("Investment", money(best["investment_cents"], currency), "openings, machines, ramp-up staff"),
        Figure("Comes back in", "never" if payback is None else f"{number(payback, 1)} years", "saving before capital"),
    )


def _part(name: str, before: int, after: int, currency: str) -> PartRow:
    difference = f"{signed((after - before) / 100)}{NBSP}{currency}"
    return PartRow(name, money(before, currency), money(after, currency), difference)


def _value(name: str, value: float) -> str:
    if name in _FACTORS:
        return f"x {value:g}"
    if name in _SHARES:
        return percent(value, 0)
    if name == "growth":
        return f"{signed(100 * value)} %"
    return f"{shown_value(name, value):g}"


def _chart(told: Mapping[str, Any], currency: str) -> str:
    label = told["best"]["label"]

    def end(name: str, value: float, answer: Mapping[str, Any]) -> TornadoEnd:
        return TornadoEnd(_value(name, value), answer["cents_per_year"], answer["choice"] != label)

    rows = [
        TornadoRow(
            _INPUTS.get(b["input"], b["input"]),
            end(b["input"], b["low"], b["at_low"]),
            end(b["input"], b["high"], b["at_high"]),
        )
        for b in told["tornado"]
    ]
    return tornado_chart("site-tornado", rows, told["best"]["cents_per_year"], currency) if rows else ""


def _steps(told: Mapping[str, Any], name: str) -> list[float]:
    return sorted({c[name] for c in told["break_even"]})


def _map(told: Mapping[str, Any], currency: str) -> tuple[tuple[str, tuple[MapField, ...]], ...]:
    cells = {(c["growth"], c["freight_factor"]): c for c in told["break_even"]}
    labels = list(dict.fromkeys(c["choice"] for c in told["break_even"] if c["saving_cents_per_year"] > 0))

    def field(cell: Mapping[str, Any] | None) -> MapField:
        if cell is None:
            return MapField("", "not tried", "")
        if cell["choice"] not in labels:
            return MapField("", cell["choice"], "")
        at = labels.index(cell["choice"])
        return MapField(swatch(at, at % HATCHES), cell["choice"], money(cell["saving_cents_per_year"], currency))

    freight = _steps(told, "freight_factor")
    return tuple(
        (f"{signed(100 * g)} %", tuple(field(cells.get((g, f))) for f in freight)) for g in _steps(told, "growth")
    )
