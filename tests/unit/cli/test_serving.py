"""`platewright serve` looks at its port and at who administers before it makes anything."""

from __future__ import annotations

import errno
import socket
from pathlib import Path

import pytest
from typed_command import Typed


def test_a_taken_port_is_named_and_nothing_is_made(tmp_path: Path, typed: Typed) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        code, said = typed("serve", "--port", str(port), "--database", f"sqlite:///{tmp_path}/new.db")
    assert code == 2 and f"port {port} at 127.0.0.1 is in use already" in said and "--port" in said
    assert "password" not in said and list(tmp_path.iterdir()) == []


def test_beyond_this_machine_a_new_database_is_refused_and_not_made(tmp_path: Path, typed: Typed) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    code, said = typed("serve", "--host", "0.0.0.0", "--port", str(port), "--database", f"sqlite:///{tmp_path}/new.db")
    assert code == 2 and "start on 127.0.0.1 first" in said and "first start: sign in" not in said
    assert list(tmp_path.iterdir()) == []


def test_a_seed_below_nought_is_refused_as_the_page_does(tmp_path: Path, typed: Typed) -> None:
    code, said = typed("plan", str(tmp_path), "--seed", "-5")
    assert code == 2 and "--seed" in said


@pytest.mark.parametrize("seconds", ["inf", "nan", "-5", "0"])
@pytest.mark.parametrize("command", ["plan", "site"])
def test_seconds_that_are_none_are_refused(command: str, seconds: str, tmp_path: Path, typed: Typed) -> None:
    more = ("--candidates", str(tmp_path)) if command == "site" else ()
    code, said = typed(command, str(tmp_path), *more, "--seconds", seconds, "--out", str(tmp_path / "out"))
    assert code == 2 and "--seconds" in said and "1" in said and "Traceback" not in said


def test_what_the_system_refuses_is_said_without_its_numbers(
    tmp_path: Path, typed: Typed, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", "/kept/away")

    monkeypatch.setattr("router.cli.commands.check_folder", refused)
    code, said = typed("check", str(tmp_path))
    assert code == 2 and said == "platewright: /kept/away: permission denied\n"
    code, said = typed("restore", str(tmp_path / "none.zip"), "--database", f"sqlite:///{tmp_path}/new.db")
    assert code == 2 and "[Errno" not in said and "No such file" in said
