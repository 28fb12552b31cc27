"""What was asked, made or saved is told on a clock of the reader's choice; sites are called by their names."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from fastapi.testclient import TestClient
from whole_site import peopled_desk, signed_in, token_on

from router.domain.result import LineOptions
from router.report.wording import full_clock
from router.service.book import get_line, pin
from router.service.desk import Desk
from router.service.network import current_network
from router.service.people import list_people
from router.service.plans import kpi_names, live_in_full
from router.service.records import Actor, Person
from router.store.book_rows import NetworkRows
from router.web import order_line
from router.web.own_clock import OwnClock, own_clock
from router.web.plans import _LABELS

OHIO, RHINE = ZoneInfo("America/New_York"), ZoneInfo("Europe/Berlin")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return peopled_desk(tmp_path_factory.mktemp("clock"))


def person(desk: Desk, name: str) -> Actor:
    with desk.store.look() as work:
        known = work.people.named(name)
    assert known is not None
    return Actor(known[0])


def choose(client: TestClient, clock: str) -> None:
    sent = {"token": token_on(client.get("/plans").text), "next": "/plans", "clock": clock}
    assert client.post("/choices", data=sent).status_code == 303


def test_a_plan_is_told_on_the_clock_of_most_machines_until_another_is_chosen(desk: Desk) -> None:
    made = live_in_full(desk).head.made_at
    with signed_in(desk, "pia") as client:
        for path in ("/plans", "/plans/1"):
            assert full_clock(made, OHIO) in client.get(path).text, path
        choose(client, "Europe/Berlin")
        for path in ("/plans", "/plans/1"):
            text = client.get(path).text
            assert full_clock(made, RHINE) in text and full_clock(made, OHIO) not in text, path
        assert "all others on the clock of Uferhof works" in text
        choose(client, "Mars/Olympus")  # nobody's clock: the one before stays
        assert full_clock(made, RHINE) in client.get("/plans").text
        choose(client, "UTC")
        assert full_clock(made, ZoneInfo("UTC")) in client.get("/plans").text


def test_a_line_is_told_on_the_clocks_of_its_sites_and_of_the_reader(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = order_line.where_to_build

    def late(*given: object) -> LineOptions:
        """The same line, ready when the day in UTC is another one than at either site."""
        found = asked(*given)  # type: ignore[arg-type]
        evening = {"OHIO": datetime(2027, 3, 6, 3, tzinfo=UTC), "RHINE": datetime(2027, 3, 5, 23, 30, tzinfo=UTC)}
        return replace(found, sites=tuple(replace(o, ready_at=evening[o.site_id]) for o in found.sites))

    monkeypatch.setattr(order_line, "where_to_build", late)
    pia = person(desk, "pia")
    line = get_line(desk, pia, "1003-1")
    for zone in (OHIO, RHINE):
        view = order_line.line_view(desk, pia, "1003-1", zone)
        assert {r.site: r.ready for r in view.rows} == {"Millrace works": "Fri 5 Mar", "Uferhof works": "Sat 6 Mar"}
        assert dict(view.facts)["Received"] == full_clock(line.received_at, zone)


def test_own_sites_count_before_those_of_others(desk: Desk) -> None:
    network = current_network(desk, person(desk, "pia")).network
    for site, zone in (("OHIO", OHIO), ("RHINE", RHINE)):
        at_site = Person(0, "x", person(desk, "oda").person.role, frozenset({site}))
        assert own_clock(desk, Actor(at_site), "").zone == zone
    assert {z for z, _ in own_clock(desk, person(desk, "pia"), "").choices} == {
        *(s.time_zone for s in network.sites),
        "UTC",
    }


def test_whoever_may_not_see_the_network_has_utc(desk: Desk) -> None:
    gone = Person(0, "x", person(desk, "oda").person.role, active=False)
    assert own_clock(desk, Actor(gone), "Europe/Berlin").zone.key == "UTC"


def test_seconds_are_told_where_they_tell_things_apart() -> None:
    at = datetime(2027, 1, 5, 9, 3, 7, tzinfo=UTC)
    assert OwnClock(RHINE, (), {}).to_the_second(at) == "Tue 5 Jan 2027 10:03:07 CET"


def test_the_box_of_somebody_at_a_site_names_the_site(desk: Desk) -> None:
    with signed_in(desk, "oda") as client:
        box = client.get("/floor").text.split('class="selfbox"')[1].split("</p>")[0]
    assert "Millrace works" in box and "OHIO" not in box


def test_people_are_given_sites_by_name_or_id(desk: Desk) -> None:
    with signed_in(desk, "adm") as client:
        page = client.get("/people").text
        assert 'value="Millrace works"' in page
        form = {"token": token_on(page), "name": "olga", "role": "site operator", "codes": ""}
        assert client.post("/people", data={**form, "sites": "uferhof WORKS, OHIO"}).status_code == 200
        wrong = client.post("/people", data={**form, "name": "otto", "sites": "Nowhere works"})
        assert wrong.status_code == 422 and "Nowhere works" in wrong.text
    sites = {p.name: p.sites for p in list_people(desk, person(desk, "adm"))}
    assert sites["olga"] == {"OHIO", "RHINE"} and "otto" not in sites


def test_the_trail_leads_to_runs_and_tells_its_moments_on_the_clock(desk: Desk) -> None:
    with signed_in(desk, "pia") as client:
        token = token_on(client.get("/runs/new").text)
        sent = {"token": token, "seconds": "1", "seed": "1", "workers": "1", "begin": "live", "keep_h": "0"}
        run = client.post("/runs/new", data=sent).headers["location"]
        trail = client.get("/trail").text
        assert f'<a href="{run}">the run</a>' in trail
        assert re.search(r"\d\d:\d\d:\d\d E[SD]T", trail)


def test_every_key_figure_that_is_compared_has_words() -> None:
    assert set(_LABELS) == set(kpi_names()) - {"last_unload"}


def test_pages_and_decisions_do_not_read_the_text_of_the_network_once_it_is_remembered(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[object] = []
    for name in ("latest", "get"):
        whole = getattr(NetworkRows, name)

        def noticed(rows: NetworkRows, *asked: int, whole: Callable[..., object] = whole) -> object:
            read.append(None)
            return whole(rows, *asked)

        monkeypatch.setattr(NetworkRows, name, noticed)
    pia = person(desk, "pia")
    with signed_in(desk, "pia") as client:
        assert client.get("/orders").status_code == 200
        read.clear()
        for path in ("/orders", "/plans", "/runs", "/orders/1001-1", "/what-if"):
            assert client.get(path).status_code == 200, path
        line = get_line(desk, pia, "1001-1")
        pinned = pin(desk, pia, line.line_id, "OHIO", line.version)
        pin(desk, pia, line.line_id, None, pinned.version)
    assert read == []
