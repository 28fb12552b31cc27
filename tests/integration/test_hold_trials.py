"""Rules of holding plates open, tried by the service: the simulation's own figures, rights, faults, pages."""

from __future__ import annotations

from pathlib import Path

import pytest
from api_client import client_of, small_desk
from desk_builder import an_actor, desk_on, whole_jobs, with_small_book, worked_off
from whole_site import peopled_desk, signed_in, token_on

from router.kernel.faults import FaultyInput, NotFound, Refused
from router.service import hold_trials as use
from router.service.desk import Desk
from router.service.history import open_history
from router.service.jobs import ask_plan, get_job, stop
from router.service.lives import MOST_REPLICATIONS
from router.service.records import Actor, JobRecord, JobStanding, Role
from router.service.snapshot import snapshot
from router.service.trail import list_trail
from router.store import SqlStore
from router.whatif.comparison.hold_rules import NEVER, HoldRule, habits_of
from router.whatif.rolling.figures import FIGURES
from router.whatif.rolling.replicate import Stretch, replicate
from router.whatif.study import replication_seed
from router.worker import Worker
from router.worker.messages import Life
from router.worker.tasks import Task

V1 = "/api/v1/hold-trials"
SHORT = {"covers": [0.3, 0.9], "slack_days": 2.0, "at_most_days": 5, "months": 0.25, "replications": 2, "seed": 4}


@pytest.fixture(scope="module")
def tried(tmp_path_factory: pytest.TempPathFactory) -> tuple[Desk, Actor, str]:
    """A desk with a trial that has ended."""
    desk = small_desk(tmp_path_factory.mktemp("held"))
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    job_id = use.ask_hold_trial(desk, boss, **SHORT).job_id  # type: ignore[arg-type]
    worked_off(desk, boss, job_id)
    return desk, boss, job_id


def test_every_life_is_one_of_the_simulation_under_its_rule(tried: tuple[Desk, Actor, str]) -> None:
    desk, boss, job_id = tried
    history = open_history(desk)
    assert len(history.lines) < len(snapshot(desk).scenario.lines), "lines under export control are left out"
    rules = [None, HoldRule(0.3, 2.0, 5), HoldRule(0.9, 2.0, 5)]
    with desk.store.look() as work:
        lived = {(x.number, x.scenario): x.figures for x in work.jobs.lives(job_id)}
    assert set(lived) == {(n, i) for n in range(2) for i in range(3)}
    for (number, index), figures in lived.items():
        seed = replication_seed(4, number)
        own = replicate(history, history.network, seed, Stretch(months=0.25), None, habits_of(rules[index]))
        assert figures == own, (number, index)
    assert lived[0, 0] != lived[0, 2], "this book has plates to hold"
    told = get_job(desk, boss, job_id).result
    assert told["lives"] == 6 and told["invented"] is True and told["trial"]["replications"] == 2
    by_name = {r["name"]: r for r in told["trial"]["rules"]}
    assert next(iter(by_name)) == NEVER and [r["cover"] for r in told["trial"]["rules"]] == [None, 0.3, 0.9]
    for index, rule in enumerate(told["trial"]["rules"]):
        mean = sum(lived[n, index]["landed_cents"] for n in range(2)) / 2
        assert rule["landed_cents"] == pytest.approx(mean)
    keeping = [r for r in by_name.values() if r["keeps_promises"]]
    assert told["trial"]["best"] == min(keeping, key=lambda r: r["landed_cents"])["name"]
    assert [r["name"] for r in told["rows"] if r["best"]] == [told["trial"]["best"]]
    assert told["trial"]["explanation"][0].startswith("Cheapest of those that keep promises")


def test_tables_as_csv_for_whoever_sees_what_ifs(tried: tuple[Desk, Actor, str]) -> None:
    desk, boss, job_id = tried
    vic = client_of(desk, "vic", Role.VIEWER, ("read",))
    rules = vic.get(f"{V1}/{job_id}/rules.csv")
    assert rules.status_code == 200 and rules.headers["content-type"].startswith("text/csv")
    assert rules.text.count("\n") == 4 and f"\n{NEVER}," in rules.text
    replications = vic.get(f"{V1}/{job_id}/replications.csv").text.splitlines()
    assert replications[0].split(",") == ["rule", "replication", *FIGURES] and len(replications) == 7
    assert vic.get(f"{V1}/{job_id}/places.csv").status_code == 422
    assert vic.get(f"{V1}/{'f' * 32}/rules.csv").status_code == 404
    with pytest.raises(NotFound):
        use.hold_trial_csv(desk, boss, ask_plan(desk, boss).job_id, "rules")


ROLES = {Role.VIEWER: False, Role.PLANNER: True, Role.SITE_OPERATOR: False, Role.ADMINISTRATOR: True}


@pytest.mark.parametrize("role", ROLES)
def test_who_may_ask(tried: tuple[Desk, Actor, str], role: Role) -> None:
    desk, _, job_id = tried
    name = f"some-{role.name.lower()}"
    for scopes, may in (
        (("read", "plan"), ROLES[role]),
        (("plan",), ROLES[role]),
        (("read", "book", "floor", "admin"), False),
    ):
        client = client_of(desk, name, role, scopes)
        assert client.post(V1, json=SHORT).status_code == (202 if may else 403), scopes
        seen = client.get(f"{V1}/{job_id}/rules.csv").status_code
        assert seen == (200 if "read" in scopes else 403), scopes


def test_faults_are_all_told_and_nothing_is_asked(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    with pytest.raises(FaultyInput) as faulty:
        use.ask_hold_trial(desk, boss, [0.3, 1.5, float("nan")], 0.0, 61, 40, 1, -1)
    fields = [f.field for f in faulty.value.faults]
    assert fields == ["slack_days", "at_most_days", "cover", "cover", "months", "replications", "seed"]
    for covers, said in (([], "none"), ([0.3, 0.301], "below 30%"), ([n / 100 for n in range(1, 14)], "13 rules")):
        with pytest.raises(FaultyInput, match=said):
            use.ask_hold_trial(desk, boss, covers)
    with pytest.raises(FaultyInput, match="at most 2,000 months lived in all: fewer rules"):
        use.ask_hold_trial(desk, boss, [0.3], months=18, replications=MOST_REPLICATIONS)
    with pytest.raises(Refused):
        use.ask_hold_trial(desk, an_actor(desk, "vic", Role.VIEWER))
    client = client_of(desk)
    for wrong in ({"covers": []}, {"covers": [0]}, {"months": 0.1}, {"replications": 1}, {"rule": 1}):
        answer = client.post(V1, json={**SHORT, **wrong})
        assert answer.status_code == 422 and answer.headers["content-type"] == "application/problem+json", wrong
    with desk.store.look() as work:
        assert whole_jobs(work, 5) == []


def test_asked_once_and_in_the_trail(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    client, key = client_of(desk), {"Idempotency-Key": "held"}
    first = client.post(V1, json=SHORT, headers=key)
    assert first.status_code == 202 and first.json()["kind"] == "hold trial"
    assert client.post(V1, json=SHORT, headers=key).json()["job_id"] == first.json()["job_id"]
    assert client.post(V1, json={**SHORT, "months": 1}, headers=key).status_code == 409
    (entry,) = list_trail(desk, an_actor(desk, "boss", Role.ADMINISTRATOR), subject=first.json()["job_id"])
    assert entry.details["covers"] == SHORT["covers"]


def test_a_stop_keeps_what_came(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job_id = use.ask_hold_trial(desk, boss, **{**SHORT, "replications": 9}).job_id  # type: ignore[arg-type]
    keep, lived = Worker._keep_life, []

    def stopping(self: Worker, job: JobRecord, task: Task, life: Life) -> None:
        keep(self, job, task, life)
        lived.append(life)
        if len(lived) == 6:
            stop(desk, boss, job_id)

    monkeypatch.setattr(Worker, "_keep_life", stopping)
    assert Worker(desk).once()
    job = get_job(desk, boss, job_id)
    assert job.standing is JobStanding.DONE and "stopped by boss" in job.why
    assert 6 <= job.result["lives"] == len(lived) < 27
    assert 2 <= job.result["trial"]["replications"] < 9


def test_plans_go_before_it_on_each_database(store: SqlStore, tmp_path: Path) -> None:
    desk = desk_on(store, tmp_path / "cache")
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR, codes=("ITAR",))
    with_small_book(desk, boss)
    trial, plan = use.ask_hold_trial(desk, boss).job_id, ask_plan(desk, boss, seconds=1).job_id
    with desk.store.begin() as work:
        claimed = [work.jobs.claim("w", desk.clock(), 30.0, 3) for _ in range(2)]
    assert [x.job_id for x in claimed if x] == [plan, trial]
    with desk.store.begin() as work:
        assert not work.jobs.must_give_way(trial, desk.clock(), 30.0, 0.0, 3)
    ask_plan(desk, boss, seconds=1)
    with desk.store.begin() as work:
        assert work.jobs.must_give_way(trial, desk.clock(), 30.0, 0.0, 3)


def test_on_pages(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path, plan=False)
    with signed_in(desk, "vic") as viewer:
        assert "/what-if/hold" not in viewer.get("/what-if").text
        assert viewer.get("/what-if/hold").status_code == 403
    with signed_in(desk, "pia") as client:
        assert "/what-if/hold" in client.get("/what-if").text
        form = client.get("/what-if/hold").text
        assert 'value="20 35 50 70"' in form
        sent = {"token": token_on(form), "covers": "30, 90", "slack_days": "2", "at_most_days": "5", "months": "1"}
        sent |= {"replications": "2", "seed": "4"}
        for field, wrong in (("covers", "a <b>lot"), ("covers", "0 50"), ("replications", "1"), ("covers", "50 50")):
            refused = client.post("/what-if/hold", data={**sent, field: wrong})
            assert refused.status_code == 422, (field, wrong)
            assert 'name="slack_days" type="number" value="2"' in refused.text, "what was typed stays"
            assert "<b>lot" not in refused.text
        at = client.post("/what-if/hold", data=sent).headers["location"]
        assert "Stop and keep what came" in client.get(at).text
        assert Worker(desk).once()
        answer = client.get(at).text
        for said in ("30 % or 90 %", "never held", "Promises kept", "invented data", "rules.csv", "Cheapest of those"):
            assert said in answer, said
        assert "Hold a plate open" in client.get("/runs").text
    with signed_in(desk, "vic") as viewer:
        assert "Cheapest of those" in viewer.get(at).text
