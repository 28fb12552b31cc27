"""A backup fills an empty database of either kind with the very same rows."""

from __future__ import annotations

import hashlib
import json
import zipfile
from pathlib import Path

import pytest
from desk_builder import an_actor, desk_on, with_small_book

from router.service.exports import scenario_zip
from router.service.kept_what_ifs import add_what_if, delete_what_if, get_what_if
from router.service.people import add_person, first_administrator
from router.service.records import Role
from router.store import SqlStore, StoreOut, open_store
from router.store.backup import checked, rows_at_a_time, write_to
from router.store.opening import newest_edition
from router.store.restoring import restore_from
from router.store.tables import metadata

WHAT_IF = b"format: platewright what-if 1\nname: Carbon\nchanges:\n  - {change: carbon_price, per_tonne: 90}\n"


def test_a_backup_restores_on_both_kinds(store: SqlStore, database_url: str, tmp_path: Path) -> None:
    desk = desk_on(store, tmp_path / "cache")
    ana = an_actor(desk, "ana", Role.PLANNER, codes=("ITAR",))
    with_small_book(desk, ana)
    kept = add_what_if(desk, ana, "carbon.yaml", WHAT_IF)
    file = tmp_path / "backup.zip"
    counts = write_to(store, file)
    assert counts["lines"] > 5 and counts["blobs"] > 2
    with pytest.raises(StoreOut, match="not empty"):
        restore_from(database_url, file)
    with pytest.raises(StoreOut, match="there already"):
        write_to(store, file)
    other_url = f"sqlite:///{tmp_path / 'other.db'}"
    assert restore_from(other_url, file) == counts
    other = open_store(other_url)
    fresh = desk_on(other, tmp_path / "cache")
    assert scenario_zip(fresh, ana).read() == scenario_zip(desk, ana).read()
    assert get_what_if(fresh, ana, kept.record.what_if_id) == kept
    first_administrator(fresh)
    boss = an_actor(fresh, "boss", Role.ADMINISTRATOR)
    assert add_person(fresh, boss, "new", Role.VIEWER).person.person_id > ana.person.person_id
    second = tmp_path / "again.zip"
    assert write_to(other, second)["blobs"] == counts["blobs"]
    other.close()


@pytest.mark.parametrize("edition", ["0008", newest_edition()])
def test_numbers_of_what_ifs_are_not_used_again_after_a_restore(
    database_url: str, tmp_path: Path, edition: str
) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'a.db'}")
    desk = desk_on(store, tmp_path / "cache")
    ana = an_actor(desk, "ana", Role.PLANNER, codes=("ITAR",))
    with_small_book(desk, ana)
    add_what_if(desk, ana, "first.yaml", WHAT_IF)
    gone = add_what_if(desk, ana, "gone.yaml", WHAT_IF).record
    delete_what_if(desk, ana, gone.what_if_id, gone.version)
    file = tmp_path / "backup.zip"
    write_to(store, file)
    store.close()
    counted = without(file, "counters").splitlines(keepends=True)
    if edition == "0008":  # it knew no count of these
        counted = [line for line in counted if b"what_if_number" not in line]
    backup = rewritten(file, tmp_path / "of.zip", {"edition": edition}, counters=b"".join(counted))
    restore_from(database_url, backup)
    other = open_store(database_url)
    fresh = desk_on(other, tmp_path / "cache")
    new = add_what_if(fresh, ana, "new.yaml", WHAT_IF).record
    assert new.what_if_id == gone.what_if_id + 1 and get_what_if(fresh, ana, new.what_if_id).record == new
    other.close()


def test_a_backup_into_no_folder_names_that_and_no_inner_file(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'a.db'}")
    with pytest.raises(StoreOut) as refused:
        write_to(store, tmp_path / "nosuch" / "b.zip")
    assert f"{tmp_path / 'nosuch'} is no folder that is there" in str(refused.value) and ".part" not in str(
        refused.value
    )
    store.close()


def test_a_damaged_backup_is_refused_and_nothing_written(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'a.db'}")
    an_actor(desk_on(store, tmp_path), "ana", Role.PLANNER)
    file, broken = tmp_path / "b.zip", tmp_path / "broken.zip"
    write_to(store, file)
    with zipfile.ZipFile(file) as whole, zipfile.ZipFile(broken, "w") as other:
        for entry in whole.infolist():
            content = whole.read(entry)
            other.writestr(entry, content.replace(b"ana", b"bob") if entry.filename == "people.jsonl" else content)
    place = tmp_path / "c.db"
    with pytest.raises(StoreOut, match="people does not compare"):
        restore_from(f"sqlite:///{place}", broken)
    assert not place.exists()
    store.close()


def test_a_backup_damaged_anywhere_is_said_to_be_so(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'a.db'}")
    an_actor(desk_on(store, tmp_path), "ana", Role.PLANNER)
    file, broken = tmp_path / "b.zip", tmp_path / "broken.zip"
    write_to(store, file)
    whole = file.read_bytes()
    refused = 0
    for n in range(0, len(whole), 3):
        broken.write_bytes(whole[:n] + bytes([whole[n] ^ 0x5D]) + whole[n + 1 :])
        try:
            checked(broken)
        except StoreOut:
            refused += 1
    assert refused > len(whole) / 12


def test_files_are_carried_one_at_a_time() -> None:
    many = {name: rows_at_a_time(table) for name, table in metadata.tables.items()}
    assert many["blobs"] == many["previews"] == 1 and many["lines"] > 1


def rewritten(file: Path, to: Path, manifest: dict[str, object], **tables: bytes | None) -> Path:
    """A backup with other tables (None: without) and the hashes of what is in it then."""
    with zipfile.ZipFile(file) as whole, zipfile.ZipFile(to, "w") as other:
        told = json.loads(whole.read("manifest.json"))
        kept = {n.removesuffix(".jsonl"): whole.read(n) for n in whole.namelist() if n.endswith(".jsonl")} | tables
        for name, content in kept.items():
            if content is not None:
                other.writestr(f"{name}.jsonl", content)
        found = {name: content for name, content in kept.items() if content is not None}
        told["rows"] = {name: len(content.splitlines()) for name, content in found.items()}
        told["sha256"] = {name: hashlib.sha256(content).hexdigest() for name, content in found.items()}
        told |= manifest
        other.writestr("manifest.json", json.dumps({k: v for k, v in told.items() if v is not None}))
    return to


def without(file: Path, table: str, *columns: str) -> bytes:
    """Rows of a table of a backup without some columns."""
    with zipfile.ZipFile(file) as archive:
        rows = [json.loads(line) for line in archive.read(f"{table}.jsonl").splitlines()]
    return b"".join(json.dumps({k: v for k, v in r.items() if k not in columns}).encode() + b"\n" for r in rows)


def test_a_backup_of_an_earlier_edition_is_carried_over(database_url: str, tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'a.db'}")
    desk = desk_on(store, tmp_path / "cache")
    ana = an_actor(desk, "ana", Role.PLANNER, codes=("ITAR",))
    with_small_book(desk, ana)
    file = tmp_path / "b.zip"
    write_to(store, file)
    models = without(file, "models", "export_codes")
    third = rewritten(file, tmp_path / "3.zip", {"edition": None}, models=models, what_ifs=None, lives=None)
    counts = restore_from(database_url, third)
    assert counts["models"] == len(models.splitlines()) > 2
    other = open_store(database_url)
    with other.look() as work, store.look() as before:
        assert work.models.all() == before.models.all()
        assert work.lines.all() == before.lines.all()
    assert scenario_zip(desk_on(other, tmp_path / "cache"), ana).read() == scenario_zip(desk, ana).read()
    other.close()
    first = rewritten(third, tmp_path / "1.zip", {}, build_pins=None)
    url = f"sqlite:///{tmp_path / 'first.db'}"
    open_store(url).close()  # empty, but with the tables of now
    restore_from(url, first)
    again = open_store(url)
    with again.look() as work, store.look() as before:
        assert work.lines.all() == before.lines.all() and work.pins.of(1) == {}
    again.close()
    store.close()


def test_a_backup_that_is_refused_leaves_no_database_behind(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'a.db'}")
    an_actor(desk_on(store, tmp_path), "ana", Role.PLANNER)
    file, place = tmp_path / "b.zip", tmp_path / "made" / "c.db"
    place.parent.mkdir()
    write_to(store, file)
    newer = rewritten(file, tmp_path / "newer.zip", {"edition": "9999"})
    stranger = rewritten(file, tmp_path / "stranger.zip", {"edition": None}, shipments_of_tomorrow=b"{}\n")
    faulty = rewritten(file, tmp_path / "faulty.zip", {}, people=b'{"person_id": 1, "name": "x"}\n')
    for refused, why in ((newer, "newer platewright.*9999"), (stranger, "newer platewright"), (faulty, "people")):
        with pytest.raises(StoreOut, match=why):
            restore_from(f"sqlite:///{place}", refused)
        assert list(place.parent.iterdir()) == []
    store.close()
