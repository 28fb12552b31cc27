"""What the plan would cost otherwise is told unless lines that are hidden from the reader cost otherwise too."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from desk_builder import an_actor, worked_off
from fastapi.testclient import TestClient
from whole_site import peopled_desk, signed_in

from router.report.wording import money, signed_money
from router.service.book import change_line, get_line, list_lines
from router.service.desk import Desk
from router.service.imports import preview_files, store_import
from router.service.jobs import ask_elsewhere
from router.service.options import where_to_build, would_fit
from router.service.plans import live_in_full
from router.service.records import Actor, LineStanding, Role
from router.service.seen_totals import WHY_NOT_TOLD, seen_totals

V1 = "/api/v1"
AFTER = "after-1"
"""A line that came after the plan."""


@dataclass(frozen=True)
class Shared:
    """A live plan with a plate that a line everybody sees shares with one under export control."""

    desk: Desk
    boss: Actor
    seen: str
    hidden: str
    build_id: str
    """The plate."""


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Shared:
    desk = peopled_desk(tmp_path_factory.mktemp("shared"))
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    plan = live_in_full(desk).result.plan
    alone = {s.line_id for s in plan.shipments if len(s.build_ids) == 1}
    build = next(b for b in plan.builds if len({s.line_id for s in b.shares} & alone) > 1)
    seen, hidden = sorted({s.line_id for s in build.shares} & alone)[:2]
    after = {**get_line(desk, boss, seen).cells, "line": AFTER, "quantity": "1"}
    preview = preview_files(desk, boss, {"after.json": json.dumps([after]).encode()})
    store_import(desk, boss, preview.import_id)
    change_line(desk, boss, hidden, {"export_control": "ITAR"}, get_line(desk, boss, hidden).version)
    return Shared(desk, boss, seen, hidden, build.build_id)


@pytest.fixture
def vic(shared: Shared) -> Iterator[TestClient]:
    """Somebody who is cleared for nothing."""
    with signed_in(shared.desk, "vic") as client:
        yield client


def test_what_a_line_adds_to_the_plan_would_tell_what_the_line_beside_it_costs(shared: Shared) -> None:
    """Else there would be nothing to keep back."""
    plan = live_in_full(shared.desk).result.plan
    others = {x.line_id for x in live_in_full(shared.desk).scenario.lines} - {shared.seen}
    own = seen_totals(plan, others).landed_cents
    marginal = next(s.marginal_cents for s in where_to_build(shared.desk, shared.boss, shared.seen).sites if s.chosen)
    assert marginal is not None and own > 0 and abs(marginal - own) > 100


def test_what_a_line_adds_to_the_plan_is_told_where_no_hidden_line_costs_otherwise(
    shared: Shared, vic: TestClient
) -> None:
    lines = [x for x in list_lines(shared.desk, shared.boss).lines if x.export_control is None]
    told, kept_back = set(), set()
    for line_id in (x.line_id for x in lines if x.standing is LineStanding.OPEN):
        known = where_to_build(shared.desk, shared.boss, line_id)
        answer = vic.get(f"{V1}/lines/{line_id}/where").json()
        page = vic.get(f"/orders/{line_id}").text
        for site, whole in zip(answer["sites"], known.sites, strict=True):
            assert site["fair_cents"] == whole.fair_cents and site["joins_build_id"] == whole.joins_build_id
            assert site["marginal_cents"] in (None, whole.marginal_cents)
            if whole.marginal_cents is None:
                continue
            (kept_back if site["marginal_cents"] is None else told).add((line_id, site["site_id"]))
        untold = {s for i, s in kept_back if i == line_id}
        assert (WHY_NOT_TOLD in page) == bool(untold)
        if untold:
            currency = live_in_full(shared.desk).head.currency
            assert "<small>least</small>" not in page and currency not in answer["sentence"]
            cents = [s.marginal_cents for s in known.sites if s.site_id in untold and s.marginal_cents is not None]
            fair = {money(s.fair_cents or 0, currency) for s in known.sites}
            assert cents and not any(w in page for w in {money(c, currency) for c in cents} - fair)
        else:
            assert answer["sentence"] == known.sentence
    assert any(line_id == shared.seen for line_id, _ in kept_back) and told


def test_a_line_tried_at_each_site_tells_no_costs_of_the_whole_plan(shared: Shared, vic: TestClient) -> None:
    job_id = ask_elsewhere(shared.desk, shared.boss, shared.seen, 1).job_id
    known = worked_off(shared.desk, shared.boss, job_id).result["sites"]
    told = vic.get(f"{V1}/runs/{job_id}").json()["result"]["sites"]
    figures = ("landed_cents", "late_days", "difference_cents")
    assert sum(s["plan_id"] is not None for s in known) > 1
    for site, whole in zip(told, known, strict=True):
        assert {k: v for k, v in site.items() if k not in figures} == {
            k: v for k, v in whole.items() if k not in figures
        }
        assert all(site.get(k) is None for k in figures)
        assert whole["plan_id"] is None or all(whole[k] is not None for k in figures)
    page = vic.get(f"/runs/{job_id}").text
    with signed_in(shared.desk, "pia") as pia:
        cleared = pia.get(f"/runs/{job_id}").text
    currency = live_in_full(shared.desk).head.currency
    differences = {signed_money(s["difference_cents"], currency) for s in known if s.get("difference_cents")}
    assert differences and all(f">{d}<" in cleared and d not in page for d in differences)
    assert "not told" in page and "not told" not in cleared
    assert vic.get(f"/plans/{known[0]['plan_id']}").status_code == 200


def test_what_a_line_that_would_fit_changes_is_told_where_no_hidden_line_costs_otherwise(
    shared: Shared, vic: TestClient
) -> None:
    full = live_in_full(shared.desk)
    untold = set()
    for build in full.result.plan.builds:
        known = {f.line_id: f for f in would_fit(shared.desk, shared.boss, full.head.plan_id, build.build_id)}
        for fit in vic.get(f"{V1}/plans/{full.head.plan_id}/builds/{build.build_id}/would-fit").json():
            assert fit["difference_cents"] in (None, known[fit["line_id"]].difference_cents)
            if fit["difference_cents"] is None:
                untold.add((build.build_id, fit["line_id"]))
        page = vic.get(f"/plates/{build.build_id}").text
        assert (WHY_NOT_TOLD in page) == any(b == build.build_id for b, _ in untold)
    assert (shared.build_id, AFTER) in untold
