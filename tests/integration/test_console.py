"""The commands for people and tokens, on a database as a server leaves it."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest
import structlog
from api_client import small_desk
from desk_builder import an_actor

from router.cli.main import main
from router.cli.serving import structured_logs
from router.kernel.faults import FaultyInput, NotSignedIn
from router.service.desk import Desk
from router.service.people import add_person, change_person, list_people, sign_in, who
from router.service.records import Role
from router.service.rights import SCOPES
from router.service.trail import list_trail


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return small_desk(tmp_path)


@pytest.fixture
def run(desk: Desk, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    monkeypatch.setenv("PLATEWRIGHT_DATABASE", f"sqlite:///{tmp_path / 'book.db'}")
    monkeypatch.setenv("PLATEWRIGHT_CACHE", str(tmp_path / "cache"))

    def command(*words: str) -> tuple[object, str, str]:
        monkeypatch.setattr(sys, "argv", ["platewright", *words])
        with pytest.raises(SystemExit) as ended:
            main()
            sys.exit(0)
        said = capsys.readouterr()
        return ended.value.code or 0, said.out.strip(), said.err

    return command


def test_somebody_is_made_listed_and_switched_off(desk: Desk, run) -> None:  # type: ignore[no-untyped-def]
    code, password, _ = run("people", "make", "Oda", "--role", "site operator", "--site", "OHIO", "--code", "ITAR")
    assert code == 0
    person, session = sign_in(desk, "oda", password, "192.0.2.1")
    assert person.must_change_password and person.sites == {"OHIO"} and person.cleared_codes == {"ITAR"}
    _, listed, _ = run("people", "list")
    assert "Oda\tsite operator\tOHIO\tITAR\tactive" in listed.split("\n")
    assert run("people", "switch-off", "oda")[0] == 0
    assert "switched off" in run("people", "list")[1]
    with pytest.raises(NotSignedIn):
        who(desk, session, "session")
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    trail = [t.operation for t in list_trail(desk, boss, None, 4)]
    assert trail == ["change person", "command line", "sign in", "add person"]


def test_the_rules_of_the_pages_hold(desk: Desk, run) -> None:  # type: ignore[no-untyped-def]
    code, _, said = run("people", "make", "x", "--role", "viewer", "--site", "OHOI")
    assert code == 2 and "did you mean 'OHIO'?" in said
    an_actor(desk, "vic", Role.VIEWER)
    code, _, said = run("people", "make", "x", "--role", "viewer", "--as", "vic")
    assert code == 2 and "role administrator" in said
    code, _, said = run("people", "switch-off", "boss", "--yes")
    assert code == 2 and "last administrator" in said
    code, _, said = run("people", "switch-off", "nobody")
    assert code == 2 and "no person 'nobody'" in said
    boss = an_actor(desk, "second", Role.ADMINISTRATOR)
    code, _, said = run("people", "switch-off", "vic")
    assert code == 2 and "--as: boss, second" in said
    code, listed, _ = run("people", "list")
    assert code == 0 and len(listed.split("\n")) == 3, "to look takes no name"
    assert {p.name for p in list_people(desk, boss)} == {"boss", "second", "vic"}


def test_an_administrator_who_never_signed_in_does_not_count(desk: Desk, run) -> None:  # type: ignore[no-untyped-def]
    assert run("people", "make", "Ada", "--role", "administrator")[0] == 0
    assert run("people", "make", "vera", "--role", "viewer")[0] == 0, "Ada has set no password yet"
    an_actor(desk, "second", Role.ADMINISTRATOR)
    code, _, said = run("people", "make", "vic", "--role", "viewer")
    assert code == 2 and "--as: boss, second" in said and "Ada" not in said


def test_nobody_ends_their_own_log_in_by_a_slip(desk: Desk, run) -> None:  # type: ignore[no-untyped-def]
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    an_actor(desk, "second", Role.ADMINISTRATOR)
    before = list_trail(desk, boss, None, 50)
    code, _, said = run("people", "switch-off", "Second", "--as", "second")
    assert code == 2 and "ends your own log-in" in said and "--yes" in said
    assert list_trail(desk, boss, None, 50) == before
    assert run("people", "switch-off", "second", "--as", "second", "--yes")[0] == 0
    assert {p.name: p.active for p in list_people(desk, boss)} == {"boss": True, "second": False}


def test_codes_that_nobody_uses_and_operators_without_a_site(desk: Desk, run) -> None:  # type: ignore[no-untyped-def]
    code, password, said = run("people", "make", "vera", "--role", "viewer", "--code", "ZZZ", "--code", "ITAR")
    assert code == 0 and password and "Remark: code 'ZZZ' stands on no line of the book" in said and "ITAR" not in said
    code, _, said = run("people", "make", "oda", "--role", "site operator")
    assert code == 2 and "no site" in said
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    vera = next(p for p in list_people(desk, boss) if p.name == "vera")
    with pytest.raises(FaultyInput, match="no site"):
        change_person(desk, boss, vera.person_id, vera.version, Role.SITE_OPERATOR, (), (), active=True)
    change_person(desk, boss, vera.person_id, vera.version, Role.SITE_OPERATOR, (), (), active=False)


def test_a_token_is_made_listed_and_switched_off(desk: Desk, run) -> None:  # type: ignore[no-untyped-def]
    an_actor(desk, "pia", Role.PLANNER)
    code, text, _ = run("token", "make", "nightly", "--for", "pia", "--scope", "read", "--scope", "book", "--days", "9")
    assert code == 0
    actor = who(desk, text, "token")
    assert actor.name == "pia" and actor.scopes == {"read", "book"}
    _, listed, _ = run("token", "list", "--for", "pia")
    assert "\tnightly\tbook, read\t" in listed and text not in listed
    code, _, said = run("token", "make", "x", "--for", "pia", "--scope", "everything")
    assert code == 2 and "some of read, book" in said
    assert run("token", "switch-off", "nightly", "--for", "pia")[0] == 0
    with pytest.raises(NotSignedIn):
        who(desk, text, "token")
    assert run("token", "switch-off", "nightly", "--for", "pia")[0] == 2


def test_no_database_is_made(run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setenv("PLATEWRIGHT_DATABASE", f"sqlite:///{tmp_path / 'slip.db'}")
    code, _, said = run("people", "list")
    assert code == 2 and "there is no database" in said and not (tmp_path / "slip.db").exists()


def test_roles_and_scopes_are_explained_where_they_are_asked_for(run) -> None:  # type: ignore[no-untyped-def]
    code, _, said = run("people", "make", "x", "--role", "boss")
    assert code == 2 and all(role.value in " ".join(said.split()) for role in Role)
    _, people, _ = run("people", "--help")
    assert all(f"{role.value}:" in " ".join(people.split()) for role in Role)
    _, token, _ = run("token", "--help")
    assert all(f"{scope}:" in " ".join(token.split()) for scope in SCOPES)


def test_before_the_first_password_is_set_it_is_said_what_to_do(desk: Desk, run) -> None:  # type: ignore[no-untyped-def]
    add_person(desk, an_actor(desk, "boss", Role.ADMINISTRATOR), "Ada", Role.ADMINISTRATOR)
    code, text, said = run("token", "make", "x", "--for", "Ada", "--scope", "read")
    assert code == 2 and not text and "sign in on the pages once" in said and "Ada" in said
    code, _, said = run("people", "list", "--as", "Ada")
    assert code == 2 and "sign in on the pages once" in said


def test_logs_go_where_standard_error_is_when_they_are_written(monkeypatch: pytest.MonkeyPatch) -> None:
    before = structlog.get_config()
    first, second = io.StringIO(), io.StringIO()
    log = structlog.get_logger("door")
    try:
        monkeypatch.setattr(sys, "stderr", first)
        structured_logs()
        log.info("opened", gate=1)
        told = first.getvalue()
        first.close()
        monkeypatch.setattr(sys, "stderr", second)
        log.info("shut", gate=1)
    finally:
        structlog.configure(**before)
    assert [json.loads(text)["event"] for text in (told, second.getvalue())] == ["opened", "shut"]
