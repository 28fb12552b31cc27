"""A reset password is reset: nothing begun before it, or made with the old one, undoes it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from whole_site import PASSWORD, peopled_desk, site_of, token_on

from router.cli.serving import structured_logs
from router.kernel.faults import NotSignedIn, Stale
from router.service import people
from router.service.desk import Desk
from router.service.records import Actor, Person
from router.web import rendering

FRESH = "seven quiet lantern hills"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return peopled_desk(tmp_path, plan=False)


def somebody(desk: Desk, name: str) -> Actor:
    with desk.store.look() as work:
        found = work.people.named(name)
    assert found is not None
    return Actor(found[0])


def between(monkeypatch: pytest.MonkeyPatch, does: Callable[[], object]) -> None:
    """Once somebody's password has been looked at, and before what comes of it is written, something else happens."""
    looked = people._checked
    done: list[bool] = []

    def then(found: tuple[Person, str] | None, password: str) -> Person | None:
        person = looked(found, password)
        if not done:
            done.append(True)
            does()
        return person

    monkeypatch.setattr(people, "_checked", then)


def test_a_change_under_way_does_not_undo_a_reset(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    pia, boss = somebody(desk, "pia"), somebody(desk, "adm")
    made: list[str] = []
    between(monkeypatch, lambda: made.append(people.reset_password(desk, boss, pia.person.person_id).password))
    with pytest.raises(Stale):
        people.change_password(desk, pia, PASSWORD, FRESH)
    with pytest.raises(NotSignedIn):
        people.sign_in(desk, "pia", FRESH, "here")
    person, _ = people.sign_in(desk, "pia", made[0], "here")
    assert person.must_change_password


def test_no_session_comes_of_a_password_that_was_reset_meanwhile(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    pia, boss = somebody(desk, "pia"), somebody(desk, "adm")
    between(monkeypatch, lambda: people.reset_password(desk, boss, pia.person.person_id))
    with pytest.raises(NotSignedIn):
        people.sign_in(desk, "pia", PASSWORD, "here")
    with desk.store.look() as work:
        assert work.people.secrets(pia.person.person_id, "session") == []


def test_tokens_end_with_a_reset_and_stay_at_a_change_of_ones_own(desk: Desk) -> None:
    pia, boss = somebody(desk, "pia"), somebody(desk, "adm")
    _, secret = people.new_token(desk, pia, "report", ["read"], 30)
    people.change_password(desk, pia, PASSWORD, FRESH)
    assert people.who(desk, secret, "token").name == "pia"
    people.reset_password(desk, boss, pia.person.person_id)
    with pytest.raises(NotSignedIn):
        people.who(desk, secret, "token")


def test_a_fault_of_ours_leaves_no_password_in_the_log(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    structured_logs()
    site = site_of(desk)
    form = site.get("/sign-in")

    def breaks(to: str) -> str:
        raise RuntimeError("broken on purpose")

    monkeypatch.setattr("router.web.sign_in.own_address", breaks)
    sent = {"token": token_on(form.text), "name": "pia", "password": PASSWORD, "next": "/"}
    answer = site.post("/sign-in", data=sent)
    assert answer.status_code == 500
    log = capsys.readouterr().err
    assert "broken on purpose" in log
    assert PASSWORD not in log
    # The page names the request, so that it can be found among the lines of the log.
    numbers = [json.loads(line)["request"] for line in log.splitlines() if "broken on purpose" in line]
    assert answer.headers["content-type"].startswith("text/html")
    assert numbers and all(n in answer.text for n in numbers)


@pytest.mark.parametrize("to", ["//[", "http://[", "//elsewhere.example", "/\\elsewhere.example", "/\nx"])
def test_addresses_that_are_none_lead_to_the_first_page(desk: Desk, to: str) -> None:
    assert rendering.own_address(to) == "/"
    site = site_of(desk)
    assert site.get("/sign-in", params={"next": to}).status_code == 200
    assert site.post("/nowhere", headers={"Referer": "http://["}).status_code in (403, 404, 405)
