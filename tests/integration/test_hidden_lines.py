"""Nobody learns of an export-controlled line they are not cleared for: every route of the application is walked."""

from __future__ import annotations

import html
import io
import json
import re
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import unquote_plus

import pytest
from api_client import put_together
from desk_builder import whole_jobs
from fastapi.testclient import TestClient
from httpx import Response
from marked_book import COUNT, LINE, MARKS, MODEL, ORDER, QUESTION, SITE, TOWN, UNCLEARED, marked_desk
from whole_site import signed_in

from router.api.app import create_app
from router.report.wording import money
from router.service.builds import PlacedLine, build_view, list_builds
from router.service.desk import Desk
from router.service.jobs import counts_every_line
from router.service.moves import try_move
from router.service.people import SESSION_COOKIE, form_word
from router.service.plans import full_plan, plan_in_full
from router.service.records import Actor, JobKind
from router.service.seen_totals import seen_totals
from router.service.site_choices import ASSIGNMENT, TABLES
from router.service.snapshot import snapshot
from router.service.visible import RESTRICTED
from router.web.app import pages_app

V1 = "/api/v1"
HEX_NAMES = re.compile(r"\b(?:[0-9a-f]{64}|[0-9a-f]{32})\b")
OUTSIDE_THE_DOCUMENTS = ("/health/live", "/health/ready", "/metrics", "/openapi.json", "/static/{name}")
UNKNOWN = {LINE: "OTHERLINE-7", MODEL: "OTHERMODEL.stl"}
"""A name that is not there beside each that is there and hidden: answers must be the same."""


@dataclass(frozen=True)
class Marked:
    desk: Desk
    boss: Actor
    build_id: str
    other_build_id: str
    """A build without the hidden line."""
    plans: list[str]
    jobs: list[str]
    job_of_the_line: str
    site_job: str
    """Where a site should stand, asked of a place whose name is hidden."""
    totals: re.Pattern[str]
    """Sums that count the hidden line."""
    routes: Mapping[str, set[str]]
    """Methods of every route."""


@pytest.fixture(scope="module")
def marked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Marked]:
    desk, boss, build_id = marked_desk(tmp_path_factory.mktemp("marked"))
    with desk.store.look() as work:
        plans = [str(h.plan_id) for h in work.plans.heads(50)]
        jobs = whole_jobs(work, 50)
    builds = full_plan(desk, boss, 1).result.plan.builds
    other = next(b.build_id for b in builds if LINE not in b.pieces_by_line())
    hidden = next(j.job_id for j in jobs if j.params.get("line_id") == LINE)
    sited = next(j.job_id for j in jobs if j.kind is JobKind.SITES and TOWN in str(j.result))
    yield Marked(
        desk,
        boss,
        build_id,
        other,
        plans,
        [j.job_id for j in jobs if j.job_id != hidden],
        hidden,
        sited,
        totals_of(desk, plans),
        routes_of(desk),
    )


def routes_of(desk: Desk) -> dict[str, set[str]]:
    """Every route of API and pages as its path with names in braces, and its methods."""
    api, pages = (put_together(desk, make).openapi()["paths"] for make in (create_app, pages_app))
    found = {path: {method.upper() for method in told} for told_of in (api, pages) for path, told in told_of.items()}
    assert len(found) == len(api) + len(pages) > 70
    return found | {path: {"GET"} for path in OUTSIDE_THE_DOCUMENTS}


def text_of(answer: Response) -> str:
    """Everything an answer says, in lower case: body (of archives every file), headers, escapes undone."""
    parts = list({answer.content.decode("latin-1"): None, answer.text: None})
    if answer.content[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
            parts += [name + archive.read(name).decode("latin-1") for name in archive.namelist()]
    parts += [f"{name}: {value}" for name, value in answer.headers.items()]
    # Numbers of requests, runs and files are drawn or hashed, and hold any digits by chance.
    text = HEX_NAMES.sub("", "\n".join(parts))
    # Most texts have no escapes, and need not be searched again without them.
    return "\n".join({text: None, html.unescape(text): None, unquote_plus(text): None}).casefold()


def leaks(text: str) -> list[str]:
    return [m for m in MARKS if m in text]


MONEY = ("incumbent", "bound")
"""Reports of a run whose value is money."""


def totals_of(desk: Desk, plan_ids: list[str]) -> re.Pattern[str]:
    """Sums that count the hidden line, and its own money, however API and pages would write them, in small letters."""
    cents: set[int] = set()
    shown: set[str] = set()
    currency = ""
    for plan_id in plan_ids:
        full = plan_in_full(desk, int(plan_id))
        result, currency = full.result, full.head.currency
        # Sums of the lines that are seen are told in whole units, and may by chance read like another sum.
        hidden = frozenset(x.line_id for x in full.scenario.lines if x.export_control)
        shown.add(money(seen_totals(result.plan, hidden).landed_cents, currency))
        for kpis in (result.kpis, result.habit_kpis):
            cents |= {kpis.landed_cents, kpis.build_cents, kpis.after_build_cents, kpis.freight_cents}
        cents |= {result.bound_cents or 0, *(p.landed_cents for p in result.trace)}
        for build in result.plan.builds:
            own = [s for s in build.shares if s.line_id == LINE]
            cents |= {x for s in own for x in (s.build_cents, s.plate_steps_cents)}
            if own:
                cents |= {build.cost.total_cents, build.plate_steps_cents}
        cents |= {s.freight_cents for s in result.plan.shipments if s.line_id == LINE}
        cents |= {x.cost_cents for x in result.plan.lots if x.line_id == LINE}
    with desk.store.look() as work:
        for job in whole_jobs(work, 50):
            if counts_every_line(job):
                cents |= {job.best_cents or 0, job.bound_cents or 0}
                cents |= {round(p.value or 0) for p in work.jobs.points(job.job_id, 0, 500) if p.kind in MONEY}
    # Small sums are found everywhere by chance.
    written = {w for n in cents if n > 50_000 for w in (str(n), money(n, currency, 2), money(n, currency))} - shown
    rests: dict[str, list[str]] = {}
    for one in sorted(w.casefold() for w in written):
        rests.setdefault(one[0], []).append(re.escape(one[1:]))
    # A figure not in the middle of a longer one. The first digit leads, for quick searching, and is looked back over.
    begun = (rf"{digit}(?<![\d.,].)(?<!\d[\s,].)(?:{'|'.join(rest)})" for digit, rest in rests.items())
    return re.compile(rf"(?:{'|'.join(begun)})(?!\d)")


def values_of(marked: Marked) -> Mapping[str, list[str]]:
    """Values for every word in braces in a route; a route with another word fails the walk until it has some here."""
    return {
        "line_id": ["1001-1", "1002-1", "seen-1"],
        "plan_id": marked.plans,
        "other_id": marked.plans[:2],
        "build_id": [marked.build_id, marked.other_build_id],
        "kind": ["svg", "dxf", "3mf"],
        "job_id": marked.jobs,
        "version": ["1", "2"],
        "person_id": ["1", "2"],
        "sha256": ["0" * 64],
        "import_id": ["0" * 32],
        "name": ["bracket.stl", "app.css"],
        "decision": ["hold"],
        "what_if_id": ["1", "2", "3", "4"],
        "beside_id": ["1", "2"],
        "table": [*TABLES, ASSIGNMENT, "rules", "replications"],
    }


QUERIES: Mapping[str, list[dict[str, str]]] = {
    "/compare": [{"before": "1", "after": "2"}, {"before": "2", "after": "1"}],
    "/plates/{build_id}/file.{kind}": [{"plan": "1"}],
    "/plates/{build_id}": [{"plan": "1"}],
    "/orders": [{}, {"text": "mark"}, {"text": "hunts"}, {"sort": "customer", "falling": "true"}],
    f"{V1}/lines": [{}, {"text": LINE}, {"sort": "customer", "limit": "1"}],
    f"{V1}/trail": [{}, {"subject": LINE}, {"subject": f"{ORDER}.json"}],
    "/sign-in": [{}],
    "/what-if/difference": [{}, {"one": "1", "other": "2"}],
}
NEVER_OPEN = {
    "/health/ready",
    f"{V1}/export",
    f"{V1}/imports/{{import_id}}",
    f"{V1}/imports/{{import_id}}/stored",
    "/static/{name}",
    "/metrics",
}
"""Routes that need not answer 200 to somebody who is not cleared: refused as they are, or nothing of the book."""


def paths(path: str, values: Mapping[str, list[str]]) -> Iterator[str]:
    names = re.findall(r"{(\w+)}", path)
    if not names:
        yield path
        return
    for value in values[names[0]]:
        yield from paths(path.replace("{" + names[0] + "}", value), values)


def walk(marked: Marked, name: str) -> tuple[dict[str, list[str]], set[str]]:
    """What every GET route gives away to somebody, and the routes that answered with a page or values."""
    found: dict[str, list[str]] = {}
    fine: set[str] = set()
    with signed_in(marked.desk, name) as client:
        for route, methods in marked.routes.items():
            if "GET" not in methods:
                continue
            for path in paths(route, values_of(marked)):
                for query in QUERIES.get(route, [{}]):
                    answer = client.get(path, params=query)
                    assert answer.status_code < 500, (path, answer.text[:500])
                    if answer.status_code == 200:
                        fine.add(route)
                    text = text_of(answer)
                    seen = leaks(text) + marked.totals.findall(text)
                    if seen:
                        found[f"{path} {query}"] = seen
    return found, fine


def test_no_page_and_no_answer_names_what_is_hidden(marked: Marked) -> None:
    opened: set[str] = set()
    for name in UNCLEARED:
        found, fine = walk(marked, name)
        assert found == {}, (name, found)
        opened |= fine
    every = {route for route, methods in marked.routes.items() if "GET" in methods}
    assert every - opened <= NEVER_OPEN, "routes that were asked wrongly, so that the walk says nothing of them"


def test_a_hidden_name_is_answered_like_one_that_is_not_there(marked: Marked) -> None:
    values = {**values_of(marked), "line_id": [LINE], "name": [MODEL], "job_id": [marked.job_of_the_line]}
    for who in UNCLEARED:
        with signed_in(marked.desk, who) as client:
            for route, methods in marked.routes.items():
                if "GET" not in methods or not re.search("{(line_id|name|job_id)", route):
                    continue
                for path in paths(route, values):
                    swap = {**UNKNOWN, marked.job_of_the_line: "f" * 32}
                    other = path
                    for known, unknown in swap.items():
                        other = other.replace(known, unknown)
                    here, there = client.get(path), client.get(other)
                    assert here.status_code == there.status_code, path
                    assert plain(here.text, {}) == plain(there.text, {u: k for k, u in swap.items()}), path


def plain(text: str, swap: Mapping[str, str]) -> str:
    for a, b in swap.items():
        text = text.replace(a, b)
    return text


def bad_rows(**cells: str) -> bytes:
    row = {
        "line": "brought-1", "order": "b", "customer": "Somebody", "model": "bracket.stl", "unit": "mm",
        "alloy": "316l", "quantity": "1", "ship_to": "Dortmund", "ship_country": "DE",
        "received": "2027-02-26T10:00+01:00", "due": "2027-03-25",
    }  # fmt: skip
    return json.dumps([row | cells]).encode()


def broken_network(client: TestClient) -> bytes:
    """A network without the alloy, the site and the credentials that lines of the book want."""
    raw = client.get(f"{V1}/network").content
    return raw.replace(b"id: ti64\n", b"id: other64\n").replace(b"- ITAR", b"- OTHER").replace(b"OHIO", b"IOWA")


def changes(marked: Marked, client: TestClient) -> list[tuple[str, str, dict[str, Any]]]:
    """Requests that change something or try to: what a route takes, and what it refuses."""
    plan, build, job = "1", marked.build_id, marked.jobs[0]
    last = marked.plans[0]
    seen = {"If-Match": '"1"'}
    files = {"files": ("orders.json", bad_rows(line=LINE))}
    cells = json.loads(bad_rows())[0]
    moved = {"build_id": build, "machine_id": "M01", "after_build_id": None}
    at = "2027-03-02T06:00:00-05:00"
    network = broken_network(client)
    yaml = {"Content-Type": "application/yaml"}
    what_if = {"file": "mine.yaml", "text": "on: marked.yaml\nformat: platewright what-if 1\nname: Mine\n"}

    def event(kind: str, subject: str, **details: Any) -> tuple[str, str, dict[str, Any]]:
        return (
            "POST",
            f"{V1}/events",
            {"json": {"kind": kind, "subject": subject, "occurred_at": at, "details": details}},
        )

    found: list[tuple[str, str, dict[str, Any]]] = [
        event("build started", build),
        event("build finished", build, note="x"),
        event("pieces scrapped", build, pieces={"1001-1": 999}),
        event("pieces scrapped", build, pieces={}),
        event("pieces scrapped", build, pieces={"restricted": 1}),
        event("build failed", "no such build"),
        event("machine down", "M01", until="never"),
        event("machine down", "M01"),
        event("shipment sent", "s-1"),
        *(("POST", f"{V1}/events/{n}/withdraw", {"json": {"why": "sample"}}) for n in (1, 2, 3, 99)),
        ("POST", f"{V1}/imports", {"files": files}),
        ("POST", f"{V1}/imports", {"files": {"files": ("orders.json", bad_rows(model="MARKMODE.stl", alloy="x"))}}),
        ("POST", f"{V1}/imports", {"files": {"files": ("network.yaml", network)}}),
        ("POST", f"{V1}/imports", {"files": {"files": (MODEL, b"solid x\nendsolid x\n")}}),
        ("POST", f"{V1}/imports/{'0' * 32}/store", {}),
        ("POST", f"{V1}/network/check", {"content": network, "headers": yaml}),
        ("PUT", f"{V1}/network", {"content": network, "headers": {**yaml, "If-Match": '"2"'}}),
        ("PATCH", f"{V1}/network", {"json": {"path": ["sites", "OHIO", "id"], "value": "IOWA"}, "headers": seen}),
        ("PATCH", f"{V1}/lines/1001-1", {"json": {"cells": {"model": "MARKMODEL.st", "alloy": "x"}}, "headers": seen}),
        ("PATCH", f"{V1}/lines/1001-1", {"json": {"cells": {"model": "MARKMODE.stl"}}, "headers": seen}),
        ("POST", f"{V1}/lines/1001-1/hold", {"json": {"why": "sample"}, "headers": {"If-Match": '"99"'}}),
        ("POST", f"{V1}/lines/1001-1/release", {"headers": {"If-Match": '"99"'}}),
        ("POST", f"{V1}/lines/1001-1/withdraw", {"json": {"why": "sample"}, "headers": {"If-Match": '"99"'}}),
        ("PUT", f"{V1}/lines/1001-1/pin", {"json": {"site_id": "nowhere"}, "headers": seen}),
        ("POST", f"{V1}/lines/1002-1/elsewhere", {"json": {"seconds": 1}}),
        ("POST", f"{V1}/where", {"json": {"cells": cells, "quantities": [1, 2]}}),
        ("POST", f"{V1}/where", {"json": {"cells": {**cells, "model": "MARKMODE.stl"}}}),
        ("POST", f"{V1}/plans/{plan}/moves/try", {"json": moved}),
        ("POST", f"{V1}/plans/{plan}/moves/try", {"json": {**moved, "machine_id": "M03"}}),
        ("POST", f"{V1}/plans/{plan}/moves", {"json": moved}),
        *(
            (
                "POST",
                f"{V1}/plans/{plan}/line-moves{way}",
                {"json": {"line_id": i, "build_id": build, "onto_build_id": b}},
            )
            for way in ("/try", "")
            for i in (LINE, "1001-1")
            for b in (build, "no such build")
        ),
        ("PUT", f"{V1}/plans/{plan}/pins/{build}", {}),
        ("DELETE", f"{V1}/plans/{plan}/pins/{build}", {}),
        ("POST", f"{V1}/plans/{last}/set-aside", {"headers": {"If-Match": '"99"'}}),
        ("POST", f"{V1}/runs", {"json": {"seconds": 1, "note": "x"}}),
        ("POST", f"{V1}/runs/{job}/stop", {}),
        ("POST", f"{V1}/what-ifs/check", {"json": what_if}),
        ("POST", f"{V1}/what-ifs", {"json": {**what_if, "file": "marked.yaml"}}),
        ("POST", f"{V1}/what-ifs", {"json": what_if}),
        *(("POST", f"{V1}/comparisons", {"json": {"what_if_ids": [n]}}) for n in (3, 4)),
        ("POST", f"{V1}/comparisons", {"json": {"what_if_ids": [1], "beside_id": 3}}),
        ("POST", f"{V1}/site-choices/check", {"json": {"text": "format: platewright candidates 1"}}),
        ("POST", f"{V1}/site-choices", {"json": {"text": QUESTION}}),
        ("POST", f"{V1}/site-choices", {"json": {"text": "x"}}),
        ("POST", f"{V1}/site-choices/{marked.site_job}/what-ifs", {}),
        ("POST", f"{V1}/hold-trials", {"json": {"months": 0.25, "replications": 2}}),
        *(("PUT", f"{V1}/what-ifs/{n}", {"json": {"text": "x"}, "headers": seen}) for n in (1, 3, 4)),
        *(("DELETE", f"{V1}/what-ifs/{n}", {"headers": {"If-Match": '"99"'}}) for n in (1, 2, 3, 4)),
        ("POST", f"{V1}/people", {"json": {"name": "", "role": "viewer"}}),
        ("PUT", f"{V1}/people/1", {"json": {"role": "viewer"}, "headers": {"If-Match": '"99"'}}),
        ("POST", f"{V1}/people/99/reset-password", {}),
        ("POST", f"{V1}/tokens", {"json": {"name": "t", "scopes": ["read"]}}),
        ("DELETE", f"{V1}/tokens/{'0' * 64}", {}),
    ]  # fmt: skip
    for plan_id in marked.plans:
        found.append(("POST", f"{V1}/plans/{plan_id}/accept", {"headers": seen}))
        found.append(("POST", f"{V1}/plans/{plan_id}/set-aside", {"headers": seen}))
    return found + page_changes(marked, network.decode())


def page_changes(marked: Marked, network: str) -> list[tuple[str, str, dict[str, Any]]]:
    build = marked.build_id
    window = {"plan": "1", "build": build, "machine": "M01", "days": "7"}
    event = {"kind": "started", "at": "2027-03-02T06:00:00-05:00"}
    return [
        ("POST", f"/plates/{build}/event", {"data": event}),
        ("POST", "/orders/import", {"files": {"files": ("orders.json", bad_rows(line=LINE))}}),
        ("POST", "/orders/import", {"files": {"files": ("network.yaml", network.encode())}}),
        ("POST", "/orders/import/store", {"data": {"import_id": "0" * 32}}),
        ("POST", f"/plates/{build}/events/1/withdraw", {"data": {"why": "sample"}}),
        ("POST", f"/plates/{build}/events/99/withdraw", {"data": {"why": "sample"}}),
        ("POST", "/floor/events/2/withdraw", {"data": {"why": "sample"}}),
        ("POST", "/floor/machine", {"data": {"machine": "M01", "kind": "down", "at": "2027-03-02T06:00:00-05:00"}}),
        ("POST", "/floor/machine", {"data": {"machine": LINE, "kind": "down", "at": "2027-03-02T06:00:00-05:00"}}),
        ("POST", "/orders/1001-1/hold", {"data": {"why": "x", "version": "99"}}),
        ("POST", "/network/file", {"data": {"text": network, "version": "2", "do": "save"}}),
        ("POST", "/network/field", {"data": {"field": "labour_per_h", "site": "OHIO", "value": "x", "version": "2"}}),
        ("POST", f"/plates/{build}/move-line/try", {"data": {"plan": "1", "line": LINE, "onto": build}}),
        ("POST", f"/plates/{build}/move-line/keep", {"data": {"plan": "1", "line": "1001-1", "onto": build}}),
        ("POST", "/schedule/pin", {"data": {"plan": "1", "build": build, "pinned": "yes", "back": "plate"}}),
        ("POST", "/schedule/try", {"data": window}),
        ("POST", "/schedule/keep", {"data": window}),
        ("POST", "/runs/new", {"data": {"seconds": "0", "seed": "1", "workers": "1"}}),
        ("POST", f"/runs/{marked.jobs[0]}/stop", {"data": {}}),
        ("POST", f"/plans/{marked.plans[0]}/accept", {"data": {"version": "1"}}),
        ("POST", "/what-if/compare", {"data": {"what_if": "3", "months": "1", "replications": "2", "seed": "1"}}),
        ("POST", "/what-if/site", {"data": {"do": "write", "name": "x", "places": "Lyon, FR"}}),
        ("POST", f"/what-if/site/{marked.site_job}/keep", {"data": {}}),
        ("POST", "/what-if/hold", {"data": {"covers": "50", "months": "1", "replications": "2"}}),
        ("POST", "/what-if/new", {"data": {"file": "m.yaml", "text": "on: upon.yaml", "do": "keep"}}),
        *(("POST", f"/what-if/{n}", {"data": {"text": "x", "version": "1", "do": "keep"}}) for n in (1, 3, 4)),
        *(("POST", f"/what-if/{n}/delete", {"data": {"version": "99"}}) for n in (1, 2, 3, 4)),
        ("POST", "/demo", {"data": {}}),
        ("POST", "/people", {"data": {"name": "", "role": "viewer"}}),
        ("POST", "/people/1", {"data": {"role": "viewer", "version": "99", "active": "yes"}}),
        ("POST", "/people/99/password", {"data": {}}),
        ("POST", "/tokens", {"data": {"name": "", "days": "5"}}),
        ("POST", f"/tokens/{'0' * 64}/revoke", {"data": {}}),
        ("POST", "/choices", {"data": {"look": "dark"}}),
        ("POST", "/password", {"data": {"old": "x", "new": "y", "again": "z"}}),
    ]


def changes_of_a_line(marked: Marked, line_id: str) -> list[tuple[str, str, dict[str, Any]]]:
    """Requests that change a line, to be asked of the hidden one and of one that is not there."""
    seen = {"If-Match": '"1"'}
    line, plan = f"{V1}/lines/{line_id}", f"{V1}/plans/1"
    builds = (marked.build_id, marked.other_build_id, "no such build")
    found: list[tuple[str, str, dict[str, Any]]] = [
        ("PATCH", line, {"json": {"cells": {"quantity": "2"}}, "headers": seen}),
        ("POST", f"{line}/hold", {"json": {"why": "sample"}, "headers": seen}),
        ("POST", f"{line}/release", {"headers": seen}),
        ("POST", f"{line}/withdraw", {"json": {"why": "sample"}, "headers": seen}),
        ("PUT", f"{line}/pin", {"json": {"site_id": SITE}, "headers": seen}),
        ("POST", f"{line}/elsewhere", {"json": {"seconds": 1}}),
        ("POST", f"/orders/{line_id}/hold", {"data": {"why": "x", "version": "1"}}),
    ]
    for one in builds:
        for other in builds:
            moved = {"line_id": line_id, "build_id": one, "onto_build_id": other}
            found += [("POST", f"{plan}/line-moves{way}", {"json": moved}) for way in ("/try", "")]
            asked = {"plan": "1", "line": line_id, "onto": other}
            found += [("POST", f"/plates/{one}/move-line/{step}", {"data": asked}) for step in ("try", "keep")]
    return found


def answer_to(client: TestClient, word: str, method: str, path: str, asked: dict[str, Any]) -> Response:
    """What is answered to a request that changes something."""
    sent = {k: v for k, v in asked.items() if k != "headers"}
    if not path.startswith(V1):
        sent["data"] = {**sent.get("data", {}), "token": word}
    return client.request(method, path, headers={**asked.get("headers", {}), "X-CSRF-Token": word}, **sent)


def test_a_change_of_a_hidden_line_is_answered_like_one_of_a_line_that_is_not_there(marked: Marked) -> None:
    there = UNKNOWN[LINE]
    for who in UNCLEARED:
        with signed_in(marked.desk, who) as client:
            word = form_word(client.cookies[SESSION_COOKIE])
            for one, other in zip(changes_of_a_line(marked, LINE), changes_of_a_line(marked, there), strict=True):
                a, b = answer_to(client, word, *one), answer_to(client, word, *other)
                assert a.status_code == b.status_code, (who, one, a.text[:300], b.text[:300])
                assert plain(a.text, {}) == plain(b.text, {there: LINE}), (who, one)


def test_hidden_pieces_of_a_plate_are_one_row_with_nothing_but_their_number(marked: Marked) -> None:
    with marked.desk.store.look() as work:
        uvi = Actor(work.people.named("uvi")[0])
    full = full_plan(marked.desk, marked.boss, 1)
    build = max(full.result.plan.builds, key=lambda b: len(b.shares))
    every = frozenset(build.pieces_by_line())
    view = build_view(full, build, every, full.result.plan.last_arrivals())
    row = PlacedLine(RESTRICTED, build.pieces_by_line().total(), None, None, None, None)
    assert len(every) > 1 and view.lines == (row,)
    views = list_builds(marked.desk, uvi, 1)
    assert any(x.line_id == RESTRICTED for v in views for x in v.lines)
    assert all(x.late_days is None for v in views for x in v.lines if x.line_id == RESTRICTED)


def test_a_run_is_said_to_plan_as_many_lines_as_its_asker_is_shown(marked: Marked) -> None:
    every = {x.line_id for x in snapshot(marked.desk).scenario.lines}
    assert LINE in every
    for who, lines in (("upa", len(every) - 1), ("uad", len(every) - 1)):
        with signed_in(marked.desk, who) as client:
            page = client.get("/runs/new").text
            assert f"It plans {lines} open lines" in page and "under export control" in page


def test_totals_are_those_of_the_lines_that_are_seen_or_are_not_told(marked: Marked) -> None:
    occupancy = {"builds", "mean_fill", "machine_h", "changeover_h", "last_unload"}
    for who in UNCLEARED:
        with signed_in(marked.desk, who) as client:
            heads = client.get(f"{V1}/plans").json()
            assert heads and all(h["partial"] and h["bound_cents"] is h["gap"] is None for h in heads)
            for head in heads:
                assert {name for name, value in head["kpis"].items() if value is not None} <= occupancy
                assert head["kpis"]["builds"] > 0 < head["kpis"]["mean_fill"]
                builds = client.get(f"{V1}/plans/{head['plan_id']}/builds").json()
                assert builds
                for build in builds:
                    assert build["pieces"] == sum(x["pieces"] for x in build["lines"])
                    for name in ("build_cents", "plate_steps_cents"):
                        assert build[name] == sum(x[name] or 0 for x in build["lines"]), build
            seen = {x["line_id"] for x in client.get(f"{V1}/lines", params={"limit": 500}).json()["lines"]}
            told = client.get(f"{V1}/plans/1/compare/2").json()
            for kpis in (told["before"]["kpis"], told["after"]["kpis"], told["habit_kpis"]):
                assert {name for name, value in kpis.items() if value is not None} <= occupancy
            assert told["disturbed"]["lines"] <= len(seen)
            late = {
                x["line_id"]
                for b in client.get(f"{V1}/plans/1/builds").json()
                for x in b["lines"]
                if x["late_days"] and x["line_id"] != RESTRICTED
            }
            today, page = client.get("/").text, client.get("/plans/1").text
            assert "not told" in today and "not told" in page and "not told" in client.get("/plans").text
            if who != "uso":  # he sees the builds of one site only
                assert re.search(rf"Late lines</th><td class=\"num\">{len(late)}</td>", page)
            for job_id in marked.jobs:
                job = client.get(f"{V1}/runs/{job_id}").json()
                if job["kind"] in ("plan", "elsewhere"):
                    assert job["best_cents"] is job["bound_cents"] is None and "disturbance" not in job["result"]
                    points = client.get(f"{V1}/runs/{job_id}/points").json()
                    assert points and all(p["value"] is None for p in points)
                    assert job["done"] is job["total"] is None
                    page = client.get(f"/runs/{job_id}").text
                    assert "not told" in page and "how many steps of how many are done, are not told" in page


def test_what_a_move_costs_is_told_unless_the_hidden_line_costs_otherwise_by_it(marked: Marked) -> None:
    full, hidden = plan_in_full(marked.desk, 1), frozenset({LINE})
    whole, seen = (seen_totals(full.result.plan, x).landed_cents for x in (frozenset[str](), hidden))
    assert whole > seen > 0
    possible = 0
    with signed_in(marked.desk, "upa") as client:
        word = form_word(client.cookies[SESSION_COOKIE])
        for build in full.result.plan.builds:
            for machine in full.scenario.network.machines:
                goes = (build.build_id, machine.machine_id, None)
                move = dict(zip(("build_id", "machine_id", "after_build_id"), goes, strict=True))
                told = client.post(f"{V1}/plans/1/moves/try", json=move, headers={"X-CSRF-Token": word}).json()
                known = try_move(marked.desk, marked.boss, 1, *goes)
                possible += told["possible"]
                if told["difference_cents"] is None:
                    assert known.possible and known.difference_cents is not None
                else:
                    assert told["difference_cents"] == known.difference_cents
                    assert not told["possible"] or LINE not in build.pieces_by_line()
    assert possible


ONLY_FOR_ONESELF = {"/sign-in", "/sign-out"}


def test_no_change_and_no_refusal_names_what_is_hidden(marked: Marked) -> None:
    for name in UNCLEARED:
        with signed_in(marked.desk, name) as client:
            word = form_word(client.cookies[SESSION_COOKIE])
            for method, path, asked in changes(marked, client):
                answer = answer_to(client, word, method, path, asked)
                assert answer.status_code < 500, (path, answer.text[:300])
                brought = json.dumps(str(asked)).casefold()
                told = [m for m in leaks(text_of(answer)) if m not in brought]
                assert told == [], (name, method, path, asked, told)
        found, _ = walk(marked, name)
        assert found == {}, (name, found)


def test_every_route_that_changes_something_is_tried(marked: Marked) -> None:
    with signed_in(marked.desk, "uad") as client:
        tried = [(m, p) for m, p, _ in changes(marked, client)]
    for route, methods in marked.routes.items():
        if route in ONLY_FOR_ONESELF:
            continue
        pattern = re.compile(re.sub(r"{\w+}", "[^/]+", route))
        for method in methods - {"GET"}:
            assert any(m == method and pattern.fullmatch(p) for m, p in tried), (method, route)


def test_a_finished_comparison_shows_texts_to_nobody_and_its_table_to_whoever_may_read_its_what_ifs(
    marked: Marked,
) -> None:
    with marked.desk.store.look() as work:
        compared = {str(j.params["files"]): j for j in whole_jobs(work, 50) if j.kind is JobKind.COMPARISON}
    other, upon = compared["['other.yaml']"], compared["['upon.yaml']"]
    assert set(other.params["texts"]) == {"other.yaml", "plain.yaml"}, "what it goes on from, and nothing else"
    for who, tables in (("uvi", (200, 404)), ("upa", (200, 404))):
        with signed_in(marked.desk, who) as client:
            for job, status in zip((other, upon), tables, strict=True):
                assert client.get(f"{V1}/comparisons/{job.job_id}/replications.csv").status_code == status
                told = client.get(f"{V1}/runs/{job.job_id}").json()
                assert "texts" not in told["params"] and told["result"]["lives"] == 4
                stream = client.get(f"{V1}/runs/{job.job_id}/stream").text
                assert "platewright what-if 1" not in stream and '"lives": 4' in stream and "scenarios" not in stream
            for told in client.get(f"{V1}/runs").json():
                assert not {"text", "texts"} & told["params"].keys()
                assert not any(isinstance(x, list | dict) for x in told["result"].values())


# The last: from here on one of them is cleared.
def test_cleared_people_see_all_of_it(marked: Marked) -> None:
    """Else the walk would find nothing because nothing is shown to anybody."""
    with marked.desk.store.begin() as work:
        person = work.people.named("uvi")
        assert person is not None
        work.people.change(replace(person[0], cleared_codes=frozenset({"ITAR"})), person[0].version)
    found, _ = walk(marked, "uvi")
    seen = {m for marks in found.values() for m in marks}
    assert {"markline", "markorder", "markcustomer", "markmodel", "huntsville", "markreason", "marknote"} <= seen
    assert str(COUNT) in seen
    assert any(p.startswith("/network ") for p in found)
    sums = [p for p, marks in found.items() if any(marked.totals.fullmatch(m) for m in marks)]
    for page in ("/ ", "/plans ", "/plans/1 ", "/compare ", "/plates ", f"/plates/{marked.build_id} ", f"{V1}/plans "):
        assert any(p.startswith(page) for p in sums), page
