"""Where should the next site stand: a form that writes the question, its text, and what is kept of the answer."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import APIRouter, Request
from fastapi.responses import Response

from router.domain.network import Network
from router.formats.countries import country_names
from router.formats.gazetteer import cities
from router.kernel.faults import Fault, FaultyInput, NotFound
from router.service import site_choices as use
from router.service.history import open_history
from router.service.network import network_in_use
from router.service.rights import Operation, require
from router.service.site_choice import programmes
from router.service.site_draft import COMMON, PACKAGE_FIELDS, PACKAGE_ROWS, draft_question
from router.web.forms import Form, Posted
from router.web.reading import Reader, SignedIn
from router.web.rendering import done, page
from router.whatif.rolling.streams import history_of

routes = APIRouter()
_HERE = "/what-if"
_TO_ASK = {"sites": "1", "seconds": "10", "seed": "0"}


@routes.get("/what-if/site")
def new(reader: SignedIn) -> Response:
    """The form that writes a question."""
    require(reader.actor, Operation.ASK_RUN)
    try:
        return _form(reader, _begun(reader))
    except NotFound as missing:
        return page(
            reader, "site_choice.html.j2", title="Where should the next site stand?", here=_HERE, net=None,
            why=str(missing),
        )  # fmt: skip


@routes.post("/what-if/site")
def ask(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Write the question from the fields, look at a text, or ask it; with faults everything stays as it was typed."""
    require(reader.actor, Operation.ASK_RUN)
    network = network_in_use(reader.desk, reader.actor)
    do = form.text("do")
    given = {name: form.raw(name) for name in form.fields if name != "token"}
    raw = _sent(form)
    if do == "write":
        raw = draft_question(given, network).encode()
    view = use.check_site_question(reader.desk, reader.actor, raw)
    if do == "write" and view.faults:
        return _form(reader, given, view, faults=view.faults)
    if view.faults or do != "ask":
        return _form(reader, given, view, raw.decode("utf-8", "replace"), view.faults)
    try:
        sites, seconds = form.whole("sites", 1, use.MOST_SITES), form.whole("seconds", 1, use.MOST_SECONDS)
        job = use.ask_site_choice(reader.desk, reader.actor, raw, sites, seconds, form.whole("seed"))
    except FaultyInput as wrong:
        return _form(reader, given, view, raw.decode("utf-8", "replace"), tuple(wrong.faults))
    return done(request, f"/runs/{job.job_id}")


@routes.post("/what-if/site/{job_id}/keep")
def keep(request: Request, reader: SignedIn, form: Posted, job_id: str) -> Response:
    """Keep the choice and the terms it was made on as what-ifs; the comparison of both is offered next."""
    terms, choice = use.keep_site_choice(reader.desk, reader.actor, job_id)
    to = f"{_HERE}?tick={choice.record.what_if_id}&beside={terms.record.what_if_id}#compare"
    said = f"{choice.view.name} is kept as {choice.record.file}, on {terms.record.file}. Compare it below."
    return done(request, to, said)


def _sent(form: Form) -> bytes:
    """The text; a file that was chosen goes before it."""
    chosen = form.chosen_files("upload")
    # One byte more than may be, so that too much is seen without reading all of it.
    return chosen[0].content.read(use.MOST_BYTES + 1) if chosen else form.raw("text").encode("utf-8", "replace")


def _begun(reader: Reader) -> dict[str, str]:
    """What the fields hold at first."""
    given = {**COMMON, **_TO_ASK, "name": "Where should the next site stand?"}
    given |= {f"{name}_{n}": COMMON.get(name, "") for name in PACKAGE_FIELDS for n in range(1, PACKAGE_ROWS + 1)}
    try:
        given["history_days"] = f"{history_of(open_history(reader.desk)).days:.3g}"
    except (NotFound, FaultyInput):
        # Without a readable book there is no history; whoever asks then is told what is missing.
        given["history_days"] = ""
    return given


def _form(
    reader: Reader,
    given: Mapping[str, str],
    view: use.QuestionView | None = None,
    text: str = "",
    faults: tuple[Fault, ...] = (),
) -> Response:
    network = network_in_use(reader.desk, reader.actor)
    return page(
        reader, "site_choice.html.j2", title="Where should the next site stand?", here=_HERE,
        status=422 if faults else 200, given={**_TO_ASK, **given}, view=view, text=text, faults=faults,
        net=network, machines=_machines(network), sites=[(s.site_id, s.name) for s in network.sites],
        rows=range(1, PACKAGE_ROWS + 1),
        countries=_countries(),
        most_sites=use.MOST_SITES, most_seconds=use.MOST_SECONDS, most_in_all_s=use.MOST_IN_ALL_S,
        most_places=use.MOST_CANDIDATES, programmes=programmes(view.question) if view and view.question else 0,
    )  # fmt: skip


def _countries() -> list[tuple[str, str]]:
    """Those with cities to choose from, by name."""
    names = country_names()
    known = sorted((names.get(code, code), code) for code in cities())
    return [("", "none"), *((code, f"{name} ({code})") for name, code in known)]


def _machines(network: Network) -> list[tuple[str, str]]:
    known = [(m.machine_id, f"{m.machine_id} ({network.site[m.site_id].name})") for m in network.machines]
    return [("", "none"), *known]
