"""Ship or print local, line by line: every site as a place to build it, or the reasons why not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from router.domain.network import Network, Scenario
from router.domain.orders import OrderLine
from router.domain.plan import Build, Shipment
from router.domain.result import LineOptions, Result, SiteOption
from router.report.own_plates import fill_change, fills, plates_of
from router.report.wording import NONE, count, day, days, listed, moment, money, number, step_name


@dataclass(frozen=True, slots=True)
class SiteRow:
    """One site in the table of a line, every cell as text."""

    site: str
    chosen: bool
    possible: bool
    reasons: str
    fair: str
    marginal: str
    ready: str
    arrives: str
    late: str
    co2e: str
    distance: str
    carrier: str
    machine: str
    plate: str
    plate_anchor: str
    fill: str
    note: str
    """``least cost``, ``soonest``, ``least CO2e``, ``nearest``: what the site is best at among the possible ones."""


@dataclass(frozen=True, slots=True)
class LineEntry:
    """One line of the order book with its plan in a nutshell and its table of sites."""

    anchor: str
    line: OrderLine
    part: str
    alloy: str
    alloy_key: int
    where: str
    builds: tuple[tuple[str, str], ...]
    arrives: str
    verdict: str
    state: str
    """``late``, ``planned`` or ``unplanned``; what the filter looks at."""
    late: bool
    due: str
    steps: str
    demands: str
    sentence: str
    rows: tuple[SiteRow, ...]


def line_entries(
    scenario: Scenario,
    result: Result,
    line_anchor: Mapping[str, str],
    build_anchor: Mapping[str, str],
    alloy_key: Mapping[str, int],
) -> tuple[LineEntry, ...]:
    """Every line of the scenario, in the order of the book."""
    builds = {b.build_id: b for b in result.plan.builds}
    options = {o.line_id: o for o in result.options}
    shipments: dict[str, list[Shipment]] = {}
    for shipment in result.plan.shipments:
        shipments.setdefault(shipment.line_id, []).append(shipment)
    left_out = {u.line_id for u in result.plan.unplanned}
    entries = []
    for line in scenario.lines:
        own = shipments.get(line.line_id, [])
        plates = plates_of(own, builds)
        found = options.get(line.line_id)
        late = max((s.late_days for s in own), default=0)
        arrives = max((s.arrive_date for s in own), default=None)
        state = "late" if late else "planned" if own else "unplanned"
        alloy = scenario.network.alloy.get(line.alloy_id)
        entries.append(
            LineEntry(
                anchor=line_anchor[line.line_id],
                line=line,
                part=line.model.rsplit(".", 1)[0],
                alloy=alloy.name if alloy else line.alloy_id,
                alloy_key=alloy_key[line.alloy_id],
                where=listed(dict.fromkeys(scenario.network.site[s.site_id].name for s in own)) or NONE,
                builds=tuple((b, build_anchor[b]) for b in dict.fromkeys(b for s in own for b in s.build_ids)),
                arrives=day(arrives) if arrives else NONE,
                verdict=_verdict(line, arrives is not None, late, line.line_id in left_out),
                state=state,
                late=late > 0,
                due=day(line.due_date),
                steps=listed(step_name(s) for s in line.steps),
                demands=demands(line),
                sentence=found.sentence if found else "",
                rows=_rows(scenario.network, found, builds, build_anchor, plates) if found else (),
            )
        )
    return tuple(entries)


def _verdict(line: OrderLine, planned: bool, late: int, left_out: bool) -> str:
    if not planned:
        return "not planned" if left_out else "no shipment"
    return f"{days(late)} late" if late else "on time"


def demands(line: OrderLine) -> str:
    """What the line asks for beyond its steps, in words; empty when nothing."""
    said = []
    if line.coupons:
        said.append(count(line.coupons, "witness coupon"))
    if line.export_control:
        said.append(f"registration {line.export_control}")
    if line.accreditations:
        said.append(f"accreditation {listed(line.accreditations)}")
    if line.approved_sites:
        said.append(f"only at {listed(line.approved_sites, 'or')}")
    if line.own_plate:
        said.append("a plate of its own")
    if line.as_modelled:
        said.append("built as modelled")
    if line.may_split_sites:
        said.append("may be split between sites")
    return ", ".join(said)


def _rows(
    network: Network,
    options: LineOptions,
    builds: Mapping[str, Build],
    build_anchor: Mapping[str, str],
    own: Mapping[str, Sequence[Build]],
) -> tuple[SiteRow, ...]:
    notes = best_at(options.sites)
    ordered = sorted(
        options.sites,
        key=lambda o: (
            not o.chosen,
            not o.possible,
            o.marginal_cents if o.marginal_cents is not None else 0,
            o.site_id,
        ),
    )
    return tuple(
        _row(network, o, builds, build_anchor, listed(notes.get(o.site_id, ())), own.get(o.site_id, ()))
        for o in ordered
    )


def best_at(sites: Sequence[SiteOption]) -> dict[str, list[str]]:
    """For each site what no other possible site beats it at; nothing when there is no choice."""
    possible = [o for o in sites if o.possible]
    notes: dict[str, list[str]] = {}
    if len(possible) < 2:
        return notes

    def award(word: str, values: Sequence[float | None]) -> None:
        known = [v for v in values if v is not None]
        if known and min(known) < max(known):
            for option, value in zip(possible, values, strict=True):
                if value == min(known):
                    notes.setdefault(option.site_id, []).append(word)

    award("cheapest at the margin", [o.marginal_cents for o in possible])
    award("soonest", [o.arrive_date.toordinal() if o.arrive_date else None for o in possible])
    award("least CO\u2082e", [o.co2e_kg for o in possible])
    award("nearest", [o.distance_km for o in possible])
    return notes


def _row(
    network: Network,
    o: SiteOption,
    builds: Mapping[str, Build],
    build_anchor: Mapping[str, str],
    note: str,
    own: Sequence[Build],
) -> SiteRow:
    """``own``: plates at the site that the line is on."""
    site = network.site[o.site_id]
    joined, several = o.joins_build_id, own if o.chosen and len(own) > 1 else ()
    carrier = network.carrier.get(o.carrier_id) if o.carrier_id else None

    def cents(value: int | None) -> str:
        return NONE if value is None else money(value, network.currency)

    return SiteRow(
        site=site.name,
        chosen=o.chosen,
        possible=o.possible,
        reasons="; ".join(o.reasons),
        fair=cents(o.fair_cents),
        marginal=cents(o.marginal_cents),
        ready=moment(o.ready_at, ZoneInfo(site.time_zone)) if o.ready_at else NONE,
        arrives=day(o.arrive_date) if o.arrive_date else NONE,
        late=NONE if o.late_days is None else number(o.late_days),
        co2e=NONE if o.co2e_kg is None else number(o.co2e_kg, 1),
        distance=NONE if o.distance_km is None else number(o.distance_km),
        carrier=carrier.name if carrier else o.carrier_id or NONE,
        machine=o.machine_id or NONE,
        plate=", ".join(b.build_id for b in several) or joined or ("new plate" if o.possible else NONE),
        plate_anchor=build_anchor.get(joined, "") if joined and joined in builds and not several else "",
        fill=fills(several) if several else fill_change(o.fill_before, o.fill_after, "\u2192"),
        note=note,
    )
