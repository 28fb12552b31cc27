"""Some rounds of what the benchmarks run at length: kill -9, hostile inputs."""

from __future__ import annotations

import random
from pathlib import Path

from desk_builder import an_actor, desk_on, with_small_book

from router.service.book import hold
from router.service.records import Role
from router.store import open_store
from tests.bench.hostile import attack, prey
from tests.bench.hostile_pages import forms_of, send_form
from tests.bench.kill_nine import Request, halves, missing, rounds


def test_nothing_acknowledged_is_lost_by_kill_nine(tmp_path: Path) -> None:
    # PostgreSQL has its rounds in the benchmark: the test's server is shared with other tests, which kills disturbed.
    report = rounds(f"sqlite:///{tmp_path / 'book.db'}", tmp_path, 2, 11)
    assert report["wrong"] == []
    assert report["counts"]["hold"] + report["counts"]["event"] > 3


def test_hostile_inputs_get_nowhere(tmp_path: Path) -> None:
    report = attack(tmp_path, 200, 5)
    assert report["wrong"] == []
    assert sum(report["answers"].values()) == 200 and report["answers"]["422"] > 40


def test_the_forms_of_the_pages_are_among_what_is_attacked(tmp_path: Path) -> None:
    _, client = prey(tmp_path)
    forms = forms_of(client)
    posts = {kind: form for form in forms for method, kind in (form.kind,) if method == "POST"}
    assert posts.keys() >= {
        "/choices", "/floor/machine", "/network/field", "/network/file", "/orders/*/elsewhere", "/orders/*/hold",
        "/orders/*/pin", "/orders/*/withdraw", "/orders/import", "/password", "/people", "/people/*",
        "/plates/*/event", "/runs/new", "/schedule/pin", "/schedule/try", "/tokens",
        "/what-if/*", "/what-if/compare", "/what-if/new", "/what-if/site",
    }  # fmt: skip
    assert {f.action for f in forms if f.method == "GET"} >= {"/orders", "/plates", "/schedule"}
    assert {"why", "version", "token"} <= posts["/orders/*/hold"].fields.keys()
    sound = client.post("/runs/new", data={**posts["/runs/new"].fields, "note": "sound"})
    assert sound.status_code == 303, "the token of a page is taken, so that what is attacked is the fields"
    rng = random.Random(3)
    answers = [send_form(client, form, ["<b>"], rng)[1] for form in posts.values() for _ in range(3)]
    assert {a.status_code for a in answers} <= {200, 303, 401, 403, 404, 409, 413, 422, 429}
    assert sum(a.status_code in (404, 409, 422) for a in answers) > len(answers) / 4


def test_kill_nine_sees_what_is_missing_or_halved(tmp_path: Path) -> None:
    desk = desk_on(open_store(f"sqlite:///{tmp_path / 'book.db'}"), tmp_path)
    ana = an_actor(desk, "ana", Role.PLANNER)
    with_small_book(desk, ana)
    held = hold(desk, ana, "1001-1", "a key", 1)
    assert held.version == 2
    assert missing(desk, [(("hold", "a key", "1001-1", 1), 2)]) == [] == halves(desk)
    never: list[tuple[Request, object]] = [
        (("hold", "another key", "1001-1", 1), 2),
        (("hold", "a key", "1001-1", 2), 3),
        (("pin", "a key", "1002-1", 1), 2),
        (("event", "a key", "1001-1", 1), 7),
        (("import", "a key", "1001-1", 1), "x"),
        (("run", "a key", "1001-1", 1), "x"),
    ]
    assert len(missing(desk, never)) == len(never)
    with desk.store.begin() as work:
        work.lines.change(held, held.version)
    assert halves(desk) == ["line 1001-1 has version 3 after 1 decisions"]
