"""Files the service writes are for nobody but the user it runs as, whatever the umask it is started under."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_client import small_desk
from desk_builder import an_actor, desk_on, with_small_book

from router.bootstrap import Settings, open_desk
from router.kernel.private_files import KEEP_FROM_OTHERS
from router.service.records import Role
from router.store import open_store
from router.store.backup import write_to
from router.store.restoring import restore_from

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows keeps rights otherwise")


@pytest.fixture(autouse=True)
def open_to_all() -> Iterator[None]:
    """An umask that takes nothing away."""
    before = os.umask(0)
    yield
    os.umask(before)


def open_to_others(folder: Path) -> dict[str, str]:
    """Files and folders below one that somebody else may read, change or enter."""
    found = {p: p.stat().st_mode for p in folder.rglob("*")}
    return {str(p.relative_to(folder)): stat.filemode(mode) for p, mode in found.items() if mode & KEEP_FROM_OTHERS}


def test_database_journals_cache_backup_and_what_is_restored_are_for_their_owner_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("desk_builder._MEASURED", {})  # the service measures, and writes down what it finds
    desk = open_desk(Settings(f"sqlite:///{tmp_path / 'book.db'}", tmp_path / "cache" / "of" / "it"))
    with_small_book(desk, an_actor(desk, "ana", Role.PLANNER, codes=("ITAR",)))
    made = {p.name for p in tmp_path.rglob("*")}
    assert {"book.db", "book.db-wal", "book.db-shm", "contents", "measured"} <= made
    write_to(desk.store, tmp_path / "backup.zip")  # type: ignore[arg-type]
    restore_from(f"sqlite:///{tmp_path / 'other.db'}", tmp_path / "backup.zip")
    assert (tmp_path / "other.db").stat().st_size > 0
    assert open_to_others(tmp_path) == {}


def test_a_backup_is_for_its_owner_only_though_a_killed_one_left_its_half_to_everybody(tmp_path: Path) -> None:
    desk = small_desk(tmp_path / "book")
    others = tmp_path / "others"
    others.write_bytes(b"")
    others.chmod(0o644)
    for left in ("file", "link"):
        half, file = tmp_path / f".{left}.zip.part", tmp_path / f"{left}.zip"
        if left == "file":
            half.write_bytes(b"half of it")
            half.chmod(0o644)
        else:
            half.symlink_to(others)
        write_to(desk.store, file)  # type: ignore[arg-type]
        assert stat.S_IMODE(file.stat().st_mode) == 0o600 and not file.is_symlink() and not half.exists()
    assert others.read_bytes() == b""


def test_a_file_that_is_there_keeps_the_rights_somebody_gave_it(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    desk.store.close()  # type: ignore[attr-defined]
    (tmp_path / "book.db").chmod(0o640)
    desk_on(open_store(f"sqlite:///{tmp_path / 'book.db'}"), tmp_path / "cache")
    assert stat.S_IMODE((tmp_path / "book.db").stat().st_mode) == 0o640


@pytest.mark.parametrize("command", ["serve", "worker"])
def test_a_process_that_serves_leaves_nothing_to_others(command: str, tmp_path: Path) -> None:
    told = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from router.bootstrap import Settings\n"
        "from router.cli import serving\n"
        "def told(*_, **__):\n"
        "    print(oct(os.umask(0)))\n"
        "    raise SystemExit(0)\n"
        "serving.open_desk = told\n"
        f"settings = Settings('sqlite:///x.db', Path({str(tmp_path)!r}), port=0)\n"
        f"serving.run_server(settings, print) if {command!r} == 'serve' else serving.run_worker(settings)\n"
    )
    ran = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, cwd=tmp_path, check=True)
    assert ran.stdout.strip() == oct(KEEP_FROM_OTHERS)
