"""Slips of the pen are told, never passed over: unknown keys, query words, sites, columns, files and folders."""

from __future__ import annotations

import html
import sqlite3
import sys
from pathlib import Path
from typing import Any

import pytest
from api_client import client_of, small_desk
from desk_builder import an_actor
from fastapi.testclient import TestClient
from whole_site import peopled_desk, signed_in, token_on

from router.bootstrap import Settings, open_desk
from router.cli.main import main
from router.service.jobs import list_jobs
from router.service.records import Role
from router.service.snapshot import snapshot
from router.store import StoreOut, open_store

V1 = "/api/v1"
CELLS = {"order": "o", "model": "ring.stl", "alloy": "316l", "quantity": "1"}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> TestClient:
    return client_of(small_desk(tmp_path_factory.mktemp("slips")))


def test_a_page_says_which_words_of_its_address_it_does_not_know(tmp_path: Path) -> None:
    with signed_in(peopled_desk(tmp_path, plan=False), "pia") as reader:
        for path, slip, meant in (
            ("/orders?alloi=316l", "alloi", "did you mean 'alloy'?"),
            ("/orders?sort=duedate", "duedate", "did you mean 'due_date'?"),
            ("/orders?standing=opn", "opn", "did you mean 'open'?"),
            ("/plans?sort=made", "sort", "it knows before."),
            ("/network?nothing=1", "nothing", "it takes none."),
        ):
            answer = reader.get(path)
            said = html.unescape(answer.text)
            assert answer.status_code == 200 and f"'{slip}' in the address" in said and meant in said, path
        assert "1001-1" in reader.get("/orders?standing=opn").text
        assert "<b>x" not in reader.get("/network?<b>x=1").text
        for path in (
            "/orders?alloy=316l&sort=quantity&standing=open&falling=true",
            "/plans?before=3",
            "/what-if?tick=1",
        ):
            assert "passed over" not in reader.get(path).text, path


def test_words_that_are_too_long_are_refused_and_never_cut(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path, plan=False)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    with signed_in(desk, "adm") as reader:
        form = {"token": token_on(reader.get("/runs/new").text), "version": "1"}
        run = {"seconds": "2", "seed": "1", "workers": "1"}
        down = {"machine": "M01", "kind": "down", "at": "2027-03-01T06:00-05:00"}
        network = reader.get("/network/file").text
        text = html.unescape(network.split("<textarea", 1)[1].split(">", 1)[1].split("</textarea>")[0])
        for path, field, sent in (
            ("/runs/new", "note", run),
            ("/orders/1001-1/hold", "why", {}),
            ("/orders/1001-1/withdraw", "why", {}),
            ("/floor/machine", "note", down),
            ("/network/file", "note", {"text": text + "\n", "do": "save"}),
        ):
            before = snapshot(desk).book_revision
            answer = reader.post(path, data={**form, **sent, field: "n" * 501})
            assert answer.status_code == 422 and "501 characters" in answer.text, path
            assert "at most 500" in answer.text and snapshot(desk).book_revision == before, path
        assert not list_jobs(desk, boss)
        answer = reader.post("/runs/new", data={**form, **run, "note": "n" * 500})
        assert answer.status_code == 303 and list_jobs(desk, boss)[0].params["note"] == "n" * 500
        person = {**form, "name": "new", "role": "planner", "codes": "c" * 101}
        answer = reader.post("/people", data=person)
        assert answer.status_code == 422 and "101 characters" in answer.text
        assert reader.get("/orders", params={"text": "t" * 201}).status_code == 422


def faults_of(answer: Any) -> list[dict[str, str]]:
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    found: list[dict[str, str]] = answer.json()["faults"]
    return found


@pytest.mark.parametrize(
    ("method", "path", "body", "slip", "meant"),
    [
        ("POST", "/runs", {"secnds": 2}, "secnds", "seconds"),
        ("POST", "/lines/1001-1/elsewhere", {"second": 2}, "second", "seconds"),
        ("POST", "/lines/1001-1/hold", {"why": "x", "wy": "x"}, "wy", "why"),
        ("PUT", "/lines/1001-1/pin", {"site_id": None, "site": "OHIO"}, "site", "site_id"),
        ("PATCH", "/lines/1001-1", {"cells": {"quantity": "2"}, "cell": {}}, "cell", "cells"),
        ("PATCH", "/network", {"path": ["now"], "value": 1, "vlaue": 2}, "vlaue", "value"),
        ("POST", "/people", {"name": "x", "role": "viewer", "rolle": "viewer"}, "rolle", "role"),
        ("POST", "/tokens", {"name": "x", "scopes": ["read"], "day": 3}, "day", "days"),
        ("POST", "/where", {"cells": CELLS, "quantitys": [1]}, "quantitys", "quantities"),
        (
            "POST",
            "/plans/1/moves/try",
            {"build_id": "b", "machine_id": "m", "after_build_id": None, "build": "c"},
            "build",
            "build_id",
        ),
        (
            "POST",
            "/events",
            {
                "kind": "machine down",
                "subject": "M01",
                "occurred_at": "2027-03-01T06:00:00Z",
                "details": {"untill": "x"},
            },
            "untill",
            "until",
        ),
    ],
)
def test_an_unknown_key_is_refused_with_the_nearest_known(
    client: TestClient, method: str, path: str, body: dict[str, object], slip: str, meant: str
) -> None:
    answer = client.request(method, f"{V1}{path}", json=body, headers={"If-Match": '"1"'})
    fault = next(f for f in faults_of(answer) if f["field"] == slip)
    assert f"did you mean '{meant}'?" in fault["expected"], fault


@pytest.mark.parametrize(
    ("path", "slip", "meant"),
    [
        ("/lines?limt=2", "limt", "limit"),
        ("/lines?limit=2&standng=open", "standng", "standing"),
        ("/runs?befor=2027-03-01T00:00:00Z", "befor", "before"),
        ("/trail?subjct=x", "subjct", "subject"),
        ("/calendar.ics?sites=OHIO", "sites", "site"),
    ],
)
def test_an_unknown_word_of_the_query_is_refused(client: TestClient, path: str, slip: str, meant: str) -> None:
    fault = faults_of(client.get(f"{V1}{path}"))[0]
    assert fault["field"] == slip and f"did you mean '{meant}'?" in fault["expected"]


def test_every_slip_is_told_at_once_and_nothing_is_done(client: TestClient) -> None:
    faults = faults_of(client.post(f"{V1}/runs?wait=yes&fast=1", json={}))
    assert [f["field"] for f in faults] == ["wait", "fast"]
    faults = faults_of(client.post(f"{V1}/runs", json={"secnds": 1, "sead": 2, "workers": 0}))
    assert sorted(f["field"] for f in faults) == ["sead", "secnds", "workers"]
    assert client.get(f"{V1}/runs").json() == []


def test_a_line_keeps_its_name_and_columns_are_known(client: TestClient) -> None:
    before = client.get(f"{V1}/lines/1001-1").json()
    match = {"If-Match": f'"{before["version"]}"'}
    renamed = faults_of(client.patch(f"{V1}/lines/1001-1", json={"cells": {"line": "other"}}, headers=match))
    assert renamed[0]["field"] == "line" and "keeps its name" in renamed[0]["expected"]
    slip = faults_of(client.patch(f"{V1}/lines/1001-1", json={"cells": {"quantty": "3"}}, headers=match))
    assert "did you mean 'quantity'?" in slip[0]["expected"]
    assert client.get(f"{V1}/lines/1001-1").json() == before
    assert client.get(f"{V1}/lines/other").status_code == 404
    slip = faults_of(client.post(f"{V1}/where", json={"cells": {**CELLS, "quantty": "3"}}))
    assert "did you mean 'quantity'?" in slip[0]["expected"]


def test_unknown_sites_and_alloys_are_refused(client: TestClient) -> None:
    person = {"name": "Oda", "role": "site operator"}
    asked = [
        client.get(f"{V1}/lines?site=OHOI"),
        client.put(f"{V1}/lines/1001-1/pin", json={"site_id": "OHOI"}, headers={"If-Match": '"1"'}),
        client.post(f"{V1}/people", json={**person, "sites": ["OHOI"]}),
    ]
    for answer in asked:
        assert "did you mean 'OHIO'?" in faults_of(answer)[0]["expected"]
    assert "316l" in faults_of(client.get(f"{V1}/lines?alloy=316ll"))[0]["expected"]
    made = client.post(f"{V1}/people", json={**person, "sites": ["OHIO"]}).json()["person"]
    change = {"role": "site operator", "sites": ["OHIO", "RHIEN"]}
    answer = client.put(f"{V1}/people/{made['person_id']}", json=change, headers={"If-Match": '"1"'})
    assert "did you mean 'RHINE'?" in faults_of(answer)[0]["expected"]
    assert client.get(f"{V1}/lines?site=OHIO&alloy=316l").status_code == 200


def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, *words: str) -> tuple[object, str]:
    monkeypatch.setattr(sys, "argv", ["platewright", *words])
    with pytest.raises(SystemExit) as ended:
        main()
        sys.exit(0)
    said = capsys.readouterr()
    return ended.value.code, said.out + said.err


def test_no_backup_is_made_of_a_database_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    database, file = tmp_path / "boook.db", tmp_path / "backup.zip"
    code, said = command(capsys, monkeypatch, "backup", str(file), "--database", f"sqlite:///{database}")
    assert code == 2 and "there is no database" in said
    assert not database.exists() and not file.exists()


def test_no_backup_is_made_of_a_database_that_is_not_ours(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    database, file = tmp_path / "other.db", tmp_path / "backup.zip"
    with sqlite3.connect(database) as other:
        other.execute("CREATE TABLE theirs (x)")
    code, said = command(capsys, monkeypatch, "backup", str(file), "--database", f"sqlite:///{database}")
    assert code == 2 and "holds nothing of platewright" in said and not file.exists()
    with sqlite3.connect(database) as other:
        assert other.execute("SELECT name FROM sqlite_master").fetchall() == [("theirs",)]


def test_a_folder_that_is_not_there_is_a_slip_except_at_the_default_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    away = tmp_path / "data" / "deep" / "book.db"
    with pytest.raises(StoreOut, match=f"nearest that is: {tmp_path}"):
        open_desk(Settings(f"sqlite:///{away}", tmp_path / "cache"))
    assert not (tmp_path / "data").exists()
    monkeypatch.setattr("router.bootstrap.wiring.default_database", lambda: f"sqlite:///{away}")
    open_desk(Settings(f"sqlite:///{away}", tmp_path / "cache"))
    assert away.exists()
    open_store(f"sqlite:///{away}", there=True).close()
