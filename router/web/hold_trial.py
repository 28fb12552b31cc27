"""Hold a plate open or start it: the form that asks for a trial of rules."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import APIRouter, Request
from fastapi.responses import Response

from router.kernel.faults import Fault, FaultyInput
from router.kernel.numerals import whole_number
from router.service import hold_trials as use
from router.service.lives import MOST_REPLICATIONS
from router.service.rights import Operation, require
from router.web.forms import Form, Posted
from router.web.reading import Reader, SignedIn
from router.web.rendering import done, page
from router.whatif.amounts import MOST_MONTHS
from router.whatif.comparison.hold_rules import MOST_HELD_DAYS, MOST_SLACK_DAYS

routes = APIRouter()
_AT_FIRST = {
    "covers": " ".join(f"{100 * x:.0f}" for x in use.COVERS),
    "slack_days": f"{use.SLACK_DAYS:g}",
    "at_most_days": str(use.AT_MOST_DAYS),
    "months": "3",
    "replications": "5",
    "seed": "1",
}


@routes.get("/what-if/hold")
def new(reader: SignedIn) -> Response:
    """The form."""
    require(reader.actor, Operation.ASK_RUN)
    return _form(reader, _AT_FIRST)


@routes.post("/what-if/hold")
def ask(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Ask for it; with faults everything stays as it was typed."""
    require(reader.actor, Operation.ASK_RUN)
    try:
        job = use.ask_hold_trial(
            reader.desk,
            reader.actor,
            _covers(form),
            form.whole("slack_days", 1, round(MOST_SLACK_DAYS)),
            form.whole("at_most_days", 1, MOST_HELD_DAYS),
            form.whole("months", 1, round(MOST_MONTHS)),
            form.whole("replications", 1, MOST_REPLICATIONS),
            form.whole("seed"),
        )
    except FaultyInput as faulty:
        return _form(reader, {name: form.text(name) for name in _AT_FIRST}, faulty.faults)
    return done(request, f"/runs/{job.job_id}")


def _covers(form: Form) -> list[float]:
    """Thresholds written in per cent, apart by spaces or commas. Raises FaultyInput."""
    words = form.text("covers").replace(",", " ").split()
    shares = [whole_number(word, 1, 100) for word in words]
    sound = [share / 100 for share in shares if share is not None]
    if sound and len(sound) == len(words):
        return sound
    want = "whole per cents from 1 to 100, apart by spaces"
    raise FaultyInput([Fault("form", "", "covers", " ".join(words)[:100] or "nothing", want)])


def _form(reader: Reader, given: Mapping[str, str], faults: tuple[Fault, ...] = ()) -> Response:
    return page(
        reader, "hold_trial.html.j2", title="Hold a plate open, or start it?", here="/what-if",
        status=422 if faults else 200, given=given, faults=faults, most_months=round(MOST_MONTHS),
        most_replications=MOST_REPLICATIONS, most_slack_days=round(MOST_SLACK_DAYS), most_held_days=MOST_HELD_DAYS,
        most_rules=use.MOST_RULES,
    )  # fmt: skip
