"""A machine that the live plan builds on is not left out of the network without a word."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

from api_client import client_of
from desk_builder import an_actor
from whole_site import peopled_desk, signed_in, token_on

from router.domain.plan import Build
from router.service.desk import Desk
from router.service.events import record_event
from router.service.network import current_network
from router.service.network_remarks import remarks_on_file
from router.service.plans import live_in_full
from router.service.records import Actor, EventKind, Role

V1 = "/api/v1"
YAML_TYPE = {"Content-Type": "application/yaml"}


GONE = "M02"


def without(desk: Desk, boss: Actor) -> bytes:
    """The network file without the machine ``GONE``."""
    text = current_network(desk, boss).record.raw.decode()
    begin = text.index(f"      - id: {GONE}\n")
    return (text[:begin] + text[text.index("    work_centres:", begin) :]).encode()


def built_on(desk: Desk) -> list[Build]:
    """Builds of the live plan on the machine."""
    return [b for b in live_in_full(desk).result.plan.builds if b.machine_id == GONE]


def test_looking_for_faults_and_saving_name_the_builds(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path)
    boss = an_actor(desk, "adm", Role.ADMINISTRATOR)
    builds = [b.build_id for b in built_on(desk)]
    assert builds
    raw = without(desk, boss)
    with signed_in(desk, "pia") as pia:
        editor = pia.get("/network/file").text
        form = {"token": token_on(editor), "version": "1", "text": raw.decode(), "note": "it is sold"}
        looked = pia.post("/network/file", data={**form, "do": "check"})
        assert looked.status_code == 200 and f"machine {GONE} is left out: build" in looked.text
        assert all(b in looked.text.split("Remark:")[1].split("</p>")[0] for b in builds)
        assert "Remark" not in pia.get("/network").text
        assert pia.post("/network/file", data={**form, "do": "save"}).status_code == 303
        assert f"Remark: machine {GONE} is left out" in pia.get("/network").text
    with signed_in(desk, "vic") as vic:
        assert vic.get("/network").status_code == 200


def test_the_interface_says_the_same(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path)
    boss = an_actor(desk, "adm", Role.ADMINISTRATOR)
    raw = without(desk, boss)
    client = client_of(desk, "adm")
    same = client.post(f"{V1}/network/check", content=current_network(desk, boss).record.raw, headers=YAML_TYPE)
    assert same.json() == {"faults": [], "remarks": []}
    checked = client.post(f"{V1}/network/check", content=raw, headers=YAML_TYPE).json()
    assert checked["faults"] == [] and len(checked["remarks"]) == 1
    saved = client.put(f"{V1}/network", content=raw, headers={**YAML_TYPE, "If-Match": '"1"'})
    assert saved.status_code == 200 and saved.json()["remarks"] == checked["remarks"]


def test_builds_that_are_over_need_no_machine(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path)
    boss = an_actor(desk, "adm", Role.ADMINISTRATOR)
    raw = without(desk, boss)
    builds = built_on(desk)
    first = min(builds, key=lambda b: b.load_start)
    record_event(desk, boss, EventKind.BUILD_STARTED, first.build_id, first.load_start)
    (remark,) = remarks_on_file(desk, boss, raw)
    assert first.build_id in remark, "it runs on that machine"
    record_event(desk, boss, EventKind.BUILD_FINISHED, first.build_id, first.load_start + timedelta(hours=9))
    left = remarks_on_file(desk, boss, raw)
    assert all(first.build_id not in r for r in left) and len(left) == (1 if len(builds) > 1 else 0)
