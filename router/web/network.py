"""The network: map, load, lanes, which machine builds which alloy; editing with every fault said before it is saved."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from fastapi import APIRouter, Request
from fastapi.responses import Response

from router.domain.network import Network
from router.kernel.faults import Fault, FaultyInput, NotFound, Stale
from router.kernel.numerals import whole_number
from router.report.leg_entries import legs, map_sites
from router.report.legs_map import MapSite, legs_map
from router.report.measures import Measures
from router.report.theme import numbered
from router.report.wording import number
from router.service import network as use
from router.service.network_figures import figure_word, present_figures, told_change
from router.service.network_remarks import remarks_on, remarks_on_file
from router.service.plans import PlanInFull
from router.service.rights import Operation, decide, require
from router.service.visible import hidden_lines
from router.web.forms import Form, Posted
from router.web.reading import NumberInPath, Reader, SignedIn
from router.web.rendering import done, page
from router.web.schedule import chosen_plan

routes = APIRouter()


@dataclass(frozen=True, slots=True)
class Editable:
    """A field that a form changes. ``whole``: a whole number."""

    name: str
    word: str
    whole: bool = False


SITE_FIELDS = (
    Editable("labour_per_h", "Labour, an hour"),
    Editable("energy_per_kwh", "Energy, a kWh"),
    Editable("grid_kg_co2e_per_kwh", "Grid, kg CO2e a kWh"),
)
MACHINE_FIELDS = (
    Editable("rate_per_h", "Machine, an hour"),
    Editable("laser_efficiency", "Laser efficiency, above 0 to 1"),
    Editable("setup_min", "Set-up, min", True),
    Editable("cooldown_min", "Cool-down, min", True),
    Editable("load_min", "Load, min", True),
    Editable("unload_min", "Unload, min", True),
)


@routes.get("/network")
def network(reader: SignedIn) -> Response:
    """Sites, lanes, machines."""
    try:
        now = use.current_network(reader.desk, reader.actor)
    except NotFound as nothing:
        return page(reader, "network.html.j2", title="Network", here="/network", net=None, why=str(nothing))
    full = chosen_plan(reader, None)
    key = numbered(s.site_id for s in now.network.sites)
    hidden = hidden_lines(reader.desk, reader.actor)
    picture, rows = _map(now.network, full, key, hidden, reader.choices.measures)
    machines = [
        (m, now.network.site[m.site_id].name, [a.alloy_id in m.alloys for a in now.network.alloys])
        for m in now.network.machines
    ]
    may_change = decide(reader.actor, Operation.CHANGE_NETWORK).allowed
    return page(
        reader, "network.html.j2", title="Network", here="/network", net=now.network, record=now.record, map=picture,
        legs=rows, machines=machines, editions=use.editions(reader.desk, reader.actor, 12),
        site_fields=SITE_FIELDS, machine_fields=MACHINE_FIELDS, number=number,
        may_change=may_change,
        remarks=remarks_on(reader.desk, reader.actor, now.network) if may_change else (),
        present={",".join(k): figure_word(v) for k, v in present_figures(reader.desk, now.record).items()},
    )  # fmt: skip


def _map(
    net: Network, full: PlanInFull | None, key: dict[str, int], hidden: frozenset[str], measures: Measures
) -> tuple[str, tuple[object, ...]]:
    """Sites and lanes of the lines that are seen."""
    if full is not None and {s.site_id for s in full.scenario.network.sites} == {s.site_id for s in net.sites}:
        seen = tuple(s for s in full.result.plan.shipments if s.line_id not in hidden)
        found, rows = legs(full.scenario, replace(full.result.plan, shipments=seen), key, measures)
        return legs_map("network-map", map_sites(full.scenario, key), found, measures), rows
    marks = [MapSite(s.name, s.place.latitude_deg, s.place.longitude_deg, key[s.site_id]) for s in net.sites]
    return legs_map("network-map", marks, ()), ()


@routes.post("/network/field")
def change_field(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Change one figure of a site or machine: asked back with old and new value, then saved as the next edition.

    Either way only when the whole network stays sound.
    """
    known = {e.name: e for e in (*SITE_FIELDS, *MACHINE_FIELDS)}
    field = known.get(form.text("field"))
    if field is None:
        raise FaultyInput([Fault("form", "", "field", form.text("field") or "nothing", ", ".join(known))])
    value = _figure(form, field)
    site, machine = form.text("site"), form.text("machine")
    path = ("sites", site, "machines", machine, field.name) if machine else ("sites", site, field.name)
    record = use.current_network(reader.desk, reader.actor).record
    raw = use.with_field(record.raw, path, value)
    place = (site, machine, field.name) if machine else (site, field.name)
    before = present_figures(reader.desk, record).get(place)
    version = form.whole("version")
    if form.text("keep") == "yes":
        what = told_change(place, before, value)
        saved = use.save_network(reader.desk, reader.actor, raw, version, what)
        return done(
            request, "/network", f"Saved as edition {saved.version}: {what}. Plan again to see what it changes."
        )
    if version != record.version:
        raise Stale(f"the network has changed since (edition {record.version}, seen {version}); look again")
    faults = use.check_network(reader.desk, reader.actor, raw)
    if faults:
        raise FaultyInput(faults)
    return page(
        reader, "network_figure.html.j2", title="Change a figure", here="/network", field=field, site=site,
        machine=machine, value=form.text("value"), version=version, of=machine or reader.clock.name_of(site),
        before=figure_word(before), after=figure_word(value),
    )  # fmt: skip


def _figure(form: Form, field: Editable) -> float | int:
    text = form.text("value").replace(",", ".")
    want = "a whole number from 0 to 1000000000" if field.whole else "a number"
    found = whole_number(text, 0, 10**9) if field.whole else _number(text)
    if found is None:
        raise FaultyInput([Fault("form", "", field.name, text[:100] or "nothing", want)])
    return found


def _number(text: str) -> float | None:
    try:
        found = float(text)
    except ValueError:
        return None
    return found if math.isfinite(found) else None


@routes.get("/network/file")
def edit(reader: SignedIn) -> Response:
    """The network file as text."""
    require(reader.actor, Operation.CHANGE_NETWORK)
    record = use.current_network(reader.desk, reader.actor).record
    return _editor(reader, record.raw.decode(), record.version, ())


@routes.post("/network/file")
def save(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Look for faults, or save; with faults the text stays as it was written."""
    text = form.raw("text")
    version = form.whole("version")
    faults = use.check_network(reader.desk, reader.actor, text.encode())
    if faults or form.text("do") != "save":
        said = "" if faults else "No fault found. Nothing is saved yet."
        return _editor(reader, text, version, faults, said, 422 if faults else 200)
    record = use.save_network(reader.desk, reader.actor, text.encode(), version, form.text("note"))
    return done(request, "/network", f"Saved as edition {record.version}. Plan again to see what it changes.")


@routes.get("/network/editions/{version}")
def edition(reader: SignedIn, version: NumberInPath) -> Response:
    """An edition as it was saved."""
    record = use.edition(reader.desk, reader.actor, version)
    return page(
        reader, "edition.html.j2", title=f"Edition {version}", here="/network", record=record, text=record.raw.decode()
    )


def _editor(
    reader: Reader, text: str, version: int, faults: tuple[Fault, ...], said: str = "", status: int = 200
) -> Response:
    return page(
        reader, "network_file.html.j2", title="Network file", here="/network", status=status, text=text,
        version=version, faults=faults, said=said,
        remarks=() if faults or not said else remarks_on_file(reader.desk, reader.actor, text.encode()),
    )  # fmt: skip
