"""A backup fills an empty database of either kind with the very same rows."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from desk_builder import an_actor, desk_on, with_small_book

from router.service.exports import scenario_zip
from router.service.people import add_person, first_administrator
from router.service.records import Role
from router.store import SqlStore, StoreOut, open_store
from router.store.backup import restore_from, write_to


def test_a_backup_restores_on_both_kinds(store: SqlStore, tmp_path: Path, postgres_url: str) -> None:
    desk = desk_on(store, tmp_path / "cache")
    ana = an_actor(desk, "ana", Role.PLANNER, codes=("ITAR",))
    with_small_book(desk, ana)
    file = tmp_path / "backup.zip"
    counts = write_to(store, file)
    assert counts["lines"] > 5 and counts["blobs"] > 2
    with pytest.raises(StoreOut, match="not empty"):
        restore_from(store, file)
    with pytest.raises(StoreOut, match="there already"):
        write_to(store, file)
    other = open_store(f"sqlite:///{tmp_path / 'other.db'}")
    assert restore_from(other, file) == counts
    fresh = desk_on(other, tmp_path / "cache")
    assert scenario_zip(fresh, ana) == scenario_zip(desk, ana)
    first_administrator(fresh)
    boss = an_actor(fresh, "boss", Role.ADMINISTRATOR)
    assert add_person(fresh, boss, "new", Role.VIEWER).person.person_id > ana.person.person_id
    second = tmp_path / "again.zip"
    assert write_to(other, second)["blobs"] == counts["blobs"]
    other.close()


def test_a_damaged_backup_is_refused_and_nothing_written(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'a.db'}")
    an_actor(desk_on(store, tmp_path), "ana", Role.PLANNER)
    file, broken = tmp_path / "b.zip", tmp_path / "broken.zip"
    write_to(store, file)
    with zipfile.ZipFile(file) as whole, zipfile.ZipFile(broken, "w") as other:
        for entry in whole.infolist():
            content = whole.read(entry)
            other.writestr(entry, content.replace(b"ana", b"bob") if entry.filename == "people.jsonl" else content)
    empty = open_store(f"sqlite:///{tmp_path / 'c.db'}")
    with pytest.raises(StoreOut, match="people does not compare"):
        restore_from(empty, broken)
    with empty.look() as work:
        assert work.people.all() == []
    store.close()
    empty.close()
