"""Tokens of one scope alone: what is done is answered, and what is refused was not done."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest
from api_client import ALL, client_of, planned_desk
from desk_builder import an_actor

from router.service.desk import Desk
from router.service.jobs import ask_plan, get_job
from router.service.plans import live_in_full
from router.service.records import Actor, PlanStanding, Role
from router.worker import Worker

V1 = "/api/v1"
_ONE = {"If-Match": '"1"'}
_WHAT_IF = "format: platewright what-if 1\nname: Dearer\nchanges:\n  - {change: change_carrier, price_factor: 1.2}\n"


@pytest.fixture(scope="module")
def desk(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return planned_desk(planned, tmp_path_factory.mktemp("desk"))


@pytest.fixture(scope="module")
def proposed(desk: Desk) -> int:
    """A proposed plan."""
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    job = ask_plan(desk, boss, seconds=1)
    assert Worker(desk).once()
    return int(get_job(desk, boss, job.job_id).result["plan_id"])


def written(desk: Desk) -> int:
    """Number of the last entry of the trail, which everything leaves that is done."""
    with desk.store.look() as work:
        return work.trail.page(None, 1)[0].trail_id


def done_by(desk: Desk, boss: Actor, scope: str, proposed: int) -> dict[str, int]:
    """Status of one change of each kind with a token of that scope alone."""
    plan = live_in_full(desk)
    machine = plan.scenario.network.machines[0]
    job = ask_plan(desk, boss, seconds=1)
    down: dict[str, Any] = {
        "kind": "machine down",
        "subject": machine.machine_id,
        "occurred_at": plan.scenario.network.now.isoformat(),
    }
    asked = {
        "accept": ("POST", f"plans/{proposed}/accept", None),
        "hold": ("POST", "lines/1001-1/hold", {"why": "drawing"}),
        "pin line": ("PUT", "lines/1002-1/pin", {"site_id": "OHIO"}),
        "pin build": ("PUT", f"plans/{plan.head.plan_id}/pins/{plan.result.plan.builds[0].build_id}", None),
        "run": ("POST", "runs", {"seconds": 1}),
        "stop": ("POST", f"runs/{job.job_id}/stop", None),
        "event": ("POST", "events", down),
        "network": ("PATCH", "network", {"path": ["name"], "value": "Renamed"}),
        "what-if": ("POST", "what-ifs", {"file": f"{scope}.yaml", "text": _WHAT_IF}),
        "person": ("POST", "people", {"name": f"new {scope}", "role": "viewer"}),
    }
    with client_of(desk, scopes=(scope,)) as client:
        found = {}
        for name, (method, path, body) in asked.items():
            before = written(desk)
            answer: httpx.Response = client.request(method, f"{V1}/{path}", json=body, headers=_ONE)
            found[name] = answer.status_code
            assert answer.status_code < 300 or answer.status_code == 403, (scope, name, answer.text)
            assert (written(desk) > before) is (answer.status_code < 300), (scope, name, answer.text)
    return found


_TAKES = {
    "read": set(),
    "book": {"hold", "pin line"},
    "plan": {"accept", "run", "stop", "what-if"},
    "floor": {"event"},
    "admin": {"person"},
}
"""What each scope can do without another one; a change of the network file and a pin on a build are of what is read."""


@pytest.mark.parametrize("scope", ALL)
def test_what_a_token_of_one_scope_does_is_answered_and_what_is_refused_is_not_done(
    desk: Desk, proposed: int, scope: str
) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    found = done_by(desk, boss, scope, proposed)
    assert {name for name, status in found.items() if status != 403} == _TAKES[scope]
    with desk.store.look() as work:
        live = work.plans.live()
    assert live is not None and live.standing is PlanStanding.LIVE
    if "accept" in _TAKES[scope]:
        assert live.plan_id == proposed
