"""Where the next site should stand, asked of the service: the command's answer, kept as what-ifs, compared."""

from __future__ import annotations

import csv
import html
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from api_client import client_of, small_desk
from desk_builder import an_actor, desk_on, whole_jobs, with_small_book, worked_off
from marked_book import QUESTION
from whole_site import peopled_desk, signed_in, token_on

from router.kernel.faults import Conflict, FaultyInput, NotFound, Refused, TooMuch
from router.kernel.run import Silent, Status
from router.service import site_choices as use
from router.service.comparisons import ask_comparison
from router.service.desk import Desk
from router.service.history import open_history
from router.service.jobs import get_job, stop
from router.service.kept_what_ifs import get_what_if, list_what_ifs
from router.service.network import current_network, save_network
from router.service.records import Actor, JobStanding, Role
from router.service.site_choice import choose_sites
from router.service.snapshot import snapshot
from router.service.trail import list_trail
from router.store import SqlStore
from router.worker import Worker
from router.worker import loop as worker_loop
from router.worker.messages import Point

V1 = "/api/v1/site-choices"


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Desk, Actor, str]:
    """A desk with an answer."""
    desk = small_desk(tmp_path_factory.mktemp("sited"))
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    job_id = use.ask_site_choice(desk, boss, QUESTION.encode(), seconds=10).job_id
    worked_off(desk, boss, job_id)
    return desk, boss, job_id


def test_the_answer_is_that_of_the_command_on_the_lines_without_a_code(asked: tuple[Desk, Actor, str]) -> None:
    desk, boss, job_id = asked
    job = get_job(desk, boss, job_id)
    scenario = open_history(desk)
    assert len(scenario.lines) < len(snapshot(desk).scenario.lines)
    found = choose_sites(scenario, use.question_of(job.params, scenario.network), 1, Silent(), 10.0, 0)
    told = use.answer_told(found, scenario, job_id)
    for name in ("best", "as_is", "tornado", "break_even", "explanation", "hours", "whole", "invented"):
        assert job.result[name] == json.loads(json.dumps(told[name])), name
    best = job.result["best"]
    assert best["status"] == "optimal" and best["sites"][0]["id"] == "Detroit"
    assert best["bound_cents_per_year"] <= best["cents_per_year"] < job.result["as_is"]["cents_per_year"]
    assert (job.best_cents, job.bound_cents) == (best["cents_per_year"], best["bound_cents_per_year"])
    assert len(job.result["tornado"]) == 2 and len(job.result["break_even"]) == 4 and job.result["whole"]
    assert (
        len({c["choice"] for c in job.result["break_even"]} | {b["at_low"]["choice"] for b in job.result["tornado"]})
        > 1
    )
    assert not any("--check" in text or "assignment.csv" in text for text in job.result["explanation"])


def test_tables_as_csv_for_whoever_sees_what_ifs(asked: tuple[Desk, Actor, str]) -> None:
    desk, _, job_id = asked
    vic = client_of(desk, "vic", Role.VIEWER, ("read",))
    for table in (*use.TABLES, use.ASSIGNMENT):
        answer = vic.get(f"{V1}/{job_id}/{table}.csv")
        assert answer.status_code == 200 and answer.headers["content-type"].startswith("text/csv"), table
        assert answer.text.count("\n") > 1
    assert vic.get(f"{V1}/{job_id}/what-ifs.csv").status_code == 422
    assert vic.get(f"{V1}/{'f' * 32}/places.csv").status_code == 404


def test_who_builds_each_line_is_told_of_the_lines_one_sees(asked: tuple[Desk, Actor, str], tmp_path: Path) -> None:
    desk, boss, job_id = asked
    rows = list(csv.reader(use.site_choice_csv(desk, boss, job_id, use.ASSIGNMENT).splitlines()))[1:]
    shares: dict[str, float] = {}
    for line, _, share in rows:
        shares[line] = shares.get(line, 0.0) + float(share)
    assert set(shares) == {x.line_id for x in open_history(desk).lines}
    assert all(whole == pytest.approx(1.0, abs=1e-4) for whole in shares.values()), "each is built or bought"
    assert any(where != "bought" for _, where, _ in rows)
    client = client_of(desk)
    assert use.ASSIGNMENT not in client.get(f"/api/v1/runs/{job_id}").json()["result"]
    # A line that came under export control since: the others, and the answer, are still there for everybody.
    hidden = rows[0][0]
    with desk.store.begin() as work:
        line = work.lines.get(hidden)
        assert line is not None
        work.lines.change(replace(line, export_control="ITAR", customer="Nobody Else"), line.version)
        work.revision.raise_it()
    uncleared = an_actor(desk, "una", Role.PLANNER)
    told = use.site_choice_csv(desk, uncleared, job_id, use.ASSIGNMENT)
    seen = {row[0] for row in csv.reader(told.splitlines()[1:])}
    assert seen == set(shares) - {hidden}
    assert hidden in use.site_choice_csv(desk, boss, job_id, use.ASSIGNMENT), "to the cleared it is told"
    with desk.store.begin() as work:
        changed = work.lines.get(hidden)
        assert changed is not None
        work.lines.change(replace(line, version=changed.version), changed.version)
        work.revision.raise_it()


ROLES = {Role.VIEWER: False, Role.PLANNER: True, Role.SITE_OPERATOR: False, Role.ADMINISTRATOR: True}


@pytest.mark.parametrize("role", ROLES)
def test_who_may_ask_and_keep(asked: tuple[Desk, Actor, str], role: Role) -> None:
    desk, _, job_id = asked
    may = ROLES[role]
    client = client_of(desk, f"some-{role.name.lower()}", role)
    answers = {
        "check": client.post(f"{V1}/check", json={"text": "x"}),
        "ask": client.post(V1, json={"text": "x"}),
        "keep": client.post(f"{V1}/{'f' * 32}/what-ifs"),
    }
    wanted = {"check": 200, "ask": 422, "keep": 404} if may else dict.fromkeys(answers, 403)
    assert {name: a.status_code for name, a in answers.items()} == wanted
    read_only = client_of(desk, f"some-{role.name.lower()}", role, ("read",))
    assert read_only.post(V1, json={"text": "x"}).status_code == 403
    assert read_only.get(f"{V1}/{job_id}/places.csv").status_code == 200


def test_faults_are_all_told_and_nothing_is_asked(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    wrong = QUESTION.replace("works_like: OHIO", "works_like: NOWHERE").replace("[in718]", "[gold]")
    with pytest.raises(FaultyInput) as faulty:
        use.ask_site_choice(desk, boss, wrong.encode(), 0, 1_000, -1)
    told = [f.field for f in faulty.value.faults]
    assert told[-3:] == ["sites", "seconds", "seed"] and len(told) == 5
    wide = yaml.safe_load(QUESTION)
    wide["grid"] = {"growth": [n / 100 for n in range(15)], "freight_factor": [1, 2, 3, 4, 5, 6, 7]}
    with pytest.raises(FaultyInput) as faulty:
        use.ask_site_choice(desk, boss, yaml.safe_dump(wide).encode(), seconds=17)
    (fault,) = faulty.value.faults
    # A place; with sites and without: the choice, four ends of swings, 105 fields.
    assert (fault.field, fault.found) == ("seconds", "221 programmes of 17 s")
    assert fault.expected.startswith("at most 3,600 s in all: 16 s each, or fewer places")
    many = yaml.safe_load(QUESTION)
    many["gazetteer"] = [
        {"country": "US", "least_people": 15000, "most": 60, "works_like": "OHIO", "fixed_per_year": 1}
    ]
    view = use.check_site_question(desk, boss, yaml.safe_dump(many).encode())
    assert view.question is None and view.faults[0].found == "61 places"
    with pytest.raises(TooMuch):
        use.check_site_question(desk, boss, b"#" * (use.MOST_BYTES + 1))
    with pytest.raises(Refused):
        use.ask_site_choice(desk, an_actor(desk, "vic", Role.VIEWER), QUESTION.encode())
    with desk.store.look() as work:
        assert whole_jobs(work, 5) == []


def test_asked_once_and_the_trail_holds_no_text(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    client = client_of(desk)
    sent, key = {"text": QUESTION, "sites": 2, "seconds": 3}, {"Idempotency-Key": "third"}
    first = client.post(V1, json=sent, headers=key)
    assert first.status_code == 202 and first.json()["kind"] == "site choice"
    assert client.post(V1, json=sent, headers=key).json()["job_id"] == first.json()["job_id"]
    assert client.post(V1, json={**sent, "sites": 1}, headers=key).status_code == 409
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    (entry,) = list_trail(desk, boss, subject=first.json()["job_id"])
    assert entry.details["name"] == "A third shop" and "text" not in entry.details
    assert client.post(f"{V1}/{first.json()['job_id']}/what-ifs").status_code == 404, "not answered yet"


def test_kept_as_what_ifs_and_compared_on_the_same_terms(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = use.ask_site_choice(desk, boss, QUESTION.encode(), seconds=10).job_id
    assert Worker(desk).once()
    client, key = client_of(desk), {"Idempotency-Key": "keep"}
    made = client.post(f"{V1}/{job_id}/what-ifs", headers=key)
    assert made.status_code == 201 and [x["file"] for x in made.json()] == list(use.what_if_names(job_id))
    assert client.post(f"{V1}/{job_id}/what-ifs", headers=key).json() == made.json()
    with pytest.raises(Conflict, match="taken"):
        use.keep_site_choice(desk, boss, job_id)
    kept = {x.record.file: x for x in list_what_ifs(desk, boss)}
    terms, choice = (kept[name] for name in use.what_if_names(job_id))
    assert not choice.view.faults and not terms.view.faults and "Detroit" in choice.view.name
    compared = ask_comparison(desk, boss, [choice.record.what_if_id], 0.25, 2, beside_id=terms.record.what_if_id).job_id
    job = worked_off(desk, boss, compared)
    base, here = job.result["comparison"]["scenarios"]
    assert base["name"] == terms.view.name and here["name"] == choice.view.name
    # Both live through the same demand.
    assert here["differences"]["lines"]["verdict"] == "the same in every replication"
    if here["differences"]["lines_not_placed"]["mean"] == 0:
        assert here["npv_cents"] is not None, "the site is an investment beyond its base"


def test_on_each_database(store: SqlStore, tmp_path: Path) -> None:
    desk = desk_on(store, tmp_path / "cache")
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    with_small_book(desk, boss)
    job_id = use.ask_site_choice(desk, boss, QUESTION.encode(), seconds=5).job_id
    assert Worker(desk).once()
    assert use.site_choice_csv(desk, boss, job_id, "places").startswith("choice,")
    assert use.kept_choice(desk, boss, job_id) is None
    kept = use.keep_site_choice(desk, boss, job_id)
    assert use.kept_choice(desk, boss, job_id) == tuple(x.record for x in kept)
    assert [x.record.file for x in kept] == list(use.what_if_names(job_id))
    assert get_what_if(desk, boss, kept[1].record.what_if_id).view.changes[:-1] == kept[0].view.changes


def test_more_demand_than_can_be_simulated_is_chosen_for_and_not_kept(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = use.ask_site_choice(desk, boss, QUESTION.replace("history_days: 2", "history_days: 1").encode()).job_id
    assert Worker(desk).once()
    told = get_job(desk, boss, job_id).result
    assert told["best"]["sites"] and told["what_ifs"] == [] and "history_days" in told["why_no_what_ifs"]
    assert any("cannot be kept as a what-if" in text for text in told["explanation"])
    with pytest.raises(Conflict, match="history_days"):
        use.keep_site_choice(desk, boss, job_id)


def test_what_does_not_fit_any_more_is_not_kept(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = use.ask_site_choice(desk, boss, QUESTION.encode(), seconds=5).job_id
    assert Worker(desk).once()
    now = current_network(desk, boss).record
    save_network(desk, boss, now.raw.replace(b"id: M01", b"id: M77"), now.version, "renamed")
    with pytest.raises(FaultyInput):
        use.keep_site_choice(desk, boss, job_id)
    assert list_what_ifs(desk, boss) == [], "neither the terms"


def test_no_site_that_pays_is_an_answer_too(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    dear = QUESTION.replace("capex: 620000", "capex: 99000000")
    job_id = use.ask_site_choice(desk, boss, dear.encode(), seconds=5).job_id
    assert Worker(desk).once()
    job = get_job(desk, boss, job_id)
    assert not any("keep the choice" in text for text in job.result["explanation"])
    assert job.result["best"]["sites"] == [] and job.result["explanation"][0].startswith("No new site pays")
    with pytest.raises(Conflict, match="no new site was found that pays"):
        use.keep_site_choice(desk, boss, job_id)


def test_a_stop_keeps_the_choice_and_says_what_was_not_tried(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    steps = " ".join(f"{0.01 * n:.2f}," for n in range(15)).rstrip(",")
    long = QUESTION.replace("growth: [-0.5, 0.1]", f"growth: [{steps}]").replace("[1, 3]", "[1, 2, 3, 4, 5, 6, 7, 8]")
    job_id = use.ask_site_choice(desk, boss, long.encode(), seconds=10).job_id
    hear = worker_loop._Notes.hear

    def stopping(self: worker_loop._Notes, point: Point) -> None:
        if point.kind == "incumbent":
            stop(desk, boss, job_id)
        hear(self, point)

    monkeypatch.setattr(worker_loop._Notes, "hear", stopping)
    assert Worker(desk, pace=worker_loop.Pace(write_s=0.0)).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.DONE and "stopped by boss" in job.why
    assert job.result["best"]["sites"] and not job.result["whole"] and len(job.result["break_even"]) < 120
    assert any("stopped on the way" in text for text in job.result["explanation"])


def test_a_stop_ends_the_programme_under_way(tmp_path: Path) -> None:
    scenario = open_history(small_desk(tmp_path))
    question = use.question_of({"text": QUESTION}, scenario.network)
    # The proof takes a moment; asked to stop from the first, the search ends before it.
    found = choose_sites(scenario, question, 1, Silent(), 10.0, 0, stopped=lambda: True)
    assert found.alone == found.bars == found.cells == () and not found.whole
    assert found.best.status is Status.FEASIBLE and found.as_is.status is Status.OPTIMAL
    assert found.best.bound_cents < found.best.total_cents <= found.as_is.total_cents
    said = " ".join(use.answer_told(found, scenario, "f" * 32)["explanation"])
    assert "stopped on the way" in said and "proven." not in said.replace("not proven", "")


def test_on_pages(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path, plan=False)
    with signed_in(desk, "vic") as viewer:
        assert "/what-if/site" not in viewer.get("/what-if").text
        assert viewer.get("/what-if/site").status_code == 403
    with signed_in(desk, "pia") as client:
        assert "/what-if/site" in client.get("/what-if").text
        form = client.get("/what-if/site").text
        assert "may take 3,600 s at the most" in form and "(at most 60)" in form
        token = token_on(form)
        fields = {
            "token": token, "do": "write", "name": "A third <b>shop</b>", "places": "Detroit, US\n48226, US\n",
            "country": "DE", "least_people": "700000", "most": "2", "works_like": "OHIO", "fixed_per_year": "150000",
            "opening": "120000,50", "credentials": "AS9100", "machine_1": "M01", "capex_1": "620000",
            "staff_per_year_1": "85000", "hours_per_year_1": "5800", "ramp_up_months_1": "4", "history_days": "2",
            "growth": "0.1", "plate_fill": "lots", "existing_hours_per_year": "5500", "rate_avoided": "0.4",
            "bought_per_h": "260", "life_years": "8", "discount_rate": "0.08", "growth_low": "-0.2",
            "growth_high": "0.5", "growth_steps": "-0.4 0.1", "freight_steps": "1 2",
        }  # fmt: skip
        wrong = client.post("/what-if/site", data=fields)
        assert wrong.status_code == 422 and "plate_fill" in wrong.text and "lots" in wrong.text
        assert "A third &lt;b&gt;shop" in wrong.text and 'value="620000"' in wrong.text
        looked = client.post("/what-if/site", data={**fields, "plate_fill": "0.55"})
        assert looked.status_code == 200 and "It can be asked" in looked.text and "<b>4</b>" in looked.text
        number = re.search(r"<dt>Programmes</dt><dd><b>(\d+)</b><span>3,600 s in all at the most: (\d+) s", looked.text)
        assert number is not None and int(number[2]) == 3_600 // int(number[1]) == 200
        assert "3,600 s at the most for all programmes together" in looked.text
        written = html.unescape(looked.text.split('name="text"')[1].split(">", 1)[1].split("</textarea>")[0])
        assert yaml.safe_load(written)["candidates"][1]["place"] == {"country": "US", "postcode": "48226"}
        asking = {"token": token, "do": "ask", "text": written, "sites": "1", "seconds": "5", "seed": "0"}
        assert client.post("/what-if/site", data={**asking, "text": "x"}).status_code == 422
        assert client.post("/what-if/site", data={**asking, "sites": "0"}).status_code == 422
        too_long = client.post("/what-if/site", data={**asking, "seconds": "300"})
        assert too_long.status_code == 422 and "3,600 s in all: 200 s each" in too_long.text
        assert 'value="300"' in too_long.text and "A third &lt;b&gt;shop" in too_long.text
        at = client.post("/what-if/site", data=asking).headers["location"]
        assert "Stop and keep what came" in client.get(at).text
        assert Worker(desk).once()
        answer = client.get(at).text
        for said in ("Keep as what-if", "invented data", "Break-even map", "One input at a time", "proven", "Detroit"):
            assert said in answer, said
        keeping = client.post(f"/what-if/site/{at.split('/')[-1]}/keep", data={"token": token})
        assert keeping.status_code == 303
        page = client.get(keeping.headers["location"]).text
        assert "checked" in page and "selected" in page
        assert "Compare it by simulation" in client.get(at).text
        assert "Where the next site should stand" in client.get("/runs").text
    with signed_in(desk, "vic") as viewer:
        seen = viewer.get(at).text
        assert "Break-even map" in seen and "/keep" not in seen


def test_a_run_of_another_kind_has_no_such_answer(asked: tuple[Desk, Actor, str]) -> None:
    desk, boss, _ = asked
    with pytest.raises(NotFound):
        use.site_choice_csv(desk, boss, "f" * 32, "places")
    with pytest.raises(NotFound):
        use.keep_site_choice(desk, boss, "0" * 32)
