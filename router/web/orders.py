"""The order book: list, import with preview, and what is decided about a line."""

from __future__ import annotations

from collections.abc import Collection
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from router.formats.wording import found as found_text
from router.formats.wording import one_of
from router.kernel.faults import AlreadyMade, FaultyInput, NotFound
from router.service import book as use
from router.service.cursors import cursor, uncursor
from router.service.exports import may_export
from router.service.imports import Overtaken, Stored, preview_files, store_import
from router.service.jobs import ask_elsewhere
from router.service.network import network_in_use
from router.service.placed import placed_lines
from router.service.ports import SORTS, LineFilter
from router.service.records import LineStanding
from router.service.rights import Operation, decide, require
from router.web.clearance import not_shown_words
from router.web.forms import Posted
from router.web.order_line import line_view
from router.web.order_quantities import quantity_view
from router.web.part_picture import part_picture
from router.web.reading import Reader, SignedIn
from router.web.rendering import done, page

routes = APIRouter()
_SORT_WORDS = {
    "due_date": "Due date", "line_id": "Line", "received_at": "Received", "customer": "Customer", "quantity": "Pieces",
    "alloy_id": "Alloy",
}  # fmt: skip
_STANDING_MARK = {"open": "good", "held": "held", "withdrawn": "gone"}
_STANDINGS = [("", "any"), *((s.value, s.value) for s in LineStanding)]
_PAGE = 60


@routes.get("/orders")
def orders(
    reader: SignedIn,
    text: Annotated[str, Query(max_length=200)] = "",
    standing: str = "",
    alloy: str = "",
    site: str = "",
    sort: str = "due_date",
    falling: bool = False,
    after: Annotated[str | None, Query(max_length=1000)] = None,
) -> Response:
    """The order book, filtered and sorted by its address."""
    reader, sort = _known_or(reader, "sort", sort, SORTS, "due_date")
    reader, standing = _known_or(reader, "standing", standing, [value for value, _ in _STANDINGS], "")
    wanted = LineFilter(text=text, standing=standing, alloy_id=alloy, pinned_site=site)
    place = uncursor(after, 2)
    found = use.list_lines(
        reader.desk, reader.actor, wanted, sort, falling, (place[0], place[1]) if place else None, _PAGE
    )
    chosen = {"text": text, "standing": standing, "alloy": alloy, "site": site, "sort": sort}
    chosen = {k: v for k, v in chosen.items() if v} | ({"falling": "true"} if falling else {})
    following = cursor(found.next_after)
    alloys, sites = _names(reader)
    pages = {
        "said": f"{len(found.lines)} of {found.total} lines",
        "first": f"/orders?{urlencode(chosen)}" if after else "",
        "next": f"/orders?{urlencode({**chosen, 'after': following})}" if following else "",
    }
    return page(
        reader, "orders.html.j2", title="Orders", here="/orders", lines=found.lines, total=found.total, pages=pages,
        not_shown=not_shown_words(reader) if found.partial else "", may_export=may_export(reader.desk, reader.actor),
        text=text, standing=standing, alloy=alloy, site=site, sort=sort, falling=falling,
        sorts=list(_SORT_WORDS.items()),
        placed=placed_lines(reader.desk, reader.actor, [x.line_id for x in found.lines]), site_names=dict(sites),
        alloys=alloys, sites=sites, standing_choices=_STANDINGS, marks=_STANDING_MARK,
        may_import=decide(reader.actor, Operation.IMPORT).allowed, plain=not chosen.get("text") and not standing,
    )  # fmt: skip


def _known_or(reader: Reader, word: str, given: str, known: Collection[str], otherwise: str) -> tuple[Reader, str]:
    """What the address says of a word, or what stands for it where that is nothing known: which the page then says."""
    if given in known:
        return reader, given
    want = one_of(given, [k for k in known if k])
    return reader.without(
        f"{word} {found_text(given)} in the address is not known and was passed over; {want}"
    ), otherwise


def _names(reader: Reader) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Alloys and sites as (id, name); none while there is no network."""
    try:
        network = network_in_use(reader.desk, reader.actor)
    except NotFound:
        return [], []
    return [(a.alloy_id, a.name) for a in network.alloys], [(s.site_id, s.name) for s in network.sites]


@routes.get("/orders/import")
def import_form(reader: SignedIn) -> Response:
    """Where files are brought."""
    require(reader.actor, Operation.IMPORT)
    return page(reader, "import.html.j2", title="Import", here="/orders", preview=None, faults=())


@routes.post("/orders/import")
def import_preview(reader: SignedIn, form: Posted) -> Response:
    """Everything an import would do and everything that is wrong; nothing is stored."""
    files = [(f.name or "file", f.content) for f in form.chosen_files("files")]
    try:
        preview = preview_files(reader.desk, reader.actor, files)
    except FaultyInput as faulty:
        return page(
            reader, "import.html.j2", title="Import", here="/orders", status=422, preview=None, faults=faulty.faults
        )
    return page(
        reader, "import.html.j2", title="Import", here="/orders", status=200 if preview.storable else 422,
        preview=preview, faults=preview.faults,
    )  # fmt: skip


@routes.post("/orders/import/store")
def import_store(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Store what the preview showed."""
    try:
        stored = store_import(reader.desk, reader.actor, form.text("import_id"))
    except Overtaken as changed:
        return page(
            reader, "import.html.j2", title="Import", here="/orders", status=409, preview=changed.fresh, faults=(),
            overtaken=True,
        )  # fmt: skip
    except AlreadyMade as made:
        return done(request, "/orders", f"Nothing more was stored: {made}.")
    return done(request, "/orders", f"Stored: {stored.told()}.{not_shown(stored)}")


def not_shown(stored: Stored) -> str:
    """A sentence for somebody who brought lines they are not cleared for."""
    return f" {stored.lines_not_shown} under export control are not shown to you." if stored.lines_not_shown else ""


@routes.get("/orders/{line_id}")
def order(reader: SignedIn, line_id: str) -> Response:
    """One line: where it could be built and why it is where it is, its history, and what may be done with it."""
    view = line_view(reader.desk, reader.actor, line_id, reader.clock.zone, reader.choices.measures)
    _, sites = _names(reader)
    return page(
        reader, "order.html.j2", title=f"Line {line_id}", here="/orders", view=view, sites=sites, marks=_STANDING_MARK,
        site_names=dict(sites),
        may_change=decide(reader.actor, Operation.CHANGE_BOOK).allowed,
        may_run=decide(reader.actor, Operation.ASK_RUN).allowed,
    )  # fmt: skip


@routes.get("/orders/{line_id}/quantities")
def quantities(reader: SignedIn, line_id: str, part: bool = False) -> Response:
    """Cost by quantity: a page, or only its inside for the page of the line, which fetches it once it stands."""
    view = quantity_view(reader.desk, reader.actor, line_id)
    template = "quantities_part.html.j2" if part else "quantities.html.j2"
    return page(reader, template, title=f"Line {line_id} by quantity", here="/orders", view=view)


@routes.get("/orders/{line_id}/part.svg")
def picture(reader: SignedIn, line_id: str) -> Response:
    """The part of a line, seen from above at a corner."""
    picture = part_picture(reader.desk, reader.actor, line_id)
    kept = "no-store" if picture.controlled else "private, max-age=3600"
    return Response(picture.svg, media_type="image/svg+xml", headers={"Cache-Control": kept})


@routes.post("/orders/{line_id}/{decision}")
def decide_line(request: Request, reader: SignedIn, form: Posted, line_id: str, decision: str) -> Response:
    """Hold, release, withdraw, pin or try elsewhere."""
    desk, actor = reader.desk, reader.actor
    if decision == "elsewhere":
        job = ask_elsewhere(desk, actor, line_id, form.whole("seconds", 1, 3600))
        return done(request, f"/runs/{job.job_id}", "Asked. Each site is tried in turn.")
    seen = form.whole("version")
    if decision == "hold":
        use.hold(desk, actor, line_id, form.text("why"), seen)
        said = f"Line {line_id} is held."
    elif decision == "release":
        use.release(desk, actor, line_id, seen)
        said = f"Line {line_id} is open again."
    elif decision == "withdraw":
        use.withdraw(desk, actor, line_id, form.text("why"), seen)
        said = f"Line {line_id} is withdrawn."
    elif decision == "pin":
        site = form.text("site") or None
        use.pin(desk, actor, line_id, site, seen)
        name = dict(_names(reader)[1]).get(site or "", site)
        said = f"Line {line_id} is pinned to {name}." if site else f"Line {line_id} may be built anywhere again."
    else:
        raise NotFound(f"nothing called {decision[:40]!r} can be done with a line")
    return done(request, f"/orders/{line_id}", f"{said} Plan again to see what it changes.")
