"""The small book with one export-controlled line whose every name is unmistakable, planned and worked on.

With it: texts of all kinds that name the line, and people who are not cleared for it.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from desk_builder import SMALL, an_actor, desk_on, whole_jobs
from whole_site import PASSWORD, quick_hash

from router.service.book import change_line, get_line, hold, list_lines
from router.service.comparisons import ask_comparison
from router.service.desk import Desk
from router.service.events import record_event
from router.service.hold_trials import ask_hold_trial
from router.service.imports import preview_files, preview_folder, store_import
from router.service.jobs import ask_elsewhere, ask_plan, counts_every_line, get_job, stop
from router.service.kept_what_ifs import add_what_if, what_if_named
from router.service.network import current_network, save_network
from router.service.plans import accept, full_plan
from router.service.records import Actor, EventKind, JobPoint, JobStanding, Person, Role
from router.service.site_choices import ask_site_choice
from router.store import open_store
from router.worker import Worker

LINE, ORDER, CUSTOMER, MODEL = "MARKLINE-7", "MARKORDER", "Markcustomer Works", "MARKMODEL.stl"
TOWN = "Huntsville"
"""The place of the hidden line; no other line goes there."""
COUNT = 739_201
"""Stands for the number of lines that runs of the whole book plan: the true one is found everywhere by chance."""
MARKS = ("markline", "markorder", "markcustomer", "markmodel", "huntsville", "markreason", "marknote", str(COUNT))
SITE = "OHIO"
QUESTION = """format: platewright candidates 1
name: A third shop
invented: true
terms: {history_days: 2, growth: 0.1, plate_fill: 0.55, existing_hours_per_year: 5500, rate_avoided: 0.4,
  bought_per_h: 260, life_years: 8, discount_rate: 0.08}
candidates:
  - {id: Detroit, place: {country: US, city: Detroit}, works_like: OHIO, fixed_per_year: 150000, credentials: [AS9100]}
packages:
  - {id: nickel, machine_like: M01, alloys: [in718], capex: 620000, staff_per_year: 85000, hours_per_year: 5800}
swings: {growth: {low: -0.2, high: 0.5}, bought_per_h: {low: 60, high: 340}}
grid: {growth: [-0.5, 0.1], freight_factor: [1, 3]}
"""
"""Where a third shop should stand, of the small scenario (invented)."""
UNCLEARED = {
    "uvi": (Role.VIEWER, ()),
    "upa": (Role.PLANNER, ()),
    "uso": (Role.SITE_OPERATOR, (SITE,)),
    "uad": (Role.ADMINISTRATOR, ()),
}


def marked_folder(folder: Path) -> Path:
    """The small scenario with the controlled line renamed all through, and a model of its own."""
    shutil.copytree(SMALL, folder)
    rows = list(csv.DictReader(io.StringIO((SMALL / "orders.csv").read_text())))
    for row in rows:
        if row["export_control"]:
            row |= {"line": LINE, "order": ORDER, "customer": CUSTOMER, "model": MODEL}
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    (folder / "orders.csv").write_text(out.getvalue())
    shutil.copy(folder / "models" / "bracket.stl", folder / "models" / MODEL)
    return folder


def marked_desk(folder: Path) -> tuple[Desk, Actor, str]:
    """The desk, a cleared administrator, and the build of the live plan that carries the hidden line."""
    desk = desk_on(open_store(f"sqlite:///{folder / 'book.db'}"), folder / "cache")
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    hashed = quick_hash(PASSWORD)
    with desk.store.begin() as work:
        for name, (role, sites) in UNCLEARED.items():
            work.people.add(Person(0, name, role, frozenset(sites)), hashed)
    preview = preview_folder(desk, boss, marked_folder(folder / LINE))
    assert preview.storable, [f.sentence() for f in preview.faults]
    store_import(desk, boss, preview.import_id)
    live = _run(desk, boss, note=f"with {LINE}, marknote")
    accept(desk, boss, live, 1)
    full = full_plan(desk, boss, live)
    build = next(b for b in full.result.plan.builds if LINE in b.pieces_by_line())
    assert full.scenario.network.machine[build.machine_id].site_id == SITE
    _talk_of_it(desk, boss)
    started = record_event(desk, boss, EventKind.BUILD_STARTED, build.build_id, build.load_start, {"note": f"{LINE}."})
    later = started.occurred_at + timedelta(hours=1)
    record_event(desk, boss, EventKind.PIECES_SCRAPPED, build.build_id, later, {"pieces": {LINE: 1}, "note": LINE})
    ask_elsewhere(desk, boss, LINE, 1)
    assert Worker(desk).once()
    _failed_run(desk, boss)
    for file, ends in (("other.yaml", True), ("upon.yaml", True), ("plain.yaml", False)):
        _compare(desk, boss, file, ends)
    named = QUESTION.replace("A third shop", f"A shop for {CUSTOMER}").replace("Detroit", TOWN)
    asked = ask_site_choice(desk, boss, named.encode(), seconds=5)
    assert Worker(desk).once()
    ask_hold_trial(desk, boss, [0.5], months=0.25, replications=2)
    assert Worker(desk).once()
    chosen = get_job(desk, boss, asked.job_id)
    ask_site_choice(desk, boss, QUESTION.encode(), seconds=1)
    assert Worker(desk).once()
    assert chosen.standing is JobStanding.DONE and TOWN in str(chosen.result), chosen.why
    _count(desk)
    return desk, boss, build.build_id


def _run(desk: Desk, boss: Actor, note: str) -> int:
    job = ask_plan(desk, boss, seconds=1, note=note)
    assert Worker(desk).once()
    done = get_job(desk, boss, job.job_id)
    assert done.standing is JobStanding.DONE, done.why
    return int(done.result["plan_id"])


def _talk_of_it(desk: Desk, boss: Actor) -> None:
    """Texts of people that name the line where they stand on things others see."""
    other = next(x for x in list_lines(desk, boss).lines if x.line_id != LINE)
    hold(desk, boss, other.line_id, f"waits for {LINE} (markreason)", other.version)
    network = current_network(desk, boss).record
    save_network(desk, boss, network.raw + b"\n", network.version, f"for {CUSTOMER}, marknote")
    row = {**dict(other.cells), "line": "seen-1"}
    preview = preview_files(desk, boss, {f"{ORDER}.json": json.dumps([row]).encode()})
    store_import(desk, boss, preview.import_id)
    head = "format: platewright what-if 1\nname: {}\nchanges:\n  - {{change: carbon_price, per_tonne: {}}}\n"
    for file, text in (
        ("plain.yaml", head.format("Carbon", 50)),
        ("other.yaml", "on: plain.yaml\n" + head.format("Carbon again", 60)),
        ("marked.yaml", head.format(f"Carbon for {CUSTOMER}, markreason", 70)),
        ("upon.yaml", "on: marked.yaml\n" + head.format("Carbon at last", 80)),
    ):
        add_what_if(desk, boss, file, text.encode())


def _compare(desk: Desk, boss: Actor, file: str, lived: bool) -> None:
    """A comparison of a what-if, lived to its end or still waiting and then stopped."""
    kept = what_if_named(desk, boss, file)
    assert kept is not None
    job = ask_comparison(desk, boss, [kept.what_if_id], 0.25, 2, 4)
    if not lived:
        stop(desk, boss, job.job_id)
        return
    assert Worker(desk).once()
    done = get_job(desk, boss, job.job_id)
    assert done.standing is JobStanding.DONE and done.result["comparison"], done.why


def _failed_run(desk: Desk, boss: Actor) -> None:
    """A run that fails for the hidden line: its place has become one that nobody knows."""
    job = ask_plan(desk, boss, seconds=1)
    with desk.store.begin() as work:
        kept = work.lines.get(LINE)
        assert kept is not None
        work.lines.change(
            replace(kept, cells={**kept.cells, "ship_to": "Markreason", "ship_postcode": ""}), kept.version
        )
        work.revision.raise_it()
    assert Worker(desk).once()
    failed = get_job(desk, boss, job.job_id)
    assert failed.standing is JobStanding.FAILED and LINE in failed.why, failed.why
    line = get_line(desk, boss, LINE)
    change_line(desk, boss, LINE, {"ship_to": TOWN, "ship_postcode": "35801"}, line.version)


def _count(desk: Desk) -> None:
    """The runs that plan every line have come to the unmistakable number, as their phases tell it."""
    with desk.store.begin() as work:
        for job in whole_jobs(work, 50):
            if counts_every_line(job):
                reported = work.jobs.points(job.job_id, 0, 500)
                assert job.standing is JobStanding.FAILED or any(p.kind == "phase" and p.value for p in reported)
                number = max((p.number for p in reported), default=0) + 1
                work.jobs.add_points([JobPoint(job.job_id, number, "phase", 9.0, float(COUNT), "first plan")])
                work.jobs.keep(replace(job, done=COUNT, total=COUNT))
