"""Orders at risk: lines that arrive late or with a day or less to spare, where their days go, and what would help."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from router.domain.network import Scenario
from router.domain.orders import OrderLine
from router.domain.plan import Build, Shipment
from router.domain.result import LineOptions, Result, SiteOption
from router.report.svg import esc, px
from router.report.wording import count, day, days, duration, listed, money

SPARE_DAYS = 1
"""A line that arrives with this many days to spare, or fewer, is at risk."""

STAGES = ("waits for a machine", "changeover", "on the machine", "after the build", "on its way")
_STRIP_PX = 150.0


@dataclass(frozen=True, slots=True)
class AtRisk:
    """One line at risk. ``spare_days`` is below zero when it arrives late."""

    line: OrderLine
    shipment: Shipment
    spare_days: int
    verdict: str
    cause: str
    remedy: str
    strip: str


def at_risk(scenario: Scenario, result: Result) -> tuple[AtRisk, ...]:
    """Lines whose last shipment arrives late or within a day of the due date, worst first."""
    builds = {b.build_id: b for b in result.plan.builds}
    options = {o.line_id: o for o in result.options}
    last: dict[str, Shipment] = {}
    for shipment in result.plan.shipments:
        known = last.get(shipment.line_id)
        if known is None or shipment.arrive_date > known.arrive_date:
            last[shipment.line_id] = shipment
    found = []
    for line_id, shipment in last.items():
        line = scenario.line[line_id]
        spare = (line.due_date - shipment.arrive_date).days
        if spare <= SPARE_DAYS:
            stages = days_spent(line, shipment, builds, result.plan.now)
            found.append(
                AtRisk(
                    line,
                    shipment,
                    spare,
                    _verdict(spare),
                    _cause(scenario, result, line, shipment, stages),
                    _remedy(scenario, options.get(line_id), shipment),
                    strip(stages),
                )
            )
    return tuple(sorted(found, key=lambda r: (r.spare_days, r.line.due_date, r.line.line_id)))


def days_spent(
    line: OrderLine, shipment: Shipment, builds: Mapping[str, Build], now: datetime
) -> tuple[timedelta, ...]:
    """Time from release (or now, if later) to arrival by `STAGES`, along the shipment's last build.

    The arrival counts from the start of the day, UTC; no stage is below zero.
    """
    free = max(line.release_at, now)
    arrives = datetime.combine(shipment.arrive_date, time(0), tzinfo=UTC)
    on = [builds[b] for b in shipment.build_ids if b in builds]
    if not on:
        marks = [free, free, free, free, shipment.ready_at, arrives]
    else:
        build = max(on, key=lambda b: b.unload_end)
        first = build.changeover.start if build.changeover else build.load_start
        marks = [free, first, build.load_start, build.unload_end, shipment.ready_at, arrives]
    return tuple(max(timedelta(0), b - a) for a, b in itertools.pairwise(marks))


def strip(stages: Sequence[timedelta]) -> str:
    """The stages as one bar, in shades and with dividers; the words and lengths are in its title."""
    total = sum(stages, timedelta(0))
    if not total:
        return ""
    at, text = 0.0, ""
    for shade, (span, _name) in enumerate(zip(stages, STAGES, strict=True)):
        width = _STRIP_PX * (span / total)
        if width:
            text += f'<rect class="shade{shade}" x="{px(at)}" width="{px(width)}" height="12"/>'
            at += width
    title = ", ".join(f"{name} {duration(span)}" for name, span in zip(STAGES, stages, strict=True) if span)
    return (
        f'<svg class="strip" viewBox="0 0 {px(_STRIP_PX)} 12" width="{px(_STRIP_PX)}" height="12" role="img">'
        f"<title>{esc(title)}</title>{text}</svg>"
    )


def _verdict(spare: int) -> str:
    if spare < 0:
        return f"{days(-spare)} late"
    return "on the due day" if spare == 0 else f"{days(spare)} to spare"


def _cause(scenario: Scenario, result: Result, line: OrderLine, shipment: Shipment, stages: Sequence[timedelta]) -> str:
    total = sum(stages, timedelta(0))
    longest = max(range(len(stages)), key=lambda i: stages[i])
    text = f"{STAGES[longest].capitalize()} {duration(stages[longest])} of {duration(total)}"
    if longest == 3:
        lots = [x for x in result.plan.lots if x.line_id == line.line_id and x.build_id in shipment.build_ids]
        names = {o.service_id: o.name for o in scenario.network.outside_services}
        outside = dict.fromkeys(names.get(key, key) for lot in lots for key in lot.outside)
        text += f", with {listed(outside)} outside" if outside else ""
    if len(shipment.build_ids) > 1:
        text += f"; waits for the last of {count(len(shipment.build_ids), 'build')}"
    return text + "."


def _remedy(scenario: Scenario, options: LineOptions | None, shipment: Shipment) -> str:
    """Whether another site would bring it sooner, and what that would cost the plan."""
    if options is None:
        return ""
    sooner = [
        o
        for o in options.sites
        if o.possible and not o.chosen and o.arrive_date is not None and o.arrive_date < shipment.arrive_date
    ]
    if not sooner:
        shared = [
            o
            for o in options.sites
            if o.chosen and o.site_id != shipment.site_id and o.arrive_date and o.arrive_date < shipment.arrive_date
        ]
        if not shared:
            return "No other site is sooner."
        names = listed(
            [f"{scenario.network.site[o.site_id].name} ({day(o.arrive_date)})" for o in shared if o.arrive_date]
        )
        return f"Split: the pieces built at {names} are sooner; no site that builds none of it is."
    best = min(sooner, key=lambda o: (o.late_days or 0, _extra(options, o) or 0, o.arrive_date, o.site_id))
    assert best.arrive_date is not None
    text = f"{scenario.network.site[best.site_id].name}: {day(best.arrive_date)}"
    extra = _extra(options, best)
    if extra is not None:
        word = "dearer" if extra >= 0 else "cheaper"
        text += f", {money(abs(extra), scenario.network.currency)} {word} at the margin"
    return text + "."


def _extra(options: LineOptions, other: SiteOption) -> int | None:
    chosen = [o for o in options.sites if o.chosen]
    if len(chosen) != 1 or chosen[0].marginal_cents is None or other.marginal_cents is None:
        return None
    return other.marginal_cents - chosen[0].marginal_cents
