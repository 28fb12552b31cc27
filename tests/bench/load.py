"""The service under load: readers, pages and questions while a run is solved, on a book of some thousand lines.

    python -m tests.bench.load --lines 5000 --seconds 30 --readers 50 --pause 1 --json out.json

A server of our own is started on a new SQLite file with a generated book and a live plan (made once and kept beside
the generated book). While its worker solves, readers ask the API, each waiting ``--pause`` seconds between answers;
then the question where a new line would go is timed. Told: 95th percentiles in milliseconds, as a client sees them.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx

from router.bootstrap import Settings, open_desk
from router.service.imports import preview_folder, store_import
from router.service.jobs import ask_plan, get_job
from router.service.people import new_token
from router.service.plans import accept
from router.service.records import Actor, JobStanding, Person, Role
from router.worker import Worker
from tests.bench.plan_network import cache_folder, generated
from tests.bench.record import one_figure, write_record

V1 = "/api/v1"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0 when every request was answered."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.load", description=__doc__.split("\n")[0])
    parser.add_argument("--lines", type=int, default=5000)
    parser.add_argument("--seconds", type=float, default=30.0, help="of reading under load")
    parser.add_argument("--readers", type=int, default=50)
    parser.add_argument("--pause", type=float, default=1.0, help="seconds a reader waits between answers")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="OUT")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        report = measure(Path(folder), options)
    for name, value in report["p95_ms"].items():
        print(f"{name}: p95 {value:.0f} ms (median {report['median_ms'][name]:.0f})")
    size = f"{report['builds']} builds, {report['lines']} lines"
    print(f"{report['requests']} requests, {report['failed']} failed; {size}")
    if options.json:
        entry = one_figure(
            f"load, {options.lines} lines, {options.readers} readers",
            report["p95_ms"]["API reads under load"],
            None,
            options.seconds,
            **report,
        )
        write_record(options.json, [entry])
    return int(report["failed"] > 0)


def measure(folder: Path, options: argparse.Namespace) -> dict[str, Any]:
    """Start the server, load it, time it."""
    token = _book(folder, options)
    port = _free_port()
    environment = {
        **os.environ,
        "PLATEWRIGHT_DATABASE": f"sqlite:///{folder / 'book.db'}",
        "PLATEWRIGHT_CACHE": str(folder / "cache"),
        "PLATEWRIGHT_PORT": str(port),
    }
    server = subprocess.Popen(
        [sys.executable, "-c", "from router.cli.main import main; main()", "serve"],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        base = f"http://127.0.0.1:{port}"
        headers = {"Authorization": f"Bearer {token}"}
        with httpx.Client(base_url=base, headers=headers, timeout=60) as client:
            _wait(client)
            return _timed(client, base, headers, options)
    finally:
        server.terminate()
        server.wait(20)


def _book(folder: Path, options: argparse.Namespace) -> str:
    """A database with the book and a live plan; a token to ask with."""
    kept = cache_folder() / f"load_{options.lines}_{options.seed}.db"
    settings = Settings(f"sqlite:///{folder / 'book.db'}", folder / "cache")
    if kept.exists():
        shutil.copy(kept, folder / "book.db")
    desk = open_desk(settings)
    with desk.store.look() as work:
        known = work.people.named("boss")
    if known is None:
        with desk.store.begin() as work:
            work.people.add(Person(0, "boss", Role.ADMINISTRATOR, cleared_codes=frozenset({"ITAR"})), "none")
            known = work.people.named("boss")
        assert known is not None
        boss = Actor(known[0])
        preview = preview_folder(desk, boss, generated(options.lines, options.seed))
        store_import(desk, boss, preview.import_id)
        job = ask_plan(desk, boss, seconds=60)
        Worker(desk).once()
        done = get_job(desk, boss, job.job_id)
        if done.standing is not JobStanding.DONE:
            raise SystemExit(f"the book could not be planned: {done.why}")
        accept(desk, boss, int(done.result["plan_id"]), 1)
        kept.parent.mkdir(parents=True, exist_ok=True)
        # The write-ahead log is part of the database: copied through SQLite, not as a file.
        with sqlite3.connect(folder / "book.db") as whole, sqlite3.connect(kept) as copy:
            whole.backup(copy)
    return new_token(desk, Actor(known[0]), "load", ["read", "plan", "book"], 2)[1]


def _free_port() -> int:
    with socket.socket() as some:
        some.bind(("127.0.0.1", 0))
        return int(some.getsockname()[1])


def _wait(client: httpx.Client) -> None:
    for _ in range(200):
        try:
            if client.get("/health/ready").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.2)
    raise SystemExit("the server did not come up")


def _timed(client: httpx.Client, base: str, headers: dict[str, str], options: argparse.Namespace) -> dict[str, Any]:
    lines = client.get(f"{V1}/lines", params={"limit": 500}).json()["lines"]
    plan = next(p for p in client.get(f"{V1}/plans").json() if p["standing"] == "live")
    plan_id = plan["plan_id"]
    builds = client.get(f"{V1}/plans/{plan_id}/builds").json()
    client.get(f"{V1}/lines/{lines[0]['line_id']}/where")  # opens the live plan
    run = client.post(f"{V1}/runs", json={"seconds": 600}).json()["job_id"]
    time.sleep(5)
    rng = random.Random(options.seed)
    reads = [
        lambda: f"{V1}/lines/{rng.choice(lines)['line_id']}",
        lambda: f"{V1}/lines?text={rng.choice(lines)['order_id']}&limit=50",
        lambda: f"{V1}/lines?sort=customer&limit=50",
        lambda: f"{V1}/plans/{plan_id}",
        lambda: f"{V1}/plans?limit=20",
        lambda: f"{V1}/runs/{run}",
        lambda: f"{V1}/events?limit=50",
        lambda: f"{V1}/network/editions",
    ]
    times: list[float] = []
    failed = 0
    lock = threading.Lock()
    end = time.monotonic() + options.seconds

    def read(number: int) -> None:
        nonlocal failed
        with httpx.Client(base_url=base, headers=headers, timeout=60) as own:
            time.sleep(options.pause * number / options.readers)
            while time.monotonic() < end:
                path = rng.choice(reads)()
                began = time.perf_counter()
                fine = own.get(path).status_code == 200
                took = 1000 * (time.perf_counter() - began)
                with lock:
                    times.append(took)
                    failed += not fine
                time.sleep(options.pause)

    readers = [threading.Thread(target=read, args=(n,)) for n in range(options.readers)]
    for reader in readers:
        reader.start()
    for reader in readers:
        reader.join()
    where = []
    for line in rng.sample(lines, min(60, len(lines))):
        cells = {k: v for k, v in line["cells"].items() if k != "line"}
        cells["quantity"] = str(rng.randint(1, 20))
        began = time.perf_counter()
        failed += client.post(f"{V1}/where", json={"cells": cells}).status_code != 200
        where.append(1000 * (time.perf_counter() - began))
    client.post(f"{V1}/runs/{run}/stop")
    series = {"API reads under load": times, "where would a new line go, while solving": where}
    return {
        "p95_ms": {name: round(_p95(s), 1) for name, s in series.items()},
        "median_ms": {name: round(statistics.median(s), 1) for name, s in series.items()},
        "requests": len(times) + len(where),
        "failed": failed,
        "builds": len(builds),
        "lines": client.get(f"{V1}/lines", params={"limit": 1}).json()["total"],
    }


def _p95(values: list[float]) -> float:
    return statistics.quantiles(values, n=20)[-1] if len(values) > 1 else values[0]


if __name__ == "__main__":
    sys.exit(main())
