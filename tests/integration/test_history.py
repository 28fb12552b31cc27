"""Demand of simulations is the book's own history, whatever has become of the orders."""

from __future__ import annotations

from pathlib import Path

import pytest
from api_client import planned_desk
from desk_builder import SMALL, an_actor, whole_jobs
from marked_book import QUESTION

from router.formats.scenario_folder import read_scenario
from router.kernel.faults import NotFound
from router.service import book
from router.service.comparisons import ask_comparison
from router.service.events import record_event
from router.service.history import open_history
from router.service.kept_what_ifs import add_what_if
from router.service.plans import live_in_full
from router.service.records import EventKind, Role
from router.service.site_choices import ask_site_choice
from router.service.snapshot import snapshot
from router.worker.messages import LivesAsked, SitesAsked
from router.worker.tasks import task_of

TEXT = b"format: platewright what-if 1\nname: Freight\nchanges:\n  - {change: change_carrier, price_factor: 3}\n"


def test_started_and_held_lines_count_in_full_and_withdrawn_ones_do_not(planned: Path, tmp_path: Path) -> None:
    desk = planned_desk(planned, tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    ordered = {x.line_id: x.quantity for x in read_scenario(SMALL, None).lines if x.export_control is None}
    began = min(live_in_full(desk).result.plan.builds, key=lambda b: b.load_start)
    record_event(desk, boss, EventKind.BUILD_STARTED, began.build_id, began.load_start)
    others = sorted(set(ordered) - set(began.pieces_by_line()))
    for act, line_id in ((book.hold, others[0]), (book.withdraw, others[1])):
        act(desk, boss, line_id, "a test", book.get_line(desk, boss, line_id).version)
    wanted = {line_id: number for line_id, number in ordered.items() if line_id != others[1]}
    still_to_build = {x.line_id: x.quantity for x in snapshot(desk).scenario.lines if x.export_control is None}
    assert still_to_build.items() < wanted.items(), "the snapshot is less than the history"
    kept = add_what_if(desk, boss, "freight.yaml", TEXT).record.what_if_id
    ask_comparison(desk, boss, [kept])
    ask_site_choice(desk, boss, QUESTION.encode())
    with desk.store.look() as work:
        site_job, comparison_job = whole_jobs(work, 2)
    compared, sited = task_of(desk, comparison_job).asked, task_of(desk, site_job).asked
    assert isinstance(compared, LivesAsked) and isinstance(sited, SitesAsked)
    for asked in (compared, sited):
        assert {x.line_id: x.quantity for x in asked.scenario.lines} == wanted
        assert asked.scenario.network == snapshot(desk).scenario.network, "machines are as the floor left them"
    for line_id in sorted(set(wanted) - {others[0]}):
        book.hold(desk, boss, line_id, "a test", book.get_line(desk, boss, line_id).version)
    assert {x.line_id for x in open_history(desk).lines} == set(wanted), "a book with nothing to plan has a history"
    for line_id in wanted:
        book.withdraw(desk, boss, line_id, "a test", book.get_line(desk, boss, line_id).version)
    with pytest.raises(NotFound, match="no demand to draw from"):
        open_history(desk)
