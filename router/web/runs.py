"""Runs: start one, watch it, stop it early."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import APIRouter, Request
from fastapi.responses import Response

from router.domain.result import TracePoint
from router.kernel.faults import FaultyInput, NotFound
from router.report.trace_chart import trace_chart
from router.report.wording import money, number, percent
from router.service import jobs as use
from router.service.comparisons import near_km_of
from router.service.plans import full_plan, live_plan
from router.service.records import JobKind, JobPoint, JobRecord
from router.service.rights import Operation, decide, require
from router.service.seen_totals import NOT_TOLD
from router.service.site_choices import kept_choice
from router.service.snapshot import snapshot
from router.service.visible import hidden_lines, hidden_names, told
from router.web.forms import Form, Posted
from router.web.reading import Reader, SignedIn
from router.web.rendering import done, page
from router.web.site_answer import site_answer

routes = APIRouter()
JOB_MARK = {
    "queued": "idle",
    "running": "busy",
    "stopping": "held",
    "done": "good",
    "failed": "bad",
    "cancelled": "gone",
}
_KINDS = {
    JobKind.PLAN: "Plan of the book",
    JobKind.COMPARISON: "Comparison of what-ifs",
    JobKind.HOLD: "Hold a plate open, or start it",
    JobKind.SITES: "Where the next site should stand",
}
_SIMULATED = (JobKind.COMPARISON, JobKind.HOLD)
_WHAT_IFS = (*_SIMULATED, JobKind.SITES)
_REFRESH_S = 5


@routes.get("/runs")
def runs(reader: SignedIn) -> Response:
    """Runs, newest first."""
    jobs = use.list_jobs(reader.desk, reader.actor, 60)
    return page(
        reader, "runs.html.j2", title="Runs", here="/plans", jobs=jobs, marks=JOB_MARK, word=job_word,
        may_run=decide(reader.actor, Operation.ASK_RUN).allowed,
    )  # fmt: skip


def job_word(job: JobRecord) -> str:
    """What a run is about."""
    if job.kind is JobKind.ELSEWHERE:
        return f"Line {job.params['line_id']} elsewhere"
    return _KINDS[job.kind]


@routes.get("/runs/new")
def new(reader: SignedIn) -> Response:
    """The form that starts a run."""
    require(reader.actor, Operation.ASK_RUN)
    return _form(reader, {})


def _form(reader: Reader, given: dict[str, str], faults: tuple[object, ...] = (), status: int = 200) -> Response:
    trouble, lines, left_out, partial = "", 0, 0, False
    try:
        shot = snapshot(reader.desk)
        hidden = hidden_lines(reader.desk, reader.actor)
        every, out = {x.line_id for x in shot.scenario.lines}, set(shot.left_out)
        lines, left_out, partial = len(every - hidden), len(out - hidden), bool(every & hidden)
    except (NotFound, FaultyInput) as missing:
        trouble = told(str(missing), hidden_names(reader.desk, reader.actor))
    return page(
        reader, "run_new.html.j2", title="Start a run", here="/plans", status=status, given=given, faults=faults,
        trouble=trouble, lines=lines, left_out=left_out, partial=partial, keep_h=use.KEEP_H,
        live=live_plan(reader.desk, reader.actor),
    )  # fmt: skip


@routes.post("/runs/new")
def start(request: Request, reader: SignedIn, form: Posted) -> Response:
    """Ask for the run."""
    try:
        job = use.ask_plan(
            reader.desk,
            reader.actor,
            form.whole("seconds", 1, reader.desk.limits.most_run_seconds),
            form.whole("seed"),
            form.whole("workers", 1, 16),
            form.text("note"),
            from_nothing=form.text("begin") == "nothing",
            keep_h=form.whole("keep_h", 0, round(use.MOST_KEEP_H)) if form.text("keep_h") else use.KEEP_H,
        )
    except FaultyInput as faulty:
        return _form(reader, _given(form), faulty.faults, 422)
    return done(request, f"/runs/{job.job_id}")


def _given(form: Form) -> dict[str, str]:
    return {name: form.text(name) for name in ("seconds", "seed", "workers", "note", "begin", "keep_h")}


@routes.get("/runs/{job_id}")
def run(reader: SignedIn, job_id: str) -> Response:
    """A run as it stands; it moves by itself where scripts run, and by reloading where they do not."""
    job = use.get_job(reader.desk, reader.actor, job_id)
    points = use.latest_points(reader.desk, reader.actor, job_id)
    currency = str(job.params.get("currency", ""))
    ended = job.standing.ended
    found = [TracePoint(p.seconds, 0, round(p.value)) for p in points if p.kind == "incumbent" and p.value is not None]
    head = live_plan(reader.desk, reader.actor)
    habit = full_plan(reader.desk, reader.actor, head.plan_id).result.habit_kpis.landed_cents if head else None
    chart = ""
    partial = use.counts_hidden(job, hidden_lines(reader.desk, reader.actor))
    if found and job.kind is JobKind.PLAN:
        level = habit if habit is not None else max(p.landed_cents for p in found)
        chart = trace_chart("trace", found, points[-1].seconds, job.bound_cents, level, currency)
    gap = None
    if job.best_cents and job.bound_cents is not None:
        gap = (job.best_cents - job.bound_cents) / job.best_cents
    here = "/what-if" if job.kind in _WHAT_IFS else "/plans"
    heading = "Run" if job.kind is JobKind.PLAN else job_word(job)
    return page(
        reader, "run.html.j2", title=heading, here=here, job=job, ended=ended, marks=JOB_MARK, chart=chart,
        best=NOT_TOLD if partial else "" if job.best_cents is None else money(job.best_cents, currency),
        bound=NOT_TOLD if partial else "" if job.bound_cents is None else money(job.bound_cents, currency),
        gap=NOT_TOLD if partial else "" if gap is None else percent(gap), partial=partial,
        points=points[-12:][::-1], money=lambda c: money(c, currency, 2),
        reported=lambda p: reported(p, currency, "choice" if job.kind is JobKind.SITES else "plan"),
        refresh_s=_REFRESH_S, may_run=decide(reader.actor, Operation.ASK_RUN).allowed,
        simulated=job.kind in _SIMULATED, compared=job.kind is JobKind.COMPARISON, near_km=near_km_of(job.params),
        sited=job.kind is JobKind.SITES,
        answer=site_answer(job.result, currency) if job.kind is JobKind.SITES and job.result else None,
        kept=kept_choice(reader.desk, reader.actor, job_id) if job.kind is JobKind.SITES else None,
        may_keep=decide(reader.actor, Operation.KEEP_WHAT_IFS).allowed,
        habit_known=habit is not None, site_names=reader.clock.site_names,
        disturbed=disturbance_rows(job.result.get("disturbance")),
    )  # fmt: skip


def reported(point: JobPoint, currency: str, what: str = "plan") -> str:
    """What a run reported, in words. ``what`` it looks for: a bound is of all of them, not of the best so far."""
    if point.kind == "bound":
        least = "the bound, which is not told" if point.value is None else money(round(point.value), currency, 2)
        return f"proven: no {what} can cost less than {least} {point.text}".strip()
    said = {"phase": "", "incumbent": "best so far", "ended": "ended:"}
    return f"{said.get(point.kind, point.kind)} {point.text}".strip()


def disturbance_rows(told: Mapping[str, int] | None) -> list[tuple[str, str, str]]:
    """What a plan changes of the one it takes the place of, in words: what, how many, of how many."""
    if told is None:
        return []
    rows = [
        ("Builds as before, to the minute", "builds_as_before", "builds"),
        ("Builds at another time", "builds_retimed", "builds"),
        ("Lines on other machines", "lines_on_other_machines", "lines"),
        ("Lines at other sites", "lines_at_other_sites", "lines"),
        ("Lines that arrive later", "lines_later", "lines"),
        ("Lines that arrive sooner", "lines_sooner", "lines"),
    ]
    return [(name, number(told[many]), number(told[of])) for name, many, of in rows]


@routes.post("/runs/{job_id}/stop")
def stop(request: Request, reader: SignedIn, form: Posted, job_id: str) -> Response:
    """End it soon; the best so far is kept."""
    use.stop(reader.desk, reader.actor, job_id)
    return done(request, f"/runs/{job_id}", "Asked to stop; what came so far is kept.")
