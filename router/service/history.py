"""The book's own history: what customers ordered, whatever has become of it. Demand of simulations is drawn from it.

A snapshot is what is still to build. Demand is what came in: started, built and held pieces were ordered all the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from router.domain.network import Scenario
from router.formats.scenario_json import scenario_from_json, scenario_to_json
from router.kernel.faults import NotFound
from router.service.desk import Desk
from router.service.floor import played
from router.service.models import parts_of
from router.service.network import NO_NETWORK, reading_of
from router.service.records import LineStanding
from router.service.snapshot import as_decided, as_it_runs, fingerprint_of, planning_moment

NO_HISTORY = "no line without an export code in the book: there is no demand to draw from; import an order book"


def open_history(desk: Desk) -> Scenario:
    """Every line that was not withdrawn, in full, on the network as it runs; lines under export control left out.

    Raises NotFound, saying what to do, while there is none, and FaultyInput for lines that the network cannot read.
    """
    return _history(desk)[0]


def _history(desk: Desk) -> tuple[Scenario, Mapping[str, str]]:
    """With the content (SHA-256) of each model."""
    with desk.store.look() as work:
        revision, now = work.revision.now(), planning_moment(desk, work)
    found: tuple[Scenario, Mapping[str, str]] = desk.memory.get(
        ("open history", revision, now), lambda: _make(desk, now)
    )
    return found


def history_of_job(desk: Desk, job_id: str) -> Scenario:
    """What a job draws from: the history as it was at the first attempt, whatever came into the book since.

    So lives of an attempt that was cut short go on with the next one. Faults as of ``open_history``.
    """
    with desk.store.look() as work:
        text = work.jobs.scenario(job_id)
    if text is None:
        found, models = _history(desk)
        mine = scenario_to_json(found, models)
        with desk.store.begin() as work:
            text = work.jobs.scenario(job_id)
            if text is None:
                work.jobs.keep_scenario(job_id, mine)
                return found
    kept = scenario_from_json(text)
    parts = parts_of(desk, kept.lines, kept.models, kept.network.overhang_deg)
    return Scenario(kept.network, kept.lines, parts, kept.fingerprint)


def _make(desk: Desk, now: datetime | None) -> tuple[Scenario, Mapping[str, str]]:
    with desk.store.look() as work:
        network, lines, events = work.networks.latest(), work.lines.all(), work.events.all()
        shas = {m.name: m.sha256 for m in work.models.all()}
    if network is None:
        raise NotFound(NO_NETWORK)
    wanted = [x for x in lines if x.standing is not LineStanding.WITHDRAWN and x.export_control is None]
    if not wanted:
        raise NotFound(NO_HISTORY)
    static, found = as_decided(reading_of(desk, network), wanted, shas)
    parts = parts_of(desk, found, shas, static.overhang_deg)
    live = as_it_runs(static, played(events), now)
    made = Scenario(live, tuple(found), parts, fingerprint_of(network, wanted, shas, events, now))
    return made, {name: shas[name] for name in parts}
