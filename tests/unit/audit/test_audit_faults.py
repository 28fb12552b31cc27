"""Faults planted one at a time: each is found under its code, and little else is said.

`also` names the codes that may come along because they follow from the same fault; any other code fails the test.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest

import router.audit
from router.audit import audit
from router.domain.machines import ChangeoverRule, KeepOutZone, Maintenance
from router.domain.network import Scenario
from router.domain.plan import Changeover, LineShare, PlacedPiece, Plan, Unplanned

Case = tuple[Scenario, Plan]
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)
CHANGE_B3 = datetime(2026, 3, 2, 19, 21, tzinfo=UTC)
LOAD_B1 = datetime(2026, 3, 2, 14, tzinfo=UTC)


@dataclass(frozen=True)
class Fault:
    code: str
    plant: Callable[[Scenario, Plan], Case]
    also: frozenset[str] = frozenset()
    name: str = ""


def changed(items: tuple[Any, ...], index: int, **changes: Any) -> tuple[Any, ...]:
    return (*items[:index], replace(items[index], **changes), *items[index + 1 :])


def in_build(code: str, index: int, *also: str, name: str = "", **changes: Any) -> Fault:
    """A fault in one build; a change may be a function of the value that stands there."""

    def plant(scenario: Scenario, plan: Plan) -> Case:
        now = {k: v(getattr(plan.builds[index], k)) if callable(v) else v for k, v in changes.items()}
        return scenario, replace(plan, builds=changed(plan.builds, index, **now))

    return Fault(code, plant, frozenset(also), name)


def in_lot(code: str, index: int, *also: str, name: str = "", **changes: Any) -> Fault:
    return Fault(code, lambda s, p: (s, replace(p, lots=changed(p.lots, index, **changes))), frozenset(also), name)


def in_shipment(code: str, index: int, *also: str, name: str = "", **changes: Any) -> Fault:
    return Fault(
        code, lambda s, p: (s, replace(p, shipments=changed(p.shipments, index, **changes))), frozenset(also), name
    )


def in_plan(code: str, *also: str, name: str = "", **changes: Any) -> Fault:
    def plant(scenario: Scenario, plan: Plan) -> Case:
        return scenario, replace(plan, **{k: v(plan) if callable(v) else v for k, v in changes.items()})

    return Fault(code, plant, frozenset(also), name)


def in_line(code: str, index: int, *also: str, name: str = "", **changes: Any) -> Fault:
    return Fault(code, lambda s, p: (replace(s, lines=changed(s.lines, index, **changes)), p), frozenset(also), name)


def in_net(code: str, *also: str, name: str = "", **changes: Any) -> Fault:
    """A fault of the plan because the network is another; a change may be a function of the network."""

    def plant(scenario: Scenario, plan: Plan) -> Case:
        now = {k: v(scenario.network) if callable(v) else v for k, v in changes.items()}
        return replace(scenario, network=replace(scenario.network, **now)), plan

    return Fault(code, plant, frozenset(also), name)


def moved(index: int, **changes: Any) -> Callable[[tuple[PlacedPiece, ...]], tuple[PlacedPiece, ...]]:
    return lambda pieces: changed(pieces, index, **changes)


def machine(index: int, **changes: Any) -> Callable[[Any], Any]:
    return lambda net: changed(net.machines, index, **changes)


def site(index: int, **changes: Any) -> Callable[[Any], Any]:
    return lambda net: changed(net.sites, index, **changes)


def plate(index: int, **changes: Any) -> Callable[[Any], Any]:
    return lambda net: changed(net.machines, index, plate=replace(net.machines[index].plate, **changes))


def without(items: str, index: int) -> Callable[[Any], Any]:
    return lambda owner: tuple(x for i, x in enumerate(getattr(owner, items)) if i != index)


COUPON = PlacedPiece(None, "a", 220.0, 60.0, 0.0)
MELT = ("wrong-exposure", "wrong-fill", "wrong-build-cost", "wrong-energy", "wrong-build-co2e", "wrong-total",
        "wrong-build-carbon-cost", "wrong-share", "shares-do-not-sum", "wrong-share-pieces", "wrong-run-length",
        "wrong-height", "wrong-layers")  # fmt: skip
"""What follows when other pieces lie on a plate."""
AFTER = ("wrong-plate-steps-cost", "wrong-lot-ready", "wrong-lot-cost", "wrong-shipment-ready", "wrong-lot-pieces",
         "wrong-shipment-pieces", "pieces-lost", "pieces-extra", "dispatch-too-early", "wrong-mass", "wrong-freight",
         "wrong-chargeable-weight", "wrong-shipment-co2e", "wrong-shipment-carbon-cost", "wrong-late-cost")  # fmt: skip
"""What follows after the plate."""
READY = ("wrong-lot-ready", "wrong-shipment-ready", "dispatch-too-early")

PIECES = [
    in_build("coupons-missing", 0, *MELT, pieces=lambda p: p[:-1]),
    in_build("coupons-extra", 0, *MELT, pieces=lambda p: (*p, COUPON)),
    in_line("coupons-missing", 0, coupons=3, name="line asks for more"),
    in_line("own-plate-shared", 1, own_plate=True),
    in_line("wrong-parameter-set", 1, parameter_set_id="ni60"),
    in_line("wrong-alloy", 1, "wrong-lot-cost", "wrong-mass", "wrong-chargeable-weight", "wrong-freight",
            "wrong-shipment-co2e", "wrong-shipment-carbon-cost", "wrong-total", alloy_id="alsi",
            parameter_set_id="al30"),
    in_build("not-as-modelled", 1, *MELT, *AFTER, "line-in-several-orientations", pieces=moved(0, orientation="b")),
    in_net("too-tall", machines=machine(1, height_mm=14.0)),
    in_net("too-tall", machines=machine(0, height_mm=49.0), name="coupon too tall"),
    in_build("line-in-several-orientations", 0, *MELT, *AFTER, "pieces-too-close", pieces=moved(1, orientation="a")),
    in_build("wrong-height", 0, height_mm=40.0),
    in_build("wrong-layers", 0, layers=1249),
    in_build("wrong-exposure", 1, exposure_s=3600 * 73.0 / 26),
    in_build("wrong-fill", 0, fill=8400 / (250 * 250)),
]  # fmt: skip

PLATES = [
    in_build("outside-plate", 0, pieces=moved(1, x_mm=-1.0)),
    in_build("in-edge-margin", 0, pieces=moved(1, x_mm=4.0, y_mm=60.0)),
    in_build("in-edge-margin", 1, pieces=moved(0, x_mm=44.0), name="round plate"),
    in_build("outside-plate", 1, pieces=moved(0, x_mm=35.0, y_mm=28.0), name="round plate, corner out"),
    in_net("in-keep-out", machines=plate(0, keep_outs=(KeepOutZone(45.0, 38.0, 2.1),))),
    in_net("in-keep-out", machines=plate(0, keep_outs=(KeepOutZone(150.0, 150.0, 1.0),)),
           name="keep-out in a hole, under a piece"),
    in_build("pieces-overlap", 0, pieces=moved(0, x_mm=105.0), name="block across the ring"),
    in_build("pieces-overlap", 0, pieces=moved(0, x_mm=120.0 - 0.1, y_mm=140.0), name="just into the ring"),
    in_build("pieces-too-close", 0, pieces=moved(0, x_mm=124.9), name="in the hole, near its edge"),
    in_build("pieces-too-close", 0, pieces=moved(5, y_mm=34.98), name="coupons 4.98 mm apart"),
    in_build("pieces-overlap", 3, pieces=moved(1, x_mm=20.0, y_mm=20.0), name="one on the other"),
    in_build("along-the-recoater", 1, pieces=(
        PlacedPiece("L3", "a", 40.0, 75.0, 0.0), PlacedPiece("L3", "a", 160.0, 125.0, 180.0 - 14.0))),
]  # fmt: skip

TIMES = [
    in_build("load-unstaffed", 0, "run-not-at-load-end", "starts-before-now", load_start=lambda t: t - HOUR),
    in_build("run-not-at-load-end", 0, load_start=lambda t: t + 5 * MINUTE),
    in_build("run-not-at-load-end", 0, "wrong-run-length", run_start=lambda t: t + MINUTE),
    in_build("wrong-run-length", 0, run_end=lambda t: t - MINUTE),
    in_build("unload-before-run-end", 0, "wrong-run-length", run_end=lambda t: t + 12 * HOUR),
    in_build("unload-unstaffed", 0, "wrong-unload-length", *READY, unload_start=lambda t: t - MINUTE),
    in_build("wrong-unload-length", 0, unload_end=lambda t: t + MINUTE),
    in_net("load-unstaffed", "run-not-at-load-end", sites=site(0, holiday_subdivision="IL"),
           name="Pulaski Day in Illinois, 2 March 2026"),
    in_net("load-unstaffed", "run-not-at-load-end", sites=site(0, closures=(date(2026, 3, 2),)), name="closed"),
    in_net("starts-before-now", "other-now", now=lambda n: n.now + timedelta(hours=2, minutes=1)),
    in_net("starts-before-machine-available",
           machines=lambda n: changed(n.machines, 0, available_from=n.now + 3 * HOUR)),
    Fault("load-before-release", lambda s, p: (
        replace(s, lines=changed(s.lines, 1, release_at=p.builds[0].load_start + MINUTE)), p)),
    in_net("maintenance-touched", machines=lambda n: changed(n.machines, 0, maintenance=(
        Maintenance(n.now + 20 * HOUR, n.now + 21 * HOUR),))),
    in_net("maintenance-touched", machines=lambda n: changed(n.machines, 1, maintenance=(
        Maintenance(CHANGE_B3, CHANGE_B3 + MINUTE),)), name="during a changeover"),
    in_build("machine-double-booked", 2, "changeover-wrong-length",
             changeover=lambda c: replace(c, start=c.start - MINUTE)),
    in_build("changeover-missing", 2, "wrong-total", changeover=None),
    in_build("changeover-superfluous", 0, "wrong-total",
             changeover=lambda _: Changeover("ni718", "ni718", LOAD_B1, LOAD_B1, 5)),
    in_build("changeover-wrong-length", 2, "load-before-changeover-end",
             changeover=lambda c: replace(c, end=c.end + MINUTE)),
    in_build("load-before-changeover-end", 2, "run-not-at-load-end", load_start=lambda t: t - MINUTE),
    in_build("changeover-wrong-length", 2, changeover=lambda c: replace(c, end=c.end - HOUR), name="too short"),
    in_build("changeover-unstaffed", 2, "changeover-wrong-length",
             changeover=lambda c: replace(c, start=c.start + 5 * HOUR)),
    in_build("changeover-wrong-cost", 2, changeover=lambda c: replace(c, cost_cents=93601)),
    in_build("changeover-wrong-alloys", 2, changeover=lambda c: replace(c, leaving_alloy_id="ni718")),
    in_net("changeover-never-permitted", "alloy-out-of-reach",
           changeovers=(ChangeoverRule("titanium", "*", None), ChangeoverRule("*", "*", 6.0, 30000))),
    in_net("changeover-never-permitted", "alloy-out-of-reach", changeovers=(), name="no rule at all"),
    in_net("changeover-wrong-length", "changeover-wrong-cost", "wrong-total",
           changeovers=(ChangeoverRule("ti64", "alsi", 8.0, 30000), ChangeoverRule("*", "*", 6.0, 30000)),
           name="first matching rule counts"),
]  # fmt: skip

ELIGIBILITY = [
    in_net("alloy-out-of-reach", "changeover-never-permitted", changeovers=(ChangeoverRule("*", "alsi", None),)),
    in_net("alloy-not-on-machine", machines=machine(2, alloys=("ni718",))),
    in_net("export-code-not-held", sites=lambda n: changed(n.sites, 0, credentials=n.sites[0].credentials[1:])),
    in_net("accreditation-not-held", sites=lambda n: changed(n.sites, 0, credentials=(
        n.sites[0].credentials[0], replace(n.sites[0].credentials[1], valid_until=date(2026, 3, 1)))),
        name="ran out the day before"),
    in_net("export-code-not-held-outside", outside_services=lambda n: changed(n.outside_services, 0, credentials=(
        replace(n.outside_services[0].credentials[0], valid_until=date(2026, 3, 4)),)),
        name="runs out the day before pick-up"),
    in_line("site-not-approved", 2, approved_sites=("north",)),
    in_net("no-way-through-step", "unknown-service", outside_services=lambda n: n.outside_services[2:]),
    in_net("no-way-through-step", work_centres=without("work_centres", 5), name="no packing"),
    in_lot("wrong-outside-service", 0, outside=()),
    in_lot("wrong-outside-service", 0, outside=("press-cheap",), name="service without the export code"),
    in_net("wrong-outside-service", "wrong-lot-ready", "wrong-lot-cost", "wrong-shipment-ready", "wrong-total",
           outside_services=lambda n: changed(n.outside_services, 1, credentials=n.outside_services[0].credentials)),
]  # fmt: skip

COSTS = [
    *(
        in_build("wrong-build-cost", 0, cost=lambda c, n=name: replace(c, **{n: getattr(c, n) + 1}), name=name)
        for name in ("machine_cents", "plate_cents", "powder_cents", "gas_cents", "energy_cents", "labour_cents")
    ),
    in_build("wrong-energy", 1, kwh=lambda x: x * 1.00001),
    in_build("wrong-build-co2e", 1, co2e_kg=lambda x: x * 1.00001),
    in_build("wrong-build-carbon-cost", 1, carbon_cents=97),
    in_build("wrong-plate-steps-cost", 1, plate_steps_cents=8929),
    in_build("wrong-share", 0, shares=(LineShare("L1", 3, 60006, 3393), LineShare("L2", 1, 53610, 10857)),
             name="a cent to the smaller remainder"),
    in_build("wrong-share", 0, shares=(LineShare("L1", 3, 60007, 3394), LineShare("L2", 1, 53609, 10856)),
             name="plate steps"),
    in_build("shares-do-not-sum", 0, "wrong-share",
             shares=(LineShare("L1", 3, 60006, 3393), LineShare("L2", 1, 53609, 10857))),
    in_build("share-missing", 0, shares=lambda s: s[:1]),
    in_build("share-extra", 1, shares=lambda s: (*s, LineShare("L1", 0, 0, 0))),
    in_build("duplicate-id", 1, shares=lambda s: (*s, *s), name="a share twice"),
    in_build("wrong-share-pieces", 0, shares=lambda s: (replace(s[0], pieces=2), s[1])),
    in_lot("wrong-lot-pieces", 0, "pieces-lost", pieces=2),
    in_lot("wrong-lot-cost", 0, cost_cents=33174),
    Fault("wrong-lot-ready", lambda s, p: (s, replace(p, lots=changed(
        p.lots, 0, ready_at=p.lots[0].ready_at - MINUTE)))),
    in_plan("lot-missing", "pieces-lost", lots=without("lots", 1)),
    in_plan("lot-extra", "pieces-extra", "wrong-total", lots=lambda p: (*p.lots, replace(p.lots[0], build_id="b2"))),
]  # fmt: skip

SHIPMENTS = [
    in_shipment("wrong-shipment-pieces", 3, "pieces-lost", pieces=3),
    in_shipment("lot-not-shipped", 3, "wrong-shipment-pieces", *AFTER, "wrong-total", build_ids=("b3",)),
    in_plan("lot-not-shipped", "pieces-lost", "wrong-total", shipments=lambda p: p.shipments[:3],
            name="line unshipped"),
    in_plan("shipped-twice", "pieces-extra", "wrong-total",
            shipments=lambda p: (*p.shipments, replace(p.shipments[0], shipment_id="s9"))),
    in_shipment("shipped-twice", 3, "wrong-shipment-pieces", "wrong-mass", "wrong-shipment-co2e", "wrong-total",
                "wrong-shipment-carbon-cost", "wrong-late-cost", build_ids=("b3", "b4", "b4"),
                name="build named twice"),
    in_shipment("shipment-of-other-build", 1, build_ids=("b1", "b2")),
    in_shipment("shipment-without-builds", 1, "lot-not-shipped", build_ids=()),
    in_shipment("shipment-from-other-site", 3, "wrong-distance", "wrong-shipment-co2e", "wrong-freight",
                "wrong-shipment-ready", "wrong-arrival", "wrong-late-days", "wrong-late-cost", "dispatch-too-early",
                "wrong-shipment-carbon-cost", "beyond-carrier-reach", "wrong-total", site_id="north"),
    Fault("wrong-shipment-ready", lambda s, p: (s, replace(p, shipments=changed(
        p.shipments, 0, ready_at=p.shipments[0].ready_at - HOUR)))),
    in_shipment("dispatch-too-early", 0, "wrong-arrival", "wrong-late-days", "wrong-late-cost", "wrong-total",
                dispatch_date=date(2026, 3, 10)),
    in_shipment("dispatch-too-early", 1, dispatch_date=date(2026, 3, 3), arrive_date=date(2026, 3, 6),
                name="after the cut-off"),
    in_shipment("dispatch-not-on-business-day", 0, "wrong-arrival", "wrong-late-days", "wrong-late-cost",
                "wrong-total", dispatch_date=date(2026, 3, 14)),
    in_shipment("wrong-arrival", 0, arrive_date=date(2026, 3, 17)),
    in_shipment("wrong-mass", 0, mass_kg=1.2),
    in_shipment("wrong-chargeable-weight", 0, chargeable_kg=2.0),
    in_shipment("wrong-distance", 1, distance_km=6845.9241930652),
    in_shipment("wrong-freight", 1, freight_cents=11025 - 4500, name="customs forgotten"),
    in_shipment("wrong-shipment-co2e", 1, co2e_kg=4.4),
    in_shipment("wrong-shipment-carbon-cost", 1, carbon_cents=44),
    in_shipment("wrong-late-days", 0, late_days=1),
    in_shipment("wrong-late-cost", 0, late_cents=500),
    in_net("beyond-carrier-reach", carriers=lambda n: changed(n.carriers, 1, zones=n.carriers[1].zones[:1])),
    in_net("too-heavy-for-carrier", carriers=lambda n: changed(n.carriers, 1, max_chargeable_kg=1.0)),
    in_net("wrong-freight", "wrong-arrival", "wrong-total", "wrong-late-days", "wrong-late-cost",
           carriers=lambda n: changed(n.carriers, 1, zones=(
               replace(n.carriers[1].zones[1], base_cents=7000, transit_working_days=3),)), name="another table"),
    in_net("dispatch-too-early", carriers=lambda n: changed(n.carriers, 0, cutoff=time(8))),
]  # fmt: skip

WHOLE = [
    in_plan("other-scenario", scenario_fingerprint="0" * 64),
    in_plan("other-now", now=lambda p: p.now + MINUTE),
    in_plan("pieces-lost", "pieces-extra", *MELT, *AFTER,
            builds=lambda p: changed(p.builds, 2, pieces=p.builds[2].pieces[:1])),
    in_line("pieces-lost", 3, "wrong-late-cost", "wrong-total", quantity=5, name="one more ordered"),
    in_line("pieces-extra", 3, "wrong-late-cost", "wrong-total", quantity=3, name="one fewer ordered"),
    Fault("line-nowhere", lambda s, p: (s, replace(p, unplanned=()))),
    in_plan("line-planned-and-left-out", "left-out-but-buildable",
            unplanned=lambda p: (*p.unplanned, Unplanned("L4", ("no room",)))),
    in_plan("left-out-without-reason", unplanned=(Unplanned("L5", ()),)),
    in_line("left-out-but-buildable", 4, model="block.stl"),
    in_line("left-out-but-buildable", 4, model="ring.stl", coupons=4, name="with coupons"),
    in_line("left-out-but-buildable", 4, model="bar.stl", as_modelled=True, name="turned off the blade"),
    in_plan("duplicate-id", "pieces-extra", "wrong-total", builds=lambda p: (*p.builds, p.builds[3]),
            name="build twice"),
    in_plan("duplicate-id", builds=lambda p: tuple(replace(b, lasting_id="one") for b in p.builds),
            name="one lasting id for all builds"),
    in_plan("duplicate-id", "pieces-extra", "wrong-total", lots=lambda p: (*p.lots, p.lots[0]), name="lot twice"),
    in_shipment("duplicate-id", 1, shipment_id="s1", name="shipment twice"),
    in_plan("duplicate-id", unplanned=lambda p: p.unplanned * 2, name="left out twice"),
    *(
        in_plan("wrong-total", totals=lambda p, n=name: replace(p.totals, **{n: getattr(p.totals, n) - 1}), name=name)
        for name in ("build_cents", "changeover_cents", "after_build_cents", "freight_cents", "carbon_cents",
                     "lateness_cents")
    ),
]  # fmt: skip


def split_over_sites(scenario: Scenario, plan: Plan) -> Case:
    """Machine m3 stands at the other works, with everything else left as it is."""
    return replace(scenario, network=replace(scenario.network, machines=changed(
        scenario.network.machines, 2, site_id="north"))), plan  # fmt: skip


FORM = [
    in_line("unknown-alloy", 1, alloy_id="unobtainium"),
    in_build("unknown-machine", 3, machine_id="m9"),
    in_build("unknown-orientation", 1, "wrong-total", pieces=moved(0, orientation="z"), name="before a changeover"),
    in_line("quantity-not-positive", 1, "pieces-extra", quantity=0),
    in_build("unknown-parameter-set", 3, parameter_set_id="xx"),
    in_build("unknown-line", 3, "pieces-lost", pieces=moved(0, line_id="L99")),
    in_build("unknown-orientation", 3, pieces=moved(0, orientation="z")),
    in_build("build-without-pieces", 3, "pieces-lost", pieces=(COUPON,)),
    in_lot("unknown-build", 4, "lot-missing", "wrong-total", build_id="b9"),
    in_lot("unknown-line", 4, "lot-missing", "pieces-lost", "wrong-total", line_id="L99"),
    in_lot("unknown-service", 1, "wrong-outside-service", outside=("nobody",)),
    in_shipment("unknown-carrier", 0, carrier_id="pigeon"),
    in_shipment("unknown-site", 0, site_id="west"),
    in_shipment("unknown-build", 0, "lot-not-shipped", build_ids=("b9",)),
    in_plan("unknown-line", unplanned=lambda p: (*p.unplanned, Unplanned("L99", ("unknown",)))),
    in_line("unknown-part", 1, model="nothing.stl"),
    in_build("number-not-finite", 0, kwh=math.nan),
    in_build("number-not-finite", 0, pieces=moved(0, x_mm=math.inf)),
    in_shipment("number-not-finite", 0, mass_kg=math.nan),
    in_build("cents-not-whole", 0, "shares-do-not-sum", "wrong-total", carbon_cents=207.0),
    in_build("time-without-zone", 0, run_end=lambda t: t.replace(tzinfo=None)),
    Fault("time-without-zone", lambda s, p: (s, replace(p, lots=changed(
        p.lots, 0, ready_at=p.lots[0].ready_at.replace(tzinfo=None)))), name="lot"),
    in_plan("time-without-zone", "other-now", now=lambda p: p.now.replace(tzinfo=None)),
    in_build("time-not-whole-minute", 0, "wrong-run-length", run_end=lambda t: t + timedelta(seconds=30)),
    in_build("time-out-of-reach", 0, run_end=lambda t: t.replace(year=2126)),
    Fault("line-at-several-sites", split_over_sites, frozenset({
        "load-unstaffed", "unload-unstaffed", "run-not-at-load-end", "wrong-unload-length", "wrong-build-cost",
        "wrong-build-co2e", "wrong-build-carbon-cost", "wrong-plate-steps-cost", "wrong-share", "shares-do-not-sum",
        "wrong-lot-ready", "wrong-lot-cost", "shipment-from-other-site", "wrong-shipment-ready", "wrong-total",
        "dispatch-too-early", "starts-before-machine-available"})),
]  # fmt: skip

FAULTS = [*PIECES, *PLATES, *TIMES, *ELIGIBILITY, *COSTS, *SHIPMENTS, *WHOLE, *FORM]


def label(fault: Fault) -> str:
    return f"{fault.code}, {fault.name}" if fault.name else fault.code


@pytest.mark.parametrize("fault", FAULTS, ids=label)
def test_a_planted_fault_is_found_and_not_drowned(fault: Fault, scenario: Scenario, plan: Plan) -> None:
    report = audit(*fault.plant(scenario, plan))
    assert fault.code in report.codes()
    unforeseen = [f.sentence() for f in report.findings if f.code != fault.code and f.code not in fault.also]
    assert unforeseen == []


def test_every_code_the_auditor_can_write_is_planted() -> None:
    """Codes are the only hyphenated words in quotes in the room; those of measured parts have a test of their own."""
    room = Path(router.audit.__file__).parent
    source = "".join(page.read_text(encoding="utf-8") for page in room.glob("*.py"))
    written = set(re.findall(r'"([a-z]+(?:-[a-z0-9]+)+)"', source))
    assert {code for code in written if not code.startswith("part-")} == {fault.code for fault in FAULTS}
