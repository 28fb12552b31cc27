"""What-if files kept in the service: use cases on each database, the API, the pages."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from api_client import client_of, small_desk
from desk_builder import an_actor, desk_on, with_small_book
from whole_site import peopled_desk, signed_in, token_on

from router.kernel.faults import Conflict, FaultyInput, NotFound, Refused, Stale, TooMuch
from router.service import kept_what_ifs as use
from router.service.comparisons import ask_comparison, comparison_csv
from router.service.desk import Desk
from router.service.network import current_network, save_network
from router.service.records import LifeRecord, Role
from router.service.trail import list_trail
from router.store import SqlStore
from router.whatif.rolling.figures import FIGURES

SAMPLES = Path(__file__).parents[2] / "scenarios" / "whatif"


def text(name: str, *changes: str, on: str = "") -> bytes:
    """A what-if file."""
    head = f"format: platewright what-if 1\nname: {name}\n" + (f"on: {on}\n" if on else "")
    return (head + "changes:\n" + ("".join(f"  - {c}\n" for c in changes) or "  []\n")).encode()


CARBON = text("Carbon", "{change: carbon_price, per_tonne: 90, why: a tax}")
FREIGHT = text("Freight", "{change: change_carrier, price_factor: 1.2}", on="carbon.yaml")


def test_kept_changed_set_side_by_side_and_deleted_with_trail(store: SqlStore, tmp_path: Path) -> None:
    desk = desk_on(store, tmp_path / "cache")
    ana = an_actor(desk, "ana", Role.PLANNER, codes=("ITAR",))
    with_small_book(desk, ana)
    assert use.list_what_ifs(desk, ana) == []
    carbon = use.add_what_if(desk, ana, "carbon.yaml", CARBON)
    freight = use.add_what_if(desk, ana, "freight.yaml", FREIGHT)
    assert carbon.record.what_if_id != freight.record.what_if_id and freight.view.changes[0] == carbon.view.changes[0]
    assert carbon.view.changes[0].endswith("Reason: a tax.") and not carbon.view.faults
    gap = use.what_if_difference(desk, ana, carbon.record.what_if_id, freight.record.what_if_id)
    assert gap.only_one == () and len(gap.only_other) == 1
    with pytest.raises(Conflict, match="taken"):
        use.add_what_if(desk, ana, "Carbon.yaml", CARBON)
    with pytest.raises(Conflict, match=r"freight\.yaml goes on"):
        use.delete_what_if(desk, ana, carbon.record.what_if_id, 1)
    with pytest.raises(Stale):
        use.change_what_if(desk, ana, freight.record.what_if_id, CARBON, 7)
    alone = text("Alone", "{change: carbon_price, per_tonne: 20}")
    assert use.change_what_if(desk, ana, freight.record.what_if_id, alone, 1).record.version == 2
    with pytest.raises(Stale):
        use.delete_what_if(desk, ana, carbon.record.what_if_id, 3)
    use.delete_what_if(desk, ana, carbon.record.what_if_id, 1)
    assert [x.record.file for x in use.list_what_ifs(desk, ana)] == ["freight.yaml"]
    again = use.add_what_if(desk, ana, "carbon.yaml", CARBON)
    assert again.record.what_if_id > freight.record.what_if_id, "a number is never used again"
    entries = [t.operation for t in list_trail(desk, ana, subject="carbon.yaml")]
    assert entries == ["keep what-if", "delete what-if", "keep what-if"]


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    yield small_desk(tmp_path)


def test_every_fault_is_told_and_nothing_kept(desk: Desk) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    wrong = text("Wrong", "{change: close_site, site: NOWHERE}", "{change: retire_machine, machine: M99}")
    view = use.check_what_if(desk, boss, "../wrong", wrong)
    assert [f.field for f in view.faults] == ["file", "site", "machine"] and len(view.changes) == 2
    for file, raw, field in (
        ("a.yaml", wrong, "site"),
        ("a.yaml", text("A", on="b.yaml"), "on"),
        ("a.yaml", text("A", on="a.yaml"), "on"),
        ("a.yaml", b"\xff", ""),
        ("a.yaml", text("A", "{change: nothing}"), "change"),
    ):
        with pytest.raises(FaultyInput) as faulty:
            use.add_what_if(desk, boss, file, raw)
        assert field in {f.field.split(".")[-1] for f in faulty.value.faults}, (raw, faulty.value.faults)
    with pytest.raises(TooMuch):
        use.add_what_if(desk, boss, "a.yaml", CARBON + b"#" * use.MOST_BYTES)
    assert use.list_what_ifs(desk, boss) == []


def test_what_no_longer_fits_the_network_is_said(desk: Desk) -> None:
    boss = an_actor(desk, "boss", Role.ADMINISTRATOR)
    now = current_network(desk, boss)
    machine = now.network.machines[0].machine_id
    kept = use.add_what_if(desk, boss, "fewer.yaml", text("Fewer", f"{{change: retire_machine, machine: {machine}}}"))
    raw = now.record.raw.replace(f"id: {machine}".encode(), b"id: NEWNAME")
    save_network(desk, boss, raw, now.record.version, "renamed")
    found = use.get_what_if(desk, boss, kept.record.what_if_id)
    assert [f.field for f in found.view.faults] == ["machine"] and found.view.changes


def test_a_text_that_names_a_hidden_line_is_not_there(desk: Desk) -> None:
    boss, pat = an_actor(desk, "boss", Role.ADMINISTRATOR), an_actor(desk, "pat", Role.PLANNER)
    with desk.store.look() as work:
        hidden = next(x for x in work.lines.all() if x.export_control)
    marked = text("Marked", f"{{change: carbon_price, per_tonne: 5, why: for {hidden.line_id}}}")
    kept = use.add_what_if(desk, boss, "marked.yaml", marked)
    use.add_what_if(desk, boss, "upon.yaml", text("Upon", on="marked.yaml"))
    assert len(use.list_what_ifs(desk, boss)) == 2 and use.list_what_ifs(desk, pat) == []
    for ask in (
        lambda: use.get_what_if(desk, pat, kept.record.what_if_id),
        lambda: use.delete_what_if(desk, pat, kept.record.what_if_id, 1),
        lambda: use.change_what_if(desk, pat, kept.record.what_if_id, CARBON, 1),
    ):
        with pytest.raises(NotFound):
            ask()
    vic = an_actor(desk, "vic", Role.VIEWER)
    with pytest.raises(Refused):
        use.add_what_if(desk, vic, "a.yaml", CARBON)
    with pytest.raises(Refused):
        use.delete_what_if(desk, vic, kept.record.what_if_id, 1)


@pytest.mark.parametrize("written", ["escaped", "wrapped"])
def test_a_hidden_name_is_found_as_it_is_read_not_only_as_it_is_written(desk: Desk, written: str) -> None:
    boss, pat = an_actor(desk, "boss", Role.ADMINISTRATOR), an_actor(desk, "pat", Role.PLANNER)
    with desk.store.look() as work:
        hidden = next(x for x in work.lines.all() if x.export_control)
    if written == "escaped":
        said = '"for ' + "".join(f"\\x{ord(c):02x}" for c in hidden.line_id) + '"'
    else:
        assert " " in hidden.customer
        said = "for " + hidden.customer.replace(" ", "\n      ")
    marked = text("Marked", f"change: carbon_price\n    per_tonne: 5\n    why: {said}")
    assert hidden.line_id.encode() not in marked and hidden.customer.encode() not in marked
    kept = use.add_what_if(desk, boss, "marked.yaml", marked)
    assert len(use.list_what_ifs(desk, boss)) == 1 and use.list_what_ifs(desk, pat) == []
    job_id = ask_comparison(desk, boss, [kept.record.what_if_id], 0.25, 2).job_id
    with desk.store.begin() as work:
        for world, number in ((0, 0), (0, 1), (1, 0), (1, 1)):
            work.jobs.add_life(LifeRecord(job_id, world, number, "", dict.fromkeys(FIGURES, 1.0 + number)))
    assert comparison_csv(desk, boss, job_id).count("\n") == 5
    with pytest.raises(NotFound):
        comparison_csv(desk, pat, job_id)


def test_over_http(desk: Desk) -> None:
    client = client_of(desk)
    sent = {"file": "carbon.yaml", "text": CARBON.decode()}
    assert client.post("/api/v1/what-ifs/check", json=sent).json()["faults"] == []
    assert client.get("/api/v1/what-ifs").json() == []
    key = {"Idempotency-Key": "once"}
    made = client.post("/api/v1/what-ifs", json=sent, headers=key)
    assert made.status_code == 201 and made.headers["etag"] == '"1"'
    assert client.post("/api/v1/what-ifs", json=sent, headers=key).json() == made.json()
    assert client.post("/api/v1/what-ifs", json={**sent, "file": "b.yaml"}, headers=key).status_code == 409
    path = f"/api/v1/what-ifs/{made.json()['what_if_id']}"
    assert client.get(path).json() == made.json()
    assert client.put(path, json={"text": "name: [", "x": 1}).status_code == 428
    faulty = client.put(path, json={"text": "name: ["}, headers={"If-Match": '"1"'})
    assert faulty.status_code == 422 and faulty.json()["faults"]
    other = {"text": CARBON.decode().replace("90", "91")}
    assert client.put(path, json=other, headers={"If-Match": '"2"'}).status_code == 412
    assert client.put(path, json=other, headers={"If-Match": '"1"'}).headers["etag"] == '"2"'
    assert client.get(f"{path}/difference/{made.json()['what_if_id']}").json() == {"only_one": [], "only_other": []}
    assert client.delete(path, headers={"If-Match": '"1"'}).status_code == 412
    assert client.delete(path, headers={"If-Match": '"2"'}).status_code == 204
    assert client.get(path).status_code == 404


def test_on_pages(tmp_path: Path) -> None:
    desk = peopled_desk(tmp_path, plan=False)
    with signed_in(desk, "vic") as viewer:
        assert "A planner keeps them here" in viewer.get("/what-if").text
        assert viewer.get("/what-if/new").status_code == 403
    with signed_in(desk, "pia") as client:
        assert "/what-if/new" in client.get("/what-if").text
        token = token_on(client.get("/what-if/new").text)
        wrong = text("Wrong <b>", "{change: close_site, site: NOWHERE}").decode()
        answer = client.post("/what-if/new", data={"token": token, "file": "x.yaml", "text": wrong, "do": "keep"})
        assert answer.status_code == 422 and "NOWHERE" in answer.text and "Wrong &lt;b&gt;" in answer.text
        upload = {"upload": ("carbon.yaml", CARBON)}
        looked = client.post("/what-if/new", data={"token": token, "do": "check"}, files=upload)
        assert looked.status_code == 200 and "Nothing is stored yet" in looked.text and "Carbon" in looked.text
        assert use.list_what_ifs(desk, an_actor(desk, "pia", Role.PLANNER)) == []
        kept = client.post("/what-if/new", data={"token": token, "do": "keep"}, files=upload)
        assert kept.status_code == 303
        at = kept.headers["location"]
        assert "Fits the network of today" in client.get(at).text
        second = {"token": token, "file": "freight.yaml", "text": FREIGHT.decode(), "do": "keep"}
        other = client.post("/what-if/new", data=second).headers["location"]
        one, two = at.rsplit("/", 1)[1], other.rsplit("/", 1)[1]
        assert "Only in Freight" in client.get(f"/what-if/difference?one={one}&other={two}").text
        changed = client.post(other, data={"token": token, "text": CARBON.decode(), "version": "1", "do": "keep"})
        assert changed.status_code == 303
        assert client.post(f"{other}/delete", data={"token": token, "version": "1"}).status_code == 409
        assert client.post(f"{other}/delete", data={"token": token, "version": "2"}).status_code == 303
        assert client.get(other).status_code == 404
