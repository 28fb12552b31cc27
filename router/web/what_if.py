"""What-ifs: the files that are kept, a form for a new one with a preview, two side by side, deletion."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from router.kernel.faults import Fault
from router.kernel.numerals import whole_number
from router.service import kept_what_ifs as use
from router.service.comparisons import ask_comparison
from router.service.lives import MOST_REPLICATIONS
from router.service.rights import Operation, decide, require
from router.web.forms import Form, Posted
from router.web.reading import MOST_NUMBER, NumberAsked, NumberInPath, Reader, SignedIn
from router.web.rendering import done, page
from router.whatif.amounts import MOST_NEAR_KM
from router.whatif.rolling.replicate import NEAR_KM

routes = APIRouter()
_HERE = "/what-if"
_SAMPLE = """format: platewright what-if 1
name: Freight a fifth dearer
changes:
  - {change: change_carrier, price_factor: 1.2, why: "announced by the carriers"}
"""


@routes.get("/what-if")
def what_ifs(reader: SignedIn, tick: NumberAsked = 0, beside: NumberAsked = 0) -> Response:
    """All that are kept; ``tick`` and ``beside`` are chosen beforehand in the form of a comparison."""
    return page(
        reader, "what_ifs.html.j2", title="What if", here=_HERE, kept=use.list_what_ifs(reader.desk, reader.actor),
        tick=tick, beside=beside, most_replications=MOST_REPLICATIONS, near_km=round(NEAR_KM),
        may_keep=decide(reader.actor, Operation.KEEP_WHAT_IFS).allowed,
        may_run=decide(reader.actor, Operation.ASK_RUN).allowed,
    )  # fmt: skip


@routes.post("/what-if/compare")
def compare(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Ask for a comparison of those that are ticked."""
    ticked = (whole_number(x, 0, MOST_NUMBER) for x in form.many("what_if"))
    chosen = [x for x in ticked if x is not None]
    months, replications, seed = form.whole("months", 1, 18), form.whole("replications"), form.whole("seed")
    near_km, beside = form.whole("near_km", 1, round(MOST_NEAR_KM)), form.whole("beside")
    job = ask_comparison(
        reader.desk, reader.actor, chosen, months, replications, seed, near_km=near_km, beside_id=beside or None
    )
    return done(request, f"/runs/{job.job_id}")


@routes.get("/what-if/new")
def new(reader: SignedIn) -> Response:
    """The form for a new one."""
    require(reader.actor, Operation.KEEP_WHAT_IFS)
    return _form(reader, "", _SAMPLE)


@routes.post("/what-if/new")
def add(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Look at it, or keep it; with faults the text stays as it was written."""
    file, raw = _sent(form)
    view = use.check_what_if(reader.desk, reader.actor, file, raw)
    if view.faults or form.text("do") != "keep":
        return _form(reader, file, raw.decode("utf-8", "replace"), view)
    kept = use.add_what_if(reader.desk, reader.actor, file, raw)
    return done(request, f"{_HERE}/{kept.record.what_if_id}", f"{kept.view.name} is kept as {file}.")


@routes.get("/what-if/difference")
def difference(reader: SignedIn, one: NumberAsked = 0, other: NumberAsked = 0) -> Response:
    """What only one of two changes."""
    kept = use.list_what_ifs(reader.desk, reader.actor)
    known = {x.record.what_if_id for x in kept}
    found = use.what_if_difference(reader.desk, reader.actor, one, other) if {one, other} <= known else None
    return page(
        reader, "what_if_difference.html.j2", title="Two what-ifs side by side", here=_HERE, kept=kept, found=found,
        one=one, other=other,
    )  # fmt: skip


@routes.get("/what-if/{what_if_id}")
def what_if(reader: SignedIn, what_if_id: NumberInPath) -> Response:
    """One: its changes in words, its text, whether it fits the network of today."""
    kept = use.get_what_if(reader.desk, reader.actor, what_if_id)
    return _one(reader, kept, kept.record.raw.decode("utf-8", "replace"), kept.view)


@routes.post("/what-if/{what_if_id}")
def change(request: Request, reader: SignedIn, form: Posted, what_if_id: NumberInPath) -> Response:
    """Look at another text, or keep it in place of the one there is."""
    kept = use.get_what_if(reader.desk, reader.actor, what_if_id)
    _, raw = _sent(form)
    view = use.check_what_if(reader.desk, reader.actor, kept.record.file, raw)
    if view.faults or form.text("do") != "keep":
        return _one(reader, kept, raw.decode("utf-8", "replace"), view, tried=True)
    changed = use.change_what_if(reader.desk, reader.actor, what_if_id, raw, form.whole("version"))
    return done(request, f"{_HERE}/{what_if_id}", f"Kept as version {changed.record.version}.")


@routes.post("/what-if/{what_if_id}/delete")
def delete(request: Request, reader: SignedIn, form: Posted, what_if_id: NumberInPath) -> Response:
    """Delete it."""
    file = use.delete_what_if(reader.desk, reader.actor, what_if_id, form.whole("version"))
    return done(request, _HERE, f"{file} is deleted.")


def _sent(form: Form) -> tuple[str, bytes]:
    """File name and text; a file that was chosen goes before the text of the form."""
    chosen = form.chosen_files("upload")
    if not chosen:
        return form.text("file"), form.raw("text").encode("utf-8", "replace")
    # One byte more than may be, so that too much is seen without reading all of it.
    return form.text("file") or chosen[0].name, chosen[0].content.read(use.MOST_BYTES + 1)


def _form(reader: Reader, file: str, text: str, view: use.WhatIfView | None = None) -> Response:
    faults: tuple[Fault, ...] = view.faults if view else ()
    return page(
        reader, "what_if_new.html.j2", title="New what-if", here=_HERE, status=422 if faults else 200, file=file,
        text=text, view=view, faults=faults,
    )  # fmt: skip


def _one(reader: Reader, kept: use.KeptWhatIf, text: str, view: use.WhatIfView, tried: bool = False) -> Response:
    return page(
        reader, "what_if.html.j2", title=kept.view.name or kept.record.file, here=_HERE,
        status=422 if tried and view.faults else 200, record=kept.record, text=text, view=view, tried=tried,
        may_run=decide(reader.actor, Operation.ASK_RUN).allowed,
        may_keep=decide(reader.actor, Operation.KEEP_WHAT_IFS).allowed,
    )  # fmt: skip
