"""A large upload is never in memory whole: neither as it was sent nor unpacked."""

from __future__ import annotations

import io
import tracemalloc
import zipfile
from pathlib import Path

import pytest
from api_client import client_of, small_desk
from desk_builder import SMALL, an_actor

from router.kernel.faults import FaultyInput
from router.service.imports import preview_files
from router.service.records import Role

FILES, EACH_BYTES = 24, 4_000_000


def zipped(folder: Path) -> Path:
    """A book with many large models, none of which can be built."""
    path = folder / "large.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(SMALL / "network.yaml", "network.yaml")
        for n in range(FILES):
            archive.writestr(f"models/m{n}.stl", bytes([n]) * EACH_BYTES)
    return path


def test_models_of_an_upload_are_read_one_at_a_time(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    path = zipped(tmp_path)
    tracemalloc.start()
    with path.open("rb") as sent:
        preview = preview_files(desk, boss, {"large.zip": sent})
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(preview.new_models) == FILES and not preview.storable
    assert most < FILES * EACH_BYTES / 3, f"{most / 1e6:.0f} MB for {FILES * EACH_BYTES / 1e6:.0f} MB unpacked"


def test_an_archive_that_breaks_off_inside_is_still_refused_at_once(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    sound = zipped(tmp_path).read_bytes()
    for tenth in range(3, 8):
        raw = bytearray(sound)
        place = len(raw) * tenth // 10
        raw[place : place + 8] = b"\xff" * 8
        with pytest.raises(FaultyInput, match=r"no readable zip file|does not belong"):
            preview_files(desk, boss, {"large.zip": io.BytesIO(bytes(raw))})


def test_a_book_with_models_comes_through_the_api_as_it_was_sent(tmp_path: Path) -> None:
    client = client_of(small_desk(tmp_path))
    models = {p.name: p.read_bytes() for p in (SMALL / "models").iterdir()}
    name, content = sorted(models.items())[0]
    other = f"another{Path(name).suffix}"
    seen = client.post("/api/v1/imports", files={"files": (other, content)}).json()
    assert seen["storable"] and seen["new_models"] == [other]
    assert client.post(f"/api/v1/imports/{seen['import_id']}/store").json()["models_added"] == 1
    assert client.get(f"/api/v1/models/{other}").content == content
