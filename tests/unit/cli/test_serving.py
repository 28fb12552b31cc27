"""`platewright serve` looks at its port and at who administers before it makes anything."""

from __future__ import annotations

import socket
from pathlib import Path

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
