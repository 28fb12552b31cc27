"""Where should the next site stand? Asked of the book as a job; the choice kept as what-ifs, to be compared.

As in comparisons only lines without an export code are looked at, whoever asks: everybody who sees what-ifs sees
what comes of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from router.domain.network import Network, Scenario
from router.domain.siting import SitingQuestion
from router.formats.siting_file import read_siting
from router.formats.tables import csv_text
from router.kernel.faults import Conflict, Fault, FaultyInput, NotFound, TooMuch
from router.report.plain_page import Table
from router.service.desk import Desk
from router.service.jobs import ASSIGNMENT, ask_job, asked_before, job_as_told, result_in_one
from router.service.kept_what_ifs import KeptWhatIf, add_what_ifs, what_if_named
from router.service.network import network_there
from router.service.receipts import Once
from router.service.records import Actor, JobKind, JobRecord, WhatIfRecord
from router.service.rights import Operation, require
from router.service.site_choice import programmes
from router.service.site_choice_answer import Pointers, SiteChoice, sentences
from router.service.site_choice_files import choice_json, choice_tables
from router.service.visible import hidden_from, told
from router.whatif.siting.as_what_if import choice_text, terms_text

MOST_BYTES = 100_000
MOST_CANDIDATES = 60
MOST_SITES = 20
MOST_SECONDS = 300
MOST_IN_ALL_S = 3_600
"""Programmes times seconds: what a simulation may take, too (MOST_LIFE_MONTHS)."""
TABLES = ("places", "hours", "tornado", "break_even")
FILE = "candidates"
"""What the text is called in faults."""
_POINTERS = Pointers(
    "keep the choice as a what-if and compare it by simulation with the network on the same terms",
    "the reasons stand below",
)

_NOT_KEPT = replace(_POINTERS, to_check="it cannot be kept as a what-if to be compared by simulation; why stands below")


@dataclass(frozen=True, slots=True)
class QuestionView:
    """A question as it reads beside the network of today; None with the faults of its text."""

    question: SitingQuestion | None
    faults: tuple[Fault, ...]


def check_site_question(desk: Desk, actor: Actor, raw: bytes) -> QuestionView:
    """What a text asks, or every fault of it. Nothing is stored. Raises NotFound while there is no network, TooMuch."""
    require(actor, Operation.ASK_RUN)
    if len(raw) > MOST_BYTES:
        raise TooMuch(f"{len(raw)} bytes; a question has at most {MOST_BYTES}")
    with desk.store.look() as work:
        newest = network_there(work, desk)
    return _read(raw, newest.network)


def _read(raw: bytes, network: Network) -> QuestionView:
    try:
        question = read_siting(raw, network, FILE)
    except FaultyInput as wrong:
        return QuestionView(None, tuple(wrong.faults))
    number = len(question.candidates)
    if number > MOST_CANDIDATES:
        want = f"at most {MOST_CANDIDATES}; the command has no limit"
        return QuestionView(None, (Fault(FILE, "", "candidates", f"{number} places", want),))
    return QuestionView(question, ())


def ask_site_choice(
    desk: Desk, actor: Actor, raw: bytes, sites: int = 1, seconds: float = 10.0, seed: int = 0, once: Once | None = None
) -> JobRecord:
    """Ask it: at most ``sites`` new ones, ``seconds`` for each programme. Faults as of ``check_site_question``."""
    require(actor, Operation.ASK_RUN)
    asked = asked_before(desk, actor, once)
    if asked is not None:
        return asked
    view = check_site_question(desk, actor, raw)
    faults = list(view.faults)
    if not 1 <= sites <= MOST_SITES:
        faults.append(Fault("", "site choice", "sites", str(sites), f"1 to {MOST_SITES}"))
    if not 1 <= seconds <= MOST_SECONDS:
        faults.append(Fault("", "site choice", "seconds", f"{seconds:g}", f"1 to {MOST_SECONDS}, for each programme"))
    elif view.question is not None and programmes(view.question) * seconds > MOST_IN_ALL_S:
        faults.append(_too_long(programmes(view.question), seconds))
    if not 0 <= seed < 2**31:
        faults.append(Fault("", "site choice", "seed", str(seed), "0 to 2147483647"))
    if faults or view.question is None:
        raise FaultyInput(faults)
    params = {
        "name": view.question.name,
        "candidates": len(view.question.candidates),
        "sites": sites,
        "seconds": seconds,
        "seed": seed,
        "text": raw.decode(),
    }
    return ask_job(desk, actor, JobKind.SITES, params, once)


def _too_long(number: int, seconds: float) -> Fault:
    each = MOST_IN_ALL_S // number
    want = f"at most {MOST_IN_ALL_S:,} s in all: {each} s each, or fewer places, swings or steps (the command: any)"
    return Fault("", "site choice", "seconds", f"{number} programmes of {seconds:g} s", want)


def question_of(params: Mapping[str, Any], network: Network) -> SitingQuestion:
    """The question of a job. Raises FaultyInput when it does not fit the network any more."""
    return read_siting(str(params["text"]).encode(), network, FILE)


def answer_told(found: SiteChoice, scenario: Scenario, job_id: str) -> dict[str, Any]:
    """What is kept of an answer: the figures, the tables in words, and the what-ifs it would be kept as."""
    files, why_not = _what_ifs(found, scenario, job_id)
    said = sentences(found, _POINTERS if files else _NOT_KEPT)
    tables = choice_tables(found)
    reasons: dict[str, int] = {}
    for _, why in found.offers.without:
        reasons[why] = reasons.get(why, 0) + 1
    return {
        **choice_json(found, said),
        "invented": found.question.invented or scenario.network.invented,
        "whole": found.whole,
        "left_out": [{"why": why, "lines": n} for why, n in sorted(reasons.items(), key=lambda x: (-x[1], x[0]))],
        "hours": [{"machine": m, "used_h": used, "there_h": there} for m, used, there in found.best.hours],
        "tables": {name: _told(tables[f"{name}.csv"]) for name in TABLES},
        ASSIGNMENT: _told(tables[f"{ASSIGNMENT}.csv"]),
        "what_ifs": [{"file": file, "text": text} for file, text in files],
        "why_no_what_ifs": why_not,
    }


def _told(table: Table) -> dict[str, Any]:
    return {"title": table.title, "heading": list(table.heading), "rows": [list(row) for row in table.rows]}


def what_if_names(job_id: str) -> tuple[str, str]:
    """File names of the terms and of the choice of a job."""
    return f"site-{job_id[:8]}-terms.yaml", f"site-{job_id[:8]}.yaml"


def _what_ifs(found: SiteChoice, scenario: Scenario, job_id: str) -> tuple[list[tuple[str, str]], str]:
    if not found.best.opened:
        return [], "no new site was found that pays, so there is nothing to keep"
    terms, choice = what_if_names(job_id)
    try:
        files = [(terms, terms_text(scenario, found.question))]
    except FaultyInput as wrong:
        return [], str(wrong)
    return [*files, (choice, choice_text(found.question, found.best, terms))], ""


def site_choice_csv(desk: Desk, actor: Actor, job_id: str, table: str) -> str:
    """One of the tables. Raises NotFound for a job that is none, or has none yet."""
    require(actor, Operation.SEE_WHAT_IFS)
    answer = _answer(desk, actor, job_id)
    # Answers of earlier editions were kept without the assignment.
    found = answer.get(ASSIGNMENT) if table == ASSIGNMENT else answer["tables"].get(table)
    if found is None:
        raise NotFound(f"no table {table[:40]} in run {job_id}; there are {', '.join((*TABLES, ASSIGNMENT))}")
    if table != ASSIGNMENT:
        return csv_text(found["heading"], found["rows"])
    hidden = hidden_from(desk, actor)
    seen = [row for row in found["rows"] if row[0] not in hidden.lines]
    rows = [(line, told(where, hidden.names), share) for line, where, share in seen]
    return csv_text(found["heading"], rows)


def keep_site_choice(desk: Desk, actor: Actor, job_id: str, once: Once | None = None) -> list[KeptWhatIf]:
    """Keep the terms and the choice on them as what-ifs. Raises NotFound, Conflict when there is nothing to keep or
    they are kept already, FaultyInput when they do not fit the network any more."""
    require(actor, Operation.KEEP_WHAT_IFS)
    answer = _answer(desk, actor, job_id)
    if not answer["what_ifs"]:
        raise Conflict(f"it cannot be kept as a what-if: {answer['why_no_what_ifs']}")
    return add_what_ifs(desk, actor, [(x["file"], x["text"].encode()) for x in answer["what_ifs"]], once)


def kept_choice(desk: Desk, actor: Actor, job_id: str) -> tuple[WhatIfRecord, WhatIfRecord] | None:
    """What the choice of a job is kept as: the terms, and the choice on them; None where it is not, or not any more."""
    terms, choice = (what_if_named(desk, actor, file) for file in what_if_names(job_id))
    return None if terms is None or choice is None else (terms, choice)


def _answer(desk: Desk, actor: Actor, job_id: str) -> Mapping[str, Any]:
    """What a job came to. One with a name the reader must not learn is not there for them."""
    job, seen = job_as_told(desk, actor, job_id)
    if job.kind is not JobKind.SITES or not job.result or seen.result != result_in_one(job):
        raise NotFound(f"no answer of where a site should stand in run {job_id[:40]}")
    return job.result
