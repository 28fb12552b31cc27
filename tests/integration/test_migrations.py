"""Databases of earlier editions are carried over with what is in them."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from alembic import command

from router.service.records import WhatIfRecord
from router.store import open_store
from router.store.opening import migration_config
from router.store.sql_store import make_engine

NOON = datetime(2027, 3, 1, 12, tzinfo=UTC)


def a_build(name: str, *lines: str) -> dict[str, Any]:
    return {"build_id": name, "pieces": [{"line_id": x} for x in lines], "layers": 12}


@contextmanager
def _at_edition(url: str, revision: str) -> Iterator[tuple[sa.Connection, sa.MetaData]]:
    """A database of an earlier edition being filled, with its tables as they were."""
    engine = make_engine(url)
    with engine.begin() as connection:
        command.upgrade(migration_config(connection), revision)
        tables = sa.MetaData()
        tables.reflect(connection)
        yield connection, tables
    engine.dispose()


def old_database(url: str, plans: Sequence[tuple[str, int | None, list[dict[str, Any]]]], events: Any) -> None:
    """A database of the first edition with plans (how, parent, builds) and events (kind, subject, details)."""
    with _at_edition(url, "0001") as (connection, tables):
        for number, (how, parent, builds) in enumerate(plans, start=1):
            head = {
                "plan_id": number, "standing": "proposed", "book_revision": 1, "scenario_fingerprint": "f",
                "made_at": NOON, "made_by": "ana", "how": how, "note": "", "parent": parent, "currency": "EUR",
                "kpis": {}, "findings": 0, "version": 1,
            }  # fmt: skip
            connection.execute(tables.tables["plans"].insert().values(head))
            text = json.dumps({"format": "platewright result 1", "result": {"plan": {"builds": builds}, "seed": 4}})
            body = {
                "plan_id": number,
                "body": gzip.compress(text.encode()),
                "scenario": b"",
                "findings": [],
                "checks": 1,
            }
            connection.execute(tables.tables["plan_bodies"].insert().values(body))
        for kind, subject, details in events:
            event = {
                "kind": kind, "occurred_at": NOON, "recorded_at": NOON, "by": "bo", "site_id": None,
                "subject": subject, "details": details,
            }  # fmt: skip
            connection.execute(tables.tables["events"].insert().values(event))


def test_builds_of_plans_kept_before_get_identities_that_moves_carry_on(database_url: str) -> None:
    run = [a_build("M1-01", "a", "a"), a_build("M1-02", "b"), a_build("M2-01", "c"), a_build("M2-02", "c")]
    moved = [a_build("M1-01", "b"), a_build("M1-02", "a", "a"), a_build("M2-01", "c"), a_build("M2-02", "c")]
    started = {"plan_id": 1, "machine_id": "M1", "alloy_id": "x", "pieces": {"a": 2}, "free_at": NOON.isoformat()}
    old_database(
        database_url,
        [("optimizer", None, run), ("moved by hand", 1, moved), ("optimizer", None, run)],
        [
            ("machine down", "M1", {}),
            ("build started", "M1-01", started),
            ("build finished", "M1-01", started),
            ("build started", "M1-02", {**started, "plan_id": 2}),
            ("build started", "M1-01", {**started, "plan_id": 3}),
            ("build failed", "M1-02", started),
            ("build finished", "M9-09", {}),
        ],
    )
    store = open_store(database_url)
    with store.look() as work:
        bodies = [work.plans.body(n) for n in (1, 2, 3)]
        events = work.events.all()
    store.close()
    kept = [json.loads(b.result_json)["result"] for b in bodies if b is not None]
    ids = [{b["build_id"]: b["lasting_id"] for b in k["plan"]["builds"]} for k in kept]
    assert ids[0] == {n: f"plan1-{n}" for n in ("M1-01", "M1-02", "M2-01", "M2-02")}
    assert ids[1] == {"M1-01": "plan1-M1-02", "M1-02": "plan1-M1-01", "M2-01": "plan1-M2-01", "M2-02": "plan1-M2-02"}
    assert ids[2]["M1-01"] == "plan3-M1-01"
    assert all(k["seed"] == 4 and k["plan"]["builds"][0]["layers"] == 12 for k in kept)
    # The move renamed the build: its second start is of the same one.
    assert [e.lasting_id for e in events] == [
        None, "plan1-M1-01", "plan1-M1-01", "plan1-M1-01", "plan3-M1-01", "plan1-M1-01", None,
    ]  # fmt: skip


def test_models_kept_before_are_marked_by_the_lines_that_use_them(database_url: str) -> None:
    with _at_edition(database_url, "0003") as (connection, tables):
        connection.execute(tables.tables["blobs"].insert().values(sha256="a" * 64, content=b"x"))
        for name in ("open.stl", "both.stl", "secret.stl", "kept.stl", "s-2/kept.stl", "left.stl"):
            model = {"name": name, "sha256": "a" * 64, "size_bytes": 1, "added_at": NOON}
            connection.execute(tables.tables["models"].insert().values(model))
        for line_id, model, code in (
            ("o-1", "open.stl", None),
            ("o-2", "both.stl", None),
            ("o-3", "kept.stl", None),
            ("s-1", "both.stl", "ITAR"),
            ("s-2", "kept.stl", "ITAR"),
            ("s-3", "secret.stl", "EAR"),
        ):
            line = {
                "line_id": line_id, "order_id": "o", "customer": "c", "model": model, "alloy_id": "x", "quantity": 1,
                "ship_place": "p", "received_at": NOON, "release_at": NOON, "due_date": NOON.date(),
                "export_control": code, "cells": {}, "standing": "open", "why_held": "", "words": "", "version": 1,
            }  # fmt: skip
            connection.execute(tables.tables["lines"].insert().values(line))
    store = open_store(database_url)
    with store.look() as work:
        codes = {m.name: m.export_codes for m in work.models.all()}
    store.close()
    assert codes == {
        "open.stl": (),
        "both.stl": (),
        "secret.stl": ("EAR",),
        "kept.stl": (),
        "s-2/kept.stl": ("ITAR",),
        "left.stl": ("EAR", "ITAR"),
    }


def test_numbers_of_what_ifs_go_on_from_the_highest_there_ever_was(database_url: str) -> None:
    with _at_edition(database_url, "0008") as (connection, tables):
        for file in ("kept.yaml", "gone.yaml"):
            row = {"file": file, "raw": b"x", "saved_at": NOON, "saved_by": "ana", "version": 1}
            connection.execute(tables.tables["what_ifs"].insert().values(row))
        connection.execute(tables.tables["what_ifs"].delete().where(tables.tables["what_ifs"].c.file == "gone.yaml"))
    store = open_store(database_url)
    with store.begin() as work:
        assert work.what_ifs.add(WhatIfRecord(0, "new.yaml", b"x", NOON, "ana")).what_if_id == 3
    store.close()
