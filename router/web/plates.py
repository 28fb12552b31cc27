"""Plates: all of a plan, and one with its nest to scale, its shares, and what would still fit on it."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import Response

from router.domain.plan import Build
from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound
from router.kernel.numerals import whole_number
from router.report.plate_entries import plate_groups
from router.report.wording import anchors, clock, full_clock, moment, money, number, percent
from router.service.builds import BuildView, build_view, list_builds, plate_file, seen_build
from router.service.events import events_of_build, record_event, withdraw_event
from router.service.floor import withdraws
from router.service.moves import TriedLineMove, keep_line_move, try_line_move
from router.service.names import name_faults
from router.service.options import would_fit
from router.service.pins import pinned_builds
from router.service.plans import PlanInFull
from router.service.records import EventKind, PlanStanding
from router.service.rights import Operation, decide
from router.service.seen_totals import WHY_NOT_TOLD
from router.service.visible import RESTRICTED, hidden_lines
from router.web.forms import Form, Posted, typed
from router.web.reading import MOST_NUMBER, NumberAsked, NumberInPath, Reader, SignedIn
from router.web.rendering import done, page
from router.web.schedule import alloy_tones, chosen_plan, may_pin

routes = APIRouter()
_MEDIA = {"svg": "image/svg+xml", "dxf": "image/vnd.dxf", "3mf": "model/3mf"}
_KINDS = {
    "started": EventKind.BUILD_STARTED, "finished": EventKind.BUILD_FINISHED, "failed": EventKind.BUILD_FAILED,
}  # fmt: skip


@routes.get("/plates")
def plates(reader: SignedIn, plan: NumberAsked | None = None, site: str = "", alloy: str = "") -> Response:
    """Plates of a plan by start, emptiest first or not."""
    full = chosen_plan(reader, plan)
    if full is None:
        return page(reader, "plates.html.j2", title="Plates", here="/plates", full=None)
    network = full.scenario.network
    faults = name_faults("filter", "site", [site], network.site, "site")
    faults += name_faults("filter", "alloy", [alloy], network.alloy, "alloy")
    if faults:
        raise FaultyInput(faults)
    found = [
        b
        for b in list_builds(reader.desk, reader.actor, full.head.plan_id)
        if (not site or b.site_id == site) and (not alloy or b.alloy_id == alloy)
    ]
    found.sort(key=lambda b: (b.load_start, b.machine_id))
    return page(
        reader, "plates.html.j2", title="Plates", here="/plates", full=full, builds=found, site=site, alloy=alloy,
        sites=[("", "any"), *((s.site_id, s.name) for s in network.sites)],
        alloys=[("", "any"), *((a.alloy_id, a.name) for a in network.alloys)],
        money=lambda c: money(c, full.head.currency), clock=clock, names={s.site_id: s.name for s in network.sites},
        zones={s.site_id: ZoneInfo(s.time_zone) for s in network.sites},
    )  # fmt: skip


@routes.get("/plates/{build_id}")
def plate(reader: SignedIn, build_id: str, plan: NumberAsked | None = None) -> Response:
    """One plate."""
    return _shown(reader, build_id, plan, None)


def _shown(reader: Reader, build_id: str, plan: int | None, tried: TriedLineMove | None) -> Response:
    chosen = chosen_plan(reader, plan)
    if chosen is None:
        raise NotFound("there is no plan yet; start a run first")
    full, build = seen_build(reader.desk, reader.actor, chosen.head.plan_id, build_id)
    hidden = hidden_lines(reader.desk, reader.actor)
    view = build_view(full, build, hidden, full.result.plan.last_arrivals())
    secret = bool({p.line_id for p in build.pieces} & hidden)
    picture, letters = ("", {}) if secret else _picture(full, build)
    machine = full.scenario.network.machine[build.machine_id]
    zone = ZoneInfo(full.scenario.network.site[machine.site_id].time_zone)
    try:
        fits = would_fit(reader.desk, reader.actor, full.head.plan_id, build_id)
        why_no_fits = ""
    except Conflict as stale:
        fits, why_no_fits = (), str(stale)
    events = events_of_build(reader.desk, reader.actor, build.lasting_id)
    withdrawn = {withdraws(e) for e in events}
    # One that has started goes on when another plan goes live, and is recorded on the page of its own.
    in_work = full.head.standing is PlanStanding.LIVE or bool(events)
    may_record = decide(reader.actor, Operation.RECORD_EVENT, machine.site_id).allowed and in_work
    used = build.fill * machine.plate.inner_area_mm2
    pins = pinned_builds(reader.desk, reader.actor, full.head.plan_id)
    return page(
        reader, "plate.html.j2", title=f"Plate {build_id}", here="/plates", full=full, build=view, picture=picture,
        letters=letters, secret=secret, fits=fits, why_no_fits=why_no_fits, events=events,
        may_record=may_record, withdrawn=withdrawn, facts=_facts(reader, full, build, view),
        money=lambda c: money(c, full.head.currency, 2), now=full.scenario.network.now,
        free=reader.choices.measures.area(machine.plate.inner_area_mm2 - used), tried=tried,
        others=_others(reader, full, build), why_not_told=WHY_NOT_TOLD,
        may_move=decide(reader.actor, Operation.MOVE_BUILD).allowed, may_pin=may_pin(reader, full),
        pinned_by=pins.get(build_id, ""), told_at=lambda at: full_clock(at, zone),
        planned=typed(build.load_start, zone), site_name=full.scenario.network.site[machine.site_id].name,
    )  # fmt: skip


def _others(reader: Reader, full: PlanInFull, build: Build) -> list[tuple[str, str]]:
    """Builds a line of this one could stand on as far as the powder goes: name, and where and when they run."""
    network = full.scenario.network
    found = [
        b
        for b in list_builds(reader.desk, reader.actor, full.head.plan_id)
        if b.parameter_set_id == build.parameter_set_id and b.build_id != build.build_id
    ]
    found.sort(key=lambda b: (b.load_start, b.build_id))
    zones = {s.site_id: ZoneInfo(s.time_zone) for s in network.sites}
    return [
        (
            b.build_id,
            f"{b.build_id}, {b.machine_id}, {clock(b.load_start, zones[b.site_id])}, {percent(b.fill, 0)} full",
        )
        for b in found
    ]


@routes.post("/plates/{build_id}/move-line/{step}")
def move_a_line(request: Request, reader: SignedIn, form: Posted, build_id: str, step: str) -> Response:
    """Try what a line of this plate on another would change, or keep it as a proposed plan."""
    plan_id, line_id, onto = form.whole("plan", 1), form.text("line"), form.text("onto")
    if step == "try":
        tried = try_line_move(reader.desk, reader.actor, plan_id, line_id, build_id, onto)
        return _shown(reader, build_id, plan_id, tried)
    if step != "keep":
        raise NotFound(f"nothing called {step[:40]!r} can be done with a line of a plate")
    head = keep_line_move(reader.desk, reader.actor, plan_id, line_id, build_id, onto)
    said = f"Kept as plan {head.plan_id}, proposed. Undo goes back to plan {head.parent}."
    return done(request, f"/schedule?plan={head.plan_id}", said)


def _picture(full: PlanInFull, build: Build) -> tuple[str, dict[str, tuple[str, int]]]:
    tones = alloy_tones(full)
    one = replace(full.result.plan, builds=(build,))
    keys, hatches = {a: k for a, (k, _) in tones.items()}, {a: h for a, (_, h) in tones.items()}
    names = anchors("line", (x.line_id for x in full.scenario.lines))
    definitions, groups = plate_groups(full.scenario, one, anchors("build", [build.build_id]), names, keys, hatches)
    entry = next(e for g in groups for e in g.entries)
    shown = {s.line_id: (row.letter, row.key) for s, row in zip(build.shares, entry.shares, strict=True)}
    return definitions + entry.picture, shown


def _facts(reader: Reader, full: PlanInFull, build: Build, view: BuildView) -> list[tuple[str, str]]:
    network = full.scenario.network
    machine = network.machine[build.machine_id]
    site = network.site[machine.site_id]
    zone = ZoneInfo(site.time_zone)
    measures = reader.choices.measures
    of_seen = ", lines you see" if any(x.line_id == RESTRICTED for x in view.lines) else ""
    return [
        ("Machine", f"{machine.machine_id}, {machine.model}, {site.name}"),
        ("Plate", measures.size(machine.plate.width_mm, machine.plate.depth_mm)),
        ("Fill", percent(build.fill)),
        ("Height", f"{measures.length(build.height_mm)}, {number(build.layers)} layers"),
        ("Load", clock(build.load_start, zone)),
        ("Run", f"{moment(build.run_start, zone)} to {clock(build.run_end, zone)}"),
        ("Unload", f"{moment(build.unload_start, zone)} to {clock(build.unload_end, zone)}"),
        ("Energy", f"{number(build.kwh)} kWh"),
        ("CO2e of the build", f"{number(build.co2e_kg, 1)} kg"),
        (f"Build cost{of_seen}", money(view.build_cents, full.head.currency, 2)),
        (f"Plate steps{of_seen}", money(view.plate_steps_cents, full.head.currency, 2)),
    ]


@routes.get("/plates/{build_id}/file.{kind}")
def file(reader: SignedIn, build_id: str, kind: str, plan: NumberAsked) -> Response:
    """The plate as svg, dxf or 3mf."""
    content = plate_file(reader.desk, reader.actor, plan, build_id, kind)
    ending = "build.3mf" if kind == "3mf" else kind
    headers = {"Content-Disposition": f'attachment; filename="plate.{ending}"'}
    return Response(content, media_type=_MEDIA[kind], headers=headers)


@routes.post("/plates/{build_id}/event")
def event(request: Request, reader: SignedIn, form: Posted, build_id: str) -> Response:
    """Record that the build started, finished or failed."""
    kind = _KINDS.get(form.text("kind"))
    zone = _clock_of(reader, form, build_id)
    at, faults = form.moment("at", build_id, zone)
    if kind is None:
        faults.append(Fault("form", build_id, "kind", form.text("kind") or "nothing", ", ".join(_KINDS)))
    if faults or kind is None or at is None:
        raise FaultyInput(faults)
    subject = form.text("lasting") or build_id
    record_event(reader.desk, reader.actor, kind, subject, at, {"note": form.text("note")})
    back = _page_of(form, build_id)
    return done(request, back, f"Recorded: {kind.value}, {full_clock(at, zone)}. The next plan starts from it.")


def _clock_of(reader: Reader, form: Form, build_id: str) -> ZoneInfo:
    """The clock of the site of the build, in the plan it was shown in; of one that is not there, told later, any."""
    full = chosen_plan(reader, whole_number(form.text("plan"), 0, MOST_NUMBER))
    found = [b.machine_id for b in full.result.plan.builds if b.build_id == build_id] if full else []
    if full is None or not found:
        return ZoneInfo("UTC")
    network = full.scenario.network
    return ZoneInfo(network.site[network.machine[found[0]].site_id].time_zone)


@routes.post("/plates/{build_id}/events/{event_id}/withdraw")
def withdraw(request: Request, reader: SignedIn, form: Posted, build_id: str, event_id: NumberInPath) -> Response:
    """Say that an event is not so."""
    withdraw_event(reader.desk, reader.actor, event_id, form.text("why"))
    return done(request, _page_of(form, build_id), "Withdrawn. The next plan starts as if it had not been recorded.")


def _page_of(form: Form, build_id: str) -> str:
    """The page of the plate that was asked from, in the plan it was shown in."""
    plan_id = whole_number(form.text("plan"), 0, MOST_NUMBER)
    return f"/plates/{build_id}" if plan_id is None else f"/plates/{build_id}?plan={plan_id}"
